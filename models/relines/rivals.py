"""Two plain forecasts of relines that ours must beat: what anyone could do on the back of a sheet.

Last year's relines, again; and a straight line through each lining's readings, over days, to the
thickness at which this fleet has relined. Both get the spread of relines that come by chance in
pairs (both ends of an axle together): a variance of twice their number.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import FloatArray

YEAR_DAYS = 365.25
IN_PAIRS = 2.0
READ_BEFORE_DAYS = 30
"""A reading so long before a reline, or less, is what led to it."""


@dataclass(frozen=True, slots=True)
class PlainTotals:
    """Mean and SD of normal forecasts (Q,)."""

    mean: FloatArray
    sd: FloatArray


def last_years_totals(
    relines: pl.DataFrame, origin: dt.date, edges: FloatArray, together: float = IN_PAIRS
) -> PlainTotals:
    """The relines of the 365 days before the origin, spread evenly over spans of days.

    ``relines``: wheel_end_id, relined_on, of any time; ``edges`` (Q + 1,) days after the origin.
    The spread is that of last year's count and of the coming one, events coming ``together``.
    """
    year = pl.col("relined_on").is_between(origin - dt.timedelta(days=364), origin)
    count = relines.filter(year).height
    share = np.diff(edges) / YEAR_DAYS
    variance = together * count * (share + share**2)
    return PlainTotals(count * share, np.sqrt(np.maximum(variance, 1.0)))


def straight_line_days(
    wheel_end_id: pl.Series, relines: pl.DataFrame, readings: pl.DataFrame, origin: dt.date
) -> FloatArray:
    """Days after the origin at which each wheel end's line meets the fleet's thickness (L,).

    ``readings``: wheel_end_id, inspected_on, above_mm, of any time; those since the latest reline
    make the line. Where they are fewer than three, or do not fall, the slope is the fleet's middle
    one; where there is none, the day is infinite.
    """
    day = (pl.col("inspected_on") - pl.lit(origin)).dt.total_days().cast(pl.Float64)
    before = readings.filter(pl.col("inspected_on") <= origin).drop_nulls("above_mm")
    done = relines.filter(pl.col("relined_on") <= origin).select("wheel_end_id", "relined_on")
    latest = done.group_by("wheel_end_id", maintain_order=True).agg(pl.col("relined_on").max())
    own = (
        before.join(latest, on="wheel_end_id", how="left")
        .filter(pl.col("relined_on").is_null() | (pl.col("inspected_on") > pl.col("relined_on")))
        .with_columns(day=day)
    )
    lines = own.group_by("wheel_end_id", maintain_order=True).agg(
        n=pl.len(),
        day=pl.col("day").mean(),
        mm=pl.col("above_mm").mean(),
        slope=pl.cov("day", "above_mm", ddof=0) / pl.col("day").var(ddof=0),
    )
    told = (pl.col("n") >= 3) & (pl.col("slope") < 0.0)
    middle = lines.filter(told)["slope"].median()
    if not isinstance(middle, float):
        return np.full(len(wheel_end_id), np.inf)
    meets = pl.col("day") + (thickness_at_relines(before, done) - pl.col("mm")) / pl.col("slope")
    lines = lines.with_columns(slope=pl.when(told).then("slope").otherwise(middle))
    frame = pl.DataFrame({"wheel_end_id": wheel_end_id}).join(
        lines.select("wheel_end_id", meets=meets),
        on="wheel_end_id",
        how="left",
        maintain_order="left",
    )
    days = frame["meets"].fill_null(np.inf).to_numpy()
    return np.asarray(np.maximum(days, 1.0))


def thickness_at_relines(readings: pl.DataFrame, relines: pl.DataFrame) -> float:
    """Mean of the readings that led to relines, mm above the minimum; 0 where there is none."""
    led = relines.join(readings, on="wheel_end_id").filter(
        (pl.col("relined_on") - pl.col("inspected_on"))
        .dt.total_days()
        .is_between(0, READ_BEFORE_DAYS)
    )
    mean = led["above_mm"].mean()
    return mean if isinstance(mean, float) else 0.0


def straight_line_totals(days: FloatArray, edges: FloatArray) -> PlainTotals:
    """How many lines meet the thickness in each span; those that have met it do in the first."""
    count = np.histogram(days[np.isfinite(days)], edges)[0].astype(np.float64)
    return PlainTotals(count, np.sqrt(np.maximum(IN_PAIRS * count, 1.0)))
