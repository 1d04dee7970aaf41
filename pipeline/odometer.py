"""Which odometer values of a unit belong to one story, and how far it ran by them.

A unit's values, in order of days, form a chain. A step of the chain goes forward, and no faster
than a unit can run; or the odometer was replaced, which costs the chain more than leaving out one
mistyped day, and less than leaving out two. So one odd day is set aside as mistyped, while a lower
odometer that the following checks confirm is a replacement. A replacement whose value the unit can
have run since the last check is believed at once, unless a later one goes on from the old odometer:
were it a typing error after all, the next check would show it, and until then only the bridged
distance is used. Across a replacement the distance
is bridged with the unit's own median km per day, since the two odometers say nothing about it.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

# In units of one day's evidence left out of the chain.
REPLACED_COST = 1.9
REPLACED_FRESH_COST = 0.9
# Between values that explain a day equally well, the one written more often wins.
SIGHTING_BONUS = 0.01
# Days the best chain may skip over; a stretch of errors longer than this is a replacement.
LOOKBACK = 60
# Two readings of one day, or a test drive between them.
SAME_DAY_KM = 50.0


@dataclass(frozen=True, slots=True)
class Chain:
    """One unit's judged values: which belong, and the distance run by each (NaN where not)."""

    belongs: NDArray[np.bool_]
    km: NDArray[np.float64]
    replaced: NDArray[np.bool_]


def odometer_verdicts(sightings: pl.DataFrame, max_km_per_day: float) -> pl.DataFrame:
    """Judge every odometer value of every unit.

    ``sightings``: ``unit_id``, ``on_date``, ``odometer_km``, ``sightings`` (rows that wrote it).
    Returns the same rows with ``km`` (accumulated; null where the value does not belong),
    ``replaced`` (the first value of a replaced odometer) and ``reason`` (null where it belongs).
    """
    ordered = sightings.sort("unit_id", "on_date", "odometer_km").with_columns(
        _suspicious(max_km_per_day).any().over("unit_id").alias("suspect")
    )
    plain = ordered.filter(~pl.col("suspect")).with_columns(
        km="odometer_km", replaced=pl.lit(False), reason=pl.lit(None, dtype=pl.String)
    )
    suspects = [
        _judged_unit(unit, max_km_per_day)
        for unit in ordered.filter("suspect").partition_by("unit_id", maintain_order=True)
    ]
    return pl.concat([plain, *suspects]).drop("suspect").sort("unit_id", "on_date", "odometer_km")


def _suspicious(max_km_per_day: float) -> pl.Expr:
    step = pl.col("odometer_km").diff().over("unit_id", order_by=["on_date", "odometer_km"])
    days = pl.col("on_date").diff().over("unit_id", order_by=["on_date", "odometer_km"])
    limit = max_km_per_day * days.dt.total_days() + SAME_DAY_KM
    return ((step < 0) | (step > limit)).fill_null(value=False)


def _judged_unit(unit: pl.DataFrame, max_km_per_day: float) -> pl.DataFrame:
    days = unit["on_date"].to_physical().to_numpy().astype(np.float64)
    odometer = unit["odometer_km"].to_numpy()
    chain = best_chain(days, odometer, unit["sightings"].to_numpy(), max_km_per_day)
    reasons = [
        None if kept else _reason(i, odometer, unit["on_date"].to_list(), chain, max_km_per_day)
        for i, kept in enumerate(chain.belongs)
    ]
    return unit.with_columns(
        km=pl.Series(chain.km).fill_nan(None),
        replaced=pl.Series(chain.replaced),
        reason=pl.Series(reasons, dtype=pl.String),
    )


def best_chain(
    days: NDArray[np.float64],
    odometer_km: NDArray[np.float64],
    sightings: NDArray[np.int64],
    max_km_per_day: float,
) -> Chain:
    """The best supported chain through one unit's values, sorted by day and value.

    ``days`` are whole days from any origin, shape (n,); all arrays have that shape.
    """
    n = len(days)
    best = 1.0 + SIGHTING_BONUS * np.minimum(sightings, 20).astype(np.float64)
    previous = np.full(n, -1)
    for j in range(1, n):
        earlier = np.arange(max(0, j - LOOKBACK), j)
        gained = best[earlier] - _step_costs(earlier, j, days, odometer_km, max_km_per_day)
        i = int(np.argmax(gained))
        if gained[i] > 0:
            best[j] += gained[i]
            previous[j] = earlier[i]
    return _chain(_walk_back(int(np.argmax(best)), previous), days, odometer_km, max_km_per_day)


def _runs_on(
    days: NDArray[np.float64], step_km: NDArray[np.float64], max_km_per_day: float
) -> NDArray[np.bool_]:
    """Forward, and no further than a unit can run in that time."""
    return (step_km >= 0) & (step_km <= max_km_per_day * days + SAME_DAY_KM)


def _step_costs(
    earlier: NDArray[np.int64],
    j: int,
    days: NDArray[np.float64],
    odometer_km: NDArray[np.float64],
    max_km_per_day: float,
) -> NDArray[np.float64]:
    """What it costs a chain to go on from each of the earlier values to value j."""
    gap, step = days[j] - days[earlier], odometer_km[j] - odometer_km[earlier]
    later = slice(j + 1, j + 1 + LOOKBACK)
    gaps = days[None, later] - days[earlier, None]
    steps = odometer_km[None, later] - odometer_km[earlier, None]
    old_goes_on = _runs_on(gaps, steps, max_km_per_day).any(axis=1)
    can_have_run = odometer_km[j] <= max_km_per_day * gap + SAME_DAY_KM
    fresh = (step < 0) & (gap > 0) & can_have_run & ~old_goes_on
    replaced = np.where(fresh, REPLACED_FRESH_COST, REPLACED_COST)
    return np.where(_runs_on(gap, step, max_km_per_day), 0.0, replaced)


def _walk_back(last: int, previous: NDArray[np.int64]) -> list[int]:
    members = []
    while last >= 0:
        members.append(last)
        last = int(previous[last])
    return members[::-1]


def _chain(
    members: list[int],
    days: NDArray[np.float64],
    odometer_km: NDArray[np.float64],
    max_km_per_day: float,
) -> Chain:
    at, values = days[members], odometer_km[members]
    gap, step = np.diff(at), np.diff(values)
    runs_on = _runs_on(gap, step, max_km_per_day)
    rates = step[runs_on & (gap > 0)] / gap[runs_on & (gap > 0)]
    bridged = np.where(runs_on, step, gap * (np.median(rates) if len(rates) else 0.0))
    belongs = np.zeros(len(days), dtype=bool)
    belongs[members] = True
    km = np.full(len(days), np.nan)
    km[members] = values[0] + np.concatenate([[0.0], np.cumsum(bridged)])
    replaced = np.zeros(len(days), dtype=bool)
    replaced[np.asarray(members)[1:][~runs_on]] = True
    return Chain(belongs, km, replaced)


def _reason(
    i: int,
    odometer_km: NDArray[np.float64],
    on: list[dt.date],
    chain: Chain,
    max_km_per_day: float,
) -> str:
    kept = np.flatnonzero(chain.belongs)
    before, after = kept[kept < i], kept[kept > i]
    near = [f"{odometer_km[k]:.0f} km on {on[k]}" for k in (*before[-1:], *after[:1])]
    return (
        f"odometer_km: found {odometer_km[i]:.0f} km between {' and '.join(near)}; accepted: "
        f"forward by no more than {max_km_per_day:g} km a day, or a replaced odometer that "
        "later checks confirm"
    )
