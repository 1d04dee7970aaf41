"""Whether stock is enough as often as asked: in drawn futures, and in the futures of drawn fleets.

``python -m tests.bench stock`` prints two tables and asserts nothing.

*Drawn totals*: a fleet whose relines are forecast rightly but for luck, for an error that lasts and
for surprises of a quarter; three years of its forecasts are on record. *Drawn fleets*: lakes are
written of every world named, staged and forecast by the functions of a run, and each depot's stock
is held against what its wheel ends then asked for (``tests.bench.bench_worlds``).
"""

import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from models.planning.stock import stock_for
from models.relines.past_errors import PastErrors, calibrated_totals, past_errors
from models.relines.simulation.counts import Calendar, no_event_counts
from pipeline.marts import budget_terms
from pipeline.marts.budget_terms import months_of
from pipeline.marts.lives.failures import failures_ahead
from pipeline.marts.lives.fits import Row, life_choices, unit_lives_now
from pipeline.marts.planning.stock import adjusters_stock, lead_days, linings_stock
from pipeline.run import Run, load, reduce, settings_of
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import forecast_relines
from pipeline.warehouse import warehouse
from pipeline.warehouse.incremental import restage
from tests.bench.bench_worlds import AS_OF, NOW, missed_before
from tests.worlds.fleet import Fleet, lived
from tests.worlds.lake import write_lake
from tests.worlds.world import WORLDS

LEVEL = 0.95
LEAD_SHARE = 6.0 / 13.0
"""Six weeks, of a quarter."""
ORIGINS = 12
ERRORS = {"none": (0.0, 0.0), "5 % and 5 %": (0.05, 0.05), "15 % and 10 %": (0.15, 0.10)}
FLEETS = 200
FROM_LAKES = (
    *("checks exactly every 12 weeks", "8 to 20 weeks between checks", "season of use"),
    *("sloppy relining", "a quarter of relines unwritten", "policy changed half-way"),
    *("short and long haul", "all of these"),
)


def main() -> None:
    print(
        f"{'relines a quarter':>18s} {'lasts, surprises':>17s} {'with past':>10s} {'without':>8s}"
    )
    for mean in (60.0, 300.0):
        for name, sds in ERRORS.items():
            met = np.array([drawn(mean, sds, seed) for seed in range(FLEETS)])
            said = " ".join(f"{share:9.3f}" for share in met.mean(axis=0))
            print(f"{mean:17.0f} {name:>29s} {said}", flush=True)
    print(f"of {LEVEL} asked; {FLEETS} fleets a line: standard error .015")
    lakes()


def drawn(mean: float, sds: tuple[float, float], seed: int) -> tuple[bool, bool]:
    """Whether stock was enough, with what was missed before and without."""
    rng = np.random.default_rng(seed)
    lasting = sds[0] * rng.standard_normal()
    true = mean * np.exp(lasting + sds[1] * rng.standard_normal(ORIGINS + 1))
    came = rng.poisson(true).astype(float)
    origins = range(1, ORIGINS + 1)
    ahead = [min(ago, 4) for ago in origins]
    past = past_errors(
        [rng.poisson(mean, (budget_terms.DRAWS, h)).astype(float) for h in ahead],
        [came[ORIGINS - ago : ORIGINS - ago + h] for ago, h in zip(origins, ahead, strict=True)],
        list(origins),
    )
    demand = rng.poisson(true[-1] * LEAD_SHARE)
    luck = rng.poisson(mean * LEAD_SHARE, budget_terms.DRAWS)
    with_past, without = (stock_for(_futures(luck, p, seed), LEVEL) for p in (past, None))
    return demand <= with_past, demand <= without


def _futures(luck: np.ndarray, past: PastErrors | None, seed: int) -> np.ndarray:
    """Demand as a run draws it."""
    if past is None:
        return luck.astype(float)
    ends = np.array([42.0])
    events = no_event_counts(Calendar(ends, ends), 1, len(luck), 1)
    events.relines[:, 0, 0] = luck
    return calibrated_totals(events, past, seed).relines[:, 0, 0].astype(float)


def lakes(fleets: int = 2) -> None:
    """Stock of drawn fleets' depots against what came."""
    began, rows = time.process_time(), []
    for name in FROM_LAKES:
        for seed in range(fleets):
            fleet = lived(replace(WORLDS[name], units=60), 700 + seed)
            rows += [{"fleet": f"{name} {seed}", **row} for row in judged(fleet)]
    found = pl.DataFrame(rows).group_by("item", "with_past", maintain_order=True)
    print(
        found.agg(
            stocks=pl.len(),
            fleets=pl.col("fleet").n_unique(),
            enough=pl.col("enough").mean(),
            short_by=pl.col("short_by").mean(),
            demand=pl.col("came").mean(),
            stock=pl.col("stock").mean(),
        )
    )
    print(f"{time.process_time() - began:.0f} s of processor time")


def judged(fleet: Fleet) -> Iterator[dict[str, object]]:
    """Every stock with what came, of linings and adjusters."""
    with tempfile.TemporaryDirectory() as base, warehouse.in_memory() as con:
        con.execute("set threads = 1")
        lake = write_lake(fleet, Path(base) / "lake", AS_OF)
        run = Run(con, lake, Path(base) / "out", settings_of(lake), NOW, AS_OF)
        load(run)
        restage(con, run.settings, NOW.date(), AS_OF)
        reduce(run)
        fits = fit_wear_and_use(con, run.settings, AS_OF)
        forecasts = forecast_relines(con, fits, AS_OF)
        assert forecasts is not None
        known, lead = missed_before(run, forecasts.fleet), lead_days(run.settings)
        lives = life_choices(con, run.settings, unit_lives_now(con))
        ahead = failures_ahead(con, lives, fits.usage, months_of(run.settings, AS_OF), lead)
        ends = con.sql("select wheel_end_id, depot, axle_type from judge.wheel_ends").pl()
        came = {
            "linings": _came(ends, fleet.relines(), "relined_on", lead),
            "adjuster": _came(ends, fleet.failures_found(), "found_on", lead),
        }
        for with_past in (True, False):
            relines, failures = (known.relines, known.failures) if with_past else (None, None)
            stocks = [*linings_stock(run.settings, forecasts.fleet, relines)]
            stocks += adjusters_stock(run.settings, ahead, failures) if ahead else []
            for row in stocks:
                if row["item"] in came:
                    yield {"with_past": with_past, **_held(row, came[str(row["item"])])}


def _came(ends: pl.DataFrame, done: pl.DataFrame, on: str, lead: float) -> pl.DataFrame:
    day = (pl.col(on) - pl.lit(AS_OF)).dt.total_days()
    return done.filter(day.is_between(1, lead)).join(ends, on="wheel_end_id")


def _held(row: Row, came: pl.DataFrame) -> dict[str, object]:
    of_it = came.filter(pl.col("depot").eq_missing(pl.lit(row["depot"], dtype=pl.String)))
    if "axle_type" in row:
        of_it = of_it.filter(axle_type=row["axle_type"])
    stock = int(str(row["stock"]))
    return {
        "item": row["item"],
        "stock": stock,
        "came": of_it.height,
        "enough": of_it.height <= stock,
        "short_by": max(of_it.height - stock, 0),
    }


if __name__ == "__main__":
    main()
