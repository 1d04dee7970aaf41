"""The true history: which lining life, adjuster and setting each wheel end has, since when."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sample_lake.fleet.brakes import Brakes
from sample_lake.fleet.ledger import Columns, Ledger, some_rows
from sample_lake.fleet.timeline import Fleet
from sample_lake.parameters import FloatArray, IntArray

BEFORE_RECORDS, AT_RELINE, AT_REPLACEMENT, BY_HAND = range(4)
OCCASIONS = ("before_records", "reline", "adjuster_replaced", "adjuster_set")
STILL_IN_PLACE = -2


@dataclass(frozen=True, slots=True)
class Since:
    """Start of what each wheel end has now; arrays of wheel ends, overwritten as it changes."""

    life: Columns
    adjuster: Columns
    setting: Columns


def since_before(fleet: Fleet, brakes: Brakes, life: Columns, setting: Columns) -> Since:
    """Start of what is under way on the first day, dated back by each unit's own pace."""
    count = len(fleet.ends)
    life_km = np.asarray(life["km_run"], dtype=np.float64)
    setting_km = np.minimum(setting["share_ago"] * life_km, brakes.adjuster_km)
    return Since(
        life={
            **_dated_back(fleet, life_km),
            "start_mm": life["start_mm"].copy(),
            "deviation": life["deviation"].copy(),
            "pointer_bias_deg": brakes.pointer_bias_deg.copy(),
            "in_records": np.zeros(count, dtype=bool),
            "recorded": np.zeros(count, dtype=bool),
        },
        adjuster={
            **_dated_back(fleet, brakes.adjuster_km),
            "entry_km": brakes.adjuster_km.copy(),
            "fitted_take_up": brakes.take_up.copy(),
            "pace": brakes.pace.copy(),
            "in_records": np.zeros(count, dtype=bool),
        },
        setting={
            **_dated_back(fleet, np.asarray(setting_km, dtype=np.float64)),
            "set_ratio": setting["set_ratio"].copy(),
            "wrong": setting["wrong"].copy(),
            "occasion": np.full(count, BEFORE_RECORDS),
        },
    )


def _dated_back(fleet: Fleet, km_ago: FloatArray) -> Columns:
    unit = fleet.ends.unit
    day, km = fleet.timeline.day[0][unit], fleet.timeline.km[0][unit]
    age_days = np.maximum(-fleet.units.in_service_day[unit], 1)
    days_ago = np.round(km_ago / (np.maximum(km, 1.0) / age_days)).astype(np.int64)
    return {
        "end": np.arange(len(unit)),
        "day": day - np.where(km_ago > 0, np.minimum(days_ago, age_days), 0),
        "km": km - km_ago,
    }


def begin(
    fleet: Fleet, since: Columns, step: int, rows: IntArray, **new: npt.NDArray[np.generic]
) -> None:
    """From this step on, `rows` of `since` are these new ones."""
    since["day"][rows] = fleet.timeline.day[step][fleet.ends.unit[rows]]
    since["km"][rows] = fleet.timeline.km[step][fleet.ends.unit[rows]]
    for name, values in new.items():
        since[name][rows] = values


def close_lives(
    ledger: Ledger,
    fleet: Fleet,
    since: Since,
    brakes: Brakes,
    step: int,
    rows: IntArray,
    *,
    ended: bool,
) -> None:
    """Enter lining lives that end at this step, or are seen no longer."""
    ledger.add(
        "life",
        **some_rows(since.life, rows),
        **_end(fleet, step, rows),
        end_mm=brakes.lining_mm[rows],
        ended=np.full(len(rows), ended),
    )


def close_adjusters(
    ledger: Ledger,
    fleet: Fleet,
    since: Since,
    brakes: Brakes,
    step: int,
    rows: IntArray,
    reason: IntArray,
) -> None:
    """Enter adjusters that are removed at this step, or are seen no longer."""
    ledger.add(
        "adjuster",
        **some_rows(since.adjuster, rows),
        **_end(fleet, step, rows),
        end_age_km=brakes.adjuster_km[rows],
        failed_age_km=brakes.failed_km[rows],
        cause=brakes.cause[rows],
        reason=reason,
    )


def _end(fleet: Fleet, step: int, rows: IntArray) -> Columns:
    unit = fleet.ends.unit[rows]
    return {"end_day": fleet.timeline.day[step][unit], "end_km": fleet.timeline.km[step][unit]}
