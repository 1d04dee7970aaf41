"""Use as it came, against what was forecast of it on an earlier day."""

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.usage.ahead import away_now, km_ahead
from models.usage.fit import UsageFit
from models.usage.holes import Hole


def last_seen(usage: UsageFit) -> pl.DataFrame:
    """One row per unit: unit_id, seen_on and present, as :func:`log_units_missed` takes them."""
    frame = pl.DataFrame(
        {
            "unit_id": usage.unit_ids,
            "present": usage.present,
            "ago": np.round(usage.since_seen).astype(np.int64),
        },
        schema_overrides={"unit_id": pl.String},
    )
    day = pl.lit(usage.as_of) - pl.duration(days=pl.col("ago"))
    return frame.select("unit_id", "present", seen_on=day.cast(pl.Date))


def log_units_missed(usage: UsageFit, seen: pl.DataFrame, edges: FloatArray) -> FloatArray:
    """Log of units that were in the fleet over those forecast to be, in the middle of each of H
    spans of days.

    Parameters
    ----------
    usage : what was known on its as-of day.
    seen : unit_id, seen_on (the last day on record) and present, the chance to be in the fleet
        still, as is known since.
    edges : (H + 1,) days after as-of between which spans lie.
    """
    since = pl.col("seen_on") - pl.lit(usage.as_of, dtype=pl.Date)
    rows = (
        pl.DataFrame({"unit_id": usage.unit_ids}, schema={"unit_id": pl.String})
        .join(seen, on="unit_id", how="left", maintain_order="left")
        .select(day=since.dt.total_days(), present=pl.col("present").fill_null(0.0))
    )
    day = rows["day"].cast(pl.Float64).fill_null(-np.inf).to_numpy()[:, None]
    middle = (edges[:-1] + edges[1:]) / 2.0
    # Whoever is seen every so often was there, in the mean, for half of that longer.
    day = day + usage.usual_days[:, None] / 2.0
    came = np.where(middle <= day, 1.0, rows["present"].to_numpy()[:, None]).sum(axis=0)
    leaving = usage.interval_distribution.leave.per_day
    forecast = usage.present.sum() * np.exp(-leaving * middle)
    return np.asarray(np.log((came + 0.5) / (forecast + 0.5)))


def log_use_missed(usage: UsageFit, intervals: pl.DataFrame, edges: FloatArray) -> FloatArray:
    """Log of km run over km forecast, of each of H spans of days; 0 where nothing was seen of one.

    Parameters
    ----------
    usage : what was known on its as-of day.
    intervals : unit_id, from_on, days, km of the same units, read since; each counts for the days
        of it that fall into a span, its km spread over them as they were forecast: evenly, the km
        of half a year would miss a season that the forecast knew of.
    edges : (H + 1,) days after as-of between which spans lie.
    """
    units = pl.DataFrame({"unit_id": usage.unit_ids}).with_row_index("unit")
    since = pl.col("from_on") - pl.lit(usage.as_of, dtype=pl.Date)
    rows = (
        intervals.filter(pl.col("days") > 0)
        .join(units, on="unit_id", how="inner")
        .select("unit", "days", "km", begins=since.dt.total_days())
        .filter(pl.col("begins") + pl.col("days") > edges[0])
        .sort("unit", "begins")
    )
    unit = rows["unit"].cast(pl.Int64).to_numpy()
    begins, days = (rows[name].cast(pl.Float64).to_numpy() for name in ("begins", "days"))
    ends, since_asof = begins + days, np.maximum(begins, edges[0])
    first = np.maximum(begins[:, None], edges[:-1])
    last = np.maximum(np.minimum(ends[:, None], edges[1:]), first)
    away, season = away_now(usage), usage.mean_use

    def km_between(start: FloatArray, end: FloatArray, of: IntArray) -> FloatArray:
        upto = [km_ahead(usage, away, of, day).mean_km for day in (start, end)]
        return upto[1] - upto[0]

    forecast, whole = km_between(first, last, unit[:, None]), km_between(since_asof, ends, unit)
    # What an interval ran after as-of, and the shares of that in the spans.
    group = usage.group[unit]
    late = season(since_asof, ends, group) * (ends - since_asof)
    late = late / (season(begins, ends, group) * days)
    evenly = (last - first) / (ends - since_asof)[:, None]
    told = whole > 0.0
    share = np.where(told[:, None], forecast / np.where(told, whole, 1.0)[:, None], evenly)
    came = (rows["km"].cast(pl.Float64).to_numpy() * late)[:, None] * share
    ran, expected = came.sum(axis=0), forecast.sum(axis=0)
    seen = (ran > 0.0) & (expected > 0.0)
    return np.where(seen, np.log(np.where(seen, ran / np.where(seen, expected, 1.0), 1.0)), 0.0)


def is_soon_after(missing: Sequence[Hole], usage: UsageFit) -> bool:
    """Whether the as-of day lies in a hole of the records or within a usual interval of its end:
    many units have not been seen since, and less is known of the fleet than at other times."""
    usual = dt.timedelta(days=float(np.median(usage.usual_days)) if len(usage) else 0.0)
    return any(first < usage.as_of < last + usual for first, last in missing)
