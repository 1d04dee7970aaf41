"""Adjuster life: recovery and coverage, wrong analyses beside the right one, and speed.

Run ``python -m tests.bench.bench_life``; it prints tables and asserts nothing. Speed is a ratio to
lifelines on the same data in the same run.
"""

import time
import warnings
from collections.abc import Callable
from functools import partial

import duckdb
import numpy as np
import polars as pl
from lifelines import WeibullFitter

from models.lives.effects.regression import effects, fit_regression
from models.lives.findings.curves import curve_ages
from models.lives.fits.data import LifeCounts, counts_by_group, counts_from_rows
from models.lives.fits.distributions import (
    STANDARD_DISTRIBUTIONS,
    DistributionName,
    life_distribution,
)
from models.lives.fits.npmle import fit_npmle, npmle_limits
from models.lives.fits.npmle_solver import Solution, life_cells, solved
from models.lives.fits.parametric import LifeFit, choose_life, fit_life
from models.lives.fits.profile import life_intervals
from tests.life_published import Rows
from tests.models.lives.test_regression import duty_segments
from tests.sql.test_lives import SQL, TABLES

SHAPE, SCALE_KM = 2.5, 250_000.0
KM_PER_WEEK, CHECK_WEEKS = 1_800.0, 12
REPLICATES, ADJUSTERS = 200, 2_000


def inspected(
    rng: np.random.Generator, count: int, scale: float = SCALE_KM, check_weeks: int = CHECK_WEEKS
) -> Rows:
    """Adjusters checked every so many weeks, half of them in service when records begin."""
    size = 4 * count
    entry = np.where(rng.random(size) < 0.5, rng.uniform(0.0, 0.9 * scale, size), 0.0)
    life = scale * rng.weibull(SHAPE, size)
    kept = np.flatnonzero(life > entry)[:count]
    life, entry, step = life[kept], entry[kept], check_weeks * KM_PER_WEEK
    phase = rng.uniform(0.0, step, count)
    last = entry + phase + np.floor(rng.uniform(0.2, 1.5, count) * scale / step) * step
    missed = np.floor((life - entry - phase) / step)
    good = np.where(missed < 0, entry, entry + phase + missed * step)
    found = entry + phase + (missed + 1) * step
    failed = found <= last
    left = np.where(failed, good, np.minimum(good, last))
    return Rows(entry, np.maximum(left, entry), np.where(failed, found, np.inf))


def gridded(rows: Rows, step: float) -> Rows:
    """Ages on a grid, intervals kept open, as the SQL does it."""
    entry, left = (np.round(a / step) * step for a in rows[:2])
    right = np.where(
        np.isfinite(rows.right), np.maximum(np.round(rows.right / step) * step, left + step), np.inf
    )
    return Rows(entry, left, right)


def midpoints(rows: Rows) -> LifeCounts:
    """Failures placed mid-interval as if seen to happen there: a common wrong analysis."""
    failed = np.isfinite(rows.right)
    age = np.where(failed, 0.5 * (rows.left + np.where(failed, rows.right, 0.0)), rows.left)
    return counts_from_rows(rows.entry, age, np.where(failed, age, np.inf))


def found_ages(rows: Rows) -> LifeCounts:
    """Failures placed at the check that found them: another."""
    failed = np.isfinite(rows.right)
    age = np.where(failed, rows.right, rows.left)
    return counts_from_rows(rows.entry, age, np.where(failed, age, np.inf))


ANALYSES: dict[str, Callable[[Rows], LifeCounts]] = {
    "entry and intervals": lambda rows: rows.counts,
    "entry ignored": lambda rows: rows._replace(entry=np.zeros_like(rows.entry)).counts,
    "midpoints": midpoints,
    "age when found": found_ages,
    "both wrong": lambda rows: found_ages(rows._replace(entry=np.zeros_like(rows.entry))),
}


def weibull(counts: LifeCounts) -> LifeFit:
    fit = fit_life(counts, "weibull")
    assert isinstance(fit, LifeFit)
    return fit


def recovery(check_weeks: int) -> None:
    truth = life_distribution("weibull", SHAPE, SCALE_KM)
    true = np.array([SHAPE, SCALE_KM, float(truth.quantile(0.1))])
    print(f"\n{REPLICATES} replicates of {ADJUSTERS} adjusters, Weibull shape {SHAPE}, scale")
    print(f"{SCALE_KM:,.0f} km, checked every {check_weeks} weeks, half in service before records")
    print(f"{'':22}{'bias %':>24}{'95 % limits cover %':>32}")
    print(f"{'analysis':22}{'shape   scale     B10':>24}{'shape   scale     B10':>32}")
    for name, counts_of in ANALYSES.items():
        rng = np.random.default_rng(1)
        estimates, held = [], []
        for _ in range(REPLICATES):
            counts = counts_of(inspected(rng, ADJUSTERS, check_weeks=check_weeks))
            limits = life_intervals(counts, weibull(counts))
            three = (limits.shape, limits.scale, limits.b10)
            estimates.append([i.estimate for i in three])
            held.append([i.low <= t <= i.high for i, t in zip(three, true, strict=True)])
        bias = 100 * (np.mean(estimates, axis=0) / true - 1)
        cover = 100 * np.mean(held, axis=0)
        print(f"{name:22}{bias[0]:8.2f}{bias[1]:8.2f}{bias[2]:8.2f}", end="")
        print(f"{'':8}{cover[0]:8.1f}{cover[1]:8.1f}{cover[2]:8.1f}")


def curve_coverage() -> None:
    truth = life_distribution("weibull", SHAPE, SCALE_KM)
    ages = np.array([60_000.0, 120_000.0, 200_000.0, 280_000.0])
    print(
        "\nDistribution-free curve at 60, 120, 200 and 280 thousand km: share of 95 % limits that"
    )
    print("hold the truth, % (200 replicates of 1,000 adjusters; likelihood ratio: the first 60)")
    for name, step in (("ages on a 5,000 km grid", 5_000.0), ("all ages different", 0.0)):
        rng = np.random.default_rng(2)
        held, ratio_held = np.zeros(ages.size), np.zeros(ages.size)
        for replicate in range(200):
            rows = inspected(rng, 1_000)
            counts = (gridded(rows, step) if step else rows).counts
            curve = fit_npmle(counts)
            true = truth.survival(ages) / truth.survival(np.array([curve.from_age]))
            low, high = curve.limits_at(ages)
            held += (low <= true) & (true <= high)
            if replicate < 60:
                limits = npmle_limits(counts, ages, from_age=curve.from_age)
                ratio_held += [i.low <= t <= i.high for i, t in zip(limits, true, strict=True)]
        print(f"{name:26} information {held / 2}  likelihood ratio {np.round(ratio_held / 0.6, 1)}")


def timed(work: Callable[[], object], repeats: int = 5) -> float:
    """Best of several runs, seconds."""
    best = np.inf
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - begun)
    return best


def million() -> pl.DataFrame:
    """A million adjusters in six groups; ages in whole weeks times 1,800 km, so they repeat."""
    rng, frames = np.random.default_rng(3), []
    for axle_type in ("drive", "trailer"):
        for duty in ("haul", "mixed", "town"):
            rows = gridded(inspected(rng, 166_667, SCALE_KM * rng.uniform(0.8, 1.2)), KM_PER_WEEK)
            frames.append(
                pl.DataFrame(
                    {
                        "entry_km": rows.entry,
                        "left_km": rows.left,
                        "right_km": pl.Series(rows.right).replace(np.inf, None),
                    }
                ).with_columns(axle_type=pl.lit(axle_type), duty=pl.lit(duty))
            )
    lives = pl.concat(frames).head(1_000_000)
    cause = pl.when(pl.col("right_km").is_null()).then(pl.lit("in_service"))
    weeks = [
        (pl.col(f"{e}_km") / KM_PER_WEEK).alias(f"{e}_weeks") for e in ("entry", "left", "right")
    ]
    lives = lives.with_columns(*weeks, age_known=True, cause=cause.otherwise(pl.lit("failed")))
    return lives.with_row_index("adjuster_id")


def reduced(lives: pl.DataFrame) -> tuple[dict[str, pl.DataFrame], float]:
    """The tables that the project's own SQL makes of lives in one duty each, and its seconds."""
    with duckdb.connect() as database:
        database.execute("set threads to 2; create schema stage; create schema reduce")
        database.register("lives", lives)
        database.execute(
            """create table stage.adjuster_lives as
            select *, adjuster_id as unit_id, null::date as fitted_on, null::date as entry_on,
            null::date as ended_on, 0.0 as fitted_km from lives;
            create table stage.duty_spells
            (unit_id uinteger, duty varchar, from_on date, until_on date);
            create table stage.unit_days (unit_id uinteger, on_date date, km double)"""
        )
        begun = time.perf_counter()
        for table in TABLES:
            database.execute(
                f"create table reduce.{table[4:]} as {(SQL / f'{table}.sql').read_text()}"
            )
        taken = time.perf_counter() - begun
        return {table[4:]: database.table(f"reduce.{table[4:]}").pl() for table in TABLES}, taken


def speed() -> None:
    lives = million()
    made, sql_seconds = reduced(lives)
    tables = [made[f"adjuster_{name}_counts"] for name in ("interval", "censored", "entry")]
    grouped = partial(counts_by_group, tables[0], tables[1], tables[2], pooled=False)
    groups = list(grouped())

    def ours() -> list[LifeFit]:
        counted = grouped()
        return [weibull(counted[key]) for key in groups]

    def lifelines_on(frame: pl.DataFrame) -> list[WeibullFitter]:
        fitted = []
        for axle_type, duty in groups:
            part = frame.filter(axle_type=axle_type, duty=duty)
            left, right, entry = (
                part[f"{e}_km"].to_numpy() / 1e5 for e in ("left", "right", "entry")
            )
            weights = part["n"].to_numpy().astype(float) if "n" in part.columns else None
            fitted.append(
                WeibullFitter().fit_interval_censoring(left, right, entry=entry, weights=weights)
            )
        return fitted

    rows = lives.with_columns(pl.col("right_km").fill_null(np.inf))
    keys = ["axle_type", "duty", "entry_km", "left_km", "right_km"]
    joint = rows.group_by(keys).agg(pl.len().alias("n"))
    seconds = timed(ours)
    fit, others = ours(), lifelines_on(joint)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        on_groups, on_rows = (
            timed(lambda: lifelines_on(joint), 2),
            timed(lambda: lifelines_on(rows), 1),
        )
    print("\n1,000,000 adjusters in six groups with delayed entry, half of them entering late")
    print(f"SQL reduction, two clocks      {sql_seconds:8.2f} s")
    counts = sum(len(table.filter(clock="km")) for table in tables)
    print(f"group + fit                    {seconds:8.3f} s  ({counts:,} counts)")
    print(
        f"lifelines, same grouped rows   {on_groups:8.2f} s  ratio {on_groups / seconds:7.0f}",
        end="",
    )
    print(f"  ({len(joint):,} rows)")
    print(f"lifelines, raw rows            {on_rows:8.2f} s  ratio {on_rows / seconds:7.0f}")
    gap = max(abs(f.shape / o.rho_ - 1) for f, o in zip(fit, others, strict=True))
    print(f"largest relative difference of shapes {gap:.1e}")


def curve_speed() -> None:
    print("\nDistribution-free curve with delayed entry, one core")
    for count, step in ((10_000, 250.0), (10_000, 0.0), (100_000, 250.0)):
        rows = inspected(np.random.default_rng(4), 3 * count)
        failed = np.isfinite(rows.right)
        kept = np.concatenate([np.flatnonzero(failed)[:count], np.flatnonzero(~failed)[:count]])
        rows = Rows(*(a[kept] for a in rows))
        counts = (gridded(rows, step) if step else rows).counts
        bare = timed(partial(_bare_curve, counts))
        whole = timed(partial(fit_npmle, counts))
        curve = fit_npmle(counts)
        grid = f"{step:.0f} km grid" if step else "all ages different"
        print(
            f"{int(failed[kept].sum()):8,} intervals, {grid:20} {1e3 * bare:7.1f} ms, with limits "
            f"{1e3 * whole:7.1f} ms, {curve.steps} steps, Kuhn-Tucker gap {curve.kkt_violation:.0e}"
        )


def _bare_curve(counts: LifeCounts) -> Solution:
    return solved(life_cells(counts))


def group_speed() -> None:
    rng = np.random.default_rng(5)
    groups = [gridded(inspected(rng, 5_000), 250.0).counts for _ in range(20)]

    def everything() -> None:
        for counts in groups:
            for fit in choose_life(counts).fits:
                life_intervals(counts, fit, [1e5, 2e5, 3e5])

    rows = sum(g.failed.size + g.censored.size + g.entered.size for g in groups) / 20
    print(
        "\n20 groups of 5,000 adjusters, three distributions, profile limits of shape, scale, B10"
    )
    print(f"and survival at three ages: {timed(everything, 3):.2f} s ({rows:,.0f} counts a group)")
    one = groups[0]
    fit = weibull(one)
    seconds = timed(lambda: life_intervals(one, fit, curve_ages(one)))
    print(f"limits of a whole curve, 40 ages: {1e3 * seconds:.0f} ms")


def choice() -> None:
    print("\nThe distribution that made the data is chosen, % of 100 (2,000 adjusters each)")
    shapes: dict[DistributionName, float]
    shapes = {"weibull": 2.5, "lognormal": 0.45, "loglogistic": 3.5}
    for name, shape in shapes.items():
        standard, rng, right = life_distribution(name, shape, SCALE_KM), np.random.default_rng(6), 0
        for _ in range(100):
            life = standard.quantile_beyond(np.zeros(2_000), rng.uniform(size=2_000))
            checks = np.floor(life / 21_600.0) * 21_600.0
            last = rng.uniform(0.3, 1.6, 2_000) * SCALE_KM
            failed = checks + 21_600.0 <= last
            counts = counts_from_rows(
                np.zeros(2_000),
                np.where(failed, checks, np.minimum(checks, last)),
                np.where(failed, checks + 21_600.0, np.inf),
            )
            chosen = choose_life(counts).chosen
            right += chosen is not None and chosen.name == name
        print(f"{name:12} {right}")


def ratio_coverage() -> None:
    print("\nHazard ratio of a duty that changes during life, truth 2, 150 units of six (200")
    for name, spread in (("units alike", 0.0), ("units differ, gamma variance 0.3", 0.3)):
        held, logs = 0, []
        for seed in range(200):
            [effect] = effects(fit_regression(duty_segments(seed, 150, spread=spread)))
            held += effect.low <= 2.0 <= effect.high
            logs.append(np.log(effect.ratio))
        print(
            f"replicates): {name:34} 95 % limits cover {held / 2:.1f} %, "
            f"median ratio {np.exp(np.median(logs)):.3f}"
        )


def main() -> None:
    print(f"distributions: {', '.join(STANDARD_DISTRIBUTIONS)}")
    recovery(12)
    recovery(52)
    curve_coverage()
    choice()
    ratio_coverage()
    curve_speed()
    group_speed()
    speed()


if __name__ == "__main__":
    main()
