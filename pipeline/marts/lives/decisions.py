"""What follows from adjusters' lives: failures to expect, how often to check, when to replace."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import duckdb
import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.lives.decisions.checking import CheckedGroup
from models.lives.decisions.decisions import AgeReplacement, age_replacement
from models.lives.decisions.fleet import (
    AdjusterGroup,
    averaged,
    fleet_failures,
    undetected_interval,
)
from models.lives.fits.data import GroupKey
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS
from models.lives.fits.parametric import LifeFit
from models.lives.fits.profile import Interval
from models.relines.budget import budget_months
from pipeline.marts import marts
from pipeline.marts.lives.fits import Lives, Row, finite, frame_of
from pipeline.settings import Settings
from pipeline.warehouse import kept, warehouse

DRAWS = 200
# The best age is searched for in each draw, and its middle 8 in 10 settles with fewer.
AGE_DRAWS = 40
AGES_FOR_UNKNOWN = 20
SEED = 40_000
DAYS_PER_WEEK = 7.0
NO_LIFE = "too few adjusters have failed for a life to be fitted: see the notes of adjuster_fits"


@dataclass(frozen=True, slots=True)
class Cell:
    """Wheel ends of one axle type and duty, and the life that stands for their adjusters.

    wheel_ends: ``depot``, ``age_km`` (on the as-of day; null: unknown), ``km_per_day``,
    ``present``; whose: the group the life was fitted to; left_open: its fits of every distribution
    that the records leave open.
    """

    axle_type: str
    duty: str
    wheel_ends: pl.DataFrame
    whose: GroupKey
    life: LifeFit
    left_open: tuple[LifeFit, ...] = ()

    @property
    def weight(self) -> float:
        return float(self.wheel_ends["present"].sum())

    @property
    def km_per_week(self) -> float:
        run = (self.wheel_ends["present"] * self.wheel_ends["km_per_day"]).sum()
        return DAYS_PER_WEEK * float(run) / self.weight

    @property
    def borrowed(self) -> str | None:
        """Whose life was used where its own is not known."""
        if self.whose == (self.axle_type, self.duty):
            return None
        of = "all adjusters" if self.whose[0] is None else f"all adjusters of {self.axle_type}"
        return f"by the life of {of}: its own cannot be known yet"


def write_decision_marts(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    lives: Lives,
    km_per_day: pl.DataFrame,
    as_of: dt.date,
) -> None:
    """Write the three decisions, words where no life could be fitted; keep what they stand on."""
    wheel_ends = wheel_ends_now(con, km_per_day, as_of)
    cells = fleet_cells(wheel_ends, lives)
    horizon = settings.budget.horizon_months
    marts.write(con, "expected_failures", expected_failures(wheel_ends, cells, as_of, horizon))
    kept.keep(con, kept.CHECKED, checked_groups(cells, settings))
    marts.write(con, "check_intervals", check_intervals(cells, settings))
    marts.write(con, "replacement_ages", replacement_ages(lives, settings))


def wheel_ends_now(
    con: duckdb.DuckDBPyConnection, km_per_day: pl.DataFrame, as_of: dt.date
) -> pl.DataFrame:
    """Every wheel end that may still be in the fleet and runs, its adjuster's age brought forward.

    A unit whose use is not on record is taken to run what its duty's others do.
    """
    ends = warehouse.fetch(con, "from reduce.adjusters_now", order="wheel_end_id")
    joined = ends.join(
        km_per_day.select("unit_id", "km_per_day", "present"), on="unit_id", how="inner"
    )
    usual = pl.col("km_per_day").mean().over("duty")
    days = (pl.lit(as_of) - pl.col("seen_on")).dt.total_days()
    return (
        joined.with_columns(km_per_day=pl.col("km_per_day").fill_null(usual))
        .with_columns(age_km=pl.col("age_km") + pl.col("km_per_day") * days.clip(0))
        .filter(pl.col("present") > 0.0, pl.col("km_per_day") > 0.0)
    )


def fleet_cells(wheel_ends: pl.DataFrame, lives: Lives) -> list[Cell]:
    """Cells with a life of their own or a borrowed one; none where nothing could be fitted."""
    parts = wheel_ends.partition_by("axle_type", "duty", as_dict=True)
    cells = []
    for (axle_type, duty), part in sorted(parts.items()):
        found = lives.life_of(str(axle_type), str(duty))
        if found is not None:
            left_open = tuple(fit for fit, _ in lives.left_open(found[0]))
            cells.append(Cell(str(axle_type), str(duty), part, *found, left_open))
    return cells


def expected_failures(
    wheel_ends: pl.DataFrame, cells: Sequence[Cell], as_of: dt.date, horizon_months: int
) -> pl.DataFrame:
    """Failures per calendar month, by depot and for the fleet (null)."""
    months = budget_months(as_of, horizon_months)
    if not cells:
        rows: list[Row] = [{"month": months.starts[0], "note": NO_LIFE}]
        return frame_of("expected_failures", rows)
    depots = sorted(wheel_ends["depot"].drop_nulls().unique())
    places: list[str | None] = [*depots, None]  # the last holds wheel ends without a depot
    groups = [group for cell in cells for group in _groups(cell, places, wheel_ends)]
    rng = np.random.default_rng(SEED)
    ends = months.calendar.month_ends
    found = fleet_failures(groups, len(places), ends, rng=rng, draws=DRAWS)
    least, most = _over_laws(cells, places, wheel_ends, ends)
    weights = [float(wheel_ends.filter(pl.col("depot") == d)["present"].sum()) for d in depots]
    told = [*zip(depots, weights, strict=True), (None, float(wheel_ends["present"].sum()))]
    places_told = [*range(len(depots)), len(places)]
    columns = (found.expected, found.p10, found.p50, found.p90, least, most)
    names = ("mean", "p10", "p50", "p90", "mean_least_law", "mean_most_law")
    rows = [
        {
            "month": month,
            "depot": depot,
            "adjusters": weight,
            **{f"failures_{n}": float(c[place, i]) for n, c in zip(names, columns, strict=True)},
            "note": _part_month(i, months.days_ahead[0]),
        }
        for i, month in enumerate(months.starts)
        for place, (depot, weight) in zip(places_told, told, strict=True)
    ]
    return frame_of("expected_failures", rows)


def _over_laws(
    cells: Sequence[Cell],
    places: Sequence[str | None],
    everyone: pl.DataFrame,
    month_ends: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Least and most failures expected under any distribution that the records leave open."""
    found = []
    for name in STANDARD_DISTRIBUTIONS:
        lives = [
            next((fit for fit in cell.left_open if fit.name == name), cell.life) for cell in cells
        ]
        under = [replace(cell, life=life) for cell, life in zip(cells, lives, strict=True)]
        groups = [group for cell in under for group in _groups(cell, places, everyone)]
        rng = np.random.default_rng(SEED)
        found.append(fleet_failures(groups, len(places), month_ends, rng=rng, draws=1).expected)
    return np.min(found, axis=0), np.max(found, axis=0)


def _part_month(place: int, days: int) -> str | None:
    return f"what is left of it: {days} days" if place == 0 and days < 28 else None


def _groups(
    cell: Cell, places: Sequence[str | None], everyone: pl.DataFrame
) -> list[AdjusterGroup]:
    """A cell's adjusters, if any; one of unknown age counts in parts at ages known of others.

    Those are of its own cell; where none is known there, of the fleet.
    """
    known = cell.wheel_ends.drop_nulls("age_km")
    unknown = cell.wheel_ends.filter(pl.col("age_km").is_null()).drop("age_km")
    ages = _usual_ages(known if known.height else everyone.drop_nulls("age_km"))
    spread = unknown.join(ages, how="cross").with_columns(
        present=pl.col("present") / max(ages.height, 1)
    )
    rows = pl.concat([known.select(spread.columns), spread])
    if rows.is_empty():
        return []
    numbers = {depot: i for i, depot in enumerate(places)}
    place = np.array([numbers[depot] for depot in rows["depot"]], dtype=np.int64)
    ages_km, km_per_day, present = (_floats(rows[c]) for c in ("age_km", "km_per_day", "present"))
    return [AdjusterGroup(cell.life, ages_km, km_per_day, place, present)]


def _usual_ages(known: pl.DataFrame) -> pl.DataFrame:
    """Ages that stand for those of a group: evenly placed quantiles."""
    if known.is_empty():
        return known.select("age_km")
    shares = (np.arange(AGES_FOR_UNKNOWN) + 0.5) / AGES_FOR_UNKNOWN
    return pl.DataFrame({"age_km": np.quantile(_floats(known["age_km"]), shares)})


def _floats(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).to_numpy().copy()


def checked_groups(cells: Sequence[Cell], settings: Settings) -> tuple[CheckedGroup, ...]:
    """The cells as they are checked now."""
    return tuple(
        CheckedGroup(
            cell.axle_type,
            cell.duty,
            cell.weight,
            cell.km_per_week,
            settings.service.weeks_between_checks(cell.duty),
            cell.whose,
            cell.life,
        )
        for cell in cells
    )


def check_intervals(cells: Sequence[Cell], settings: Settings) -> pl.DataFrame:
    """Shares unseen of every cell, of axle types and duties, and of the fleet."""
    service = settings.service
    used = {cell.duty: service.weeks_between_checks(cell.duty) for cell in cells}
    usual = _most_used(cells, used) if cells else service.check_weeks
    weeks = sorted({*settings.adjusters.check_weeks, *used.values(), usual})
    if not cells:
        rows: list[Row] = [{"weeks": usual, "current": True, "note": NO_LIFE}]
        return frame_of("check_intervals", rows)
    rows = [
        {**row, "current": each == used.get(str(row.get("duty")), usual)}
        for each in weeks
        for row in _shares_at(cells, each)
    ]
    return frame_of("check_intervals", rows)


def _most_used(cells: Sequence[Cell], used: dict[str, float]) -> float:
    """The check interval that most wheel ends are on."""
    run: dict[float, float] = {}
    for cell in cells:
        run[used[cell.duty]] = run.get(used[cell.duty], 0.0) + cell.weight
    return max(run, key=lambda weeks: run[weeks])


def _shares_at(cells: Sequence[Cell], weeks: float) -> Iterator[Row]:
    shares = [(cell, undetected_interval(cell.life, weeks * cell.km_per_week)) for cell in cells]
    known = [(cell, share) for cell, share in shares if share is not None]
    for cell, share in shares:
        row: Row = {"axle_type": cell.axle_type, "duty": cell.duty, "weeks": weeks}
        if share is None:
            yield {**row, "note": "its life has no finite mean, so no long-run share"}
        else:
            yield {**row, **_told(share), "note": cell.borrowed}
    for axle_type in sorted({cell.axle_type for cell, _ in known}):
        part = [(cell, share) for cell, share in known if cell.axle_type == axle_type]
        yield {"axle_type": axle_type, "weeks": weeks, **_told(_averaged(part))}
    for duty in sorted({cell.duty for cell, _ in known}):
        part = [(cell, share) for cell, share in known if cell.duty == duty]
        yield {"duty": duty, "weeks": weeks, **_told(_averaged(part))}
    if known:
        yield {"weeks": weeks, **_told(_averaged(known))}


def _averaged(part: Sequence[tuple[Cell, Interval]]) -> Interval:
    return averaged(
        [share for _, share in part],
        [cell.weight for cell, _ in part],
        [cell.whose for cell, _ in part],
    )


def _told(share: Interval) -> Row:
    return {"share_failed": share.estimate, "ci_low": share.low, "ci_high": share.high}


def replacement_ages(lives: Lives, settings: Settings) -> pl.DataFrame:
    """The age of least cost of every group with a life, or the plain statement that none pays.

    A pool mixes lives and so hides that old ones fail; it stands only for groups without their own.
    """
    costs = settings.costs
    planned = costs.adjuster + costs.adjuster_labour
    failed = planned + costs.failed_adjuster
    rows: list[Row] = []
    for key in _standing(lives):
        fit = lives.chosen(key)
        row: Row = {"axle_type": key[0], "duty": key[1]}
        if fit is not None and planned > 0.0:
            rng = np.random.default_rng(SEED)
            left_open = lives.left_open(key)
            found = age_replacement(
                fit, planned, failed, rng=rng, draws=AGE_DRAWS, others=left_open
            )
            rows.append({**row, **_decided(found, planned, failed)})
        elif fit is not None:
            rows.append({**row, "verdict": NO_COSTS})
    if not rows:
        rows = [{"verdict": f"No age can be given: {NO_LIFE}."}]
    return frame_of("replacement_ages", rows)


def _standing(lives: Lives) -> list[GroupKey]:
    """The groups whose lives stand for some adjusters: their own, or those of groups without."""
    cells = [(str(axle_type), str(duty)) for axle_type, duty in lives.groups if axle_type and duty]
    found = [lives.life_of(*cell) for cell in cells]
    return list(dict.fromkeys(key for key, _ in filter(None, found)))


NO_COSTS = (
    "No age can be given: what an adjuster and fitting it cost is not set ([costs] adjuster, "
    "adjuster_labour and failed_adjuster in fleet.toml)."
)


def _decided(found: AgeReplacement, planned: float, failed: float) -> Row:
    """Limits of the age only where there is one."""
    pays = found.age is not None
    return {
        "best_km": found.age,
        "ci_low_km": finite(found.age_low) if pays else None,
        "ci_high_km": finite(found.age_high) if pays else None,
        "saving_share": found.saving if pays else None,
        "failed_before": found.failed_before if pays else None,
        "no_age_pays": min(max(found.none_share, 0.0), 1.0),
        "cost_per_100000km": 100_000.0 * found.cost_rate,
        "planned_cost": planned,
        "failed_cost": failed,
        "verdict": found.words,
    }
