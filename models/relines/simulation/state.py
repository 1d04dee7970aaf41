"""One batch of drawn fleets on its way through the months: use, wear, and what that does.

Time moves from each unit's check visit to its next. A lining is followed as mm above its minimum.
Relines decided at a visit and done later wait in ``waiting``, as days after that visit.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.relines.simulation.counts import EventLog
from models.relines.simulation.draws import LIVES_AHEAD, FleetDraw, Luck
from models.relines.simulation.layout import Layout
from models.usage.drawn.visits import UnitsNow, drawn_interval
from models.usage.fit import UsageFit


@dataclass(slots=True)
class FleetState:
    """Where the batch stands.

    Units: ``visit_day`` of the last visit and ``day`` reached (after as-of), by how much of a usual
    interval that visit was ``late``, ``off_road``, ``log_level``, ``is_there``. Wheel ends:
    ``above_mm``, ``rate``, ``life`` (linings fitted so far), ``waiting`` (NaN: nothing waits),
    ``crossed`` (this lining has been below its minimum), ``fitted_day`` (after as-of). Axles:
    visits at which they have been ``passed_by``.
    """

    visit_day: FloatArray
    day: FloatArray
    late: FloatArray
    off_road: BoolArray
    log_level: FloatArray
    is_there: BoolArray
    above_mm: FloatArray
    rate: FloatArray
    life: IntArray
    waiting: FloatArray
    crossed: BoolArray
    fitted_day: FloatArray
    passed_by: IntArray


@dataclass(frozen=True, slots=True)
class InspectionInterval:
    """From where each unit is to its next visit: days, and km in 10,000 km."""

    start: FloatArray
    days: FloatArray
    km: FloatArray

    @property
    def end(self) -> FloatArray:
        return np.asarray(self.start + self.days)


def first_state(draw: FleetDraw, layout: Layout, usage: UsageFit) -> FleetState:
    """The batch when each unit was last seen."""
    copies, size = draw.copies, len(draw.now_mm)
    return FleetState(
        visit_day=np.tile(-usage.since_visit, copies),
        day=np.tile(-usage.since_seen, copies),
        late=draw.late,
        off_road=np.tile(usage.off_now, copies),
        log_level=draw.log_level + layout.level_change,
        is_there=draw.present < np.tile(usage.present, copies),
        above_mm=draw.now_mm - layout.minimum_mm,
        rate=draw.rate + layout.rate_change,
        life=np.zeros(size, np.int64),
        waiting=np.full(size, np.nan),
        crossed=np.zeros(size, bool),
        fitted_day=np.zeros(size),
        passed_by=layout.passed_by.copy(),
    )


def next_interval(
    state: FleetState,
    usual_days: FloatArray,
    draw: FleetDraw,
    usage: UsageFit,
    luck: Luck,
    *,
    is_first: bool,
) -> InspectionInterval:
    """Draw how long each unit stays away, whose next visit is due after so many days (B x U), and
    how far it runs meanwhile; moves use and road."""
    number, normal = luck.uniform(len(state.day)), luck.normal(len(state.day))
    now = UnitsNow(state.visit_day, state.day, state.late, state.off_road, state.log_level)
    found = drawn_interval(
        usage, now, usual_days, draw.intervals, number, normal, is_first=is_first
    )
    state.late, state.off_road, state.log_level = found.late, found.off_road, found.log_level
    return InspectionInterval(state.day.copy(), found.days, found.km / KM_PER_UNIT)


def advance(
    state: FleetState,
    layout: Layout,
    draw: FleetDraw,
    interval: InspectionInterval,
    km: FloatArray,
    active: BoolArray,
    log: EventLog,
) -> IntArray:
    """Wear the linings of the units that are ``active`` over a leg of ``km`` per wheel end (nought
    for others), and do the relines that wait; returns the wheel ends of these."""
    waits = np.flatnonzero(~np.isnan(state.waiting))
    waits = waits[active[layout.unit[waits]]]
    share = np.zeros(len(km))
    if len(waits):
        share[waits] = _waited_share(state, interval, waits, layout.unit[waits])
        wear = state.rate[waits] * km[waits] * share[waits]
        before = state.above_mm[waits]
        state.above_mm[waits] = before - wear
        falls = np.flatnonzero((before - wear <= 0.0) & ~state.crossed[waits])
        part = np.zeros(len(falls)), share[waits[falls]]
        _fall(state, layout, interval, waits[falls], before[falls], wear[falls], part, log)
        unit = layout.unit[waits]
        day = interval.start[unit] + share[waits] * interval.days[unit]
        reline(state, layout, draw, waits, day, log, own_visit=True)
    wear = state.rate * km * (1.0 - share)
    before, state.above_mm = state.above_mm, state.above_mm - wear
    falls = np.flatnonzero((state.above_mm <= 0.0) & ~state.crossed)
    falls = falls[active[layout.unit[falls]]]
    part = share[falls], np.ones(len(falls))
    _fall(state, layout, interval, falls, before[falls], wear[falls], part, log)
    return waits


def _waited_share(
    state: FleetState, interval: InspectionInterval, ends: IntArray, unit: IntArray
) -> FloatArray:
    """Share of the leg after which a waiting reline is done; before the next visit."""
    day = state.visit_day[unit] + state.waiting[ends]
    return np.asarray(np.clip((day - interval.start[unit]) / interval.days[unit], 0.0, 0.98))


def _fall(
    state: FleetState,
    layout: Layout,
    interval: InspectionInterval,
    ends: IntArray,
    before: FloatArray,
    wear: FloatArray,
    part: tuple[FloatArray, FloatArray],
    log: EventLog,
) -> None:
    """Count linings that reach the minimum in a part of a leg (from one share of it to another), in
    which they wear so much from what they were ``before``."""
    if len(ends) == 0:
        return
    unit, down = layout.unit[ends], np.maximum(before, 0.0) / np.maximum(wear, 1e-12)
    share = part[0] + np.minimum(down, 1.0) * (part[1] - part[0])
    day = interval.start[unit] + share * interval.days[unit]
    state.crossed[ends] = True
    # Below its minimum as of now, or read so: that is no crossing to come.
    coming = (day >= 0.0) & (before > 0.0)
    log.add_crossings(layout.events(ends[coming]), day[coming])


def reline(
    state: FleetState,
    layout: Layout,
    draw: FleetDraw,
    ends: IntArray,
    day: FloatArray,
    log: EventLog,
    *,
    own_visit: bool,
) -> None:
    """Fit new linings to wheel ends on given days."""
    if len(ends) == 0:
        return
    log.add_relines(
        layout.events(ends),
        day,
        state.life[ends],
        layout.found_mm(state.above_mm[ends], ends),
        layout.usable_mm[ends],
    )
    if own_visit:
        _, first = np.unique(layout.axle[ends], return_index=True)
        log.add_visits(layout.events(ends[first]), day[first])
    place = state.life[ends] % LIVES_AHEAD
    state.above_mm[ends] = draw.start_mm[place, ends] - layout.minimum_mm[ends]
    state.rate[ends] = draw.unit_rate[ends] + draw.life_rate[place, ends] + layout.rate_change[ends]
    state.life[ends] += 1
    state.waiting[ends] = np.nan
    state.crossed[ends] = False
    state.fitted_day[ends] = day
