r"""Forecasts made at an origin against what then happened.

Wheel ends not yet relined when the watching ends are not left out, and not counted as late: the
share relined by each forecast quantile is a product-limit estimate (Kaplan, Meier 1958, *JASA*
53:457) over the quantile levels, a wheel end being at risk at a level whose date lies within the
watching. The observed coverage of p10 to p90 is the difference of two such shares.

A lining's minimum is passed unseen, between two readings, and a reline usually comes first: a level
counts for a wheel end where its readings tell on which side of that date the minimum was. That
those relined early might have gone on differently from the others cannot be seen; ``lining_mm``
compares each wheel end's next reading with its forecast, and has no such gap.

Bias is observed less forecast: months for dates, mm for readings, a share for totals.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.mixed_blocks import BoolArray, FloatArray

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
    """When something happened to each wheel end, in days after the origin (L,): after ``low``, and
    not later than ``high`` (infinite: not while it was watched). Equal: on that day."""

    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True)
class Reached:
    """Observed share by each forecast quantile (k,), and wheel ends at risk there."""

    share: FloatArray
    at_risk: FloatArray


def reached_by(quantile_days: FloatArray, happened: Happened) -> Reached:
    """Product-limit share that happened by each forecast quantile; ``quantile_days`` (k, L)."""
    share, at_risk, stays = [], [], 1.0
    not_before = np.ones(quantile_days.shape[1], bool)
    for days in quantile_days:
        by_then = happened.high <= days
        told = np.isfinite(days) & (by_then | (happened.low >= days))
        risk = not_before & told
        count = int(risk.sum())
        stays *= 1.0 - (int((risk & by_then).sum()) / count if count else 0.0)
        share.append(1.0 - stays)
        at_risk.append(count)
        not_before &= told & ~by_then
    return Reached(np.array(share), np.array(at_risk, float))


def median_bias_months(middle_days: FloatArray, happened: Happened) -> float | None:
    """Median of observed less forecast, over wheel ends whose forecast middle was watched."""
    told = np.isfinite(middle_days) & (
        (happened.high <= middle_days) | (happened.low >= middle_days)
    )
    if int(told.sum()) < FEW:
        return None
    seen = np.where(np.isfinite(happened.high), (happened.low + happened.high) / 2.0, np.inf)
    # Not seen to happen: later than the forecast, by an unknown time; a median needs no more.
    middle = float(
        np.quantile((seen - np.where(told, middle_days, 0.0))[told], 0.5, method="lower")
    )
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
    watched = float((until - origin).days)
    return Happened(np.where(np.isfinite(found), found, watched), found)


def minimum_days(
    wheel_end_id: pl.Series,
    readings: pl.DataFrame,
    relined: Happened,
    origin: dt.date,
    until: dt.date,
) -> Happened:
    """Between which readings each lining fell to its minimum.

    ``readings``: wheel_end_id, inspected_on, above_mm (as found, above the minimum), of any time
    after the origin; those after the next reline belong to another lining and are left out.
    """
    ends = pl.DataFrame({"wheel_end_id": wheel_end_id, "relined": relined.high})
    day = (pl.col("inspected_on") - pl.lit(origin)).dt.total_days().cast(pl.Float64)
    own = (
        readings.drop_nulls("above_mm")
        .filter((pl.col("inspected_on") > origin) & (pl.col("inspected_on") <= until))
        .join(ends, on="wheel_end_id")
        .with_columns(day=day)
        .filter(pl.col("day") <= pl.col("relined"))
        .with_columns(
            first_low=pl.col("day").filter(pl.col("above_mm") <= 0).min().over("wheel_end_id")
        )
        .group_by("wheel_end_id")
        .agg(
            high=pl.col("first_low").first(),
            low=pl.col("day")
            .filter(pl.col("first_low").is_null() | (pl.col("day") < pl.col("first_low")))
            .max(),
        )
    )
    found = ends.join(own, on="wheel_end_id", how="left", maintain_order="left")
    return Happened(
        low=found["low"].fill_null(0.0).to_numpy(), high=found["high"].fill_null(np.inf).to_numpy()
    )


def reading_row(
    origin: dt.date, mean_mm: FloatArray, sd_mm: FloatArray, reading_mm: FloatArray
) -> dict[str, object]:
    """The next readings against their forecasts (L,), error of reading included in the SD."""
    told = np.isfinite(reading_mm) & np.isfinite(mean_mm)
    off = (reading_mm - mean_mm)[told]
    n = len(off)
    observed = float((np.abs(off) <= NORMAL_90 * sd_mm[told]).mean()) if n >= FEW else None
    bias = float(np.median(off)) if n >= FEW else None
    return _row("lining_mm", origin, 0.8, observed, n, bias)


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
