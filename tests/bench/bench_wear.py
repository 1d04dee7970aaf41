"""Wear estimator: speed against a general-purpose mixed-model library, growth, and coverage.

Run ``python -m tests.bench.bench_wear``; it prints tables and asserts nothing.
"""

import resource
import time
import warnings
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import polars as pl
import statsmodels.api as sm
from scipy import stats

from models.mixed.blocks import BlockMoments, Blocks, assemble_blocks, blocks_from_rows
from models.mixed.fit import fit_mixed
from models.wear.fit import fit_wear
from models.wear.predict import lining_lines, predict_lining
from tests.fleets.linings import AXLES, DUTIES, FleetTruth, draw_fleet, sums_of
from tests.oracles.wear_crossing import km_to_minimum

READINGS = 10
T = TypeVar("T")
COLUMNS = 10


def drawn_rows(n_lives: int, seed: int = 1) -> dict[str, np.ndarray]:
    """Two axle types in four duties, 10 readings per life, random start and rate per life."""
    rng = np.random.default_rng(seed)
    axle, duty = rng.integers(0, 2, n_lives), rng.integers(0, 4, n_lives)
    t = np.sort(rng.uniform(0, 20, (n_lives, READINGS)), axis=1)
    rate = 0.3 + 0.1 * axle + 0.08 * duty + rng.normal(0, 0.08, n_lives)
    unit = np.arange(n_lives) // 6
    rate += rng.normal(0, 0.06, unit[-1] + 1)[unit]
    start = 16 + 2 * axle + rng.normal(0, 0.4, n_lives)
    y = start[:, None] - rate[:, None] * t + rng.normal(0, 0.4, t.shape)
    return {"axle": axle, "duty": duty, "unit": unit, "t": t, "y": y}


def design(rows: dict[str, np.ndarray]) -> np.ndarray:
    axle, duty = np.repeat(rows["axle"], READINGS), np.repeat(rows["duty"], READINGS)
    t = rows["t"].ravel()
    columns = []
    for a in range(2):
        mine = axle == a
        columns += [mine * 1.0, *(-t * (mine & (duty == d)) for d in range(4))]
    return np.column_stack(columns)


def life_sums(rows: dict[str, np.ndarray]) -> list[dict[str, np.ndarray]]:
    """The per-life sums that SQL would deliver, per axle type."""
    out = []
    for axle in range(2):
        lives = np.flatnonzero(rows["axle"] == axle)
        t, y = rows["t"][lives], rows["y"][lives]
        mean_t, mean_y = t.mean(axis=1), y.mean(axis=1)
        tc, yc = t - mean_t[:, None], y - mean_y[:, None]
        out.append(
            {
                "lives": lives,
                "mean_t": mean_t,
                "mean_y": mean_y,
                "s_tt": (tc * tc).sum(axis=1),
                "s_ty": (tc * yc).sum(axis=1),
                "s_yy": (yc * yc).sum(axis=1),
                "duty": rows["duty"][lives],
                "unit": rows["unit"][lives],
            }
        )
    return out


def blocks_of(sums: list[dict[str, np.ndarray]], n_units: int, with_units: bool) -> Blocks:
    moments = []
    for axle, part in enumerate(sums):
        n, at = len(part["lives"]), np.arange(len(part["lives"]))
        mean_x, s_tx = np.zeros((5, n)), np.zeros((5, n))
        mean_x[0] = 1.0
        mean_x[1 + part["duty"], at] = -part["mean_t"]
        s_tx[1 + part["duty"], at] = -part["s_tt"]
        within = np.zeros((6, 6))
        within[5, 5] = (part["s_yy"] - part["s_ty"] ** 2 / part["s_tt"]).sum()
        moments.append(
            BlockMoments(
                columns=np.arange(5) + 5 * axle,
                unit=part["unit"] if with_units else part["lives"],
                source=part["lives"],
                unknown_intercept=np.zeros(n, bool),
                rows=np.full(n, READINGS),
                weight=np.full(n, float(READINGS)),
                mean_t=part["mean_t"],
                mean_y=part["mean_y"],
                mean_x=mean_x,
                s_tt=part["s_tt"],
                s_ty=part["s_ty"],
                s_tx=s_tx,
                within=within,
            )
        )
    names = [f"x{i}" for i in range(COLUMNS)]
    return assemble_blocks(moments, names, n_units=n_units, has_units=with_units)


def timed(action: Callable[[], T]) -> tuple[T, float]:
    """Result and least seconds of three runs."""
    best = np.inf
    for _ in range(3):
        start = time.perf_counter()
        result = action()
        best = min(best, time.perf_counter() - start)
    return result, best


def library_fit(rows: dict[str, np.ndarray]) -> tuple[Any, float]:
    t = rows["t"].ravel()
    block = np.repeat(np.arange(len(rows["t"])), READINGS)
    start = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = sm.MixedLM(
            rows["y"].ravel(), design(rows), groups=block, exog_re=np.column_stack([t * 0 + 1, t])
        )
        fit = model.fit(reml=True, method="bfgs")
    return fit, time.perf_counter() - start


def least_squares_errors(rows: dict[str, np.ndarray], library: Any) -> np.ndarray:
    """Generalised least squares standard errors at the library's own variances.

    Its printed ones come from the observed information of all parameters together, which differs
    by chance correlations between fixed effects and variances.
    """
    t = rows["t"]
    z = np.stack([np.ones_like(t), t], axis=2)
    v = z @ np.asarray(library.cov_re) @ z.transpose(0, 2, 1) + library.scale * np.eye(READINGS)
    x = design(rows).reshape(len(t), READINGS, -1)
    information = np.einsum("nij,nik->jk", x, np.linalg.solve(v, x))
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(information))))


def against_library(n_lives: int) -> dict[str, float]:
    rows = drawn_rows(n_lives)
    library, library_s = library_fit(rows)
    sums = life_sums(rows)
    ours, ours_s = timed(lambda: fit_mixed(blocks_of(sums, n_lives, with_units=False)))
    block = np.repeat(np.arange(n_lives), READINGS)
    _, rows_s = timed(
        lambda: fit_mixed(
            blocks_from_rows(rows["y"].ravel(), design(rows), rows["t"].ravel(), block)
        )
    )
    theirs = least_squares_errors(rows, library)
    return {
        "lives": n_lives,
        "library s": library_s,
        "ours s": ours_s,
        "ratio": library_s / ours_s,
        "ours from readings s": rows_s,
        "ratio from readings": library_s / rows_s,
        "fixed effects, rel": float(np.abs(ours.beta / library.fe_params - 1).max()),
        "standard errors, rel": float(np.abs(ours.standard_errors / theirs - 1).max()),
        "spreads, rel": float(np.abs(np.sqrt(np.diag(ours.gamma / library.cov_re)) - 1).max()),
        "error variance, rel": abs(ours.sigma2 / library.scale - 1),
        "loglik gain": ours.reml_loglik - library.llf,
    }


def growth(n_lives: int) -> dict[str, float]:
    rows = drawn_rows(n_lives)
    sums = life_sums(rows)
    n_units = int(rows["unit"][-1]) + 1
    del rows
    start = time.perf_counter()
    fit = fit_mixed(blocks_of(sums, n_units, with_units=True))
    seconds = time.perf_counter() - start
    return {
        "lives": n_lives,
        "units": n_units,
        "s": seconds,
        "us per life": 1e6 * seconds / n_lives,
        "converged": float(fit.converged),
        "unit sd (true 0.06)": float(np.sqrt(fit.unit_variance)),
        "life sd (true 0.08)": float(np.sqrt(fit.gamma[1, 1])),
        "peak GB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
    }


def coverage(name: str, units: int, truth: FleetTruth, replicates: int = 200) -> dict[str, object]:
    """Share of intervals that hold the truth, over fleets drawn anew."""
    hits, ratio, now, band, below, width = [], [], [], [], [], []
    for seed in range(replicates):
        fleet = draw_fleet(10_000 + seed, units, truth)
        sums = sums_of(fleet)
        fit = fit_wear(sums)
        true = {
            (a, d): truth.rates[i, j] for i, a in enumerate(AXLES) for j, d in enumerate(DUTIES)
        }
        hits += [r.ci_low <= true[r.axle_type, r.duty] <= r.ci_high for r in fit.rates]
        ratio += [r.mm_per_10000km / true[r.axle_type, r.duty] - 1 for r in fit.rates]
        lines = lining_lines(fit, sums)
        order = pl.DataFrame({"life_id": lines.life_id})
        lives = order.join(fleet.lines, on="life_id", how="left", maintain_order="left")
        # Of a dozen units none may run in one of the duties.
        share = np.zeros((len(sums.duties), lines.n_lives))
        still = predict_lining(lines, share)
        z = (lives["true_mm"].to_numpy() - still.mean_mm) / still.sd_mm
        now.append(np.mean(np.abs(z) < stats.norm.ppf(0.975)))
        share[1] = 1.0
        ahead = DUTIES.index(sums.duties[1])
        rate = truth.rates[sums.axle, ahead] - lives["true_slope"].to_numpy()
        km = (lives["true_mm"].to_numpy() - 5.0) / rate * 1e4
        current = (lives["check"] == truth.checks - 1).to_numpy()
        low, _, high = km_to_minimum(lines, 5.0, share)
        band.append(np.mean(((low <= km) & (km <= high))[current]))
        below.append(np.mean((km < low)[current]))
        width += [r.ci_high - r.ci_low for r in fit.rates]
    return {
        "fleet": name,
        "units": units,
        "replicates": replicates,
        "95 % rate": float(np.mean(hits)),
        "bias of rates": float(np.mean(ratio)),
        "95 % lining now": float(np.mean(now)),
        "p10-p90 km to minimum": float(np.mean(band)),
        "below p10": float(np.mean(below)),
        "mean width": float(np.mean(width)),
    }


def show(title: str, records: Sequence[Mapping[str, object]]) -> None:
    print(f"\n{title}")
    with pd.option_context("display.width", 250, "display.max_columns", 30):
        print(pd.DataFrame(records).to_string(index=False, float_format=lambda v: f"{v:.4g}"))


def main() -> None:
    """Print speed, agreement, growth and coverage."""
    show(
        "Two-level form, 10 readings per life, against statsmodels MixedLM (same data, same run)",
        [against_library(n) for n in (2_000, 10_000)],
    )
    show(
        "Growth with the unit level (fit from per-life sums)",
        [growth(n) for n in (10_000, 100_000, 1_000_000)],
    )
    plain = FleetTruth(change_share=0.0, unknown_share=0.0, missing_share=0.0, round_to_mm=0.0)
    show(
        "Coverage over simulated fleets",
        [
            coverage("clean", 100, plain),
            coverage("30 % change duty, half-mm, 10 % missing, unknown starts", 100, FleetTruth()),
            coverage("the same, small", 24, FleetTruth()),
            coverage("the same, very small", 12, FleetTruth()),
        ],
    )


if __name__ == "__main__":
    main()
