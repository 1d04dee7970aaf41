"""Replacements as recurring events of a wheel end: how many by a given age, and at what pace.

The mean cumulative number M(t) of replacements per wheel end by age t adds, at every age s with
events, dM(s) = events at s / wheel ends watched at s; it assumes no distribution and no
independence between a wheel end's own events (Nelson 1995, *Technometrics* 37:147). Its robust
variance sums over clusters k, with n(s) watched in all and n_k(s) in the cluster,

    Var M(t) = sum_k D_k(t)²,   D_k(t) = sum_{s <= t} [events_k(s) - n_k(s) dM(s)] / n(s)

(Lawless & Nadeau 1995, *Technometrics* 37:158). A cluster is a wheel end, or a unit where the wheel
ends of one unit share its road. Watching covers ages in (start, end]; wheel ends enter late freely.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import optimize

from models.common.arrays import FloatArray
from models.common.distributions import normal_cdf, profile_cutoff, two_sided_z
from models.lives.fits.profile import Interval

IntArray: TypeAlias = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class WatchedWheelEnds:
    """Wheel ends watched over ages (start, end], and the ages of their replacements.

    start, end, cluster: (n,), cluster numbered 0 to clusters - 1; event_of: (e,), the wheel end
    (0 … n - 1) of each event; event_age: (e,). Raises ValueError when an event lies outside its
    wheel end's watching, or a watching has no length.
    """

    start: FloatArray
    end: FloatArray
    cluster: IntArray
    event_of: IntArray
    event_age: FloatArray

    def __post_init__(self) -> None:
        if np.any(self.end <= self.start) or np.any(self.start < 0.0):
            raise ValueError("every watching needs 0 <= start < end")
        begun, ended = self.start[self.event_of], self.end[self.event_of]
        if np.any((self.event_age <= begun) | (self.event_age > ended)):
            raise ValueError("an event lies outside the ages its wheel end was watched")


@dataclass(frozen=True, slots=True)
class MeanCumulative:
    """M at `ages` (a,), its robust standard error, limits (log transform), and who stood behind it.

    watched: wheel ends watched at each age; low = high = 0 before the first event.
    """

    ages: FloatArray
    expected: FloatArray
    se: FloatArray
    low: FloatArray
    high: FloatArray
    watched: FloatArray
    events: int
    wheel_ends: int
    level: float


@dataclass(frozen=True, slots=True)
class CumulativeDifference:
    """M of the first group minus the second's at `ages`, with limits and two-sided p at each."""

    ages: FloatArray
    difference: FloatArray
    se: FloatArray
    low: FloatArray
    high: FloatArray
    p: FloatArray
    level: float


@dataclass(frozen=True, slots=True)
class PowerLawProcess:
    """Poisson process with M(t) = (t / scale)^shape; above shape 1 the pace grows with age.

    Limits are profile-likelihood ones; they trust that events come independently.
    """

    shape: Interval
    scale: Interval
    loglik: float
    events: int
    wheel_ends: int
    words: str


def mean_cumulative(
    watched: WatchedWheelEnds, ages: FloatArray | None = None, level: float = 0.95
) -> MeanCumulative:
    """M and its limits at `ages`; without them, at every age with an event."""
    at = np.unique(watched.event_age) if ages is None else np.asarray(ages, float)
    expected, deviations = _expected_and_deviations(watched, at, _clusters(watched))
    se = np.sqrt(np.sum(deviations**2, axis=0))
    z = two_sided_z(level)
    widening = np.exp(z * se / np.where(expected > 0.0, expected, 1.0))
    return MeanCumulative(
        ages=at,
        expected=expected,
        se=se,
        low=expected / widening,
        high=expected * widening,
        watched=_watched_at(watched, at),
        events=watched.event_age.size,
        wheel_ends=watched.start.size,
        level=level,
    )


def cumulative_difference(
    first: WatchedWheelEnds, second: WatchedWheelEnds, ages: FloatArray, level: float = 0.95
) -> CumulativeDifference:
    """M(first) - M(second). Clusters with the same number in both groups are the same cluster.

    A unit that is in both groups moves both curves together; its two deviations are subtracted
    before they are squared, so that what it shares cancels.
    """
    at = np.asarray(ages, float)
    clusters = max(_clusters(first), _clusters(second))
    one, one_deviations = _expected_and_deviations(first, at, clusters)
    other, other_deviations = _expected_and_deviations(second, at, clusters)
    se = np.sqrt(np.sum((one_deviations - other_deviations) ** 2, axis=0))
    difference = one - other
    z = two_sided_z(level)
    p = 2.0 * normal_cdf(-np.abs(difference) / np.where(se > 0.0, se, np.inf))
    low, high = difference - z * se, difference + z * se
    return CumulativeDifference(at, difference, se, low, high, np.asarray(p), level)


def _clusters(watched: WatchedWheelEnds) -> int:
    return int(watched.cluster.max(initial=-1)) + 1


def _watched_at(watched: WatchedWheelEnds, ages: FloatArray) -> FloatArray:
    """Wheel ends watched at each age: started before it, not ended before it."""
    started = np.searchsorted(np.sort(watched.start), ages, "left")
    ended = np.searchsorted(np.sort(watched.end), ages, "left")
    return np.asarray(started - ended, float)


def _expected_and_deviations(
    watched: WatchedWheelEnds, at: FloatArray, clusters: int
) -> tuple[FloatArray, FloatArray]:
    """M at each age (a,) and D of each cluster at each age (clusters, a).

    D_k needs no table of clusters by event ages: its second part is the running sum of dM / n over
    the ages the cluster's wheel ends were watched.
    """
    ages, events = np.unique(watched.event_age, return_counts=True)
    number = _watched_at(watched, ages)
    step = events / number
    total, priced = np.append(0.0, np.cumsum(step)), np.append(0.0, np.cumsum(step / number))
    event_price = 1.0 / number[np.searchsorted(ages, watched.event_age)]
    event_cluster = watched.cluster[watched.event_of]

    def priced_to(age: FloatArray) -> FloatArray:
        return np.asarray(priced[np.searchsorted(ages, age, "right")])

    deviations = np.empty((clusters, at.size))
    for column, age in enumerate(at):
        seen = watched.event_age <= age
        own = np.bincount(event_cluster[seen], event_price[seen], minlength=clusters)
        run = priced_to(np.minimum(watched.end, age)) - priced_to(np.minimum(watched.start, age))
        deviations[:, column] = own - np.bincount(watched.cluster, run, minlength=clusters)
    return np.asarray(total[np.searchsorted(ages, at, "right")]), deviations


def fit_power_law(watched: WatchedWheelEnds, level: float = 0.95) -> PowerLawProcess | None:
    """The power-law (Weibull) process by maximum likelihood.

    None with fewer than two events, or where all come at the very start or end of the watching, so
    that no pace fits best.

    l = sum over events [log shape - shape log scale + (shape - 1) log t] - sum of
    (end^shape - start^shape) / scale^shape; for each shape the best scale has a closed form (Crow
    1974; Meeker & Escobar 1998, section 16.4).
    """
    if watched.event_age.size < 2 or np.ptp(watched.event_age) == 0.0:
        return None
    unit = float(watched.end.max())
    if _shape_score(watched, -7.0, unit) <= 0.0 or _shape_score(watched, 7.0, unit) >= 0.0:
        return None
    log_shape = float(optimize.brentq(lambda x: _shape_score(watched, x, unit), -7.0, 7.0))
    top = _power_law_profile(watched, log_shape, unit)
    floor = top - profile_cutoff(level)
    shape = np.exp(
        [log_shape, *_crossings(lambda x: _power_law_profile(watched, x, unit), log_shape, floor)]
    )
    log_scale = _log_power_law_scale(watched, float(shape[0]), unit)
    ends = _crossings(lambda x: _scale_profile(watched, x, log_shape, unit), log_scale, floor)
    scale = unit * np.exp([log_scale, *ends])
    events, wheel_ends = watched.event_age.size, watched.start.size
    return PowerLawProcess(
        Interval(*(float(value) for value in shape)),
        Interval(*(float(value) for value in scale)),
        top - events * float(np.log(unit)),
        events,
        wheel_ends,
        _pace_words(float(shape[1]), float(shape[2])),
    )


def _run(watched: WatchedWheelEnds, shape: float, unit: float) -> float:
    """Sum of end^shape - start^shape, ages in `unit`; by its exponent where they are nearly one."""
    start, end = watched.start / unit, watched.end / unit
    exponent = shape * np.log(end / np.where(start > 0.0, start, end))
    near = (start > 0.0) & (exponent < 1.0)
    close = start**shape * np.expm1(np.where(near, exponent, 0.0))
    return float(np.sum(np.where(near, close, end**shape - start**shape)))


def _shape_score(watched: WatchedWheelEnds, log_shape: float, unit: float) -> float:
    """Slope of the profile log-likelihood in the shape; it falls throughout."""
    shape, events = float(np.exp(log_shape)), watched.event_age.size
    start, end = watched.start / unit, watched.end / unit
    slope = _power_log(end, shape) - _power_log(start, shape)
    mean_log = float(np.log(watched.event_age / unit).sum()) / events
    return 1.0 / shape + mean_log - slope / _run(watched, shape, unit)


def _power_log(age: FloatArray, shape: float) -> float:
    """Sum of age^shape log age, 0 at age 0."""
    return float(np.sum(age**shape * np.log(np.where(age > 0.0, age, 1.0))))


def _log_power_law_scale(watched: WatchedWheelEnds, shape: float, unit: float) -> float:
    """The logarithm of the best scale for a shape, in `unit`: the scale itself may underflow."""
    return float(np.log(_run(watched, shape, unit) / watched.event_age.size)) / shape


def _power_law_value(
    watched: WatchedWheelEnds, shape: float, log_scale: float, unit: float
) -> float:
    log_ages = np.log(watched.event_age / unit)
    events = watched.event_age.size * (np.log(shape) - shape * log_scale)
    expected = _run(watched, shape, unit) * np.exp(np.clip(-shape * log_scale, -700.0, 700.0))
    return float(events + (shape - 1.0) * log_ages.sum() - expected)


def _power_law_profile(watched: WatchedWheelEnds, log_shape: float, unit: float) -> float:
    shape = float(np.exp(log_shape))
    return _power_law_value(watched, shape, _log_power_law_scale(watched, shape, unit), unit)


def _scale_profile(watched: WatchedWheelEnds, log_scale: float, near: float, unit: float) -> float:
    def value(log_shape: float) -> float:
        return _power_law_value(watched, float(np.exp(log_shape)), log_scale, unit)

    # Where wheel ends were not watched from new, there may be a second peak, far from the shape.
    steps = near + np.arange(-6, 7) / 2.0
    best = float(steps[np.argmax([value(float(step)) for step in steps])])
    found = optimize.minimize_scalar(
        lambda x: -value(float(x)),
        bounds=(best - 0.5, best + 0.5),
        method="bounded",
        options={"xatol": 1e-11},
    )
    return max(value(float(found.x)), value(best))


def _crossings(value: Callable[[float], float], top: float, floor: float) -> tuple[float, float]:
    """Where the function falls to `floor` on both sides of its peak; ±inf where it never does."""
    low, high = (_crossing(value, top, floor, side) for side in (-1.0, 1.0))
    return low, high


def _crossing(value: Callable[[float], float], top: float, floor: float, side: float) -> float:
    inside, outside = 0.0, 0.05
    while value(top + side * outside) > floor:
        inside, outside = outside, 2.0 * outside
        if outside > 100.0:
            return side * float("inf")
    root = optimize.brentq(lambda d: value(top + side * d) - floor, inside, outside, xtol=1e-12)
    return top + side * float(root)


def _pace_words(low: float, high: float) -> str:
    if low > 1.0:
        return "replacements come faster as the wheel end ages"
    if high < 1.0:
        return "replacements come more slowly as the wheel end ages"
    return "no change of pace with age can be shown"
