"""One batch of drawn fleets on its way through the months: use, wear, and what that does.

Time moves from each unit's check visit to its next. A lining is followed as mm above its minimum.
Relines decided at a visit and done later wait in ``waiting``, as days after that visit.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.forecast.lines import KM_PER_UNIT
from models.relines.simulation.counts import Tally, add_crossings, add_relines, add_visits
from models.relines.simulation.draws import LIVES_AHEAD, FleetDraw, Luck
from models.relines.simulation.layout import Layout
from models.usage.fit import UsageFit
from models.usage.interval_distribution import Cards


@dataclass(slots=True)
class Course:
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
class Leg:
    """From where each unit is to its next visit: days, and km in 10,000 km."""

    start: FloatArray
    days: FloatArray
    km: FloatArray

    @property
    def end(self) -> FloatArray:
        return np.asarray(self.start + self.days)


def first_course(draw: FleetDraw, layout: Layout, usage: UsageFit) -> Course:
    """The batch when each unit was last seen."""
    copies, size = draw.copies, len(draw.now_mm)
    return Course(
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


def next_leg(
    course: Course,
    layout: Layout,
    draw: FleetDraw,
    usage: UsageFit,
    luck: Luck,
    *,
    is_first: bool,
) -> Leg:
    """Draw how long each unit stays away and how far it runs meanwhile; moves use and road."""
    number = luck.uniform(len(course.day))
    away = -course.visit_day / layout.usual_days if is_first else np.zeros(len(course.day))
    length, use, off = np.ones_like(number), np.ones_like(number), np.zeros(len(number), bool)
    pile = np.tile(usage.deck.pile[usage.group], draw.copies)
    copy = np.repeat(np.arange(draw.copies), len(usage))
    for k, cards_of in enumerate(usage.deck.piles):
        for stood in (False, True):
            here = np.flatnonzero((course.off_road == stood) & (pile == k))
            cards, weights = cards_of.cards_after(stood), draw.cards[k][stood]
            card = _drawn_card(cards, weights, copy[here], number[here], away[here])
            # Away for longer than any: back within one usual interval, for all one knows.
            beyond = away[here] >= cards.length[-1]
            length[here] = np.where(beyond, away[here] + number[here], cards.length[card])
            use[here], off[here] = cards.use[card], cards.off_road[card]
    end = np.maximum(course.visit_day + length * layout.usual_days, course.day + 0.5)
    days = end - course.day
    drift = np.sqrt(usage.variances.drift_per_day * days) * luck.normal(len(days))
    moving = np.tile(~usage.stands_still, len(days) // max(len(usage), 1))
    # The level of a leg is that of its middle, as the filter has it.
    km = moving * np.exp(course.log_level + drift / 2.0) * use * days / KM_PER_UNIT
    leg = Leg(course.day.copy(), days, km * usage.season.mean(course.day, end))
    course.off_road, course.log_level = off, course.log_level + drift
    return leg


def _drawn_card(
    cards: Cards, weights: FloatArray, copy: IntArray, number: FloatArray, away: FloatArray
) -> IntArray:
    """A card longer than the unit has been away already, by a uniform number and the cumulative
    weights (B, cards) of the unit's copy of the fleet."""
    size = len(cards)
    first = np.where(away > 0.0, cards.longer_than(away), 0)
    start = np.where(first > 0, weights[copy, np.maximum(first - 1, 0)], 0.0)
    reached = start + number * (1.0 - start)
    table = (weights + np.arange(len(weights))[:, None]).ravel()
    place = np.searchsorted(table, reached + copy, side="right") - copy * size
    return np.asarray(np.clip(place, first, size - 1))


def travel(
    course: Course, layout: Layout, draw: FleetDraw, leg: Leg, ends: IntArray, tally: Tally
) -> None:
    """Wear the linings of the wheel ends ``ends`` over a leg, and do the relines that wait."""
    unit = layout.unit[ends]
    waits = ~np.isnan(course.waiting[ends])
    share = np.zeros(len(ends))
    if waits.any():
        share[waits] = _waited_share(course, leg, ends[waits], unit[waits])
        _worn(course, layout, leg, ends[waits], np.zeros(int(waits.sum())), share[waits], tally)
        day = leg.start[unit[waits]] + share[waits] * leg.days[unit[waits]]
        reline(course, layout, draw, ends[waits], day, tally, own_visit=True)
    _worn(course, layout, leg, ends, share, np.ones(len(ends)), tally)


def _waited_share(course: Course, leg: Leg, ends: IntArray, unit: IntArray) -> FloatArray:
    """Share of the leg after which a waiting reline is done; before the next visit."""
    day = course.visit_day[unit] + course.waiting[ends]
    return np.asarray(np.clip((day - leg.start[unit]) / leg.days[unit], 0.0, 0.98))


def _worn(
    course: Course,
    layout: Layout,
    leg: Leg,
    ends: IntArray,
    from_share: FloatArray,
    to_share: FloatArray,
    tally: Tally,
) -> None:
    """Wear linings over a part of a leg; those that reach the minimum are counted, once each."""
    unit = layout.unit[ends]
    before = course.above_mm[ends]
    wear = course.rate[ends] * leg.km[unit] * (to_share - from_share)
    course.above_mm[ends] = before - wear
    falls = np.flatnonzero((before - wear <= 0.0) & ~course.crossed[ends])
    if len(falls) == 0:
        return
    down = np.maximum(before[falls], 0.0) / np.maximum(wear[falls], 1e-12)
    span = (to_share - from_share)[falls]
    share = from_share[falls] + np.minimum(down, 1.0) * span
    day = leg.start[unit[falls]] + share * leg.days[unit[falls]]
    fallen = ends[falls]
    course.crossed[fallen] = True
    # Below its minimum as of now, or read so: that is no crossing to come.
    coming = (day >= 0.0) & (before[falls] > 0.0)
    where = layout.events(fallen[coming])
    add_crossings(tally, where, day[coming])


def reline(
    course: Course,
    layout: Layout,
    draw: FleetDraw,
    ends: IntArray,
    day: FloatArray,
    tally: Tally,
    *,
    own_visit: bool,
) -> None:
    """Fit new linings to wheel ends on given days."""
    if len(ends) == 0:
        return
    add_relines(
        tally,
        layout.events(ends),
        day,
        course.life[ends],
        course.above_mm[ends],
        layout.usable_mm[ends],
    )
    if own_visit:
        _, first = np.unique(layout.axle[ends], return_index=True)
        add_visits(tally, layout.events(ends[first]), day[first])
    place = course.life[ends] % LIVES_AHEAD
    course.above_mm[ends] = draw.start_mm[place, ends] - layout.minimum_mm[ends]
    course.rate[ends] = (
        draw.unit_rate[ends] + draw.life_rate[place, ends] + layout.rate_change[ends]
    )
    course.life[ends] += 1
    course.waiting[ends] = np.nan
    course.crossed[ends] = False
