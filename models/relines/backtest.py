r"""Forecasts made at an origin against what then happened.

Wheel ends not yet relined when the watching ends are not left out, and not counted as late: the
share relined by each forecast quantile is a product-limit estimate (Kaplan, Meier 1958, *JASA*
53:457) over the quantile levels, a wheel end being at risk at a level whose date lies within the
watching. The observed coverage of p10 to p90 is the difference of two such shares.

Few linings reach their minimum before a reline, and those that do are not like the others; and a
reading errs by as much as a lining wears in months, so the day of reaching it is never seen. The
dates at the minimum are therefore checked where they can be: ``min_on`` takes the same forecast to
a limit so many mm higher that relines hardly come before it, and compares the reading taken nearest
to its middle date with what was forecast for that day; its bias is mm over the forecast wear per
month. ``min_now`` compares the chance that each wheel end's next reading is at or below its minimum
with how often it was; ``lining_mm`` compares those readings themselves.

Bias is observed less forecast: months for dates, mm for readings, a share for totals.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray

MONTH_DAYS = 365.25 / 12.0
LEVELS = (0.1, 0.5, 0.9)
NORMAL_90 = 1.2815515655446004
FEW = 10
"""Fewer cases than this have no observed share."""

SCHEMA = {
    "measure": pl.String,
    "origin": pl.Date,
    "nominal": pl.Float64,
    "observed": pl.Float64,
    "n": pl.Int64,
    "bias": pl.Float64,
}


@dataclass(frozen=True, slots=True)
class Happened:
    """Day after the origin on which something happened to each wheel end (L,), infinite where it
    did not in the days ``watched``."""

    day: FloatArray
    watched: float

    @property
    def high(self) -> FloatArray:
        return self.day


@dataclass(frozen=True, slots=True)
class Reached:
    """Observed share by each forecast quantile (k,), and wheel ends at risk there."""

    share: FloatArray
    at_risk: FloatArray


def reached_by(quantile_days: FloatArray, happened: Happened) -> Reached:
    """Product-limit share that happened by each forecast quantile; ``quantile_days`` (k, L)."""
    share, at_risk, stays = [], [], 1.0
    for k, days in enumerate(quantile_days):
        risk = days <= happened.watched
        if k:
            risk &= happened.day > quantile_days[k - 1]
        count = int(risk.sum())
        stays *= 1.0 - (int((risk & (happened.day <= days)).sum()) / count if count else 0.0)
        share.append(1.0 - stays)
        at_risk.append(int((days <= happened.watched).sum()))
    return Reached(np.array(share), np.array(at_risk))


def median_bias_months(middle_days: FloatArray, happened: Happened) -> float | None:
    """Median of observed less forecast, over wheel ends whose forecast middle was watched."""
    told = middle_days <= happened.watched
    if int(told.sum()) < FEW:
        return None
    # Not seen to happen: later than the forecast, by an unknown time; a median needs no more.
    off = happened.day[told] - middle_days[told]
    middle = float(np.quantile(off, 0.5, method="lower"))
    return middle / MONTH_DAYS if np.isfinite(middle) else None


def date_rows(
    measure: str, origin: dt.date, quantile_days: FloatArray, happened: Happened
) -> list[dict[str, object]]:
    """Rows of the backtest for dates: ``measure`` (coverage of p10 to p90), and ``measure``_p10,
    _p50, _p90 (share by then). ``quantile_days`` (3, L)."""
    reached = reached_by(quantile_days, happened)
    bias = median_bias_months(quantile_days[1], happened)
    n = int(reached.at_risk[-1])
    coverage = float(reached.share[-1] - reached.share[0]) if n >= FEW else None
    rows = [_row(measure, origin, LEVELS[-1] - LEVELS[0], coverage, n, bias)]
    for level, share, count in zip(LEVELS, reached.share, reached.at_risk, strict=True):
        name = f"{measure}_p{round(100 * level)}"
        observed = float(share) if count >= FEW else None
        rows.append(_row(name, origin, level, observed, int(count), None))
    return rows


def _row(
    measure: str,
    origin: dt.date,
    nominal: float,
    observed: float | None,
    n: int,
    bias: float | None,
) -> dict[str, object]:
    values = (measure, origin, nominal, observed, n, bias)
    return dict(zip(SCHEMA, values, strict=True))


def relined_days(
    wheel_end_id: pl.Series, relines: pl.DataFrame, origin: dt.date, until: dt.date
) -> Happened:
    """First reline of each wheel end after the origin; ``relines``: wheel_end_id, relined_on."""
    first = (
        relines.filter((pl.col("relined_on") > origin) & (pl.col("relined_on") <= until))
        .group_by("wheel_end_id")
        .agg(day=(pl.col("relined_on").min() - pl.lit(origin)).dt.total_days())
    )
    frame = pl.DataFrame({"wheel_end_id": wheel_end_id})
    day = frame.join(first, on="wheel_end_id", how="left", maintain_order="left")["day"]
    found = day.cast(pl.Float64).fill_null(np.inf).to_numpy()
    return Happened(found, float((until - origin).days))


def minimum_days(
    wheel_end_id: pl.Series,
    readings: pl.DataFrame,
    relined: Happened,
    origin: dt.date,
    until: dt.date,
) -> Happened:
    """First reading at or below the minimum, of the linings of then.

    Mind who is left to be read so: see the module's words on ``min_on``.
    """
    ends = pl.DataFrame({"wheel_end_id": wheel_end_id, "relined": relined.day})
    low = (
        _since(readings, origin, until)
        .join(ends, on="wheel_end_id")
        .filter((pl.col("day") <= pl.col("relined")) & (pl.col("above_mm") <= 0.0))
        .group_by("wheel_end_id")
        .agg(pl.col("day").min())
    )
    found = ends.join(low, on="wheel_end_id", how="left", maintain_order="left")
    return Happened(found["day"].fill_null(np.inf).to_numpy(), relined.watched)


def _since(readings: pl.DataFrame, origin: dt.date, until: dt.date) -> pl.DataFrame:
    """Readings of the time watched, with their day after the origin."""
    day = (pl.col("inspected_on") - pl.lit(origin)).dt.total_days().cast(pl.Float64)
    watched = (pl.col("inspected_on") > origin) & (pl.col("inspected_on") <= until)
    return readings.drop_nulls("above_mm").filter(watched).with_columns(day=day)


@dataclass(frozen=True, slots=True)
class ReadingsSeen:
    """One reading per wheel end, mm above its minimum, and its day after the origin (L,); NaN and 0
    where there was none."""

    above_mm: FloatArray
    day: FloatArray


def readings_nearest(
    wheel_end_id: pl.Series,
    readings: pl.DataFrame,
    relined: Happened,
    origin: dt.date,
    until: dt.date,
    days: FloatArray,
) -> ReadingsSeen:
    """Readings nearest to given days (L,) after the origin, of the linings of then.

    ``readings``: wheel_end_id, inspected_on, above_mm (as found, above the minimum), of any time;
    those after the next reline belong to another lining and are left out.
    """
    ends = pl.DataFrame(
        {"wheel_end_id": wheel_end_id, "relined": relined.day, "wanted": np.nan_to_num(days)}
    )
    nearest = (
        _since(readings, origin, until)
        .join(ends, on="wheel_end_id")
        .filter(pl.col("day") <= pl.col("relined"))
        .with_columns(off=(pl.col("day") - pl.col("wanted")).abs())
        .sort("wheel_end_id", "off", "day")
        .group_by("wheel_end_id", maintain_order=True)
        .first()
        .select("wheel_end_id", "day", "above_mm")
    )
    found = ends.join(nearest, on="wheel_end_id", how="left", maintain_order="left")
    above = found["above_mm"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    return ReadingsSeen(above, found["day"].fill_null(0.0).to_numpy())


def reading_row(
    origin: dt.date,
    mean_mm: FloatArray,
    sd_mm: FloatArray,
    reading_mm: FloatArray,
    measure: str = "lining_mm",
    mm_per_unit_of_bias: FloatArray | float = 1.0,
) -> dict[str, object]:
    """Readings against their forecasts (L,), error of reading included in the SD."""
    told = np.isfinite(reading_mm) & np.isfinite(mean_mm)
    off = (reading_mm - mean_mm)[told]
    n = len(off)
    if n < FEW:
        return _row(measure, origin, 0.8, None, n, None)
    observed = float((np.abs(off) <= NORMAL_90 * sd_mm[told]).mean())
    scale = np.broadcast_to(mm_per_unit_of_bias, told.shape)[told]
    return _row(measure, origin, 0.8, observed, n, float(np.median(off / scale)))


def low_readings_row(
    origin: dt.date, chance: FloatArray, above_mm: FloatArray
) -> dict[str, object]:
    """Share of next readings at or below the minimum against the mean of their chances (L,)."""
    told = np.isfinite(above_mm) & np.isfinite(chance)
    n = int(told.sum())
    if n < FEW:
        return _row("min_now", origin, 0.0, None, n, None)
    nominal, observed = float(chance[told].mean()), float((above_mm[told] <= 0.0).mean())
    return _row("min_now", origin, nominal, observed, n, observed - nominal)


def totals_row(origin: dt.date, draws: FloatArray, observed: FloatArray) -> dict[str, object]:
    """Fleet totals per quarter against simulated ones, (D, Q) and (Q,)."""
    low, high = np.quantile(draws, [0.1, 0.9], axis=0, method="inverted_cdf")
    inside: BoolArray = (observed >= low) & (observed <= high)
    expected = float(draws.mean(axis=0).sum())
    bias = (float(observed.sum()) - expected) / expected if expected > 0.0 else None
    share = float(inside.mean()) if len(observed) else None
    return _row("relines_quarter", origin, 0.8, share, len(observed), bias)


def backtest_frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Rows as a table: measure, origin, nominal, observed, n, bias."""
    return pl.DataFrame(rows, schema=SCHEMA).sort("origin", "measure")
