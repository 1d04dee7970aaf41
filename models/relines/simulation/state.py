"""One batch of drawn fleets on its way through the months: use, wear, and what that does.

Time moves from each unit's check visit to its next. A lining is followed as mm above its minimum.
Relines decided at a visit and done later wait in ``waiting``, as days after that visit.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.relines.simulation.counts import EventCounts, add_crossings, add_relines, add_visits
from models.relines.simulation.draws import LIVES_AHEAD, FleetDraw, Luck
from models.relines.simulation.layout import Layout
from models.usage.drawn_visits import UnitsNow, drawn_interval
from models.usage.fit import UsageFit


@dataclass(slots=True)
class FleetState:
    """Where the batch stands.

    Units: ``visit_day`` of the last visit and ``day`` reached (after as-of), ``off_road``,
    ``log_level``, ``is_there``. Wheel ends: ``above_mm``, ``rate``, ``life`` (linings fitted so
    far), ``waiting`` (NaN: nothing waits), ``crossed`` (this lining has been below its minimum).
    """

    visit_day: FloatArray
    day: FloatArray
    off_road: BoolArray
    log_level: FloatArray
    is_there: BoolArray
    above_mm: FloatArray
    rate: FloatArray
    life: IntArray
    waiting: FloatArray
    crossed: BoolArray


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
        off_road=np.tile(usage.off_now, copies),
        log_level=draw.log_level + layout.level_change,
        is_there=draw.present < np.tile(usage.present, copies),
        above_mm=draw.now_mm - layout.minimum_mm,
        rate=draw.rate + layout.rate_change,
        life=np.zeros(size, np.int64),
        waiting=np.full(size, np.nan),
        crossed=np.zeros(size, bool),
    )


def next_interval(
    state: FleetState,
    layout: Layout,
    draw: FleetDraw,
    usage: UsageFit,
    luck: Luck,
    *,
    is_first: bool,
) -> InspectionInterval:
    """Draw how long each unit stays away and how far it runs meanwhile; moves use and road."""
    number, normal = luck.uniform(len(state.day)), luck.normal(len(state.day))
    now = UnitsNow(state.visit_day, state.day, state.off_road, state.log_level)
    found = drawn_interval(
        usage, now, layout.usual_days, draw.sample, number, normal, is_first=is_first
    )
    state.off_road, state.log_level = found.off_road, found.log_level
    return InspectionInterval(state.day.copy(), found.days, found.km / KM_PER_UNIT)


def advance(
    state: FleetState,
    layout: Layout,
    draw: FleetDraw,
    interval: InspectionInterval,
    ends: IntArray,
    event_counts: EventCounts,
) -> None:
    """Wear the linings of the wheel ends ``ends`` over a leg, and do the relines that wait."""
    unit = layout.unit[ends]
    waits = ~np.isnan(state.waiting[ends])
    share = np.zeros(len(ends))
    if waits.any():
        share[waits] = _waited_share(state, interval, ends[waits], unit[waits])
        _worn(
            state,
            layout,
            interval,
            ends[waits],
            np.zeros(int(waits.sum())),
            share[waits],
            event_counts,
        )
        day = interval.start[unit[waits]] + share[waits] * interval.days[unit[waits]]
        reline(state, layout, draw, ends[waits], day, event_counts, own_visit=True)
    _worn(state, layout, interval, ends, share, np.ones(len(ends)), event_counts)


def _waited_share(
    state: FleetState, interval: InspectionInterval, ends: IntArray, unit: IntArray
) -> FloatArray:
    """Share of the leg after which a waiting reline is done; before the next visit."""
    day = state.visit_day[unit] + state.waiting[ends]
    return np.asarray(np.clip((day - interval.start[unit]) / interval.days[unit], 0.0, 0.98))


def _worn(
    state: FleetState,
    layout: Layout,
    interval: InspectionInterval,
    ends: IntArray,
    from_share: FloatArray,
    to_share: FloatArray,
    event_counts: EventCounts,
) -> None:
    """Wear linings over a part of a leg; those that reach the minimum are counted, once each."""
    unit = layout.unit[ends]
    before = state.above_mm[ends]
    wear = state.rate[ends] * interval.km[unit] * (to_share - from_share)
    state.above_mm[ends] = before - wear
    falls = np.flatnonzero((before - wear <= 0.0) & ~state.crossed[ends])
    if len(falls) == 0:
        return
    down = np.maximum(before[falls], 0.0) / np.maximum(wear[falls], 1e-12)
    span = (to_share - from_share)[falls]
    share = from_share[falls] + np.minimum(down, 1.0) * span
    day = interval.start[unit[falls]] + share * interval.days[unit[falls]]
    fallen = ends[falls]
    state.crossed[fallen] = True
    # Below its minimum as of now, or read so: that is no crossing to come.
    coming = (day >= 0.0) & (before[falls] > 0.0)
    where = layout.events(fallen[coming])
    add_crossings(event_counts, where, day[coming])


def reline(
    state: FleetState,
    layout: Layout,
    draw: FleetDraw,
    ends: IntArray,
    day: FloatArray,
    event_counts: EventCounts,
    *,
    own_visit: bool,
) -> None:
    """Fit new linings to wheel ends on given days."""
    if len(ends) == 0:
        return
    add_relines(
        event_counts,
        layout.events(ends),
        day,
        state.life[ends],
        state.above_mm[ends],
        layout.usable_mm[ends],
    )
    if own_visit:
        _, first = np.unique(layout.axle[ends], return_index=True)
        add_visits(event_counts, layout.events(ends[first]), day[first])
    place = state.life[ends] % LIVES_AHEAD
    state.above_mm[ends] = draw.start_mm[place, ends] - layout.minimum_mm[ends]
    state.rate[ends] = draw.unit_rate[ends] + draw.life_rate[place, ends] + layout.rate_change[ends]
    state.life[ends] += 1
    state.waiting[ends] = np.nan
    state.crossed[ends] = False
