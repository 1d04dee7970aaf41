"""Odometers that stood still, or were copied from the last check, while the linings wore.

A unit that wears its linings runs, whatever its odometer says. How far is told by the next value
that is another: far ahead, and the values between were copied, so the distance is shared out over
the days; near, and the odometer had stood still, so the unit's own median km per day stand for it,
as they do across a replaced odometer. A unit that nothing else is known of has no km at all.
"""

import datetime as dt

import numpy as np
import polars as pl
from numpy.typing import NDArray

# Each standstill that is bridged, and whether the unit's last value is of it.
STANDING = """
    with spans as (
        select unit_id, odometer_km, min(on_date) as from_on, max(on_date) as to_on
        from judge.odometer_verdicts
        where unit_id in (
            select unit_id from judge.odometer_verdicts where stands and reason is null
        ) and reason is null
        group by unit_id, odometer_km
        having bool_or(stands)
    )
    select s.*, not exists (
        select 1 from judge.odometer_verdicts v
        where v.unit_id = s.unit_id and v.reason is null and v.on_date > s.to_on
    ) as still
    from spans s"""
# The next value is far ahead where the unit would have run so many times its own pace since.
FAR_AHEAD = 1.5


def bridged(verdicts: pl.DataFrame, standstills: pl.DataFrame) -> pl.DataFrame:
    """Verdicts with the km that standing odometers did not count.

    ``verdicts``: as of :func:`~pipeline.warehouse.odometer.odometer_verdicts`; ``standstills``:
    ``unit_id``, ``odometer_km``, ``from_on`` and ``to_on`` of values that were written while
    linings wore by ``fall_mm``.
    Returns the same rows, and ``stands``: whether a value is a repeated one of these. Where a unit
    has no pace of its own, its standing values have a reason and no km.
    """
    told = verdicts.with_columns(stands=pl.lit(value=False))
    if standstills.is_empty():
        return told
    of_units = pl.col("unit_id").is_in(standstills["unit_id"].unique().implode())
    worn = standstills.sort("unit_id", "from_on").partition_by("unit_id", as_dict=True)
    order = ["unit_id", "on_date", "odometer_km"]
    some = told.filter(of_units).sort(order).partition_by("unit_id", maintain_order=True)
    mended = [_of_unit(unit, worn[unit.item(0, "unit_id"),]) for unit in some]
    return pl.concat([told.filter(~of_units), *mended]).sort(order)


def _of_unit(unit: pl.DataFrame, standstills: pl.DataFrame) -> pl.DataFrame:
    at = np.flatnonzero(unit["reason"].is_null().to_numpy())
    own = unit[at]
    days = own["on_date"].to_physical().to_numpy().astype(np.float64)
    km, replaced = own["km"].to_numpy().copy(), own["replaced"].to_numpy()
    still = np.zeros(len(at), bool)
    spans = []
    for standing in standstills.iter_rows(named=True):
        same = own.select(
            (pl.col("odometer_km") == standing["odometer_km"])
            & pl.col("on_date").is_between(standing["from_on"], standing["to_on"])
        ).to_series()
        span = np.flatnonzero(same.to_numpy())
        # Other values between: not one standstill, but slips of the pen.
        if len(span) > 1 and len(span) == span[-1] - span[0] + 1:
            still[span[1:]] = True
            spans.append((int(span[0]), int(span[-1]), standing))
    pace = _pace(days, km, still, replaced)
    stands = np.zeros(unit.height, bool)
    stands[at] = still
    if np.isnan(pace):
        reasons = unit["reason"].to_list()
        for first, last, standing in spans:
            for i in at[first : last + 1]:
                reasons[i] = _reason(standing)
        out = pl.Series(reasons, dtype=pl.String).is_not_null()
        return unit.with_columns(
            stands=pl.Series(stands), reason=pl.Series(reasons, dtype=pl.String)
        ).with_columns(km=pl.when(out).then(None).otherwise("km"))
    for first, last, _ in spans:
        km = _bridged(days, km, first, last, pace)
    accumulated = unit["km"].to_numpy().copy()
    accumulated[at] = km
    return unit.with_columns(stands=pl.Series(stands), km=pl.Series(accumulated).fill_nan(None))


def _pace(
    days: NDArray[np.float64],
    km: NDArray[np.float64],
    still: NDArray[np.bool_],
    replaced: NDArray[np.bool_],
) -> float:
    """Median km a day of steps that neither lead to a standing value nor from one; where there are
    none, the mean from the first value to the last that is another. NaN where nothing tells."""
    gap, step = np.diff(days), np.diff(km)
    used = (gap > 0) & (step > 0) & ~replaced[1:]
    clean = used & ~still[1:] & ~still[:-1]
    if clean.any():
        return float(np.median(step[clean] / gap[clean]))
    last = int(np.flatnonzero(used).max(initial=-1)) + 1
    whole = ~replaced[1 : last + 1]
    days_run = float(gap[:last][whole].sum())
    return float(step[:last][whole].sum() / days_run) if days_run > 0.0 else np.nan


def _bridged(
    days: NDArray[np.float64], km: NDArray[np.float64], first: int, last: int, pace: float
) -> NDArray[np.float64]:
    """Accumulated km with a standstill from value ``first`` to ``last`` filled in."""
    found = km.copy()
    if last + 1 < len(km):
        ahead, since = km[last + 1] - km[last], days[last + 1] - days[last]
        if ahead > FAR_AHEAD * pace * since:
            share = (days[first : last + 1] - days[first]) / (days[last + 1] - days[first])
            found[first : last + 1] += share * ahead
            return found
    # It stopped somewhere between the last value that was another and the first of these.
    before = first - 1
    missed = 0.0
    if before >= 0:
        missed = max(pace * (days[first] - days[before]) - (km[first] - km[before]), 0.0)
    found[first : last + 1] += missed + pace * (days[first : last + 1] - days[first])
    found[last + 1 :] += missed + pace * (days[last] - days[first])
    return found


def _reason(standing: dict[str, object]) -> str:
    from_on, to_on = standing["from_on"], standing["to_on"]
    assert isinstance(from_on, dt.date)
    assert isinstance(to_on, dt.date)
    return (
        f"odometer_km: found {standing['odometer_km']:.0f} km from {from_on} to {to_on}, while "
        f"linings wore by {standing['fall_mm']:.1f} mm; accepted: the km that the unit has run"
    )
