r"""Forecasts made at an origin against what then happened.

Relines come on visit days, so a date is often hit to the day and its band may have no width: a band
holds its ends. Beside the share held stand the shares below (early) and above (late), and the share
strictly inside: where the promised share lies between the two, the band is as promised.

Wheel ends not yet relined when the watching ends are not left out, and not counted as late: the
share relined by each forecast quantile is a product-limit estimate (Kaplan, Meier 1958, *JASA*
53:457) over the quantile levels, a wheel end being at risk at a level whose date lies within the
watching.

Few linings reach their minimum before a reline, and those that do are not like the others; and a
reading errs by as much as a lining wears in months, so the day of reaching it is never seen. The
dates at the minimum are therefore checked where they can be: ``min_on`` takes the same forecast to
a limit so many mm higher that relines hardly come before it, and compares the reading taken nearest
to its middle date with what was forecast for that day; its bias is mm over the forecast wear per
month. ``min_now`` compares the chance that each wheel end's next reading is at or below its minimum
with how often it was; ``lining_mm`` compares those readings themselves.

Bias is observed less forecast: months for dates, mm for readings, a share for totals. Scores stand
beside those of two plain rivals (:mod:`models.relines.rivals`).
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.relines import scores
from models.relines.rivals import PlainTotals

MONTH_DAYS = 365.25 / 12.0
DATE_LEVELS = np.round(np.arange(0.05, 0.96, 0.05), 2)
"""Levels at which dates are forecast to be scored: p10, p50 and p90 are among them."""
P10, P50, P90 = (int(np.flatnonzero(level == DATE_LEVELS)[0]) for level in (0.1, 0.5, 0.9))
NOMINAL = 0.8
NORMAL_90 = 1.2815515655446004
FEW = 10
"""Fewer cases than this have no observed share."""

SCHEMA = {
    "measure": pl.String,
    "origin": pl.Date,
    "nominal": pl.Float64,
    "observed": pl.Float64,
    "strictly_inside": pl.Float64,
    "below": pl.Float64,
    "above": pl.Float64,
    "n": pl.Int64,
    "bias": pl.Float64,
    "crps": pl.Float64,
    "crps_last_year": pl.Float64,
    "crps_straight_line": pl.Float64,
}
Row = dict[str, object]


@dataclass(frozen=True, slots=True)
class Happened:
    """Day after the origin on which something happened to each wheel end (L,), infinite where it
    did not in the days ``watched``."""

    day: FloatArray
    watched: float


def reached_by(quantile_days: FloatArray, happened: Happened) -> tuple[FloatArray, int]:
    """Product-limit share that happened by each quantile, and wheel ends at risk at the last.

    ``quantile_days`` (k, L), increasing.
    """
    share, stays = [], 1.0
    for k, days in enumerate(quantile_days):
        risk = days <= happened.watched
        if k:
            risk &= happened.day > quantile_days[k - 1]
        count = int(risk.sum())
        stays *= 1.0 - (int((risk & (happened.day <= days)).sum()) / count if count else 0.0)
        share.append(1.0 - stays)
    return np.array(share), int((quantile_days[-1] <= happened.watched).sum())


def median_bias_months(middle_days: FloatArray, happened: Happened) -> float | None:
    """Median of observed less forecast, over wheel ends whose forecast middle was watched."""
    told = middle_days <= happened.watched
    if int(told.sum()) < FEW:
        return None
    # Not seen to happen: later than the forecast, by an unknown time; a median needs no more.
    off = happened.day[told] - middle_days[told]
    middle = float(np.quantile(off, 0.5, method="lower"))
    return middle / MONTH_DAYS if np.isfinite(middle) else None


def date_row(
    measure: str,
    origin: dt.date,
    quantile_days: FloatArray,
    happened: Happened,
    straight_line: FloatArray | None = None,
) -> Row:
    """Dates, ``quantile_days`` (K, L) at :data:`DATE_LEVELS`, against the day that came.

    ``straight_line`` (L,): the rival's days.
    """
    days, watched = np.round(quantile_days), happened.watched
    low, high = days[P10], days[P90]
    (below, by_high), n = reached_by(np.stack([low - 0.5, high + 0.5]), happened)
    # Ends left out: nothing is strictly inside a band of one day.
    open_low, open_high = low + 0.5, np.maximum(high - 0.5, low + 0.5)
    (by_low, short_of_high), _ = reached_by(np.stack([open_low, open_high]), happened)
    row = _row(measure, origin, NOMINAL, n, median_bias_months(days[P50], happened))
    if n >= FEW:
        shares = by_high - below, short_of_high - by_low, below, 1.0 - by_high
        row |= _shares(*(float(share) for share in shares))
        chances = scores.day_probabilities(DATE_LEVELS, days, happened.day, watched)
        row["pit"] = scores.pit_histogram(*chances)
        row["crps"] = scores.crps_of_days(DATE_LEVELS, days, happened.day, watched)
        if straight_line is not None:
            same = np.broadcast_to(straight_line, days.shape)
            line = scores.crps_of_days(DATE_LEVELS, same, happened.day, watched)
            row["crps_straight_line"] = line
    return row


def _row(measure: str, origin: dt.date, nominal: float | None, n: int, bias: float | None) -> Row:
    return {"measure": measure, "origin": origin, "nominal": nominal, "n": n, "bias": bias}


def _shares(inside: float, strictly: float, below: float, above: float) -> Row:
    return {"observed": inside, "strictly_inside": strictly, "below": below, "above": above}


def _band_shares(low: FloatArray, high: FloatArray, happened: FloatArray) -> Row:
    """Every outcome known."""
    below, above = float((happened < low).mean()), float((happened > high).mean())
    strictly = float(((low < happened) & (happened < high)).mean())
    return _shares(float(((low <= happened) & (happened <= high)).mean()), strictly, below, above)


def relined_days(
    wheel_end_id: pl.Series, relines: pl.DataFrame, origin: dt.date, until: dt.date
) -> Happened:
    """First reline of each wheel end after the origin; ``relines``: wheel_end_id, relined_on."""
    first = (
        relines.filter((pl.col("relined_on") > origin) & (pl.col("relined_on") <= until))
        .group_by("wheel_end_id", maintain_order=True)
        .agg(day=(pl.col("relined_on").min() - pl.lit(origin)).dt.total_days())
    )
    frame = pl.DataFrame({"wheel_end_id": wheel_end_id})
    day = frame.join(first, on="wheel_end_id", how="left", maintain_order="left")["day"]
    found = day.cast(pl.Float64).fill_null(np.inf).to_numpy()
    return Happened(found, float((until - origin).days))


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
) -> Row:
    """Readings against their forecasts (L,), error of reading included in the SD."""
    told = np.isfinite(reading_mm) & np.isfinite(mean_mm)
    mean, sd, reading = mean_mm[told], sd_mm[told], reading_mm[told]
    n = len(reading)
    if n < FEW:
        return _row(measure, origin, NOMINAL, n, None)
    scale = np.broadcast_to(mm_per_unit_of_bias, told.shape)[told]
    row = _row(measure, origin, NOMINAL, n, float(np.median((reading - mean) / scale)))
    row |= _band_shares(mean - NORMAL_90 * sd, mean + NORMAL_90 * sd, reading)
    row["pit"] = scores.pit_histogram(*scores.normal_probabilities(mean, sd, reading))
    return row | {"crps": scores.crps_of_normal(mean, sd, reading)}


def low_readings_row(origin: dt.date, chance: FloatArray, above_mm: FloatArray) -> Row:
    """Share of next readings at or below the minimum against the mean of their chances (L,)."""
    told = np.isfinite(above_mm) & np.isfinite(chance)
    n = int(told.sum())
    if n < FEW:
        return _row("min_now", origin, 0.0, n, None)
    nominal, observed = float(chance[told].mean()), float((above_mm[told] <= 0.0).mean())
    return _row("min_now", origin, nominal, n, observed - nominal) | {"observed": observed}


def totals_row(
    measure: str,
    origin: dt.date,
    draws: FloatArray,
    happened: FloatArray,
    rivals: Mapping[str, PlainTotals] | None = None,
) -> Row:
    """The fleet's totals against those drawn, (D, Q) and (Q,).

    ``rivals``: by the name that follows ``crps_``.
    """
    expected, n = float(draws.mean(axis=0).sum()), len(happened)
    bias = (float(happened.sum()) - expected) / expected if expected > 0.0 and n else None
    row = _row(measure, origin, NOMINAL, n, bias)
    if not n:
        return row
    low, high = np.quantile(draws, [0.1, 0.9], axis=0, method="inverted_cdf")
    row |= _band_shares(low, high, happened)
    row["pit"] = scores.pit_histogram(*scores.count_probabilities(draws, happened))
    row["crps"] = scores.crps_of_draws(draws, happened)
    for name, plain in (rivals or {}).items():
        row[f"crps_{name}"] = scores.crps_of_normal(plain.mean, plain.sd, happened)
    return row


def backtest_frame(rows: list[Row]) -> pl.DataFrame:
    """Rows as a table, with the columns of :data:`SCHEMA`; what was not scored is null."""
    full = [{name: row.get(name) for name in SCHEMA} for row in rows]
    return pl.DataFrame(full, schema=SCHEMA).sort("origin", "measure")


def pit_frame(rows: list[Row]) -> pl.DataFrame:
    """measure, origin, bin (from 1), share, n: one row per bin of each histogram."""
    schema = {
        "measure": pl.String,
        "origin": pl.Date,
        "bin": pl.Int64,
        "share": pl.Float64,
        "n": pl.Int64,
    }
    bins = [
        (row["measure"], row["origin"], number, float(share), row["n"])
        for row in rows
        if isinstance(pit := row.get("pit"), np.ndarray)
        for number, share in enumerate(pit, start=1)
    ]
    return pl.DataFrame(bins, schema=schema, orient="row").sort("measure", "origin", "bin")
