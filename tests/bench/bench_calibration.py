"""Simulation-based calibration, lake to mart: where the truth falls in what was published of it.

``python -m tests.bench.bench_calibration [OUT.svg] [--fleets 30] [--first 0] [WORDS …]`` draws
fleets of every world below (those whose name holds a word), writes their lakes, runs the pipeline
to its marts, and asks of each published figure which share of what was said lies below the truth.
That share is even on 0 to 1 where uncertainty is as stated (Talts, Betancourt, Simpson, Vehtari,
Gelman 2018, arXiv 1804.06788; of frequentist limits, the probability integral transform). It prints
the truths inside 95 % limits with their Monte-Carlo error, and chances against what happened, and
draws the shares' distribution less the even one, with a simultaneous 95 % band (Kolmogorov's). Rows
are kept beside OUT, if that is said: ``--show`` prints and draws them again. It asserts nothing.

What no truth is known of exactly (lives where units differ, or where care comes and goes) is held
against the same figure of one fleet of ``LARGE`` units: a Weibull's shape against a Weibull's, free
curves and averaged B10 against theirs. Linings of units that left the fleet unseen are told apart:
an estimate is of a unit that is there.
"""

import argparse
import datetime as dt
import io
import json
import re
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import altair as alt
import numpy as np
import polars as pl
from scipy import stats

from models.wear.spread import typical_rate
from pipeline.marts import marts
from pipeline.marts.adjustment import judge_drift
from pipeline.marts.lives.decisions import replacement_ages
from pipeline.marts.lives.effects import effect_rows, on_time_scale, regression
from pipeline.marts.lives.fits import frame_of, write_life_marts
from pipeline.marts.results import Fits
from pipeline.marts.setting_quality import write_setting_quality
from pipeline.marts.wear import wear_comparisons, write_wear_marts
from pipeline.run import Run, load, reduce, settings_of
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import known_fleet, linings_now
from pipeline.warehouse import warehouse
from pipeline.warehouse.incremental import restage
from tests.worlds.fleet import ENDS_ON, Fleet, lived
from tests.worlds.lake import DUTIES, TYPES, write_lake
from tests.worlds.roads import SEVERITY
from tests.worlds.workshop import ADJUSTER_SCALE_KM, ADJUSTER_SHAPE
from tests.worlds.world import World

PLAIN = World(two_duties=True, tested=1.0, found_by_test=1.0, wear_unit_sd=0.08, years_beyond=0.7)
CARED_FOR_ILL = replace(
    PLAIN, frailty=0.3, cap_open=0.25, overdue=0.25, cap_ratio=2.0, overdue_ratio=2.0
)
WORLDS = {
    "plain": PLAIN,
    "wear spread in proportion": replace(PLAIN, wear_unit_sd=0.22, wear_life_sd=0.15),
    "wear spread alike": replace(PLAIN, wear_unit_sd=0.0, wear_unit_mm=0.06),
    "adjusters of a unit alike": replace(PLAIN, frailty=0.3),
    "three in ten change duty": replace(PLAIN, changing=0.09),
    "checks skipped, units leave": replace(PLAIN, skipped=0.2, leaving=0.1),
    "half-yearly, whole mm": replace(PLAIN, gaps="half-yearly", steps="heaped"),
    "caps and greasing, alike": CARED_FOR_ILL,
}
CARED_FOR = {"cap_open": "cap open", "greasing_overdue": "greasing overdue"}
NOW = dt.datetime(2026, 9, 1, 8, 0)
AGES_KM = (150_000.0, 300_000.0, 450_000.0)
FAILED_COSTS = 5.0
"""A failure's cost over a planned replacement's, in the worlds' settings."""
LARGE = 1_200
BINS = (0.0, 0.01, 0.03, 0.1, 0.3, 0.7, 0.9, 0.97, 1.0)
COLUMNS = {
    "world": pl.String,
    "fleet": pl.Int64,
    "quantity": pl.String,
    "share": pl.Float64,
    "inside": pl.Float64,
    "level": pl.Float64,
}


@dataclass(frozen=True)
class Published:
    """A quantity as published: estimate and limits at a level, on a scale where they are even."""

    quantity: str
    estimate: float
    low: float
    high: float
    level: float = 0.95

    def row(self, truth: float) -> tuple[str, float, bool, float]:
        """Quantity, share below the truth, whether it is inside, and the limits' level."""
        half = self.high - self.estimate if truth > self.estimate else self.estimate - self.low
        z = stats.norm.ppf(0.5 + self.level / 2) * (truth - self.estimate) / half if half else 0.0
        inside = self.low <= truth <= self.high
        return self.quantity, float(stats.norm.cdf(z)), inside, self.level


Row = tuple[str, float, bool, float]


@contextmanager
def staged(fleet: Fleet) -> Iterator[Run]:
    """The fleet's lake, loaded, staged and counted."""
    with tempfile.TemporaryDirectory() as base, warehouse.in_memory() as con:
        con.execute("set threads = 1")
        lake = write_lake(fleet, Path(base) / "lake", ENDS_ON)
        run = Run(con, lake, Path(base) / "out", settings_of(lake), NOW, given_as_of=ENDS_ON)
        load(run)
        restage(con, run.settings, NOW.date(), ENDS_ON)
        reduce(run)
        yield run


# -- truth ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Truth:
    """Of a Weibull life [km]; ``ratios``: hazard ratio by term, 1 where not named.

    Where lives are no Weibull's, ``free_km`` and ``free`` are a curve without a form, and
    ``averaged`` the B10 of averaged distributions, by axle type and duty (empty: all).
    """

    shape: float
    scale: float
    ratios: dict[str, float]
    free_km: tuple[float, ...] = ()
    free: tuple[float, ...] = ()
    averaged: tuple[tuple[str, str, float], ...] = ()

    def survival(self, km: float) -> float:
        return float(np.exp(-((km / self.scale) ** self.shape)))

    def free_survival(self, km: float) -> float:
        if not self.free_km:
            return self.survival(km)
        return float(np.interp(km, self.free_km, self.free))

    def averaged_b10(self, axle_type: str | None, duty: str | None) -> float:
        found = {(axle, of): b10 for axle, of, b10 in self.averaged}
        return found.get((axle_type or "", duty or ""), self.b10)

    @property
    def b10(self) -> float:
        return float(self.scale * (-np.log(0.9)) ** (1.0 / self.shape))

    @property
    def best_age(self) -> float:
        """Age of least cost, by plain numeric integration."""
        ages = np.linspace(0.0, 4.0 * self.scale, 40_001)[1:]
        survival = np.exp(-((ages / self.scale) ** self.shape))
        run = np.cumsum(survival) * (ages[1] - ages[0])
        return float(ages[np.argmin((survival + FAILED_COSTS * (1.0 - survival)) / run)])


def truth_of(world: World, seed: int = 900_000) -> Truth:
    if not (world.frailty or world.cap_open):
        return Truth(ADJUSTER_SHAPE, ADJUSTER_SCALE_KM, {})
    with staged(lived(replace(world, units=LARGE), seed)) as run:
        write_life_marts(run.con, run.settings)
        shape, scale = run.con.sql(
            """select shape, scale_km from mart.adjuster_fits
            where axle_type is null and duty is null and distribution = 'weibull'"""
        ).fetchall()[0]
        told = _hazard_ratios(run, LARGE) if world.cap_open else []
        ratios = {str(r["term"]): float(str(r["ratio"])) for r in told}
        free = run.con.sql(
            """select km, survival from mart.adjuster_curves
            where axle_type is null and duty is null and method = 'npmle' order by km"""
        ).fetchall()
        averaged = run.con.sql(
            """select coalesce(axle_type, ''), coalesce(duty, ''), any_value(b10_averaged_km)
            from mart.adjuster_fits where b10_averaged_km is not null group by all order by all"""
        ).fetchall()
        known = {t: ratios[t] for t in CARED_FOR if t in ratios}
        km, survival = zip(*free, strict=True)
        return Truth(shape, scale, known, km, survival, tuple(averaged))


def _hazard_ratios(run: Run, most_units: int | None = None) -> list[dict[str, object]]:
    """Rows of the effects' mart on the fleet's clock, hazards alone."""
    adjusters = run.settings.adjusters
    if most_units is not None:
        adjusters = adjusters.model_copy(update={"units_compared": most_units})
    settings = run.settings.model_copy(update={"adjusters": adjusters})
    clock = on_time_scale(run.con, adjusters.clock, settings)
    return [
        row
        for one in regression(clock, clock.watched, clock.terms, "hazard_ratio")
        for row in effect_rows(one)
    ]


def kept_truth(world: World, home: Path) -> Truth:
    """The truth as found before, or found now and put away."""
    if not home.exists():
        home.write_text(json.dumps(asdict(truth_of(world))), encoding="utf-8")
    told = json.loads(home.read_text(encoding="utf-8"))
    return Truth(**told | {"averaged": tuple(tuple(each) for each in told["averaged"])})


def true_rates(world: World) -> dict[tuple[str, str], float]:
    """Mean wear [mm per 10,000 km] of each axle type and duty, over units and linings."""
    more = np.exp((world.wear_unit_sd**2 + world.wear_life_sd**2) / 2.0)
    return {
        (axle, duty): float(kind["severity"] * severity * more)
        for axle, kind in TYPES.items()
        # The third duty is a harder one, of units that it is laid on: of none in these worlds.
        for duty, severity in zip(DUTIES, SEVERITY, strict=False)
    }


# -- what was published, held against it ----------------------------------------------------------


def judged(fleet: Fleet, truth: Truth) -> tuple[list[Row], list[tuple[str, float, bool]]]:
    with staged(fleet) as run:
        fits = fit_wear_and_use(run.con, run.settings, ENDS_ON)
        write_wear_marts(run.con, fits)
        lives = write_life_marts(run.con, run.settings)
        marts.write(run.con, "replacement_ages", replacement_ages(lives, run.settings))
        write_setting_quality(run.con, run.settings.adjustment)
        linings = linings_now(run.con, known_fleet(run.con, fits))
        given = fits, lives.distributions, linings, ENDS_ON
        drift = judge_drift(run.con, run.settings, *given, simulated=1)
        rows = [*_wear(run, fits, fleet), *_linings(linings, fleet)]
        rows += [*_lives(run, truth), *_effects(run, truth), *_settings(run)]
        rows += _take_ups(drift.judged, fleet)
        return rows, _chances(drift.judged, fleet)


def _wear(run: Run, fits: Fits, fleet: Fleet) -> Iterator[Row]:
    rates = true_rates(fleet.world)
    for r in run.con.sql("from mart.wear_rates").pl().to_dicts():
        told = (r["mm_per_10000km"], r["ci_low"], r["ci_high"])
        yield Published(f"wear rate, {r['duty']}", *told).row(rates[r["axle_type"], r["duty"]])
    compared = wear_comparisons(fits.wear)
    for r in compared.drop_nulls("ci_low").to_dicts():
        true = rates[r["axle_type"], r["duty_a"]] / rates[r["axle_type"], r["duty_b"]]
        yield Published("ratio of wear rates", *_logs(r["ratio"], r["ci_low"], r["ci_high"])).row(
            np.log(true)
        )
    (found,) = run.con.sql("from mart.wear_components").pl().to_dicts()
    for name, true in _components(fits, fleet.world, rates).items():
        told = (found[name], found[f"{name}_ci_low"], found[f"{name}_ci_high"])
        if found[name] and told[2] is not None:
            yield Published(name.replace("_", " "), *_logs(*told)).row(np.log(true))


def _components(fits: Fits, world: World, rates: dict[tuple[str, str], float]) -> dict[str, float]:
    """Standard deviations at the fleet's typical rate."""
    sums = fits.sums
    table = np.array([[rates[axle, duty] for duty in sums.duties] for axle in sums.axle_types])
    typical = typical_rate(sums, table)
    unit, life = world.wear_unit_sd**2, world.wear_life_sd**2
    # Heaped: seven in ten read to whole mm, the rest to halves; an even error within each step.
    coarse = 0.1 if world.steps == "tenths" else float(np.sqrt(0.7 * 1.0**2 + 0.3 * 0.5**2))
    return {
        "between_unit_sd": float(np.hypot(typical * np.sqrt(np.expm1(unit)), world.wear_unit_mm)),
        "between_life_sd": float(typical * np.sqrt(np.exp(unit) * np.expm1(life))),
        "intercept_sd": 0.2,
        "residual_sd": float(np.hypot(world.reading_sd, coarse / np.sqrt(12.0))),
    }


def _logs(*values: float) -> tuple[float, ...]:
    with np.errstate(divide="ignore"):
        return tuple(float(np.log(v)) for v in values)


def _linings(linings: pl.DataFrame, fleet: Fleet) -> Iterator[Row]:
    true = dict(zip(fleet.wheel_end_ids, fleet.lining_mm(ENDS_ON), strict=True))
    left = fleet.roads.leaves[fleet.ends.unit] <= fleet.day(ENDS_ON)
    gone = dict(zip(fleet.wheel_end_ids, left, strict=True))
    for r in linings.gather_every(10).to_dicts():
        half, ends = 1.96 * r["lining_sd"], r["wheel_end_id"]
        called = "lining now, left unseen" if gone[ends] else "lining now"
        told = Published(called, r["lining_mm"], r["lining_mm"] - half, r["lining_mm"] + half)
        yield told.row(true[ends])


def _lives(run: Run, truth: Truth) -> Iterator[Row]:
    fits = run.con.sql("from mart.adjuster_fits where distribution = 'weibull'").pl()
    for r in fits.to_dicts():
        whose = "pooled" if r["axle_type"] is None else "a group"
        if (r["axle_type"] is None) != (r["duty"] is None):
            continue
        true = {"shape": truth.shape, "scale_km": truth.scale, "b10_km": truth.b10}
        for name, value in true.items():
            told = (r[name], r[f"{name}_ci_low"], r[f"{name}_ci_high"])
            if None not in told:
                called = {"shape": "shape", "scale_km": "scale", "b10_km": "B10"}[name]
                yield Published(f"{called}, {whose}", *_logs(*told)).row(np.log(value))
    averaged = run.con.sql("from mart.adjuster_fits where b10_averaged_km is not null").pl()
    for r in averaged.to_dicts():
        limits = [r[f"b10_averaged_km{end}"] for end in ("", "_ci_low", "_ci_high")]
        if None not in limits:
            true_b10 = truth.averaged_b10(r["axle_type"], r["duty"])
            yield Published("B10 averaged", *_logs(*limits)).row(np.log(true_b10))
    yield from _curves(run, truth)
    ages = run.con.sql("from mart.replacement_ages where best_km is not null").pl()
    for r in ages.to_dicts():
        to = np.inf if r["ci_high_km"] is None else max(r["best_km"], r["ci_high_km"])
        since = min(r["best_km"], r["ci_low_km"] or r["best_km"])
        best, low, high = _logs(r["best_km"], since, to)
        yield Published("replacement age", best, low, high, level=0.8).row(np.log(truth.best_age))


def _curves(run: Run, truth: Truth) -> Iterator[Row]:
    """Survival of all adjusters at three ages, on the scale of log cumulative hazards."""
    curves = run.con.sql(
        "from mart.adjuster_curves where axle_type is null and duty is null order by km"
    ).pl()
    for (method,), curve in curves.group_by("method"):
        for age in AGES_KM:
            upto = curve.filter(pl.col("km") <= age)
            if upto.is_empty() or curve["km"].max() < age:
                continue
            begun = upto["km"][0] if method == "npmle" else 0.0
            survival = truth.free_survival if method == "npmle" else truth.survival
            true = survival(age) / survival(begun)
            last = upto.tail(1).to_dicts()[0]
            if method != "npmle" and age - last["km"] > 1.0:
                continue
            told = [last[name] for name in ("survival", "ci_high", "ci_low")]
            kind = "free" if method == "npmle" else "fitted"
            if 0.0 < told[0] < 1.0:
                yield Published(f"{kind} curve, {age / 1000:.0f},000 km", *_hazards(*told)).row(
                    *_hazards(true)
                )


def _hazards(*survival: float) -> tuple[float, ...]:
    with np.errstate(divide="ignore"):
        return tuple(float(np.log(-np.log(s))) if s < 1.0 else -np.inf for s in survival)


def _effects(run: Run, truth: Truth) -> Iterator[Row]:
    told = frame_of("adjuster_effects", _hazard_ratios(run))
    for r in told.filter(pl.col("ratio") > 0).drop_nulls(["ci_low", "ci_high"]).to_dicts():
        ratio = truth.ratios.get(r["term"], 1.0)
        called = f"hazard ratio, {CARED_FOR.get(r['term'], 'no effect')}"
        yield Published(called, *_logs(r["ratio"], r["ci_low"], r["ci_high"])).row(np.log(ratio))


def _settings(run: Run) -> Iterator[Row]:
    """The share itself, to be held against the mean of the other fleets afterwards."""
    told = run.con.sql("from mart.setting_quality where month is null").pl()
    every = told.sort("settings", descending=True).head(1)
    for r in every.to_dicts():
        yield "setting share", r["share"], r["ci_low"], r["ci_high"]


def _take_ups(status: pl.DataFrame, fleet: Fleet) -> Iterator[Row]:
    """Every tenth wheel end's, as of its last reading: adjusters keep pace until they fail, all or
    nothing; those that failed are so few that each of them is asked."""
    place = {name: i for i, name in enumerate(fleet.wheel_end_ids)}
    fails = fleet.fittings.at(fleet.day(ENDS_ON), np.arange(len(fleet.ends)))["fails_on"]
    for number, r in enumerate(status.sort("wheel_end_id").to_dicts()):
        if r["take_up"] is None or r["readings"] < 2:
            continue
        works = fails[place[r["wheel_end_id"]]] > fleet.day(r["last_read_on"])
        told = r["take_up"], r["take_up_low"], r["take_up_high"]
        if not works:
            yield Published("take-up, failed when last read", *told).row(0.0)
        elif number % 10 == 0:
            yield Published("take-up, keeping pace", *told).row(1.0)


def _chances(status: pl.DataFrame, fleet: Fleet) -> list[tuple[str, float, bool]]:
    """Chances out of band now and at the next check, and take-up, with what is true."""
    place = {name: i for i, name in enumerate(fleet.wheel_end_ids)}
    at = np.array([place[name] for name in status["wheel_end_id"]])
    out_now = _is_out(fleet, fleet.day(ENDS_ON))[at]
    then = _next_checks(fleet)
    known = np.isfinite(then)[fleet.ends.unit[at]]
    out_then = np.zeros(len(fleet.ends), bool)
    for day in np.unique(then[np.isfinite(then)]):
        due = then[fleet.ends.unit] == day
        out_then[due] = _is_out(fleet, int(day) - 1)[due]
    failed = fleet.fittings.at(fleet.day(ENDS_ON), np.arange(len(fleet.ends)))["fails_on"]
    works = failed[at] > fleet.day(ENDS_ON)
    rows = []
    for r, now, later, seen, good in zip(
        status.to_dicts(), out_now, out_then[at], known, works, strict=True
    ):
        if r["p_out_now"] is not None:
            rows.append(("out of band now", r["p_out_now"], bool(now)))
        if r["p_out_next_check"] is not None and seen:
            rows.append(("out at the next check", r["p_out_next_check"], bool(later)))
        if r["take_up"] is not None:
            rows.append(("take-up", r["take_up"], bool(good)))
    return rows


def _is_out(fleet: Fleet, day: int) -> np.ndarray:
    ratio = fleet.stroke_mm(fleet.date(day)) / fleet.ends.arm_mm
    return np.asarray((ratio < 0.10) | (ratio > 0.15))


def _next_checks(fleet: Fleet) -> np.ndarray:
    """Day of each unit's next check; infinite where none is lived to."""
    later = np.where(fleet.visits > fleet.day(ENDS_ON), fleet.visits, np.inf)
    return np.asarray(later.min(axis=1))


# -- tables and picture ---------------------------------------------------------------------------


def gathered(words: list[str], fleets: range, units: int, kept: Path) -> None:
    """Draw and judge a fleet of each world in turn; rows are put away as they come.

    Fleets whose rows are there are passed over, so that a run cut short goes on and worlds stay
    even.
    """
    kept.mkdir(parents=True, exist_ok=True)
    chosen = {n: w for n, w in WORLDS.items() if not words or any(word in n for word in words)}
    truths = {n: kept_truth(w, kept / f"truth-{n}.json") for n, w in chosen.items()}
    for place in fleets:
        began = time.process_time()
        for world_name, world in chosen.items():
            number = list(WORLDS).index(world_name)
            seed = 1_000 * number + place
            if not (kept / f"chances-{number}-{seed:04d}.parquet").exists():
                fleet = lived(replace(world, units=units), seed)
                _put_away(kept, world_name, f"{number}-{seed:04d}", seed, fleet, truths[world_name])
        print(f"fleet {place}: {time.process_time() - began:.0f} s of processor time", flush=True)


def _put_away(
    kept: Path, world_name: str, name: str, seed: int, fleet: Fleet, truth: Truth
) -> None:
    rows, chances = judged(fleet, truth)
    pl.DataFrame(
        [(world_name, seed, *row) for row in rows],
        schema=dict(zip(COLUMNS, (pl.String, pl.Int64, pl.String, *[pl.Float64] * 3), strict=True)),
        orient="row",
        strict=False,
    ).write_parquet(kept / f"rows-{name}.parquet")
    pl.DataFrame(
        [(world_name, seed, *row) for row in chances],
        schema=["world", "fleet", "kind", "chance", "happened"],
        orient="row",
    ).write_parquet(kept / f"chances-{name}.parquet")


def with_setting_shares(rows: pl.DataFrame) -> pl.DataFrame:
    """Setting shares held against the mean of the world's other fleets, where there are any."""
    of_settings = pl.col("quantity") == "setting share"
    found = []
    for r in rows.filter(of_settings).to_dicts():
        others = rows.filter(of_settings, world=r["world"]).filter(pl.col("fleet") != r["fleet"])
        if others.is_empty():  # one fleet says nothing of itself
            continue
        told = Published("setting share", r["share"], r["inside"], r["level"])
        found.append((r["world"], r["fleet"], *told.row(float(others["share"].to_numpy().mean()))))
    more = pl.DataFrame(found, schema=rows.schema, orient="row", strict=False)
    return pl.concat([rows.filter(~of_settings), more])


def coverage(rows: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """Truths inside their limits, and its Monte-Carlo error from fleet to fleet; at least that of
    as many independent ones at the stated level, for all of a few inside are no certainty."""
    alone = (pl.col("level") * (1.0 - pl.col("level")) / pl.col("n")).sqrt()
    found = (
        rows.group_by(*dict.fromkeys([*by, "level", "world", "fleet"]), maintain_order=True)
        .agg(n=pl.len(), hits=pl.col("inside").sum())
        .group_by(*by, "level", maintain_order=True)
        .agg(
            fleets=pl.len(),
            n=pl.col("n").sum(),
            inside=pl.col("hits").sum() / pl.col("n").sum(),
            # The error of a ratio of sums over fleets.
            error=((pl.col("hits") - pl.col("n") * pl.col("hits").sum() / pl.col("n").sum()) ** 2)
            .sum()
            .sqrt()
            / pl.col("n").sum(),
        )
    )
    return found.with_columns(error=pl.max_horizontal("error", alone))


def reliability(chances: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    cut = chances.filter(pl.col("kind") != "take-up").with_columns(
        bin=pl.col("chance").cut(list(BINS[1:-1]), left_closed=True).cast(pl.String)
    )
    return (
        cut.group_by(*dict.fromkeys([*by, "kind", "bin", "world", "fleet"]))
        .agg(n=pl.len(), said=pl.col("chance").sum(), happened=pl.col("happened").sum())
        .group_by(*by, "kind", "bin")
        .agg(
            n=pl.col("n").sum(),
            said=pl.col("said").sum() / pl.col("n").sum(),
            happened=pl.col("happened").sum() / pl.col("n").sum(),
            error=(
                (pl.col("happened") - pl.col("n") * pl.col("happened").sum() / pl.col("n").sum())
                ** 2
            )
            .sum()
            .sqrt()
            / pl.col("n").sum(),
        )
        .sort("kind", *by, "said")
    )


def picture(rows: pl.DataFrame) -> alt.FacetChart:
    """Distribution of shares less the even one: one share per fleet and quantity, at random."""
    one = (
        rows.filter(pl.col("share").is_finite())
        .sample(fraction=1.0, shuffle=True, seed=1)
        .group_by("quantity", "world", "fleet", maintain_order=True)
        .first()
        .sort("quantity", "share")
    )
    lines = []
    for (quantity,), part in one.group_by("quantity", maintain_order=True):
        band = float(stats.kstwo.ppf(0.95, part.height))
        for name, some in (
            ("all worlds", part),
            *((w, p) for (w,), p in part.group_by("world", maintain_order=True)),
        ):
            at = np.linspace(0.0, 1.0, 21)
            below = np.searchsorted(np.sort(some["share"].to_numpy()), at, "right") / some.height
            lines.append(
                pl.DataFrame({"share": at, "excess": below - at}).with_columns(
                    quantity=pl.lit(quantity),
                    world=pl.lit(name),
                    of=pl.lit("all worlds" if name == "all worlds" else "one world"),
                    low=pl.lit(-band),
                    high=pl.lit(band),
                )
            )
    frame = pl.concat(lines)
    x = alt.X("share:Q", title=None, axis=alt.Axis(values=[0, 0.5, 1]))
    band = (
        alt.Chart()
        .mark_area(color="#bbb", opacity=0.6)
        .encode(x=x, y=alt.Y("low:Q", title=None), y2="high:Q")
        .transform_filter("datum.of == 'all worlds'")
    )
    line = (
        alt.Chart()
        .mark_line()
        .encode(
            x=x,
            y=alt.Y("excess:Q", title=None, scale=alt.Scale(domain=[-0.35, 0.35], clamp=True)),
            detail="world:N",
            color=alt.Color(
                "of:N",
                title=None,
                scale=alt.Scale(domain=["all worlds", "one world"], range=["#000", "#88a"]),
            ),
            strokeWidth=alt.condition("datum.of == 'all worlds'", alt.value(2.0), alt.value(0.6)),
        )
    )
    fleets = one.select("world", "fleet").unique().height
    title = [
        f"Where the truth falls in what was said, {fleets} drawn fleets, lake to mart: "
        "as sure as it says while the black line stays in the band",
        "Fleets whose truth lies below a share of what was said, less that share; grey band: "
        "simultaneous 95 % for all worlds together",
    ]
    return (
        alt.layer(band, line, data=frame)
        .properties(width=130, height=80)
        .facet(facet=alt.Facet("quantity:N", title=None), columns=6)
        .properties(title=title)
    )


def _short(chart: alt.FacetChart) -> str:
    """The chart as SVG, places to a tenth of a point."""
    drawn = io.StringIO()
    chart.save(drawn, format="svg")
    return re.sub(r"\d+\.\d{2,}", lambda found: f"{float(found.group()):.1f}", drawn.getvalue())


def kept_rows(kept: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Limits and truths, chances and what happened, of all fleets put away."""
    rows, chances = (
        pl.concat([pl.read_parquet(p) for p in sorted(kept.glob(f"{kind}-*.parquet"))])
        for kind in ("rows", "chances")
    )
    return with_setting_shares(rows), chances


def shown(kept: Path, out: Path) -> None:
    rows, chances = kept_rows(kept)
    out.write_text(_short(picture(rows)), encoding="utf-8")
    with pl.Config(
        tbl_rows=400,
        tbl_hide_dataframe_shape=True,
        fmt_str_lengths=40,
        float_precision=3,
        tbl_width_chars=160,
    ):
        print(coverage(rows, ["quantity"]).sort("quantity"))
        print(
            coverage(rows, ["world", "quantity"])
            .sort("quantity", "world")
            .with_columns(
                off=pl.when(
                    ((pl.col("inside") - pl.col("level")).abs() - 0.02) > 2 * pl.col("error")
                ).then(pl.lit("*"))
            )
        )
        print(reliability(chances, []))
        took = chances.filter(kind="take-up").rename({"happened": "works"})
        print(
            took.group_by("world", "works")
            .agg(n=pl.len(), mean=pl.col("chance").mean(), median=pl.col("chance").median())
            .sort("world", "works")
        )


def page(kept: Path) -> str:
    """Shares inside by quantity and world in per cent, and chances' reliability, as Markdown."""
    rows, chances = kept_rows(kept)
    off = ((pl.col("inside") - pl.col("level")).abs() - 0.02) > 2 * pl.col("error")
    told = pl.format(
        "{}{} ± {}",
        pl.when(off).then(pl.lit("**")).otherwise(pl.lit("")),
        (100 * pl.col("inside")).round(1),
        (100 * pl.col("error")).round(1),
    ) + pl.when(off).then(pl.lit("**")).otherwise(pl.lit(""))
    every = coverage(rows, ["quantity"]).with_columns(world=pl.lit("all worlds"), told=told)
    each = coverage(rows, ["world", "quantity"]).with_columns(told=told)
    table = (
        pl.concat([every, each], how="diagonal")
        .pivot("world", index=["quantity", "level"], values="told")
        .join(every.select("quantity", "fleets"), on="quantity")
        .select(
            *("quantity", "level", "fleets", "all worlds"),
            *[name for name in WORLDS if name in each["world"]],
        )
        .sort("quantity")
    )
    sure = reliability(chances, []).with_columns(
        pl.col("said", "happened", "error").round(3), bin=pl.col("bin").str.replace("-inf", "0")
    )
    return f"{markdown(table)}\n{markdown(sure)}"


def markdown(table: pl.DataFrame) -> str:
    lines = [" | ".join(table.columns), " | ".join("---" for _ in table.columns)]
    lines += [" | ".join("" if v is None else str(v) for v in row) for row in table.iter_rows()]
    return "".join(f"| {line} |\n" for line in lines)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_calibration")
    parser.add_argument("out", type=Path, nargs="?", help="the picture; kept nowhere unless said")
    parser.add_argument("words", nargs="*")
    parser.add_argument("--fleets", type=int, default=30)
    parser.add_argument("--first", type=int, default=0, help="number of the first fleet")
    parser.add_argument("--units", type=int, default=40)
    parser.add_argument("--show", action="store_true", help="print and draw what was kept before")
    parser.add_argument("--page", type=Path, help="write the tables as Markdown too")
    given = parser.parse_args()
    if given.show and given.out is None:
        parser.error("--show: found no OUT; accepted: that of an earlier run")
    with tempfile.TemporaryDirectory() as folder:
        out = given.out or Path(folder) / "calibration.svg"
        kept = out.with_suffix(".rows")
        if not given.show:
            numbers = range(given.first, given.first + given.fleets)
            gathered(given.words, numbers, given.units, kept)
        shown(kept, out)
        if given.page:
            given.page.write_text(page(kept), encoding="utf-8")


if __name__ == "__main__":
    main()
