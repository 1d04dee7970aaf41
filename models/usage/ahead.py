r"""Km that units will have run by a day: mean and variance in closed form.

From when unit u was last seen to t days after as-of,

.. math::
   K(t) = e^{a_u}\Big[f\,e + \int_0^t s(\tau)\{u_1 p(\tau) + u_0 (1 - p(\tau))\}\,d\tau\Big]

with :math:`a_u` its log level, e the days since it was seen and f the mean use of units that stayed
away so long, s the season, and p the chance to be on the road: a two-state Markov chain whose
occupancy has a closed mean and variance. Treated as lognormal with that mean and with relative
variance

.. math:: v(t) = P + q(e + t)/3 + \mathrm{Var}[\cdot]/E[\cdot]^2

(P the level's variance, q its drift per day: the mean of a random walk over t days varies by
:math:`qt/3`). The approximation is checked by simulation in the tests.

Months off the road are rare and long: their variance would make every unit's p10 to p90 too wide
while it hardly moves those points. It enters in proportion to the chance that the unit goes off the
road at all by t, in full from one in five.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.usage.fit import UsageFit

FULL_WEIGHT = 0.2


@dataclass(frozen=True, slots=True)
class KmAhead:
    """Mean km (same shape as asked) and variance of their logarithm."""

    mean_km: FloatArray
    log_variance: FloatArray

    def quantile(self, z: float) -> FloatArray:
        """Km at standard normal quantile z of the lognormal."""
        return self.mean_km * np.exp(z * np.sqrt(self.log_variance) - self.log_variance / 2.0)


@dataclass(frozen=True, slots=True)
class AwayNow:
    """What a unit's absence so far tells (U,): mean use and its variance, and chance on road."""

    use: FloatArray
    variance: FloatArray
    on_road: FloatArray


def away_now(usage: UsageFit) -> AwayNow:
    """Use since each unit was last seen, given that its interval is not over yet."""
    # Who has stood until the last visit, and of whose like too little is on record, stands on.
    use, on_road = (
        np.full(len(usage), usage.interval_distribution.use_off_road),
        np.zeros(len(usage)),
    )
    square = use**2
    age = usage.since_visit / usage.usual_days_now
    pool = usage.interval_distribution.pool[usage.group]
    for k, pool_of in enumerate(usage.interval_distribution.pools):
        for off, sample in ((False, pool_of.after_road), (True, pool_of.after_standing)):
            if sample is None:
                continue
            here = (pool == k) & (usage.off_now == off)
            first = sample.longer_than(age[here])
            use[here] = sample.mean_of_longer(sample.use)[first]
            square[here] = sample.mean_of_longer(sample.use**2)[first]
            on_road[here] = sample.mean_of_longer(1.0 - sample.lost)[first]
    return AwayNow(use, np.maximum(square - use**2, 0.0), on_road)


def days_run_before_leaving(usage: UsageFit) -> FloatArray:
    """Mean days from the last visit of a unit to the day on which it left, if it has (U,).

    Leaving comes at any moment alike, and so rather in a long interval than in a short one: its age
    then has the mean E[L²] / 2 E[L], L the intervals between visits (Cox 1962, *Renewal Theory*,
    5.4).
    """
    of_pool = []
    for pool in usage.interval_distribution.pools:
        length, weight = pool.after_road.length, pool.after_road.weight
        of_pool.append(float(weight @ length**2) / (2.0 * max(float(weight @ length), 1e-9)))
    shares = np.array(of_pool)[usage.interval_distribution.pool[usage.group]]
    return np.asarray(usage.usual_days * shares)


def days_on_road(usage: UsageFit, on_road: FloatArray, days: FloatArray) -> FloatArray:
    """Mean days on the road out of the next ``days``, from the chance to be on it now."""
    leaving, returning = usage.interval_distribution.leaving, usage.interval_distribution.returning
    turnover = leaving + returning
    settled = returning / turnover
    return np.asarray(settled * days + (on_road - settled) * -np.expm1(-turnover * days) / turnover)


def _occupancy_variance(usage: UsageFit, days: FloatArray) -> FloatArray:
    """Variance of days on the road: the stationary chain's, exact when p is at its limit."""
    turnover = usage.interval_distribution.leaving + usage.interval_distribution.returning
    share = usage.interval_distribution.returning / turnover
    x = turnover * days
    return np.asarray(2.0 * share * (1.0 - share) * (x + np.expm1(-x)) / turnover**2)


def km_on_road(usage: UsageFit, away: AwayNow, unit: IntArray, days: FloatArray) -> KmAhead:
    """Km from when each unit was last seen to when it has run ``days`` more on the road."""
    interval_distribution, elapsed = usage.interval_distribution, usage.since_seen[unit]
    group = usage.group[unit]
    since = usage.mean_use(-elapsed, np.zeros_like(elapsed), group)
    season = usage.mean_use(np.zeros_like(days), days, group)
    coming = season * interval_distribution.use_on_road * days
    full_days = away.use[unit] * elapsed * since + coming
    variance = away.variance[unit] * elapsed**2 + interval_distribution.noise_days * days
    return _lognormal(usage, unit, full_days, variance, elapsed + days)


def _lognormal(
    usage: UsageFit, unit: IntArray, full_days: FloatArray, variance: FloatArray, days: FloatArray
) -> KmAhead:
    """Km of so many days of full use with such a variance, over ``days`` of the calendar."""
    relative = variance / np.maximum(full_days, 1e-9) ** 2
    drift = usage.variances.drift_per_day * days / 3.0
    level = usage.level_variance[unit]
    moving = np.where(usage.stands_still[unit], 0.0, 1.0)
    mean = moving * np.exp(usage.log_level[unit] + level / 2.0) * full_days
    return KmAhead(mean, np.log1p(np.minimum(level + drift + relative, 25.0)))


def km_ahead(usage: UsageFit, away: AwayNow, unit: IntArray, days: FloatArray) -> KmAhead:
    """Km from when each unit was last seen to ``days`` after as-of.

    ``unit`` indexes the units of ``usage``; ``days`` broadcasts with it. Zero km for a unit that
    stands still.
    """
    interval_distribution, elapsed = usage.interval_distribution, usage.since_seen[unit]
    on = days_on_road(usage, away.on_road[unit], days)
    group = usage.group[unit]
    season = usage.mean_use(np.zeros_like(days), days, group)
    since = usage.mean_use(-elapsed, np.zeros_like(elapsed), group)
    coming = season * (
        interval_distribution.use_on_road * on + interval_distribution.use_off_road * (days - on)
    )
    full_days = away.use[unit] * elapsed * since + coming
    stays = away.on_road[unit] * np.exp(-interval_distribution.leaving * days)
    weight = np.minimum((1.0 - stays) / FULL_WEIGHT, 1.0)
    spread = (
        interval_distribution.use_on_road - interval_distribution.use_off_road
    ) ** 2 * _occupancy_variance(usage, days)
    spread = weight * spread
    variance = away.variance[unit] * elapsed**2 + interval_distribution.noise_days * on + spread
    return _lognormal(usage, unit, full_days, variance, elapsed + days)
