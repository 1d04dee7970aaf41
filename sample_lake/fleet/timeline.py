"""When each unit runs, is inspected and is greased.

Time is cut into steps per unit: the first day seen, every due visit, the day the duty changes,
and the last day. Between two steps a unit has one duty, so wear and ageing have closed forms.
"""

from dataclasses import dataclass

import numpy as np

from sample_lake.fleet.roster import NEVER, Units, WheelEnds
from sample_lake.parameters import BoolArray, FleetParameters, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Timeline:
    """Arrays of steps × units; entry `i` of an interval array runs from step `i` to `i + 1`."""

    day: IntArray
    is_visit: BoolArray
    attended: BoolArray
    km: FloatArray
    """True km since new at each step."""
    duty: IntArray
    """Duty in each interval."""
    interval_km: FloatArray
    greased_days: IntArray
    """Intervals × units × greasings due: the day it was done, or NEVER."""
    greasings_due: IntArray
    skipped_share: FloatArray
    """Share of the greasings due in each interval that were skipped."""
    inspector: IntArray

    @property
    def steps(self) -> int:
        return len(self.day)

    def odometer_km(self, units: Units, km: FloatArray, day: IntArray, unit: IntArray) -> IntArray:
        """What the odometer of `unit` shows after `km` true km on `day`."""
        replaced = units.odometer_replaced_day[unit]
        start = self._km_on(units.odometer_replaced_day)[unit]
        shown = np.where(day >= replaced, km - start + units.odometer_new_start_km[unit], km)
        return np.round(shown).astype(np.int64)

    def km_after(self, step: IntArray, unit: IntArray, days: IntArray) -> FloatArray:
        """True km of `unit` some days after a step, within the interval that begins there."""
        length = np.maximum(self.day[step + 1, unit] - self.day[step, unit], 1)
        return np.asarray(self.km[step, unit] + days / length * self.interval_km[step, unit])

    def _km_on(self, day: IntArray) -> FloatArray:
        """True km of every unit on a day of its own."""
        step = np.clip((self.day <= day).sum(axis=0) - 1, 0, self.steps - 2)
        each = np.arange(self.day.shape[1])
        length = np.maximum(self.day[step + 1, each] - self.day[step, each], 1)
        share = np.clip((day - self.day[step, each]) / length, 0.0, 1.0)
        return np.asarray(self.km[step, each] + share * self.interval_km[step, each])


@dataclass(frozen=True, slots=True)
class Fleet:
    """What does not change while a block of units is simulated."""

    parameters: FleetParameters
    units: Units
    ends: WheelEnds
    timeline: Timeline

    @property
    def depot(self) -> IntArray:
        """Depot of each wheel end."""
        return np.asarray(self.units.depot[self.ends.unit])

    def duty(self, step: int) -> IntArray:
        """Duty of each wheel end in the interval that begins at `step`."""
        return np.asarray(self.timeline.duty[step][self.ends.unit])


def draw_timeline(
    parameters: FleetParameters, units: Units, days: int, rng: np.random.Generator
) -> Timeline:
    """Draw visits, use and greasing of every unit over `days` of records."""
    day, is_visit = _steps(parameters, units, days, rng)
    duty = np.where(day[:-1] < units.change_day, units.first_duty, units.second_duty)
    interval_km = _interval_km(parameters, units, day, duty, days, rng)
    attended = _attended(parameters, units, day, is_visit, rng)
    due, greased = _greasings(parameters, units, day, is_visit, attended, duty, rng)
    done = (greased < NEVER).sum(axis=2)
    most = max(len(depot.inspectors) for depot in parameters.depots)
    km = np.concatenate([np.zeros((1, len(units))), np.cumsum(interval_km, axis=0)])
    return Timeline(
        day=day,
        is_visit=is_visit,
        attended=attended,
        km=units.km_at_start + km,
        duty=duty,
        interval_km=interval_km,
        greased_days=greased,
        greasings_due=due,
        skipped_share=_carried(is_visit, 1.0 - done / np.maximum(due, 1), due),
        inspector=rng.integers(0, most, day.shape),
    )


def _steps(
    parameters: FleetParameters, units: Units, days: int, rng: np.random.Generator
) -> tuple[IntArray, BoolArray]:
    """Sorted step days (steps × units) and which of them are due visits."""
    count, every = len(units), parameters.check_weeks * 7
    start = np.maximum(units.in_service_day, 0)
    end = np.maximum(np.minimum(units.last_day, days), start)
    grid = every * np.arange(days // every + 2)[:, None]
    jitter = rng.integers(
        -parameters.visit_jitter_days, parameters.visit_jitter_days + 1, (len(grid), count)
    )
    jitter[0] = 0
    visits = _first_visit(parameters, units, every, rng) + grid + jitter
    days_of = np.concatenate([start[None], visits, units.change_day[None], end[None]])
    is_visit = np.zeros(days_of.shape, dtype=bool)
    is_visit[1:-2] = visits < end
    days_of = np.clip(days_of, start, end)
    order = np.argsort(days_of, axis=0, kind="stable")
    return np.take_along_axis(days_of, order, 0), np.take_along_axis(is_visit, order, 0)


def _first_visit(
    parameters: FleetParameters, units: Units, every: int, rng: np.random.Generator
) -> IntArray:
    """First service of units that are new, a day in the first interval for the others."""
    km_per_day = np.array([d.km_per_day for d in parameters.duties])[units.first_duty]
    first_service = rng.uniform(*parameters.first_service_km, len(units)) / (
        km_per_day * units.use_factor
    )
    new = units.in_service_day + np.maximum(first_service, 1).astype(np.int64)
    return np.where(units.in_service_day >= 0, new, rng.integers(0, every, len(units)))


def _interval_km(
    parameters: FleetParameters,
    units: Units,
    day: IntArray,
    duty: IntArray,
    days: int,
    rng: np.random.Generator,
) -> FloatArray:
    start, end = day[:-1], day[1:]
    off = np.minimum(end, units.off_to_day) - np.maximum(start, units.off_from_day)
    road_days = (end - start) - np.maximum(off, 0)
    day_of_year = (start + end) / 2 - days + parameters.records_end.timetuple().tm_yday
    season = 1.0 + parameters.use_season * np.cos(2 * np.pi * (day_of_year - 170) / 365.25)
    noise = np.exp(rng.normal(0.0, parameters.use_interval_sd, start.shape))
    km_per_day = np.array([d.km_per_day for d in parameters.duties])[duty] * units.use_factor
    return np.asarray(road_days * km_per_day * season * noise)


def _attended(
    parameters: FleetParameters,
    units: Units,
    day: IntArray,
    is_visit: BoolArray,
    rng: np.random.Generator,
) -> BoolArray:
    on_road = (day < units.off_from_day) | (day >= units.off_to_day)
    missed = rng.random(day.shape) < parameters.visits_missed
    first_service = (np.cumsum(is_visit, axis=0) == 1) & (units.in_service_day >= 0)
    forgotten = rng.random(len(units)) < parameters.first_services_missed
    return np.asarray(is_visit & on_road & ~missed & ~(first_service & forgotten))


def _greasings(
    parameters: FleetParameters,
    units: Units,
    day: IntArray,
    is_visit: BoolArray,
    attended: BoolArray,
    duty: IntArray,
    rng: np.random.Generator,
) -> tuple[IntArray, IntArray]:
    """Greasings due per interval, and the day each was done (NEVER when skipped)."""
    weeks = np.array([d.grease_weeks for d in parameters.duties])
    most = max(parameters.check_weeks // int(weeks.min()), 1)
    nth = np.arange(most)
    days = day[:-1, :, None] + 7 * weeks[duty][:, :, None] * nth
    per_interval = np.maximum(parameters.check_weeks // weeks, 1)[duty][:, :, None]
    off = (days >= units.off_from_day[:, None]) & (days < units.off_to_day[:, None])
    due = is_visit[:-1, :, None] & (nth < per_interval) & (days < day[1:, :, None]) & ~off
    skipped = rng.random(days.shape) < units.skipped_greasing[:, None]
    done = due & ~skipped & ((nth > 0) | attended[:-1, :, None])
    return due.sum(axis=2), np.where(done, days, NEVER)


def _carried(is_visit: BoolArray, share: FloatArray, due: IntArray) -> FloatArray:
    """The share of the last interval in which greasing was due, carried on; zero before it."""
    carried = np.where(due > 0, share, 0.0)
    for step in range(1, len(carried)):
        carried[step] = np.where(is_visit[step], carried[step], carried[step - 1])
    return carried
