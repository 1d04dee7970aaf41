r"""Units that cost more, or less, than what they run explains; partially pooled.

A unit's cost C is a sum of jobs. With :math:`\phi = E[c^2]/E[c]` of one job's cost, :math:`C/\phi`
is near Poisson with mean :math:`\mu/\phi`, :math:`\mu` the cost its km make expected (a compound
Poisson sum matched in mean and variance: Fay & Feuer 1997, *Statistics in Medicine* 16:791). Units
differ by a factor, gamma around 1 with shape k, found by maximum likelihood of the negative
binomial that follows; given its costs, a unit's factor is gamma with shape :math:`k+C/\phi` and
rate :math:`k+\mu/\phi`: few jobs leave it near 1 (Clayton & Kaldor 1987, *Biometrics* 43:671).

A unit is named only where its costs lie outside limits that allow for how much units differ anyway
and for how many are looked at (Spiegelhalter 2005, *Statistics in Medicine* 24:1185).
"""

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from models.common.arrays import BoolArray, FloatArray
from models.common.distributions import gamma_quantile

NAMED_CHANCE = 0.05
"""Chance that a fleet in which no unit stands out has any named, on either side."""
MOST_ALIKE = 1e4
"""Shape above which units do not differ."""
LEAST_ALIKE = 1e-2


@dataclass(frozen=True, slots=True)
class UnitCosts:
    """Factors over what is expected, (U,): as they are, pooled with their limits (95 %), and the
    funnel's limits at each unit's expectation (99.8 %). ``named``: beyond what units differ anyway.
    ``spread``: SD of the units' factors; 0 where they do not differ beyond chance."""

    raw: FloatArray
    pooled: FloatArray
    low: FloatArray
    high: FloatArray
    funnel_low: FloatArray
    funnel_high: FloatArray
    named: BoolArray
    spread: float


def unit_costs(cost: FloatArray, expected: FloatArray, job_scale: float) -> UnitCosts:
    """Units (U,) with cost and expected cost (> 0), and ``job_scale``, the φ of the module's text.

    Raises
    ------
    ValueError
        If an expectation or the scale is not positive.
    """
    if not (job_scale > 0.0 and np.all(expected > 0.0)):
        raise ValueError("expected costs and the scale of a job's cost must be positive")
    seen, mean = cost / job_scale, expected / job_scale
    k = _shape(seen, mean)
    shape, rate = k + seen, k + mean
    return UnitCosts(
        raw=cost / expected,
        pooled=shape / rate,
        low=gamma_quantile(0.025, shape) / rate,
        high=gamma_quantile(0.975, shape) / rate,
        funnel_low=funnel_limit(mean, k, 0.001),
        funnel_high=funnel_limit(mean, k, 0.999),
        named=_named(seen, mean),
        spread=0.0 if k >= MOST_ALIKE else float(1.0 / np.sqrt(k)),
    )


def _named(seen: FloatArray, mean: FloatArray) -> BoolArray:
    """Units beyond what the others differ: how much is found without the unit that is judged, which
    would hide behind itself."""
    limit = NAMED_CHANCE / max(len(seen), 1) / 2.0
    named = np.minimum(*_tails(seen, mean, MOST_ALIKE)) < limit
    for u in np.flatnonzero(named):
        k = _shape(np.delete(seen, u), np.delete(mean, u))
        named[u] = np.min(_tails(seen[u : u + 1], mean[u : u + 1], k)) < limit
    return np.asarray(named)


def _shape(seen: FloatArray, mean: FloatArray) -> float:
    """Shape of the gamma law of factors, by maximum likelihood of the negative binomial."""

    def loss(log_k: float) -> float:
        k = np.exp(log_k)
        told = special.gammaln(k + seen) - special.gammaln(k) - special.gammaln(seen + 1.0)
        told += k * np.log(k / (k + mean)) + special.xlogy(seen, mean / (k + mean))
        return -float(told.sum())

    bounds = (np.log(LEAST_ALIKE), np.log(MOST_ALIKE))
    found = optimize.minimize_scalar(loss, bounds=bounds, method="bounded")
    # Where nothing is gained by letting units differ, they do not.
    return MOST_ALIKE if loss(bounds[1]) - float(found.fun) < 0.5 else float(np.exp(found.x))


def _tails(seen: FloatArray, mean: FloatArray, k: float) -> tuple[FloatArray, FloatArray]:
    """Chance of as much or more, and of as little or less (between whole numbers, in between)."""
    share = k / (k + mean)
    more = 1.0 - special.betainc(k, np.maximum(seen, 1e-9), share)
    less = special.betainc(k, seen + 1.0, share)
    return np.asarray(more), np.asarray(less)


def funnel_limit(mean: FloatArray, k: float, chance: float) -> FloatArray:
    """Factor below which ``chance`` of units with such an expectation lie: where the chance of as
    little or less (``_tails``) is that, or nought where already no cost at all is likelier."""
    seen = special.btdtrib(k, chance, k / (k + mean)) - 1.0
    return np.asarray(np.maximum(seen, 0.0) / mean)
