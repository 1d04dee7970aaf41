"""Relines over the coming months, simulated for whole fleets drawn from what is known of one.

Everything uncertain is drawn: fixed effects and policies once per fleet, use and the unit's effect
once per unit, linings one by one, then visits, readings and decisions as they come. So what wheel
ends share does not average out of a total.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.forecast.lines import WheelEndLines
from models.relines.forecast.relining import chance_done_unwritten, chance_pending
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.campaigns import CampaignTold
from models.relines.policy.fit import PolicyFit, mean_policy
from models.relines.simulation.counts import (
    Agreed,
    Calendar,
    EventCounts,
    EventLog,
    joined_event_counts,
)
from models.relines.simulation.decide import (
    Decision,
    Noise,
    Policies,
    Visit,
    decide,
    draw_noise,
    policies_of,
)
from models.relines.simulation.draws import FleetDraw, Luck, draw_fleet, stream
from models.relines.simulation.filter import (
    Knowledge,
    NextInterval,
    Told,
    expected_interval,
    first_knowledge,
    kalman_predict,
    know_reline,
    told,
)
from models.relines.simulation.layout import (
    BudgetCells,
    Layout,
    batch_layout,
    budget_cells,
    other_minimum,
    require_lining,
)
from models.relines.simulation.sampling import (
    TWINS,
    every_kth,
    in_line,
    put_together,
    some_lines,
    some_use,
    some_wheel_ends,
    twin_cells,
    twin_luck,
)
from models.relines.simulation.scenario import AS_NOW, Scenario, require_known
from models.relines.simulation.state import (
    FleetState,
    InspectionInterval,
    advance,
    first_state,
    next_interval,
    reline,
)
from models.usage.fit import UsageFit, YearKnown

BATCH_WHEEL_ENDS = 60_000
"""Wheel ends handled at a time: enough to fill a vector, few enough for a processor's cache."""
MOST_LEGS = 2_000
KEPT_STEPS = 40
"""Steps that are kept for other scenarios: three years of checks, and few megabytes."""
SIMULATED_ENDS = 4_000
"""Wheel ends of a future that are simulated; of larger fleets a part of so many, another for every
batch (``models.relines.simulation.sampling``)."""
ALIKE = 4
"""Futures of a batch that meet the same luck: few, so that means are of many batches."""


@dataclass(frozen=True, slots=True)
class FleetModel:
    """All that is known of a fleet: wheel ends, their lines, use, policy, and budget cells;
    ``campaigns``, in which far more was relined, are left out of the policy."""

    ends: WheelEnds
    lines: WheelEndLines
    usage: UsageFit
    policy: PolicyFit
    cells: BudgetCells
    campaigns: tuple[CampaignTold, ...] = ()

    @property
    def year_known(self) -> YearKnown:
        """What is known of how the year goes."""
        return self.usage.year_known | ({"thresholds"} if self.policy.yearly else frozenset())

    @property
    def changed_quarters(self) -> int:
        """For how many quarters policy, wear and use have been as they are, since no campaign began
        (0: always)."""
        policy, wear = self.policy.changed_quarters, self.lines.changed_quarters
        changed = policy, wear, self.usage.changed_quarters
        known = (*changed, *(campaign.last + 1 for campaign in self.campaigns))
        return min((quarters for quarters in known if quarters), default=0)


def fleet_model(
    ends: WheelEnds, lines: WheelEndLines, usage: UsageFit, policy: PolicyFit
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
    return FleetModel(ends, lines, usage, policy, budget_cells(ends, lines))


def simulate_relines(
    fleet: FleetModel,
    calendar: Calendar,
    *,
    draws: int,
    seed: int,
    scenarios: tuple[Scenario, ...] = (AS_NOW,),
    most_ends: int = SIMULATED_ENDS,
    agreed: Agreed | None = None,
) -> tuple[EventCounts, ...]:
    """One tally per scenario, over the same ``draws`` fleets and the same random numbers.

    Of a fleet with more than ``most_ends`` wheel ends a part of about so many is simulated, which
    follows from the fleet and ``seed`` alone. ``agreed``: that of an earlier tally of the same
    fleet, draws and seed, where there is one; without it the fleet as now is simulated besides.

    Raises
    ------
    ValueError
        If there are no draws.
    UnusableScenarioError
        If a scenario names a duty or an axle type that the fleet has not, or leaves no lining.
    """
    if draws < 1:
        raise ValueError(f"draws must be at least 1, got {draws}")
    for scenario in scenarios:
        require_known(scenario, fleet.lines.duties, set(fleet.ends.axle_type))
        require_lining(fleet.ends, scenario)
    if len(fleet.ends) > most_ends:
        return _by_parts(fleet, calendar, draws, seed, scenarios, most_ends, agreed or {})
    batch_size = max(1, BATCH_WHEEL_ENDS // max(len(fleet.ends), 1))
    parts = [
        _batch(fleet, calendar, min(batch_size, draws - start), (seed, batch), scenarios)
        for batch, start in enumerate(range(0, draws, batch_size))
    ]
    return tuple(joined_event_counts(list(found)) for found in zip(*parts, strict=True))


def _by_parts(
    fleet: FleetModel,
    calendar: Calendar,
    draws: int,
    seed: int,
    scenarios: tuple[Scenario, ...],
    most_ends: int,
    agreed: Agreed,
) -> tuple[EventCounts, ...]:
    """The same of a large fleet, from units taken in turn."""
    every = scenarios if agreed or scenarios[0] == AS_NOW else (AS_NOW, *scenarios)
    line = in_line(fleet.ends, fleet.lines, fleet.usage, mean_policy(fleet.policy))
    units = max(len(line) * most_ends // (TWINS * len(fleet.ends)), 1)
    behind, order = len(line) / units, np.argsort(fleet.ends.unit, kind="stable")
    parts = []
    for batch, futures in enumerate(np.array_split(np.arange(draws), -(-draws // ALIKE))):
        part = _some_units(fleet, every_kth(line, units, batch), order)
        luck = twin_luck(units, len(futures), stream(seed, batch, MOST_LEGS))
        parts.append(_batch(part, calendar, len(futures), (seed, batch), every, luck))
    found = [
        put_together(list(of), behind, len(fleet.ends), seed, agreed)
        for of in zip(*parts, strict=True)
    ]
    return tuple(found[len(every) - len(scenarios) :])


def _some_units(fleet: FleetModel, units: IntArray, by_unit: IntArray) -> FleetModel:
    """Some units and their twins; ``by_unit``: the fleet's wheel ends, unit by unit."""
    unit = fleet.ends.unit[by_unit]
    first, last = np.searchsorted(unit, units), np.searchsorted(unit, units, side="right")
    ends_of = last - first
    rows = by_unit[np.arange(ends_of.sum()) + np.repeat(last - ends_of.cumsum(), ends_of)]
    ends = some_wheel_ends(fleet.ends, rows, units)
    cells = twin_cells(fleet.cells, rows)
    rows, units = np.tile(rows, TWINS), np.tile(units, TWINS)
    lines = some_lines(fleet.lines, rows, units, ends.unit)
    return FleetModel(ends, lines, some_use(fleet.usage, units), fleet.policy, cells)


def _batch(
    fleet: FleetModel,
    calendar: Calendar,
    copies: int,
    key: tuple[int, int],
    scenarios: tuple[Scenario, ...],
    weight: FloatArray | None = None,
) -> tuple[EventCounts, ...]:
    """Some futures under every scenario; with ``weight`` (copies, U) for what befalls each unit,
    futures that meet the same luck."""
    luck = _Lucks(key, copies, weight is not None, len(scenarios) > 1)
    draw = draw_fleet(fleet.lines, fleet.usage, fleet.policy, luck.of(-1))
    records = told(fleet.lines, fleet.usage) if any(s.guards for s in scenarios) else None
    now = batch_layout(fleet.ends, fleet.lines, fleet.usage, fleet.cells, draw, AS_NOW)
    now = now if weight is None else replace(now, weight=weight.ravel()[now.unit])
    left = _left_over(fleet, draw, now, luck.of(0))
    return tuple(
        _finished(_started(fleet, draw, scenario, calendar, records, now), left, luck)
        for scenario in scenarios
    )


@dataclass(frozen=True, slots=True)
class _Met:
    """What a batch meets in a step whatever is relined: a leg, which units are ``active`` on it and
    which are ``visiting`` after it, use and who ``is_there`` then; the leg's ``km`` of each wheel
    end, and which ``ends`` are at a visit, with its random numbers (None: nobody visits), and which
    are ``handed`` back with new linings at it (None: none ever)."""

    interval: InspectionInterval
    late: FloatArray
    off_road: BoolArray
    log_level: FloatArray
    active: BoolArray
    visiting: BoolArray
    is_there: BoolArray
    km: FloatArray
    ends: BoolArray
    noise: Noise | None
    handed: BoolArray | None = None


@dataclass(frozen=True, slots=True)
class _Lucks:
    """Random numbers of the steps of a batch; ``key``: seed and number of the batch. ``met``: what
    scenarios that use the fleet as now have met by step, each the same, where there are ``more``.
    """

    key: tuple[int, int]
    copies: int
    same: bool
    more: bool
    met: dict[int, _Met] = field(default_factory=dict)

    def of(self, step: int) -> Luck:
        return Luck(stream(*self.key, step), self.copies, self.same)


@dataclass(slots=True)
class _Run:
    """One batch under one scenario."""

    fleet: FleetModel
    draw: FleetDraw
    scenario: Scenario
    layout: Layout
    policies: Policies
    state: FleetState
    known: Knowledge | None
    coming: NextInterval | None
    log: EventLog


def _started(
    fleet: FleetModel,
    draw: FleetDraw,
    scenario: Scenario,
    calendar: Calendar,
    records: Told | None,
    now: Layout,
) -> _Run:
    """``now``: the layout of the fleet as it works now."""
    if scenario.uses_as_now:
        layout = other_minimum(now, fleet.ends, fleet.lines, draw.copies, scenario)
    else:
        layout = batch_layout(fleet.ends, fleet.lines, fleet.usage, fleet.cells, draw, scenario)
        layout = replace(layout, weight=now.weight)
    known = coming = None
    if scenario.guards and records is not None:
        known = first_knowledge(records, layout, draw.copies)
        coming = expected_interval(records, fleet.usage, layout, draw.copies)
    size, cells, weighted = len(fleet.ends), fleet.cells.n_cells, now.weight is not None
    return _Run(
        fleet=fleet,
        draw=draw,
        scenario=scenario,
        layout=layout,
        policies=policies_of(draw.policies, fleet.policy, scenario, fleet.lines.reading_sd),
        state=first_state(draw, layout, fleet.usage),
        known=known,
        coming=coming,
        log=EventLog(calendar, size, draw.copies, cells, weighted),
    )


@dataclass(frozen=True, slots=True)
class _LeftOver:
    """What the last visit decided and the records do not show: wheel ends ``renewed`` without a
    word, and those of which a reline ``waits`` to be done so many ``days`` after that visit; and
    ``fitted_day`` (B x L): days after as-of on which the linings on record were fitted."""

    renewed: IntArray
    waits: IntArray
    days: FloatArray
    fitted_day: FloatArray


def _left_over(fleet: FleetModel, draw: FleetDraw, layout: Layout, luck: Luck) -> _LeftOver:
    copies = draw.copies
    timing, ends, axle = fleet.policy.timing, fleet.ends, layout.axle
    number = luck.uniform(3, len(layout.axle_unit))
    since = fleet.usage.since_visit[ends.unit]
    unwritten = np.tile(chance_done_unwritten(ends, fleet.policy), copies)
    renewed = np.flatnonzero(number[2][axle] < unwritten)
    fitted_day = _fitted_days(fleet, draw, layout, luck)
    if timing.later_share == 0.0:
        return _LeftOver(renewed, np.zeros(0, np.int64), np.zeros(0), fitted_day)
    chance = np.tile(chance_pending(ends, fleet.policy, since), copies)
    waits = np.flatnonzero((number[0][axle] < chance) & (number[2][axle] >= unwritten))
    first = np.searchsorted(timing.later_days, np.tile(since, copies)[waits])
    left = len(timing.later_days) - first
    place = np.minimum(first + (number[1][axle[waits]] * left).astype(np.int64), first + left - 1)
    return _LeftOver(renewed, waits, timing.later_days[place], fitted_day)


def _fitted_days(fleet: FleetModel, draw: FleetDraw, layout: Layout, luck: Luck) -> FloatArray:
    """Days after as-of on which the linings on record were fitted (B x L); drawn where only a bound
    is known, alike for both ends of an axle."""
    ends, copies, since = fleet.ends, draw.copies, fleet.usage.since_visit[fleet.ends.unit]
    rules = [policy.by_age for policy in draw.policies]
    if any(rule is None for rule in rules):
        return np.tile(-ends.age_days, copies)
    place = luck.uniform(len(layout.axle_unit))[layout.axle].reshape(copies, len(ends))
    group, ages = ends.policy_group, (ends.age_days, ends.age_known, since)
    drawn = [rule.ages(*ages, group, own) for rule, own in zip(rules, place, strict=True) if rule]
    return -np.concatenate(drawn)


def _finished(run: _Run, left: _LeftOver, lucks: _Lucks) -> EventCounts:
    """Take the batch leg by leg to the horizon."""
    horizon = run.log.calendar.horizon
    run.state.fitted_day[:] = left.fitted_day
    _renew(run, left.renewed)
    run.state.waiting[left.waits] = left.days
    for step in range(1, MOST_LEGS):
        active = run.state.is_there & (run.state.day < horizon)
        if not active.any():
            break
        _one_interval(run, _met(run, lucks, step, active))
    return run.log.counted()


def _renew(run: _Run, ends: IntArray) -> None:
    """Put linings in that were new at the last visit; nobody knows, so forecasts do not either."""
    state, layout, draw = run.state, run.layout, run.draw
    state.above_mm[ends] = draw.start_mm[-1, ends] - layout.minimum_mm[ends]
    state.rate[ends] = draw.unit_rate[ends] + draw.life_rate[-1, ends] + layout.rate_change[ends]
    state.fitted_day[ends] = state.visit_day[layout.unit[ends]]


def _met(run: _Run, lucks: _Lucks, step: int, active: BoolArray) -> _Met:
    """Worked out once for all scenarios that leave use as it is, if linings do not move visits."""
    same = run.scenario.uses_as_now and run.fleet.usage.sooner is None
    found = lucks.met.get(step) if same else None
    if found is not None:
        return found
    state, layout, luck = run.state, run.layout, lucks.of(step)
    usual = _usual_days(run)
    interval = next_interval(state, usual, run.draw, run.fleet.usage, luck, is_first=step == 1)
    visiting = active & (interval.end < run.log.calendar.horizon)
    noise, is_there, handed = None, state.is_there, None
    back = run.fleet.policy.handed_back
    if visiting.any():
        by_age = run.policies.age_days is not None
        looks = not run.fleet.policy.looks.always
        noise = draw_noise(layout, luck, by_age=by_age, looks=looks)
        lasts = luck.exponential(len(state.day))
        # A unit that leaves for good does so after a visit: it is not seen again.
        hazard = np.repeat(run.draw.leaving, len(run.fleet.usage)) * usual
        is_there = is_there & ((lasts > hazard) | (interval.end >= run.log.calendar.horizon))
        if back is not None:
            leaves = visiting & state.is_there & ~is_there
            handed = (leaves & (luck.uniform(len(leaves)) < back.share))[layout.unit]
    found = _Met(
        interval=interval,
        late=state.late,
        off_road=state.off_road,
        log_level=state.log_level,
        active=active,
        visiting=visiting,
        is_there=is_there,
        km=np.where(active, interval.km, 0.0)[layout.unit],
        ends=visiting[layout.unit],
        noise=noise,
        handed=handed,
    )
    if lucks.more and same and step <= KEPT_STEPS:
        lucks.met[step] = found
    return found


def _usual_days(run: _Run) -> FloatArray:
    """Usual days to each unit's next visit (B x U): fewer where its thinnest lining says so, unless
    the scenario says when visits are."""
    layout, sooner = run.layout, run.fleet.usage.sooner
    if sooner is None or run.scenario.check_weeks is not None:
        return layout.usual_days
    thinnest = np.full(len(layout.usual_days), np.inf)
    left = layout.found_mm(run.state.above_mm, slice(None))
    np.minimum.at(thinnest, layout.unit, left)
    return layout.usual_days * sooner.days_over_usual(thinnest)


def _one_interval(run: _Run, met: _Met) -> None:
    """Drive to the next visit, read, decide, reline."""
    state, layout = run.state, run.layout
    state.late, state.off_road, state.log_level = met.late, met.off_road, met.log_level
    waited = advance(state, layout, run.draw, met.interval, met.km, met.active, run.log)
    if run.known is not None:
        kalman_predict(run.known, met.km)
        # A reline since the visit: known as a new lining, a little thicker than it now is.
        know_reline(run.known, layout, waited)
    state.day = state.visit_day = met.interval.end
    state.is_there = met.is_there
    if met.noise is None:
        return
    visit = Visit(
        state=state,
        layout=layout,
        units=met.visiting,
        ends=met.ends,
        looked=_looked(run, met),
        noise=met.noise,
        policies=run.policies,
        scenario=run.scenario,
        fit=run.fleet.policy,
        known=run.known,
        coming=run.coming,
    )
    decision = decide(visit)
    _carry_out(run, decision if met.handed is None else decision.with_all(met.handed))


def _looked(run: _Run, met: _Met) -> BoolArray:
    """Wheel ends at a visit whose axles are looked at; the others have been passed by once more."""
    look = None if met.noise is None else met.noise.look
    if look is None:
        return met.ends
    state, visiting = run.state, met.visiting[run.layout.axle_unit]
    looked = run.fleet.policy.looks.looked(state.passed_by, look) & visiting
    passed_by = state.passed_by + visiting
    state.passed_by = np.where(looked, 0, passed_by)
    return met.ends & looked[run.layout.axle]


def _carry_out(run: _Run, decision: Decision) -> None:
    state, layout = run.state, run.layout
    day = state.day[layout.unit[decision.now]]
    reline(state, layout, run.draw, decision.now, day, run.log, own_visit=False)
    if run.known is not None:
        know_reline(run.known, layout, decision.now)
    state.waiting[decision.later] = decision.days
