"""Use as it came, against what was forecast of it on an earlier day."""

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.usage.ahead import away_now, km_ahead
from models.usage.fit import UsageFit


def log_use_missed(usage: UsageFit, intervals: pl.DataFrame, edges: FloatArray) -> FloatArray:
    """Log of km run over km forecast, of each of H spans of days; 0 where nothing was seen of one.

    Parameters
    ----------
    usage : what was known on its as-of day.
    intervals : unit_id, from_on, days, km of the same units, read since; each counts for the days
        of it that fall into a span, its km spread evenly over them.
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
    first = np.maximum(begins[:, None], edges[:-1])
    last = np.maximum(np.minimum((begins + days)[:, None], edges[1:]), first)
    came = rows["km"].cast(pl.Float64).to_numpy()[:, None] * (last - first) / days[:, None]
    away = away_now(usage)
    forecast = (
        km_ahead(usage, away, unit[:, None], last).mean_km
        - km_ahead(usage, away, unit[:, None], first).mean_km
    )
    ran, expected = came.sum(axis=0), forecast.sum(axis=0)
    seen = (ran > 0.0) & (expected > 0.0)
    return np.where(seen, np.log(np.where(seen, ran / np.where(seen, expected, 1.0), 1.0)), 0.0)
