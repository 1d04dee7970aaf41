r"""Where units go from here: drawn visits to come, km run by each, absence and leaving.

Each interval to the next visit is one of the record's, its length and use together; the level of
use drifts; a unit leaves for good after a visit, with a hazard of its usual days between two.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.drawn.calendar import MOST_DUE, visits_due
from models.usage.drawn.rounds import DrawnRounds, drawn_rounds
from models.usage.fit import UsageFit
from models.usage.interval_distribution import IntervalSample

MOST_VISITS = 2_000


@dataclass(frozen=True, slots=True)
class DrawnIntervals:
    """The intervals of S samples, end to end, as B copies of a fleet may have them.

    ``samples`` (S,); ``of`` (pools, 2): which serves a pool, by whether the interval before was off
    the road; ``first`` and ``size`` (S,): where its intervals are in ``length``, ``use`` and
    ``off_road``. ``line``: cumulative weights of a sample's intervals, copy by copy, in one rising
    line: sample s's of copy b are between sB + b and sB + b + 1. ``due`` (S, :data:`MOST_DUE` + 1):
    how many of a sample's are shorter than those in which so many visits are due, and one more.
    ``rounds`` of the depots, where there are any; ``returns`` (B,): the day on which the use of
    before a young change comes back (None: it does in none).
    """

    samples: tuple[IntervalSample, ...]
    copies: int
    of: IntArray
    first: IntArray
    size: IntArray
    length: FloatArray
    use: FloatArray
    off_road: BoolArray
    line: FloatArray
    due: IntArray
    rounds: DrawnRounds | None
    returns: FloatArray | None = None

    def place(
        self,
        sample: IntArray,
        copy: IntArray,
        number: FloatArray,
        away: FloatArray | None,
        sets_out: "SettingOut",
    ) -> IntArray:
        """An interval of each one's sample, longer than the unit has been away (None: it has just
        been seen), by a uniform number and the weights of the unit's copy of the fleet."""
        size, first = self.size[sample], self.first[sample]
        begins, before = self.copies * first + copy * size, sample * self.copies + copy
        least: IntArray | int = 0
        reached = number
        if away is not None:
            least = np.zeros(len(number), np.int64)
            for s in np.unique(sample):
                here = np.flatnonzero((sample == s) & (away > 0.0))
                least[here] = self.samples[s].longer_than(away[here])
            gone = np.where(least > 0, self.line[begins + np.maximum(least - 1, 0)] - before, 0.0)
            reached = gone + number * (1.0 - gone)
        if self.rounds is not None:
            within = begins, before, least
            reached = self._in_rounds(self.rounds, sample, copy, reached, within, sets_out)
        place = np.searchsorted(self.line, reached + before, side="right") - begins
        return np.asarray(first + np.clip(place, least, size - 1))

    def _in_rounds(
        self,
        rounds: DrawnRounds,
        sample: IntArray,
        copy: IntArray,
        reached: FloatArray,
        within: tuple[IntArray, IntArray, IntArray | int],
        sets_out: "SettingOut",
    ) -> FloatArray:
        """What is ``reached`` of a sample's weights, moved by the depot's round among the intervals
        in which as many visits are due; ``within``: where a sample begins in the line, what stands
        there, and the first interval that may be drawn."""
        begins, before, least = within
        place = np.searchsorted(self.line, reached + before, side="right") - begins
        due = (place[:, None] >= self.due[sample, 1:MOST_DUE]).sum(axis=1)
        low, high = np.maximum(self.due[sample, due], least), self.due[sample, due + 1]
        below, above = (
            np.where(at > 0, self.line[begins + np.maximum(at - 1, 0)] - before, 0.0)
            for at in (low, high)
        )
        some = np.flatnonzero(above > below)
        below, width = below[some], (above - below)[some]
        own = (reached[some] - below) / width
        day = sets_out.day[some] + (due[some] + 1) * sets_out.usual_days[some]
        moved = reached.copy()
        moved[some] = below + width * rounds.moved(copy[some], sets_out.group[some], day, own)
        return moved


@dataclass(frozen=True, slots=True)
class SettingOut:
    """Units on the ``day`` on which their last visit was due (n,): ``group`` and ``usual_days``."""

    day: FloatArray
    group: IntArray
    usual_days: FloatArray


@dataclass(slots=True)
class UnitsNow:
    """Units of B copies of a fleet, end to end (B x U): day of the ``visit_day`` last visited and
    ``day`` reached, counted from as-of; by how much of a usual interval that visit was ``late``;
    whether they stood ``off_road``; ``log_level`` of km."""

    visit_day: FloatArray
    day: FloatArray
    late: FloatArray
    off_road: BoolArray
    log_level: FloatArray


@dataclass(frozen=True, slots=True)
class DrawnInterval:
    """From where each unit is to its next visit: days, km, and how it stands then."""

    days: FloatArray
    km: FloatArray
    late: FloatArray
    off_road: BoolArray
    log_level: FloatArray


def drawn_interval(
    usage: UsageFit,
    now: UnitsNow,
    usual_days: FloatArray,
    intervals: DrawnIntervals,
    number: FloatArray,
    normal: FloatArray,
    *,
    is_first: bool,
) -> DrawnInterval:
    """How long each unit stays away and how far it runs meanwhile, by a uniform number and a normal
    one each; ``is_first``: it has been away since ``now.visit_day`` already."""
    copies = len(now.day) // max(len(usage), 1)
    calendar = usage.interval_distribution.calendar
    behind = calendar.keeps * now.late
    away = -now.visit_day / usual_days if is_first else None
    by_calendar = None if away is None else calendar.unsteadied(away + behind)
    group, copy = np.tile(usage.group, copies), np.repeat(np.arange(copies), len(usage))
    sample = intervals.of[usage.interval_distribution.pool[group], now.off_road.astype(np.int64)]
    sets_out = SettingOut(now.visit_day - behind * usual_days, group, usual_days)
    place = intervals.place(sample, copy, number, by_calendar, sets_out)
    length, use, off = intervals.length[place], intervals.use[place], intervals.off_road[place]
    steady, due = calendar.steadied(length), visits_due(length)
    late = np.where(due > 0, steady - due - calendar.mean, 0.0)
    length = np.where(due > 0, steady - behind, length)
    if away is not None:
        # Away for longer than any: back within one usual interval, for all one knows.
        longest = intervals.length[intervals.first + intervals.size - 1][sample]
        length = np.where(by_calendar >= longest, away + number, length)
    end = np.maximum(now.visit_day + length * usual_days, now.day + 0.5)
    end = usage.closings.reopened(end, special.ndtr(normal), group)
    days = end - now.day
    drift = np.sqrt(usage.variances.drift_per_day * days) * normal
    moving = np.tile(~usage.stands_still, copies)
    # The level of a leg is that of its middle, as the filter has it.
    km = moving * np.exp(now.log_level + drift / 2.0) * use * days
    km = km * usage.mean_use(now.day, end, group)
    if intervals.returns is not None:
        km = km * usage.course.after_return(now.day, end, intervals.returns[copy])
    return DrawnInterval(days, km, late, off, now.log_level + drift)


def drawn_intervals(usage: UsageFit, copies: int, rng: np.random.Generator) -> DrawnIntervals:
    """Intervals weighted as each copy of the fleet may have them: the Bayesian bootstrap (Rubin
    1981, *Annals of Statistics* 9:130)."""

    def drawn(sample: IntervalSample) -> FloatArray:
        weight = sample.weight * rng.standard_exponential((copies, len(sample)), dtype=np.float32)
        total = np.cumsum(weight, axis=1)
        return np.asarray(total / total[:, -1:])

    found, intervals = _weighted(usage, copies, drawn), usage.interval_distribution
    rounds = drawn_rounds(intervals.rounds, copies, rng)
    return replace(found, rounds=rounds, returns=usage.course.drawn_returns(copies, rng))


def _weighted(
    usage: UsageFit, copies: int, weights: Callable[[IntervalSample], FloatArray]
) -> DrawnIntervals:
    """The intervals of all pools, each for itself; ``weights`` yields cumulative ones by copy
    (B, intervals)."""
    samples: list[IntervalSample] = []
    of = []
    for pool in usage.interval_distribution.pools:
        own = [pool.after_road, *([pool.after_standing] if pool.after_standing else [])]
        of.append((len(samples), len(samples) + len(own) - 1))
        samples += own
    size = np.array([len(sample) for sample in samples])
    copy = np.arange(copies)[:, None]
    lines = [(weights(of_s) + (s * copies + copy)).ravel() for s, of_s in enumerate(samples)]
    edges = np.arange(1, MOST_DUE) + 0.5
    due = [[0, *np.searchsorted(of_s.length, edges), len(of_s)] for of_s in samples]
    return DrawnIntervals(
        samples=tuple(samples),
        copies=copies,
        of=np.array(of),
        first=np.cumsum(size) - size,
        size=size,
        length=np.concatenate([sample.length for sample in samples]),
        use=np.concatenate([sample.use for sample in samples]),
        off_road=np.concatenate([sample.off_road for sample in samples]),
        line=np.concatenate(lines),
        due=np.array(due),
        rounds=None,
    )


@dataclass(frozen=True, slots=True)
class DrawnVisits:
    """V visits to come of the units of B copies of a fleet: (V, B, U).

    ``day`` after as-of, ``km`` run since each unit was last seen, and chance ``there`` that it is
    in the fleet then. Visits end beyond the horizon they were drawn to.
    """

    day: FloatArray
    km: FloatArray
    there: FloatArray


def drawn_visits(
    usage: UsageFit, horizon: float, copies: int, rng: np.random.Generator
) -> DrawnVisits:
    """Visits of every unit until each has had one beyond ``horizon`` days.

    They serve to take means over: the copies' numbers are spread evenly, by Latin hypercube
    sampling (McKay, Beckman & Conover 1979, *Technometrics* 21:239), and intervals keep the weights
    that they have on average.
    """
    shape = copies, len(usage)
    distribution = usage.interval_distribution
    level = usage.log_level + np.sqrt(usage.level_variance) * _even_normals(shape, rng)
    pace = distribution.pace + np.sqrt(distribution.pace_variance) * _even_normals(shape, rng)
    usual = (distribution.usual_days[usage.group] * np.exp(pace)).ravel()
    leave = distribution.leave
    leaving = special.gammaincinv(leave.shape, _even_numbers(shape, rng)) / leave.days
    intervals = _weighted(usage, copies, lambda sample: _mean_weights(sample, copies))
    intervals = replace(intervals, returns=usage.course.drawn_returns(copies, rng))
    now = UnitsNow(
        visit_day=np.tile(-usage.since_visit, copies),
        day=np.tile(-usage.since_seen, copies),
        late=np.tile(distribution.calendar.late, copies),
        off_road=np.tile(usage.off_now, copies),
        log_level=level.ravel(),
    )
    stays = np.exp(-leaving.ravel() * usual)
    run, there = np.zeros(usual.size), np.tile(usage.present, copies)
    visits: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    for visit in range(MOST_VISITS):
        if visit and (now.day >= horizon).all():
            break
        number, normal = _even_numbers(shape, rng).ravel(), _even_normals(shape, rng).ravel()
        found = drawn_interval(usage, now, usual, intervals, number, normal, is_first=visit == 0)
        there = there * stays if visit else there
        run = run + found.km
        now.day = now.visit_day = now.day + found.days
        now.late, now.off_road, now.log_level = found.late, found.off_road, found.log_level
        visits.append((now.day, run, there))
    day, km, chance = (np.array(each).reshape(-1, *shape) for each in zip(*visits, strict=True))
    return DrawnVisits(day, km, chance)


def _even_numbers(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """Uniform numbers (B, U): of each unit, one in every B-th of their range."""
    copies, units = shape
    part = rng.permuted(np.tile(np.arange(copies)[:, None], (1, units)), axis=0)
    return np.asarray((part + rng.random(shape)) / copies)


def _even_normals(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    return np.asarray(special.ndtri(_even_numbers(shape, rng)))


def _mean_weights(sample: IntervalSample, copies: int) -> FloatArray:
    """The same for every copy."""
    total = np.cumsum(sample.weight)
    return np.tile(total / total[-1], (copies, 1))
