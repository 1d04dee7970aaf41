"""What would have been forecast at earlier origins, against what happened since."""

import datetime as dt
from collections.abc import Sequence
from itertools import pairwise

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.reline_backtest import (
    backtest_frame,
    date_rows,
    minimum_days,
    reading_row,
    relined_days,
    totals_row,
)
from models.reline_budget import Months, budget_months
from models.reline_lines import KM_PER_UNIT, line_moments
from models.reline_simulation import simulate_relines
from pipeline import marts, warehouse
from pipeline.origins import Origin

DRAWS = 200
SEED = 30_000
MONTHS_PER_QUARTER = 3
# An origin a month back tells of flags; linings and relines need longer.
LEAST_MONTHS = 3

Rows = list[dict[str, object]]


def write_backtest(
    con: duckdb.DuckDBPyConnection,
    origins: Sequence[Origin],
    flag_precision: pl.DataFrame,
    as_of: dt.date,
) -> None:
    """Write ``mart.backtest`` from every origin at least three months back."""
    relines = warehouse.fetch(
        con, "select wheel_end_id, relined_on from reduce.relines_done order by all"
    )
    readings = warehouse.fetch(
        con,
        """select i.wheel_end_id, i.inspected_on, i.km, i.lining_mm,
            i.lining_mm - w.lining_min_mm as above_mm
        from stage.inspections i
        inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
        where not i.as_left and i.lining_mm is not null order by all""",
    )
    rows: Rows = [row for o in origins for row in _origin_rows(o, relines, readings, as_of)]
    forecasts = backtest_frame(rows) if rows else marts.empty("backtest")
    marts.write(
        con, "backtest", pl.concat([forecasts, _flags(flag_precision)], how="diagonal_relaxed")
    )


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


def _origin_rows(
    origin: Origin, relines: pl.DataFrame, readings: pl.DataFrame, as_of: dt.date
) -> Rows:
    months = _whole_months(origin.as_of, as_of)
    if origin.forecasts is None or months < LEAST_MONTHS:
        return []
    dates, since = origin.forecasts.dates, origin.as_of
    ends = dates["wheel_end_id"]
    relined = relined_days(ends, relines, since, as_of)
    worn = minimum_days(ends, readings, relined, since, as_of)
    return [
        *date_rows("min_on", since, _days(dates, "min_on", since), worn),
        *date_rows("reline_on", since, _days(dates, "reline_on", since), relined),
        _next_reading_row(origin, readings, relined.high),
        _totals_row(origin, relines, months),
    ]


def _whole_months(since: dt.date, until: dt.date) -> int:
    months = (until.year - since.year) * 12 + until.month - since.month
    return months - (budget_months(since, max(months, 1)).span_ends[months - 1] > until)


def _days(dates: pl.DataFrame, name: str, since: dt.date) -> NDArray[np.float64]:
    """Days after the origin of a forecast's quantiles, (3, L); infinite where it has none."""
    days = dates.select(
        (pl.col(f"{name}_{q}") - pl.lit(since)).dt.total_days().cast(pl.Float64).fill_null(np.inf)
        for q in ("p10", "p50", "p90")
    )
    return days.to_numpy().T


def _next_reading_row(
    origin: Origin, readings: pl.DataFrame, relined_day: NDArray[np.float64]
) -> dict[str, object]:
    """Each lining's next reading against the line drawn at the origin."""
    assert origin.forecasts is not None
    lines = origin.forecasts.fleet.lines
    day = (pl.col("inspected_on") - pl.lit(origin.as_of)).dt.total_days().cast(pl.Float64)
    ends = origin.ends.select("wheel_end_id", "seen_km").with_columns(relined=relined_day)
    own = (
        readings.filter(pl.col("inspected_on") > origin.as_of)
        .join(ends, on="wheel_end_id")
        .filter(day <= pl.col("relined"))
        .sort("wheel_end_id", "inspected_on")
        .group_by("wheel_end_id", maintain_order=True)
        .first()
    )
    named = ends.select("wheel_end_id")
    found = named.join(own, on="wheel_end_id", how="left", maintain_order="left")
    x = (found["km"] - found["seen_km"]).cast(pl.Float64).fill_null(0.0).to_numpy() / KM_PER_UNIT
    mean, variance = line_moments(lines).at(np.maximum(x, 0.0))
    reading = found["lining_mm"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    known = np.where(lines.is_known, mean, np.nan)
    return reading_row(origin.as_of, known, np.sqrt(variance + lines.reading_sd**2), reading)


def _totals_row(origin: Origin, relines: pl.DataFrame, months: int) -> dict[str, object]:
    """The fleet's relines per whole quarter since the origin, against simulated futures."""
    assert origin.forecasts is not None
    span = budget_months(origin.as_of, months)
    (tally,) = simulate_relines(origin.forecasts.fleet, span.calendar, draws=DRAWS, seed=SEED)
    quarters = months // MONTHS_PER_QUARTER
    drawn = np.asarray(tally.span_relines)[:, : quarters * MONTHS_PER_QUARTER]
    by_quarter = drawn.reshape(DRAWS, quarters, MONTHS_PER_QUARTER).sum(axis=2)
    return totals_row(
        origin.as_of, by_quarter.astype(np.float64), _observed(span, relines, quarters)
    )


def _observed(span: Months, relines: pl.DataFrame, quarters: int) -> NDArray[np.float64]:
    ends = (span.as_of, *span.span_ends)
    cuts = [ends[MONTHS_PER_QUARTER * q] for q in range(quarters + 1)]
    day = pl.col("relined_on")
    return np.array(
        [relines.filter((day > low) & (day <= high)).height for low, high in pairwise(cuts)],
        dtype=np.float64,
    )
