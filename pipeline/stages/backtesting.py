"""What would have been forecast at earlier origins, against what happened since."""

import datetime as dt
from collections.abc import Sequence

import duckdb
import polars as pl

from models.relines.backtest import backtest_frame, pit_frame
from models.relines.look_back import (
    date_rows,
    errors_of,
    past_totals,
    relines_to_count,
    totals_rows,
)
from models.relines.simulation.simulate import FleetModel
from models.usage.holes import holes_of_records, holes_told, watched_until
from models.usage.since import change_frame, use_change
from pipeline.marts import marts
from pipeline.marts.results import Missed, Origin
from pipeline.stages.failures_judged import failure_rows, failures_found
from pipeline.stages.origins import months_before
from pipeline.warehouse import warehouse

DRAWS = 200
SEED = 30_000
# An origin a month back tells of flags; linings and relines need longer.
LEAST_DAYS = 85
# Quarters back whose dates are judged wheel end by wheel end: these have as many outcomes as there
# are wheel ends, and take as long. Totals, one outcome each, are judged at every origin.
DATED_QUARTERS = (1, 2, 4, 8)


def write_backtest(
    con: duckdb.DuckDBPyConnection,
    origins: Sequence[Origin],
    flag_precision: pl.DataFrame,
    now: FleetModel | None,
    as_of: dt.date,
) -> Missed:
    """Write ``mart.backtest`` and ``mart.backtest_pit`` from every origin about three months back
    or more; returns what the totals missed by. ``now``: what is known of the fleet today."""
    relines = warehouse.fetch(con, "from reduce.relines_done")
    readings = warehouse.fetch(con, "from reduce.linings_found")
    old = [o for o in origins if (as_of - o.as_of).days >= LEAST_DAYS]
    fleets = [o.fleet for o in old if o.fleet is not None]
    days = {months_before(as_of, 3 * quarter) for quarter in DATED_QUARTERS}
    dated = [o.fleet for o in old if o.fleet is not None and o.as_of in days]
    ran = warehouse.fetch(con, "from reduce.unit_usage")
    missing = holes_of_records(ran)
    marts.write(con, "record_holes", holes_told(ran))
    marts.write(con, "use_changes", change_frame(use_change(ran, as_of)))
    rows = [
        row
        for fleet in dated
        if (until := watched_until(missing, fleet.usage.as_of, as_of)) > fleet.usage.as_of
        for row in date_rows(fleet, until, relines, readings)
    ]
    counted = relines if now is None else relines_to_count(relines, now)
    drawn = [
        past_totals(fleet, as_of, counted, readings, ran, missing, draws=DRAWS, seed=SEED)
        for fleet in fleets
    ]
    past = [p for p in drawn if p is not None]
    rows += totals_rows(past, SEED)
    ahead = [o.failures for o in old if o.failures is not None]
    failures, missed = failure_rows(ahead, failures_found(con), missing, as_of)
    rows += failures
    tables = [backtest_frame(rows), _flags(flag_precision)]
    marts.write(con, "backtest", pl.concat(tables, how="diagonal_relaxed"))
    marts.write(con, "backtest_pit", pit_frame(rows))
    changed = 0 if now is None else now.policy.changed_quarters
    return Missed(errors_of(past, changed), missed)


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
