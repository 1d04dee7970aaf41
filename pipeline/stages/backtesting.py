"""What would have been forecast at earlier origins, against what happened since."""

import datetime as dt
from collections.abc import Sequence

import duckdb
import polars as pl

from models.relines.backtest import backtest_frame
from models.relines.fleet import backtest_rows
from pipeline.marts import marts
from pipeline.results import Origin
from pipeline.warehouse import warehouse

DRAWS = 200
SEED = 30_000
# An origin a month back tells of flags; linings and relines need longer.
LEAST_DAYS = 85


def write_backtest(
    con: duckdb.DuckDBPyConnection,
    origins: Sequence[Origin],
    flag_precision: pl.DataFrame,
    as_of: dt.date,
) -> None:
    """Write ``mart.backtest`` from every origin about three months back or more."""
    relines = warehouse.fetch(con, "from reduce.relines_done")
    readings = warehouse.fetch(con, "from reduce.linings_found")
    rows = [
        row
        for o in origins
        if o.fleet is not None and (as_of - o.as_of).days >= LEAST_DAYS
        for row in backtest_rows(o.fleet, as_of, relines, readings, draws=DRAWS, seed=SEED)
    ]
    tables = [backtest_frame(rows), _flags(flag_precision)]
    marts.write(con, "backtest", pl.concat(tables, how="diagonal_relaxed"))


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
