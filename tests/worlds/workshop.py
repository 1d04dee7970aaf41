"""What happens at checks: readings, relines by the fleet's rule, adjusters found and replaced."""

from dataclasses import dataclass, field

import numpy as np
from scipy import special

from tests.worlds.care import Care
from tests.worlds.luck import Luck
from tests.worlds.roads import HALF_YEAR_DAYS, NEVER, YEAR, Roads
from tests.worlds.world import Rule, World

AXLES = 3
FRONT = {"new_mm": 17.0, "minimum_mm": 6.0, "arm_mm": 140.0, "severity": 0.9}
REAR = {"new_mm": 18.0, "minimum_mm": 7.0, "arm_mm": 150.0, "severity": 1.05}
TRAVEL_MM = 57.0
"""Where the chamber's own travel ends."""
ADJUSTER_SHAPE, ADJUSTER_SCALE_KM = 1.8, 450_000.0
A_CHECKS_WEAR = 1.1
YEARLY = 640
"""Days after which the calendar's rule relines an axle."""
TWO_YEARS = 730
JANUARY, JANUARY_AND_FEBRUARY = 123, 59
"""Days from the end of August on, on which records end."""
"""Days after which the rule of a reading or an age relines one, unless its reading did."""


@dataclass(frozen=True)
class Ends:
    """Wheel ends, in order: left and right of an axle beside each other, a unit's axles too."""

    unit: np.ndarray
    axle_no: np.ndarray
    is_left: np.ndarray
    new_mm: np.ndarray
    minimum_mm: np.ndarray
    arm_mm: np.ndarray
    severity: np.ndarray

    def __len__(self) -> int:
        return len(self.unit)


def drawn_ends(world: World, units: int, luck: Luck) -> Ends:
    per = 2 * AXLES
    axle_no = np.tile(np.repeat(np.arange(1, AXLES + 1), 2), units)
    own = np.exp(luck.once.normal(0.0, world.wear_unit_sd, units))
    kinds = {k: np.where(axle_no == 1, FRONT[k], REAR[k]) for k in FRONT}
    kinds["severity"] = kinds["severity"] * np.repeat(own, per)
    is_left = np.tile([True, False], units * AXLES)
    return Ends(np.repeat(np.arange(units), per), axle_no, is_left, **kinds)


@dataclass(frozen=True)
class Log:
    """Events as they come, kept as columns: each entry is a dict of arrays of one length."""

    entries: list[dict[str, np.ndarray]] = field(default_factory=list)

    def enter(self, **columns: np.ndarray) -> None:
        self.entries.append({n: np.array(c) for n, c in columns.items()})

    def columns(self) -> dict[str, np.ndarray]:
        names = self.entries[0]
        return {n: np.concatenate([e[n] for e in self.entries]) for n in names}


# What is drawn for every wheel end at every check, whether it comes to matter or not.
KINDS = (
    *("reading", "coarse", "unread", "stroke", "tested", "found", "lasts", "set", "set_again"),
    *("mood", "overlooked", "early", "late", "late_days", "unwritten", "fresh", "rate"),
)


class Workshop:
    """The state of every wheel end, taken from check to check."""

    def __init__(
        self,
        world: World,
        roads: Roads,
        ends: Ends,
        half_way: int,
        luck: Luck,
        care: Care | None = None,
    ) -> None:
        self.world, self.roads, self.ends, self.care = world, roads, ends, care
        self.half_way, self.luck = half_way, luck
        # Three quarters of a year before forecasts are made.
        self.oil_stops = roads.closes_on - 91
        self.lives, self.fittings, self.settings = Log(), Log(), Log()
        self.checks, self.relines, self.faults = Log(), Log(), Log()
        self.start_on, self.start_mm, self.rate = (np.zeros(len(ends)) for _ in range(3))
        self.fails_on, self.set_on, self.ratio = (np.zeros(len(ends)) for _ in range(3))
        self.fitted_on = np.zeros(len(ends))
        units = len(roads.depot)
        v = world.frailty
        self.frailty = luck.once.gamma(1.0 / v, v, units) if v else np.ones(units)
        every = np.arange(len(ends))
        first = roads.joins[ends.unit]
        self._draw(np.zeros(len(ends)))
        self._line(every, first)
        # Linings of units that were there when it all began have run for a while.
        share = np.repeat(luck.once.uniform(0.0, 0.85, len(ends) // 2), 2)
        if world.batches:
            share = 0.05 * share + 0.8 * (ends.unit % world.batches) / world.batches
        worn = share * (ends.new_mm - ends.minimum_mm)
        self.start_mm = self.start_mm - np.where(first > 0, 0.0, worn)
        self._log_lives(every)
        self._fit(every, first)
        self._set(every, first, "set")

    def _draw(self, day: np.ndarray) -> None:
        """Numbers for one check of every wheel end, on its day."""
        shape = len(KINDS), len(self.ends)
        self.number = dict(
            zip(KINDS, self.luck.of(day, lambda rng: rng.random(shape)), strict=True)
        )

    def _normal(self, kind: str, ends: np.ndarray) -> np.ndarray:
        return np.asarray(special.ndtri(self.number[kind][ends]))

    def _axle_number(self, kind: str, ends: np.ndarray) -> np.ndarray:
        """One number for both ends of an axle: the left one's."""
        return self.number[kind][ends - ends % 2]

    def _line(self, ends: np.ndarray, day: np.ndarray) -> None:
        """Put new linings in."""
        fresh = 0.2 * self._normal("fresh", ends)
        own = np.exp(self.world.wear_life_sd * self._normal("rate", ends))
        own = own * np.where(day >= self.half_way, self.world.later_linings, 1.0)
        self.start_on[ends], self.start_mm[ends] = day, self.ends.new_mm[ends] + fresh
        self.rate[ends] = self.ends.severity[ends] * own

    def _log_lives(self, ends: np.ndarray) -> None:
        self.lives.enter(
            end=ends, day=self.start_on[ends], mm=self.start_mm[ends], rate=self.rate[ends]
        )

    def _fit(self, ends: np.ndarray, day: np.ndarray) -> None:
        """Fit adjusters, and draw the day on which each stops taking up."""
        self.fitted_on[ends] = day
        self._wear_out(ends, -np.log1p(-self.number["lasts"][ends]))

    def _wear_out(self, ends: np.ndarray, hazard: np.ndarray) -> None:
        """Each adjuster fails when it has run through so much hazard since its fitting."""
        unit, fitted_on = self.ends.unit[ends], self.fitted_on[ends]
        hazard = hazard / self.frailty[unit]
        if self.care is None:
            lasts = ADJUSTER_SCALE_KM * hazard ** (1.0 / ADJUSTER_SHAPE)
            until = self._at(self.roads.km, ends, fitted_on) + lasts
            self.fails_on[ends] = first_day(self.roads.km, unit, until)
        else:
            self.fails_on[ends] = self._run_out(ends, hazard)
        self.fittings.enter(end=ends, day=fitted_on, fails_on=self.fails_on[ends])

    def turn(self, units: np.ndarray, day: int, numbers: np.ndarray) -> None:
        """What is left from a day on of adjusters that work then is drawn anew: nobody could know
        it. ``numbers``: a standard exponential one for every wheel end."""
        works = np.isin(self.ends.unit, units) & (self.fails_on > day) & (self.fitted_on <= day)
        ends = np.flatnonzero(works)
        run = np.array([self._hazards(end)[day - int(self.fitted_on[end])] for end in ends])
        self._wear_out(ends, run * self.frailty[self.ends.unit[ends]] + numbers[ends])

    def _hazards(self, end: int) -> np.ndarray:
        """Hazard run through by each day since an adjuster's fitting, of a unit of frailty 1."""
        begun = int(self.fitted_on[end])
        km = self.roads.km[self.ends.unit[end], begun:]
        run = ((km - km[0]) / ADJUSTER_SCALE_KM) ** ADJUSTER_SHAPE
        if self.care is None:
            return np.asarray(run)
        return np.cumsum(np.diff(run, prepend=0.0) * self.care.hazard[end, begun:])

    def _run_out(self, ends: np.ndarray, hazard: np.ndarray) -> np.ndarray:
        """Day on which each adjuster has run through its hazard."""
        found = np.full(len(ends), NEVER)
        for i, end in enumerate(ends):
            run = self._hazards(end)[1:]
            place = int(np.searchsorted(run, hazard[i]))
            if place < len(run):
                found[i] = self.fitted_on[end] + 1 + place
        return found

    def _set(self, ends: np.ndarray, day: np.ndarray, kind: str) -> None:
        self.set_on[ends] = day
        self.ratio[ends] = 0.125 + 0.007 * self._normal(kind, ends)
        self.settings.enter(end=ends, day=day, ratio=self.ratio[ends])

    def _at(self, what: np.ndarray, ends: np.ndarray, day: np.ndarray) -> np.ndarray:
        return what[self.ends.unit[ends], np.broadcast_to(day, ends.shape).astype(int)]

    def visit(self, units: np.ndarray, day: np.ndarray, last: np.ndarray) -> None:
        """One check of some units, each on its day; ``last``: of all units, whether it is the last
        before they leave."""
        on = np.full(len(self.roads.depot), NEVER)
        on[units] = day
        self._draw(on[self.ends.unit])
        ends = np.flatnonzero(np.isfinite(on[self.ends.unit]))
        days = on[self.ends.unit[ends]]
        wear = self._at(self.roads.wear, ends, days)
        worn = self.rate[ends] * (wear - self._at(self.roads.wear, ends, self.start_on[ends]))
        lining = lining_mm(self.world, self.ends, ends, self.start_mm[ends], worn)
        reading = self._read(ends, lining)
        self._check(ends, days, reading)
        due = self._due(ends, days, reading - self.ends.minimum_mm[ends])
        due |= last[self.ends.unit[ends]] & self.world.handed_back
        self._reline(ends[due], days[due])

    def _read(self, ends: np.ndarray, lining: np.ndarray) -> np.ndarray:
        """What is read, in the steps that the fleet reads in; NaN where nobody did."""
        error = self.world.reading_sd * self._normal("reading", ends)
        found = np.maximum(lining + error, 0.0)
        if self.world.steps == "tenths":
            found = np.round(found, 1)
        else:
            halves, wholes = np.round(2.0 * found) / 2.0, np.round(found)
            heaped = 0.7 if self.world.steps == "heaped" else 0.0
            coarse = self.number["coarse"][ends] < heaped
            found = np.where(coarse, wholes, halves)
        found = np.where(self.number["unread"][ends] < self.world.unread, np.nan, found)
        if self.world.thinner_only:
            pairs = np.nan_to_num(found, nan=99.0).reshape(-1, 2)
            thicker = pairs > pairs.min(axis=1, keepdims=True)
            found = np.where(thicker.ravel(), np.nan, found)
        return found

    def _check(self, ends: np.ndarray, day: np.ndarray, reading: np.ndarray) -> None:
        """Stroke and return test; an adjuster found failed is replaced, one out of band set."""
        failed = self.fails_on[ends] <= day
        slack_on = np.where(failed, np.maximum(self.fails_on[ends], self.set_on[ends]), day)
        wear = self._at(self.roads.wear, ends, day) - self._at(self.roads.wear, ends, slack_on)
        true = stroke_mm(self.ends, ends, self.ratio[ends], self.rate[ends] * wear)
        stroke = np.round(true + 0.6 * self._normal("stroke", ends), 1)
        out = stroke > 0.16 * self.ends.arm_mm[ends]
        tested = out | (self.number["tested"][ends] < self.world.tested)
        found = failed & tested & (self.number["found"][ends] < self.world.found_by_test)
        self.checks.enter(
            end=ends, day=day, lining_mm=reading, stroke_mm=stroke, tested=tested, found=found
        )
        self.faults.enter(end=ends[found], day=day[found], replaced=np.ones(found.sum(), bool))
        self._fit(ends[found], day[found])
        reset = out & ~found
        self.faults.enter(end=ends[reset], day=day[reset], replaced=np.zeros(reset.sum(), bool))
        changed = found | reset
        self._set(ends[changed], day[changed], "set")

    def _due(self, ends: np.ndarray, day: np.ndarray, above: np.ndarray) -> np.ndarray:
        """Which of these wheel ends the fleet relines: on these readings, or soiled by oil."""
        oily = day < self.oil_stops if self.world.oil_ends else True
        soiled = (self.number["early"][ends] < self.world.oily) & oily
        return np.asarray((self._worn(ends, day, above) | soiled) & ~self._short(day))

    def _short(self, day: np.ndarray) -> np.ndarray:
        """Whether no linings are to be had on a day."""
        first, last = self.world.shortage
        ago = self.roads.closes_on + HALF_YEAR_DAYS - day
        return np.asarray((ago < first) & (ago >= last))

    def _worn(self, ends: np.ndarray, day: np.ndarray, above: np.ndarray) -> np.ndarray:
        """Which of these wheel ends the fleet relines on these readings."""
        world = self.world
        above = np.nan_to_num(above, nan=99.0)
        depot = self.roads.depot_on(self.ends.unit[ends], day)
        margin = np.array(world.margin)[depot]
        # Every unit is checked once in this time.
        begun = day - self.roads.closes_on
        margin = margin + world.campaign * ((begun >= 0) & (begun < world.check_days))
        changed = (day >= self.half_way) & ((depot == 0) | ~np.array(world.change_at_one))
        margin = margin + world.policy_change * changed
        margin = margin + world.lay_up * ((day - JANUARY) % YEAR < JANUARY_AND_FEBRUARY)
        if not world.rules:
            return self._by_rule(world.rule, ends, day, above, margin)
        due = [self._by_rule(rule, ends, day, above, margin) for rule in world.rules]
        return np.asarray(np.choose(depot, due))

    def _by_rule(
        self, rule: Rule, ends: np.ndarray, day: np.ndarray, above: np.ndarray, margin: np.ndarray
    ) -> np.ndarray:
        """Which of these wheel ends a rule relines, by readings above the minimum and margins."""
        world = self.world
        worst = np.repeat(above.reshape(-1, 2).min(axis=1), 2)
        match rule:
            case "own reading":
                pairs = (day >= self.half_way) & np.array(world.pairs_since)
                return np.asarray(np.where(pairs, worst, above) <= margin)
            case "whole unit":
                thin = np.repeat((worst <= margin).reshape(-1, 2 * AXLES).any(axis=1), 2 * AXLES)
                return np.asarray(thin & (worst <= margin + 4.0))
            case "calendar":
                return np.asarray((day - self.start_on[ends] >= YEARLY) | (worst <= 0.5))
            case "reading or age":
                return np.asarray((day - self.start_on[ends] >= TWO_YEARS) | (worst <= margin))
            case "sloppy":
                kinds = ("mood", "overlooked", "early")
                mood, luck, early = (self._axle_number(kind, ends) for kind in kinds)
                overlooked = luck < np.where(worst <= 0.0, 0.1, 0.35)
                return np.asarray(
                    ((worst <= margin + 3.0 * (mood - 0.5)) & ~overlooked) | (early < 0.01)
                )
            case "yearly service":
                # A quarter of the visits, each unit at its own time of the year.
                service = (day // 84 + self.ends.unit[ends]) % 4 == 0
                return np.asarray(((worst <= margin) & service) | (worst <= 0.3))
            case "looks ahead":
                return np.asarray(worst - A_CHECKS_WEAR * margin / 1.6 <= 0.3)
            case _:
                return np.asarray(worst <= margin)

    def _reline(self, ends: np.ndarray, day: np.ndarray) -> None:
        """Now, or some days after the check if the unit is there then."""
        kinds = ("late", "late_days", "unwritten")
        late, days, unwritten = (self._axle_number(kind, ends) for kind in kinds)
        done = day + np.where(late < self.world.late, 2 + np.floor(12 * days), 0)
        done = np.minimum(done, self.roads.days - 1)
        done = np.where(self._at(self.roads.there, ends, done), done, day)
        self._line(ends, done)
        self._log_lives(ends)
        self._set(ends, done, "set_again")
        self.relines.enter(end=ends, day=done, written=unwritten >= self.world.unwritten)


def lining_mm(
    world: World, every: Ends, ends: np.ndarray, start_mm: np.ndarray, worn_mm: np.ndarray
) -> np.ndarray:
    """Lining of some wheel ends that a mean lining's wear of so much has left of ``start_mm``."""
    if not world.quickening:
        return np.maximum(start_mm - worn_mm, 0.0)
    new = every.new_mm[ends]
    usable, doubled = new - every.minimum_mm[ends], 2.0 * world.quickening
    before = (1.0 - world.quickening) / doubled
    share = ((new - start_mm) / usable + before) * np.exp(doubled * worn_mm / usable) - before
    return np.asarray(np.maximum(new - usable * share, 0.0))


def room_mm(world: World, every: Ends, start_mm: np.ndarray) -> np.ndarray:
    """Mean wear that takes every wheel end's lining from ``start_mm`` to its minimum."""
    if not world.quickening:
        return start_mm - every.minimum_mm
    usable, doubled = every.new_mm - every.minimum_mm, 2.0 * world.quickening
    before = (1.0 - world.quickening) / doubled
    left = (1.0 + before) / ((every.new_mm - start_mm) / usable + before)
    return np.asarray(usable * np.log(left) / doubled)


def stroke_mm(ends: Ends, which: np.ndarray, ratio: np.ndarray, slack: np.ndarray) -> np.ndarray:
    """Free stroke [mm] when ``slack`` mm of wear were not taken up: the cam turns 90° over the
    lining's wear, common practice."""
    arm = ends.arm_mm[which]
    per_mm = arm * np.radians(90.0) / (ends.new_mm - ends.minimum_mm)[which]
    return np.asarray(np.minimum(arm * ratio + per_mm * slack, TRAVEL_MM))


def first_day(run_up: np.ndarray, unit: np.ndarray, level: np.ndarray) -> np.ndarray:
    """First day on which each unit's sum reaches a level; infinite beyond the days lived."""
    days = run_up.shape[1]
    # One search over all units' sums, set one above the other.
    step = run_up.max() + 1.0
    stacked = (run_up + step * np.arange(len(run_up))[:, None]).ravel()
    place = np.searchsorted(stacked, np.minimum(level, step - 0.5) + step * unit) - days * unit
    return np.where((level > run_up[unit, -1]) | (place >= days), NEVER, place)


def worked(workshop: Workshop, visits: np.ndarray) -> Workshop:
    """Every check in turn; what is left of adjusters drawn anew where the luck turns."""
    turn = workshop.luck.turn
    numbers = workshop.luck.anew(lambda rng: rng.standard_exponential(len(workshop.ends)))
    before = np.full(len(visits), -NEVER)
    leaves = np.isfinite(workshop.roads.leaves) & (workshop.roads.leaves < workshop.roads.days)
    last_day = np.max(np.where(np.isfinite(visits), visits, -1.0), axis=1)
    for day in visits.T:
        if turn is not None and numbers is not None:
            first = np.isfinite(day) & (before <= turn.day) & (day > turn.day)
            workshop.turn(np.flatnonzero(first), turn.day, numbers)
        units = np.flatnonzero(np.isfinite(day))
        workshop.visit(units, day[units], leaves & (day == last_day))
        before = day
    return workshop
