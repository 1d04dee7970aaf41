"""Failed adjusters that checks will find: by month and depot, and over whole months from as-of."""

import datetime as dt
from collections.abc import Hashable, Sequence
from dataclasses import replace
from functools import partial

import duckdb
import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.lives.decisions.failures import AdjusterGroup, failures_to_come
from models.lives.decisions.fleet import KnownLife
from models.lives.decisions.found import assumed_life
from models.lives.decisions.renewal import ages_met
from models.lives.fits.distributions import LifeDistribution
from models.relines.budget import SPANS_MONTHS, Months, budget_months
from models.relines.past_errors import (
    MONTHS_A_QUARTER,
    PastErrors,
    error_factors,
    errors_to_come,
)
from models.usage.drawn.visits import drawn_visits
from models.usage.fit import UsageFit, usage_frame
from pipeline.marts import marts
from pipeline.marts.lives.cells import Cell, fleet_cells, wheel_ends_now
from pipeline.marts.lives.fits import GroupLives, Row, frame_of
from pipeline.marts.lives.found import (
    AGES_FOR_UNKNOWN,
    PartLife,
    between_looks,
    floats,
    found_by_quarter,
    part_lives,
    parts_apart,
    watched_by_life,
)
from pipeline.marts.results import FailuresAhead
from pipeline.warehouse import warehouse

DRAWS = 200
SEED = 40_000
# Courses drawn of all units together: another seed moves a year's total by less than a per cent.
COURSES = 2_000
NO_MORE = 1e-9  # of a mean life: less to come is what arithmetic left over
RENEWED_DAYS, MOST_RENEWED = 730, 0.5  # back from as-of; of the adjusters looked at


NONE_FOUND = "too few adjusters have failed for a life to be fitted, and none of them of late"
BY_COUNTS = "from how many were found failed in up to three years, not from the ages they had"
PARTLY_BY_COUNTS = f"in part, where too few ages are known, {BY_COUNTS}"
RENEWED = f"""
    with replaced as (
        select count(*) as n from stage.adjuster_lives
        where cause in ('planned', 'unstated')
            and ended_on > date '{{as_of}}' - interval {RENEWED_DAYS} day
    ),
    looked as (
        select count(distinct (wheel_end_id, inspected_on)) as n from stage.inspections
        where inspected_on > date '{{as_of}}' - interval {RENEWED_DAYS} day
    )
    select least(r.n / greatest(l.n, 1), {MOST_RENEWED}) from replaced r cross join looked l
"""


def failures_ahead(
    con: duckdb.DuckDBPyConnection,
    lives: GroupLives,
    usage: UsageFit,
    months: Months,
    also: float | None = None,
) -> FailuresAhead | None:
    """Forecast from what the tables say; None where no life could be fitted and no failure was
    found of late. ``also``: another day after as-of up to which failures are to be told."""
    ends = wheel_ends_now(con, usage_frame(usage))
    watched = between_looks(con, usage.as_of)
    renewed = warehouse.one_row(con, RENEWED.format(as_of=usage.as_of))[0]
    cells = fleet_cells(ends, lives)
    apart = parts_apart(cells, part_lives(con))
    return failures_of(cells, ends, usage, months, also, watched, float(renewed), apart)


def failures_of(
    cells: Sequence[Cell],
    ends: pl.DataFrame,
    usage: UsageFit,
    months: Months,
    also: float | None = None,
    watched: pl.DataFrame | None = None,
    renewed: float = 0.0,
    apart: Sequence[PartLife] = (),
) -> FailuresAhead | None:
    """Forecast for wheel ends: of parts that live ``apart`` and of some cells by their lives, of
    all others by how many failures were found of such. ``watched``: adjusters
    :func:`~pipeline.marts.lives.found.between_looks`; ``renewed``: the chance that a check replaces
    an adjuster that works."""
    calendar = months.calendar
    edges = np.union1d(calendar.month_ends, calendar.span_ends)
    edges = edges if also is None else np.union1d(edges, also)
    depots = tuple(sorted(ends["depot"].drop_nulls().unique()))
    number = {name: n for n, name in enumerate(usage.unit_ids)}
    known = ends.with_columns(unit=pl.col("unit_id").replace_strict(number, return_dtype=pl.Int64))
    places = (*depots, None)
    own = [_of_part(part, places, known, watched) for part in apart]
    if apart and watched is not None:
        others = ~pl.col("part").is_in([part.part for part in apart]).fill_null(value=False)
        known, watched = known.filter(others), watched.filter(others)
    of_cells = (_group(cell, places, known, watched) for cell in cells)
    groups = [group for group in (*own, *of_cells) if group is not None]
    counted = _counted_group(cells, places, known, watched)
    groups += [counted] if counted is not None else []
    groups = [replace(group, renewed=renewed) for group in groups]
    if not groups:
        return None
    copies = -(-COURSES // max(len(usage), 1))
    visits = drawn_visits(usage, float(edges[-1]), copies, np.random.default_rng([SEED, 1]))
    rng = np.random.default_rng([SEED, 2])
    to_come = failures_to_come(groups, visits, len(depots) + 1, edges, rng=rng, draws=DRAWS)
    there = [ends.filter(pl.col("depot").eq_missing(d))["present"].sum() for d in places]
    return FailuresAhead(
        months,
        depots,
        ends["wheel_end_id"],
        np.array(there, np.float64),
        edges,
        to_come,
        usage,
        None if counted is None else BY_COUNTS if len(groups) == 1 else PARTLY_BY_COUNTS,
    )


def _group(
    cell: Cell,
    places: Sequence[str | None],
    everyone: pl.DataFrame,
    watched: pl.DataFrame | None,
) -> AdjusterGroup | None:
    """A cell's adjusters."""
    own = everyone.join(cell.wheel_ends.select("wheel_end_id"), on="wheel_end_id", how="semi")
    if own.is_empty():
        return None
    life = cell.life.distribution
    group = _group_of(own, places, life, cell.left_open or ((cell.life, 1.0),), cell.whose)
    if watched is None:
        return group
    of_it = watched.filter(pl.col("axle_type") == cell.axle_type, pl.col("duty") == cell.duty)
    parts = watched_by_life(of_it, life)
    return replace(group, watched=parts, found=found_by_quarter(of_it))


def _of_part(
    part: PartLife,
    places: Sequence[str | None],
    everyone: pl.DataFrame,
    watched: pl.DataFrame | None,
) -> AdjusterGroup | None:
    """Adjusters of a part with a life of its own."""
    own = everyone.filter(pl.col("part") == part.part)
    if own.is_empty() or watched is None:
        return None
    life = part.likeliest
    group = _group_of(own, places, life, part.fits, ("part", part.part))
    of_it = watched.filter(pl.col("part") == part.part)
    seen = watched_by_life(of_it, life)
    return replace(group, apart=part.part, watched=seen, found=found_by_quarter(of_it))


def _counted_group(
    cells: Sequence[Cell],
    places: Sequence[str | None],
    everyone: pl.DataFrame,
    watched: pl.DataFrame | None,
) -> AdjusterGroup | None:
    """Adjusters without a life, failing as often as such were found failed; None where there are
    none, or none was found."""
    with_life = [cell.wheel_ends.select("wheel_end_id") for cell in cells]
    if with_life:
        everyone = everyone.join(pl.concat(with_life), on="wheel_end_id", how="anti")
    if watched is None or everyone.is_empty():
        return None
    told = pl.DataFrame(
        [(cell.axle_type, cell.duty) for cell in cells],
        schema={"axle_type": pl.String, "duty": pl.String},
        orient="row",
    )
    of_them = watched.join(told, on=["axle_type", "duty"], how="anti")
    found = found_by_quarter(of_them)
    if not found.any():
        return None
    assumed = assumed_life(partial(watched_by_life, of_them), float(found.sum()))
    life = assumed.distribution
    group = _group_of(everyone, places, life, ((assumed, 1.0),), BY_COUNTS)
    return replace(group, assumed=True, watched=watched_by_life(of_them, life), found=found)


def _group_of(
    own: pl.DataFrame,
    places: Sequence[str | None],
    life: LifeDistribution,
    fits: tuple[tuple[KnownLife, float], ...],
    whose: Hashable,
) -> AdjusterGroup:
    """Adjusters of wheel ends; one of unknown age counts in parts at the ages that it may have."""
    known = own.drop_nulls("age_km").with_columns(share=pl.lit(1.0))
    unknown = own.filter(pl.col("age_km").is_null()).drop("age_km")
    rows = pl.concat([known, _of_unknown_age(life, unknown).select(known.columns)])
    # Those of one age, unit and place are forecast alike: once for all of them.
    alike = ("unit", "depot", "age_km")
    rows = rows.group_by(alike, maintain_order=True).agg(pl.col("share").sum())
    numbers = {depot: i for i, depot in enumerate(places)}
    return AdjusterGroup(
        fits=fits,
        whose=whose,
        age_km=floats(rows["age_km"]),
        unit=rows["unit"].to_numpy(),
        place=np.array([numbers[depot] for depot in rows["depot"]], dtype=np.int64),
        weight=floats(rows["share"]),
    )


def _of_unknown_age(life: LifeDistribution, unknown: pl.DataFrame) -> pl.DataFrame:
    """Adjusters that nobody saw fitted, each in parts at the ages that it may have."""
    if unknown.is_empty():
        return unknown.with_columns(age_km=pl.lit(0.0), share=pl.lit(0.0))
    places = unknown.group_by("unit", "depot", "unit_km", "watched_km", maintain_order=True).len()
    ages = ages_met(
        life,
        floats(places["watched_km"]),
        floats(places["unit_km"]),
        AGES_FOR_UNKNOWN,
    )
    shares = places.with_columns(age_km=pl.Series(ages)).explode("age_km")
    parts = unknown.join(
        shares.drop("len"), on=("unit", "depot", "unit_km", "watched_km"), nulls_equal=True
    )
    return parts.with_columns(share=pl.lit(1.0 / AGES_FOR_UNKNOWN))


def write_failure_marts(
    con: duckdb.DuckDBPyConnection,
    ahead: FailuresAhead | None,
    past: PastErrors | None,
    as_of: dt.date,
) -> None:
    """Write months and spans; words where nothing can be told."""
    if ahead is None:
        first = budget_months(as_of, 1).starts[0]
        nothing = frame_of("expected_failures", [{"month": first, "note": NONE_FOUND}])
        marts.write(con, "expected_failures", nothing)
        marts.write(con, "failure_outlook", marts.empty("failure_outlook"))
        return
    factor = error_factor(ahead, past)
    marts.write(con, "expected_failures", months_of_failures(ahead, factor))
    marts.write(con, "failure_outlook", failure_outlook(ahead, factor))


def error_factor(ahead: FailuresAhead, past: PastErrors | None) -> FloatArray:
    """Errors of quarters to come that the fleet's own past makes likely, on pieces (D, G)."""
    draws = len(ahead.to_come.drawn)
    if past is None:
        return np.ones((draws, len(ahead.edges)))
    quarter = ahead.span // MONTHS_A_QUARTER
    coming = errors_to_come(past, int(quarter[-1]) + 1)
    return error_factors(coming, draws, SEED)[:, quarter]


def months_of_failures(ahead: FailuresAhead, factor: FloatArray) -> pl.DataFrame:
    """Failures found per calendar month, by depot and for the fleet (null)."""
    to_come, months = ahead.to_come, ahead.months
    counts = with_total(_summed(drawn_counts(ahead, factor), ahead.month), 1)
    p10, p50, p90 = np.quantile(counts, [0.1, 0.5, 0.9], axis=0)
    learned = factor.mean(axis=0)

    def expected(by_piece: FloatArray) -> FloatArray:
        return with_total(_summed(by_piece * learned, ahead.month), 0)

    under = np.array([expected(each) for each in to_come.under.values()])
    columns = (expected(to_come.expected), p10, p50, p90, under.min(axis=0), under.max(axis=0))
    names = ("mean", "p10", "p50", "p90", "mean_least_law", "mean_most_law")
    weights = [*ahead.counted[:-1], ahead.counted.sum()]
    places = [*range(len(ahead.depots)), len(ahead.depots) + 1]
    rows: list[Row] = [
        {
            "month": month,
            "depot": depot,
            "adjusters": weight,
            **{f"failures_{n}": float(c[place, i]) for n, c in zip(names, columns, strict=True)},
            "basis": ahead.by_counts,
            "note": _part_month(i, months.days_ahead[0]),
        }
        for i, month in enumerate(months.starts)
        for place, depot, weight in zip(places, (*ahead.depots, None), weights, strict=True)
    ]
    return frame_of("expected_failures", rows)


def _part_month(place: int, days: int) -> str | None:
    return f"what is left of it: {days} days" if place == 0 and days < 28 else None


def failure_outlook(ahead: FailuresAhead, factor: FloatArray) -> pl.DataFrame:
    """The fleet over whole months from as-of: every quarter ahead, and 3, 6, 12, … in all."""
    counts = _summed(drawn_counts(ahead, factor).sum(axis=1), ahead.span)
    mean = _summed((ahead.to_come.expected * factor.mean(axis=0)).sum(axis=0), ahead.span)
    horizon = len(ahead.months.span_ends)
    quarters = [(start, start + 3) for start in range(3, horizon - 2, 3)]
    totals = [(0, end) for end in sorted({s for s in SPANS_MONTHS if s <= horizon} | {horizon})]
    ends = (ahead.months.as_of, *ahead.months.span_ends)
    rows: list[Row] = []
    for start, end in totals + quarters:
        p10, p50, p90 = np.quantile(counts[:, start:end].sum(axis=1), [0.1, 0.5, 0.9])
        rows.append(
            {
                "from_on": ends[start] + dt.timedelta(days=1),
                "until_on": ends[end],
                "months": end - start,
                "failures_p10": float(p10),
                "failures_p50": float(p50),
                "failures_p90": float(p90),
                "failures_mean": float(mean[start:end].sum()),
            }
        )
    return frame_of("failure_outlook", rows).sort("from_on", "months")


def drawn_counts(ahead: FailuresAhead, factor: FloatArray) -> FloatArray:
    """Numbers found (D, P, G), the same every time."""
    counts = ahead.to_come.counts(np.random.default_rng([SEED, 3]), factor)
    return np.asarray(counts, np.float64)


def quarters_drawn(ahead: FailuresAhead, factor: FloatArray, quarters: int) -> FloatArray:
    """The fleet's numbers by whole quarters from as-of, (D, quarters)."""
    counts = drawn_counts(ahead, factor).sum(axis=1)
    by_quarter = _summed(counts, ahead.span // MONTHS_A_QUARTER)
    return by_quarter[:, :quarters]


def _summed(pieces: FloatArray, part: IntArray) -> FloatArray:
    """Sums over the last axis by the numbered part that each piece belongs to."""
    # Pieces after the last calendar month, or the last whole one, belong to no part.
    starts = np.searchsorted(part, np.arange(int(part.max()) + 1))
    return np.asarray(np.add.reduceat(pieces, starts, axis=-1))


def with_total(values: FloatArray, axis: int) -> FloatArray:
    """The values with their sum over an axis put behind them."""
    return np.concatenate([values, values.sum(axis=axis, keepdims=True)], axis=axis)
