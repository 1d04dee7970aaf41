r"""Where units go from here: drawn visits to come, km run by each, absence and leaving.

Each interval to the next visit is one of the record's, its length and use together; the level of
use drifts; a unit leaves for good after a visit, with a hazard of its usual days between two.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.fit import UsageFit
from models.usage.interval_distribution import IntervalSample, Pool

MOST_VISITS = 2_000


@dataclass(frozen=True, slots=True)
class CopiesWeights:
    """Cumulative weights of a sample's intervals, (B, intervals), a row for each copy of the fleet;
    and the same in one rising line, copy b's between b and b + 1."""

    by_copy: FloatArray
    in_line: FloatArray

    @classmethod
    def of(cls, by_copy: FloatArray) -> "CopiesWeights":
        return cls(by_copy, (by_copy + np.arange(len(by_copy))[:, None]).ravel())


PoolWeights = tuple[tuple[CopiesWeights, CopiesWeights], ...]
"""By pool, and by whether the interval before was off the road."""


@dataclass(slots=True)
class UnitsNow:
    """Units of B copies of a fleet, end to end (B x U): day of the ``visit_day`` last visited and
    ``day`` reached, counted from as-of; whether they stood ``off_road``; ``log_level`` of km."""

    visit_day: FloatArray
    day: FloatArray
    off_road: BoolArray
    log_level: FloatArray


@dataclass(frozen=True, slots=True)
class DrawnInterval:
    """From where each unit is to its next visit: days, km, and how it stands then."""

    days: FloatArray
    km: FloatArray
    off_road: BoolArray
    log_level: FloatArray


def drawn_interval(
    usage: UsageFit,
    now: UnitsNow,
    usual_days: FloatArray,
    weights: PoolWeights,
    number: FloatArray,
    normal: FloatArray,
    *,
    is_first: bool,
) -> DrawnInterval:
    """How long each unit stays away and how far it runs meanwhile, by a uniform number and a normal
    one each; ``is_first``: it has been away since ``now.visit_day`` already."""
    copies = len(now.day) // max(len(usage), 1)
    away = -now.visit_day / usual_days if is_first else None
    length, use, off = np.ones_like(number), np.ones_like(number), np.zeros(len(number), bool)
    pool = np.tile(usage.interval_distribution.pool[usage.group], copies)
    copy = np.repeat(np.arange(copies), len(usage))
    for k, pool_of in enumerate(usage.interval_distribution.pools):
        for stood in (False, True):
            here = np.flatnonzero((now.off_road == stood) & (pool == k))
            if len(here) == 0:
                continue
            sample = pool_of.sample_after(stood)
            been = None if away is None else away[here]
            place = _place(sample, weights[k][stood], copy[here], number[here], been)
            length[here] = sample.length[place]
            if been is not None:
                # Away for longer than any: back within one usual interval, for all one knows.
                beyond = been >= sample.length[-1]
                length[here] = np.where(beyond, been + number[here], length[here])
            use[here], off[here] = sample.use[place], sample.off_road[place]
    end = np.maximum(now.visit_day + length * usual_days, now.day + 0.5)
    days = end - now.day
    drift = np.sqrt(usage.variances.drift_per_day * days) * normal
    moving = np.tile(~usage.stands_still, copies)
    # The level of a leg is that of its middle, as the filter has it.
    km = moving * np.exp(now.log_level + drift / 2.0) * use * days
    km = km * usage.season.mean(now.day, end)
    return DrawnInterval(days, km, off, now.log_level + drift)


def _place(
    sample: IntervalSample,
    weights: CopiesWeights,
    copy: IntArray,
    number: FloatArray,
    away: FloatArray | None,
) -> IntArray:
    """An interval, longer than the unit has been away (None: it has just been seen), by a uniform
    number and the weights of the unit's copy of the fleet."""
    size = len(sample)
    first: IntArray | int = 0
    reached = number
    if away is not None:
        first = np.where(away > 0.0, sample.longer_than(away), 0)
        start = np.where(first > 0, weights.by_copy[copy, np.maximum(first - 1, 0)], 0.0)
        reached = start + number * (1.0 - start)
    place = np.searchsorted(weights.in_line, reached + copy, side="right") - copy * size
    return np.asarray(np.clip(place, first, size - 1))


def drawn_weights(usage: UsageFit, copies: int, rng: np.random.Generator) -> PoolWeights:
    """Weights of the intervals as each copy of the fleet may have them."""
    return tuple(_pool_weights(p, copies, rng) for p in usage.interval_distribution.pools)


def _pool_weights(
    pool: Pool, copies: int, rng: np.random.Generator
) -> tuple[CopiesWeights, CopiesWeights]:
    """The Bayesian bootstrap (Rubin 1981, *Annals of Statistics* 9:130)."""

    def drawn(sample: IntervalSample) -> CopiesWeights:
        weight = sample.weight * rng.standard_exponential((copies, len(sample)), dtype=np.float32)
        total = np.cumsum(weight, axis=1)
        return CopiesWeights.of(np.asarray(total / total[:, -1:]))

    after_road = drawn(pool.after_road)
    if pool.after_standing is None:
        return after_road, after_road
    return after_road, drawn(pool.after_standing)


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
    weights = tuple(
        (_mean_weights(p.sample_after(False), copies), _mean_weights(p.sample_after(True), copies))
        for p in distribution.pools
    )
    now = UnitsNow(
        visit_day=np.tile(-usage.since_visit, copies),
        day=np.tile(-usage.since_seen, copies),
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
        found = drawn_interval(usage, now, usual, weights, number, normal, is_first=visit == 0)
        there = there * stays if visit else there
        run = run + found.km
        now.day = now.visit_day = now.day + found.days
        now.off_road, now.log_level = found.off_road, found.log_level
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


def _mean_weights(sample: IntervalSample, copies: int) -> CopiesWeights:
    """The same for every copy."""
    total = np.cumsum(sample.weight)
    return CopiesWeights.of(np.tile(total / total[-1], (copies, 1)))
