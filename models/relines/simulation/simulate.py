"""Relines over the coming months, simulated for whole fleets drawn from what is known of one.

Everything uncertain is drawn: fixed effects and habits once per fleet, use and the unit's effect
once per unit, linings one by one, then visits, readings and decisions as they come. So what wheel
ends share does not average out of a total.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import IntArray
from models.relines.forecast.lines import WheelEndLines
from models.relines.forecast.relining import chance_done_unwritten, chance_pending
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.habit import HabitFit
from models.relines.simulation.counts import Calendar, Tally, empty_tally, joined_tallies
from models.relines.simulation.decide import Decision, Habits, Visit, decide, draw_noise, habits_of
from models.relines.simulation.draws import FleetDraw, draw_fleet, stream
from models.relines.simulation.filter import (
    Knowledge,
    NextLeg,
    expected_leg,
    first_knowledge,
    know_leg,
    know_reline,
)
from models.relines.simulation.layout import Cells, Layout, batch_layout, budget_cells
from models.relines.simulation.scenario import AS_NOW, Scenario
from models.relines.simulation.state import Course, first_course, next_leg, reline, travel
from models.usage.fit import UsageFit

BATCH_WHEEL_ENDS = 60_000
"""Wheel ends handled at a time: enough to fill a vector, few enough for a processor's cache."""
MOST_LEGS = 2_000


@dataclass(frozen=True, slots=True)
class FleetModel:
    """All that is known of a fleet: wheel ends, their lines, use, habit, and budget cells."""

    ends: WheelEnds
    lines: WheelEndLines
    usage: UsageFit
    habit: HabitFit
    cells: Cells


def fleet_model(
    ends: WheelEnds, lines: WheelEndLines, usage: UsageFit, habit: HabitFit
) -> FleetModel:
    """Put the parts together.

    Raises
    ------
    ValueError
        If they do not describe the same wheel ends and units.
    """
    if len(ends) != len(lines) or len(lines.unit_var) != len(usage):
        raise ValueError(
            f"parts do not fit: {len(ends)} wheel ends, {len(lines)} lines, "
            f"{len(usage)} units of {len(lines.unit_var)}"
        )
    return FleetModel(ends, lines, usage, habit, budget_cells(ends, lines))


def simulate_relines(
    fleet: FleetModel,
    calendar: Calendar,
    *,
    draws: int,
    seed: int,
    scenarios: tuple[Scenario, ...] = (AS_NOW,),
) -> tuple[Tally, ...]:
    """One tally per scenario, over the same ``draws`` fleets and the same random numbers.

    Raises
    ------
    ValueError
        If there are no draws, or a scenario names a duty that nobody runs.
    """
    if draws < 1:
        raise ValueError(f"draws must be at least 1, got {draws}")
    batch_size = max(1, BATCH_WHEEL_ENDS // max(len(fleet.ends), 1))
    parts: list[list[Tally]] = [[] for _ in scenarios]
    for batch, start in enumerate(range(0, draws, batch_size)):
        copies = min(batch_size, draws - start)
        draw = draw_fleet(fleet.lines, fleet.usage, fleet.habit, copies, stream(seed, batch, -1))
        for found, scenario in zip(parts, scenarios, strict=True):
            run = _started(fleet, draw, scenario, calendar)
            found.append(_finished(run, seed, batch))
    return tuple(joined_tallies(found) for found in parts)


@dataclass(slots=True)
class _Run:
    """One batch under one scenario."""

    fleet: FleetModel
    draw: FleetDraw
    scenario: Scenario
    layout: Layout
    habits: Habits
    course: Course
    known: Knowledge | None
    coming: NextLeg
    tally: Tally


def _started(fleet: FleetModel, draw: FleetDraw, scenario: Scenario, calendar: Calendar) -> _Run:
    layout = batch_layout(fleet.ends, fleet.lines, fleet.usage, fleet.cells, draw, scenario)
    guards = scenario.guards
    return _Run(
        fleet=fleet,
        draw=draw,
        scenario=scenario,
        layout=layout,
        habits=habits_of(draw.habits, fleet.habit, scenario, fleet.lines.reading_sd),
        course=first_course(draw, layout, fleet.usage),
        known=first_knowledge(fleet.lines, layout, draw.copies) if guards else None,
        coming=expected_leg(fleet.usage, layout, draw.copies),
        tally=empty_tally(calendar, len(fleet.ends), draw.copies, fleet.cells.n_cells),
    )


def _finished(run: _Run, seed: int, batch: int) -> Tally:
    """Take the batch leg by leg to the horizon."""
    horizon = run.tally.calendar.horizon
    _leave_waiting(run, stream(seed, batch, 0))
    for step in range(1, MOST_LEGS):
        active = run.course.is_there & (run.course.day < horizon)
        if not active.any():
            break
        _one_leg(
            run,
            np.flatnonzero(active[run.layout.unit]),
            horizon,
            stream(seed, batch, step),
            step == 1,
        )
    return run.tally


def _leave_waiting(run: _Run, rng: np.random.Generator) -> None:
    """What the last visit decided and the records do not show: relines still to be done, and
    relines done without a word."""
    timing, ends, axle = run.fleet.habit.timing, run.fleet.ends, run.layout.axle
    number = rng.random((3, len(run.layout.axle_unit)))
    copies, since = run.draw.copies, run.fleet.usage.since_visit[ends.unit]
    unwritten = np.tile(chance_done_unwritten(ends, run.fleet.habit), copies)
    _renew(run, np.flatnonzero(number[2][axle] < unwritten))
    if timing.later_share == 0.0:
        return
    chance = np.tile(chance_pending(ends, run.fleet.habit, since), copies)
    waits = np.flatnonzero((number[0][axle] < chance) & (number[2][axle] >= unwritten))
    first = np.searchsorted(timing.later_days, np.tile(since, copies)[waits])
    left = len(timing.later_days) - first
    place = np.minimum(first + (number[1][axle[waits]] * left).astype(np.int64), first + left - 1)
    run.course.waiting[waits] = timing.later_days[place]


def _renew(run: _Run, ends: IntArray) -> None:
    """Put linings in that were new at the last visit; nobody knows, so forecasts do not either."""
    course, layout, draw = run.course, run.layout, run.draw
    course.above_mm[ends] = draw.start_mm[-1, ends] - layout.minimum_mm[ends]
    course.rate[ends] = draw.unit_rate[ends] + draw.life_rate[-1, ends] + layout.rate_change[ends]


def _one_leg(
    run: _Run, ends: IntArray, horizon: float, rng: np.random.Generator, is_first: bool
) -> None:
    """Drive to the next visit, read, decide, reline."""
    course, layout = run.course, run.layout
    leg = next_leg(course, layout, run.draw, run.fleet.usage, rng, is_first=is_first)
    noise, lasts = draw_noise(layout, rng), rng.standard_exponential(len(course.day))
    waited = ends[~np.isnan(course.waiting[ends])] if run.known is not None else ends[:0]
    travel(course, layout, run.draw, leg, ends, run.tally)
    if run.known is not None:
        know_leg(run.known, ends, leg.km[layout.unit[ends]])
        # A reline since the visit: known as a new lining, a little thicker than it now is.
        know_reline(run.known, layout, waited)
    course.day, course.visit_day = leg.end, leg.end
    visiting = ends[course.day[layout.unit[ends]] < horizon]
    visit = Visit(
        course=course,
        layout=layout,
        ends=visiting,
        noise=noise,
        habits=run.habits,
        scenario=run.scenario,
        fit=run.fleet.habit,
        known=run.known,
        coming=run.coming,
    )
    _carry_out(run, decide(visit))
    # A unit that leaves for good does so after a visit: it is not seen again.
    hazard = np.repeat(run.draw.leaving, len(run.fleet.usage)) * layout.usual_days
    course.is_there = course.is_there & ((lasts > hazard) | (course.day >= horizon))


def _carry_out(run: _Run, decision: Decision) -> None:
    course, layout = run.course, run.layout
    day = course.day[layout.unit[decision.now]]
    reline(course, layout, run.draw, decision.now, day, run.tally, own_visit=False)
    if run.known is not None:
        know_reline(run.known, layout, decision.now)
    course.waiting[decision.later] = decision.days
