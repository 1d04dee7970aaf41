"""What would have been forecast at earlier origins, against what happened since."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import duckdb
import polars as pl

from models.relines.backtest import Row, backtest_frame, pit_frame
from models.relines.budget import budget_months
from models.relines.look_back import (
    PastTotals,
    date_rows,
    errors_of,
    past_totals,
    relines_to_count,
    totals_rows,
)
from models.relines.past_errors import PastErrors
from models.relines.simulation.simulate import FleetModel, simulate_relines
from models.usage.course.found import UseFound, use_found
from models.usage.course.told import use_frame
from models.usage.fit import UsageFit
from models.usage.holes import (
    Hole,
    holes_of_records,
    holes_told,
    lulls_of_records,
    silences,
    watched_until,
)
from models.usage.leaving import left_at_once_frame
from models.usage.since import last_seen
from models.usage.year.told import year_frame
from pipeline.marts import marts
from pipeline.marts.results import Missed, Origin
from pipeline.stages.failures_judged import failure_rows, failures_found
from pipeline.stages.origins import OF_SAMPLE, months_before
from pipeline.warehouse import warehouse

# A mean and a spread are wanted: a hundred futures add a hundredth to the variance of its error.
DRAWS = 100
SEED = 30_000
# An origin a month back tells of flags; linings and relines need longer.
LEAST_DAYS = 85
# Quarters back whose dates are judged wheel end by wheel end: these have as many outcomes as there
# are wheel ends, and take as long. Totals, one outcome each, are judged at every origin.
DATED_QUARTERS = (1, 2, 4, 8)


@dataclass(frozen=True, slots=True)
class Since:
    """What the records say, up to ``as_of``, of all that was forecast at earlier origins; ``seen``:
    when units were last, and their chance to be there still (None: nothing is known of any)."""

    as_of: dt.date
    relines: pl.DataFrame
    counted: pl.DataFrame
    readings: pl.DataFrame
    intervals: pl.DataFrame
    holes: Sequence[Hole]
    lulls: Sequence[Hole]
    silent: pl.DataFrame
    seen: pl.DataFrame | None

    @property
    def missing(self) -> Sequence[Hole]:
        """Times of which the records of the whole fleet tell nothing, or hardly anything."""
        ends = self.silent.filter(pl.col("depot").is_null())["from_on"]
        return [*self.holes, *self.lulls, *((last, self.as_of) for last in ends)]


@dataclass(frozen=True, slots=True)
class LookedBack:
    """An origin's dates, linings and totals of relines held against the records."""

    rows: list[Row]
    totals: PastTotals | None


def records_since(con: duckdb.DuckDBPyConnection, now: FleetModel | None, as_of: dt.date) -> Since:
    """``now``: what is known of the fleet today. Readings of the units that are looked back on."""
    relines = warehouse.fetch(con, "from reduce.relines_done")
    ran = warehouse.fetch(con, "from reduce.unit_usage")
    counted = relines if now is None else relines_to_count(relines, now)
    readings = warehouse.fetch(
        con,
        f"""from reduce.linings_found where wheel_end_id in (
            select wheel_end_id from judge.wheel_ends where {OF_SAMPLE}
        )""",
    )
    visits = warehouse.fetch(con, "select unit_id, depot, visit_on from reduce.units_now")
    silent = silences(ran, visits, as_of)
    missing = holes_of_records(ran), lulls_of_records(ran)
    seen = None if now is None else last_seen(now.usage)
    return Since(as_of, relines, counted, readings, ran, *missing, silent, seen)


def looked_back(origin: Origin, since: Since) -> LookedBack:
    """An origin about three months back or more, against what happened since."""
    fleet, as_of = origin.fleet, since.as_of
    if fleet is None or not _old_enough(origin, as_of):
        return LookedBack([], None)
    rows = []
    until = watched_until(since.missing, fleet.usage.as_of, as_of)
    dated = {months_before(as_of, 3 * quarter) for quarter in DATED_QUARTERS}
    if origin.as_of in dated and until > fleet.usage.as_of:
        rows = date_rows(fleet, until, since.relines, since.readings)
    records = since.counted, since.readings, since.intervals, since.missing, since.seen
    return LookedBack(rows, past_totals(fleet, as_of, *records, draws=DRAWS, seed=SEED))


def _old_enough(origin: Origin, as_of: dt.date) -> bool:
    return (as_of - origin.as_of).days >= LEAST_DAYS


def write_backtest(
    con: duckdb.DuckDBPyConnection,
    origins: Sequence[Origin],
    relines: Sequence[LookedBack],
    flag_precision: pl.DataFrame,
    since: Since,
    now: FleetModel | None,
) -> Missed:
    """Write ``mart.backtest`` and ``mart.backtest_pit`` from every origin about three months back
    or more, and what of the past is told beside; returns what the totals missed by, as far as it
    tells of forecasts from ``now``."""
    marts.write(con, "record_holes", _holes(since))
    marts.write(con, "use_changes", _use(since, now))
    left = marts.empty("units_left_at_once")
    if now is not None:
        left = left_at_once_frame(now.usage.interval_distribution.leave, since.as_of)
    marts.write(con, "units_left_at_once", left)
    year = marts.empty("use_over_the_year") if now is None else year_frame(now.usage)
    marts.write(con, "use_over_the_year", year)
    rows = [row for each in relines for row in each.rows]
    past = [each.totals for each in relines if each.totals is not None]
    rows += totals_rows(past, SEED)
    old = [o for o in origins if _old_enough(o, since.as_of)]
    ahead = [o.failures for o in old if o.failures is not None]
    records = failures_found(con), since.intervals, since.missing, since.seen, since.as_of
    known = frozenset() if now is None else now.year_known
    failures, missed = failure_rows(ahead, *records, known)
    rows += failures
    tables = [backtest_frame(rows), _flags(flag_precision)]
    marts.write(con, "backtest", pl.concat(tables, how="diagonal_relaxed"))
    marts.write(con, "backtest_pit", pit_frame(rows))
    return Missed(errors_for(now, past), missed)


def errors_for(now: FleetModel | None, past: Sequence[PastTotals]) -> PastErrors:
    """Errors that tell of forecasts from what is known of the fleet today."""
    if now is None:
        return errors_of(past)
    return errors_of(past, now.changed_quarters, now.year_known)


def _use(since: Since, now: FleetModel | None) -> pl.DataFrame:
    """How all units' use went, and what a former use would bring that may come back."""
    if now is None:
        return use_frame(use_found(since.intervals, since.as_of), since.as_of)
    found, relines = UseFound(now.usage.change, now.usage.stretch), None
    if now.usage.course.p_returns > 0.0:
        calendar = budget_months(since.as_of, 12).calendar

        def of_year(usage: UsageFit) -> float:
            fleet = replace(now, usage=usage)
            (counts,) = simulate_relines(fleet, calendar, draws=DRAWS, seed=SEED)
            return float(counts.span_relines.sum(axis=1).mean())

        relines = of_year(now.usage), of_year(now.usage.if_returned)
    return use_frame(found, since.as_of, relines)


def _holes(since: Since) -> pl.DataFrame:
    return pl.concat([holes_told(since.intervals, since.holes), since.silent])


def _flags(precision: pl.DataFrame) -> pl.DataFrame:
    """Precision of the flags standing at each origin, as rows of the backtest."""
    return precision.select(
        measure=pl.lit("flag_precision"),
        origin="month",
        nominal=pl.lit(None, dtype=pl.Float64),
        observed="precision",
        n=pl.col("confirmed") + pl.col("false_alarms"),
        bias=pl.lit(None, dtype=pl.Float64),
    )
