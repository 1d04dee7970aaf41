"""What the workshop decides at a check visit, under a scenario."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.policy.fit import PolicyFit, ReplacementPolicy
from models.relines.policy.likelihood import along_share
from models.relines.policy.yearly import TimeOfYear
from models.relines.simulation.draws import Luck
from models.relines.simulation.filter import (
    Knowledge,
    NextInterval,
    is_at_risk,
    kalman_update,
    latest_share,
)
from models.relines.simulation.layout import Layout
from models.relines.simulation.scenario import Scenario
from models.relines.simulation.state import FleetState

FAR = 6.0
"""Readings more standard deviations than this above every threshold are not looked at singly."""
NOW_SHARE = 0.08
"""A reline that could wait for less than this share of the interval is done at the visit."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Random numbers of one visit, for every wheel end, axle and unit of the batch; ``age``: None
    where nothing is relined for its age, ``look`` where every visit looks at all axles."""

    reading: FloatArray
    threshold: FloatArray
    missed: FloatArray
    premature: FloatArray
    axle: FloatArray
    later: FloatArray
    lag: FloatArray
    unit: FloatArray
    age: FloatArray | None = None
    look: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Policies:
    """The policies of each copy, as the arrays decisions need: (B, G) thresholds, chances that the
    axle's other end and the unit's other axles go along, and ages at which linings are relined
    (None: at none), (B,) the rest; ``rise`` of thresholds ``when`` it is that
    time of the year (None: at none)."""

    threshold: FloatArray
    rise: FloatArray
    when: TimeOfYear | None
    spread: FloatArray
    missed: FloatArray
    missed_below: FloatArray
    premature: FloatArray
    pair: FloatArray
    along_below: FloatArray
    unit: FloatArray
    read_share: float
    reading_sd: float
    age_days: FloatArray | None
    age_spread: FloatArray
    age_kept: FloatArray


@dataclass(frozen=True, slots=True)
class Visit:
    """Everything a decision hangs on; ``units`` (U,) are at a visit, and so are ``ends`` (L,), of
    which the ``looked`` ones' axles are looked at."""

    state: FleetState
    layout: Layout
    units: BoolArray
    ends: BoolArray
    looked: BoolArray
    noise: Noise
    policies: Policies
    scenario: Scenario
    fit: PolicyFit
    known: Knowledge | None
    coming: NextInterval | None


@dataclass(frozen=True, slots=True)
class Decision:
    """Relines decided at a visit: wheel ends to do now, and those to do ``days`` later."""

    now: IntArray
    later: IntArray
    days: FloatArray

    def with_all(self, ends: BoolArray) -> "Decision":
        """With all of some wheel ends (L,) relined at the visit."""
        waits = ~ends[self.later]
        now = np.union1d(self.now, np.flatnonzero(ends))
        return Decision(now, self.later[waits], self.days[waits])


def draw_noise(layout: Layout, luck: Luck, *, by_age: bool, looks: bool = False) -> Noise:
    """Fresh numbers, all of them, whatever the scenario will use."""
    size, axles, units = len(layout.unit), len(layout.axle_unit), len(layout.usual_days)
    reading, threshold = luck.normal(2, size, dtype=np.float32)
    missed, premature = luck.uniform(2, size, dtype=np.float32)
    axle, later, lag = luck.uniform(3, axles)
    unit = luck.uniform(units)
    age = luck.uniform(size) if by_age else None
    look = luck.uniform(axles) if looks else None
    return Noise(reading, threshold, missed, premature, axle, later, lag, unit, age, look)


def policies_of(
    policies: tuple[ReplacementPolicy, ...], fit: PolicyFit, scenario: Scenario, reading_sd: float
) -> Policies:
    """The copies' policies, with what the scenario lays down in their place."""
    pair = np.array([h.pair for h in policies])
    unit = np.array([h.unit for h in policies])
    along = np.array([h.along_below_mm for h in policies])
    if scenario.together != "as_now":
        pair = np.full(pair.shape, float(scenario.together != "wheel_end"))
        unit = np.full(unit.shape, float(scenario.together == "unit"))
        along = np.full(len(policies), np.inf)
    by_age = [h.by_age for h in policies if h.by_age is not None]
    return Policies(
        threshold=np.array([h.threshold_mm for h in policies]),
        rise=np.array([h.rise_mm for h in policies]),
        when=fit.yearly.when if fit.yearly else None,
        spread=np.array([h.spread_mm for h in policies]),
        missed=np.array([h.missed for h in policies]),
        missed_below=np.array([h.missed_below for h in policies]),
        premature=np.array([h.premature for h in policies]),
        pair=pair,
        along_below=along,
        unit=unit,
        read_share=fit.read_share,
        reading_sd=reading_sd,
        age_days=np.array([rule.days for rule in by_age]) if by_age else None,
        age_spread=np.array([rule.spread_days for rule in by_age]),
        age_kept=np.array([rule.kept for rule in by_age]),
    )


def decide(visit: Visit) -> Decision:
    """Relines that the workshop decides on."""
    wanted = np.zeros(len(visit.ends), bool)
    wanted[_wanted_otherwise(visit)] = True
    wanted[_wanted_by_reading(visit)] = True
    wanted[_wanted_for_age(visit)] = True
    own, share = _guarded(visit, visit.ends & ~wanted)
    wanted[own[share < NOW_SHARE]] = True
    whole = _taken_along(visit, wanted)
    return _timed(visit, whole, own, share)


def _wanted_otherwise(visit: Visit) -> IntArray:
    """Wheel ends to be relined for another reason than what was read."""
    number, premature = visit.noise.premature, visit.policies.premature
    some = np.flatnonzero((number < premature.max()) & visit.looked)
    return some[number[some] < premature[visit.layout.copy[some]]]


def _wanted_by_reading(visit: Visit) -> IntArray:
    """Wheel ends whose reading makes the workshop want a reline."""
    state, noise, policies, scenario = visit.state, visit.noise, visit.policies, visit.scenario
    if scenario.reline == "latest":
        return np.zeros(0, np.int64)
    width = np.hypot(policies.reading_sd, float(policies.spread.max()))
    own = float((policies.threshold + policies.rise[:, None]).max())
    highest = max(own, float(policies.threshold.max()), scenario.threshold_mm, 0.0)
    found = visit.layout.found_mm(state.above_mm, slice(None))
    near = np.flatnonzero((found < highest + FAR * width) & visit.looked)
    reading = found[near] + policies.reading_sd * noise.reading[near]
    missed = (noise.missed[near] - (1.0 - policies.read_share)) / policies.read_share
    due = (missed >= 0.0) & _due(visit, near, reading, missed)
    return np.asarray(near[due])


def _wanted_for_age(visit: Visit) -> IntArray:
    """Wheel ends relined because their linings are so old; not where a scenario says at what
    thickness they are."""
    policies, number = visit.policies, visit.noise.age
    if policies.age_days is None or number is None or visit.scenario.reline != "as_now":
        return np.zeros(0, np.int64)
    age = visit.state.day[visit.layout.unit] - visit.state.fitted_day
    youngest = float(policies.age_days.min()) - FAR * float(policies.age_spread.max())
    old = np.flatnonzero((age > youngest) & visit.looked)
    copy = visit.layout.copy[old]
    days = policies.age_days[copy, visit.layout.group[old]]
    chance = policies.age_kept[copy] * special.ndtr((age[old] - days) / policies.age_spread[copy])
    return np.asarray(old[number[old] < chance])


def _due(visit: Visit, ends: IntArray, reading: FloatArray, missed: FloatArray) -> BoolArray:
    """Whether a reading is low enough, for the policy or the scenario's threshold."""
    policies, copy = visit.policies, visit.layout.copy[ends]
    if visit.scenario.reline == "threshold":
        return np.asarray(reading <= visit.scenario.threshold_mm)
    threshold = policies.threshold[copy, visit.layout.group[ends]]
    if policies.when is not None:
        raised = policies.when.holds(visit.state.day)[visit.layout.unit[ends]]
        threshold = threshold + policies.rise[copy] * raised
    threshold = threshold + policies.spread[copy] * visit.noise.threshold[ends]
    above = (reading <= threshold) & (missed >= policies.missed[copy])
    return np.asarray(np.where(reading > 0.0, above, missed >= policies.missed_below[copy]), bool)


def _guarded(visit: Visit, ends: BoolArray) -> tuple[IntArray, FloatArray]:
    """Wheel ends that would cross their minimum before the next visit with too much risk, and the
    share of the interval each can still wait (0 where relines wait for visits)."""
    known, coming, scenario = visit.known, visit.coming, visit.scenario
    if known is None or coming is None:
        return np.zeros(0, np.int64), np.zeros(0)
    read = ends & visit.looked & (visit.noise.missed >= 1.0 - visit.policies.read_share)
    error = visit.policies.reading_sd * visit.noise.reading
    found = visit.layout.found_mm(visit.state.above_mm, slice(None)) + error
    finely = visit.layout.left_per_mm(known.above_mm)
    kalman_update(known, read, visit.layout.left_of(found), finely)
    km, spread = coming.km, coming.relative_var
    risky = np.flatnonzero(is_at_risk(known, km, spread, scenario.risk) & ends)
    if scenario.wait_for_visit:
        return risky, np.zeros(len(risky))
    return risky, latest_share(known, risky, km[risky], spread, scenario.risk)


def _taken_along(visit: Visit, wanted: BoolArray) -> BoolArray:
    """The wanted relines and those that go along: the axle's other end, the unit's other axles."""
    layout, noise, policies = visit.layout, visit.noise, visit.policies
    first, whole = np.flatnonzero(wanted), wanted.copy()
    whole[layout.partner[first[_partner_goes(visit, first)]]] = True
    if len(first) and policies.unit.max() > 0.0:
        is_wanting = np.zeros(len(layout.axle_unit), bool)
        is_wanting[layout.axle[first]] = True
        units = layout.axle_unit[np.flatnonzero(is_wanting)]
        wanting = np.bincount(units, minlength=len(layout.usual_days))
        may = (wanting > 0) & (noise.unit < policies.unit.max()) & visit.units
        ends = np.flatnonzero(may[layout.unit])
        others = wanting[layout.unit[ends]] - is_wanting[layout.axle[ends]]
        goes = noise.unit[layout.unit[ends]] < policies.unit[layout.copy[ends], layout.group[ends]]
        whole[ends[goes & (others > 0)]] = True
    return whole


def _partner_goes(visit: Visit, ends: IntArray) -> BoolArray:
    """Whether the other end of each one's axle goes along: seldom where it is nearly new."""
    policies, partner, copy = visit.policies, visit.layout.partner[ends], visit.layout.copy[ends]
    found = visit.layout.found_mm(visit.state.above_mm[partner], partner)
    reading = found + policies.reading_sd * visit.noise.reading[partner]
    pair = policies.pair[copy, visit.layout.group[partner]]
    goes = pair * along_share(reading, policies.along_below[copy])
    return np.asarray(visit.noise.axle[visit.layout.axle[ends]] < goes)


def _timed(visit: Visit, whole: BoolArray, own: IntArray, share: FloatArray) -> Decision:
    """Relines now, and later: as the fleet is late now, or in a visit at the latest safe time."""
    layout, timing = visit.layout, visit.fit.timing
    chosen = np.flatnonzero(whole)
    waits = ~whole[own]
    own, days = own[waits], share[waits]
    if len(own):
        own, days = _with_partners(visit, own, days)
        own, days = own[~whole[own]], days[~whole[own]]
    if visit.scenario.reline != "as_now" or timing.later_share == 0.0:
        return Decision(chosen, own, days)
    axle = layout.axle[chosen]
    late = visit.noise.later[axle] < timing.later_share
    place = (visit.noise.lag[axle[late]] * len(timing.later_days)).astype(np.int64)
    days = np.concatenate([timing.later_days[place], days])
    return Decision(chosen[~late], np.concatenate([chosen[late], own]), days)


def _with_partners(visit: Visit, own: IntArray, share: FloatArray) -> tuple[IntArray, FloatArray]:
    """Wheel ends to reline in a visit of their own, the axle's other end with them; and when."""
    layout = visit.layout
    days = share * layout.usual_days[layout.unit[own]]
    goes = _partner_goes(visit, own)
    ends = np.concatenate([own, layout.partner[own[goes]]])
    days = np.concatenate([days, days[goes]])
    # Both ends of an axle may be at risk: the earlier of the two days counts for both.
    order = np.lexsort((days, ends))
    _, first = np.unique(ends[order], return_index=True)
    return ends[order][first], days[order][first]
