r"""What the number of failures found lately says of how many are to come.

A life is fitted to adjusters of known age. Checks find failures of all, of unknown age as well, and
how many they found of late is evidence that no life has been told: over the same checks a life
expects :math:`e_q` failures in quarter q, and :math:`y_q` were found. With a factor on the life's
hazard that is the same for all adjusters but drifts,

.. math:: y_q \sim \mathrm{Poisson}(θ_q e_q), \qquad θ \sim \mathrm{Gamma}(a_0, a_0)

:math:`e_q` is the cumulative hazard of those still working between two looks, and :math:`y - e` is
a martingale (Aalen 1978, *Annals of Statistics* 6:701), so that the gamma law is conjugate: a
quarter adds :math:`y_q` to its shape and :math:`e_q` to its rate. Between quarters what is known is
forgotten in part, the law becoming the geometric mean of itself and of the prior, with weights ω
and 1 - ω: still a gamma law (Harvey & Fernandes 1989, *J. Business & Economic Statistics* 7:407,
without a prior to return to; Kulhavy & Zarrop 1993, *Int. J. Control* 58:905, with one). How much
is forgotten is averaged over by how well each ω foretold every quarter from those before it: the
product of negative binomial probabilities. Steady counts remember all, a jump forgets.

Where no life is known, the same holds beside a constant rate per km, which is no life: it says how
many are found, not at which age one fails.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from models.common.arrays import FloatArray, IntArray
from models.lives.fits.distributions import (
    STANDARD_DISTRIBUTIONS,
    DistributionName,
    LifeDistribution,
)

QUARTERS = 12
"""Quarters back from which findings count."""
QUARTER_DAYS = 365.25 / 4.0
FACTOR_SD = 0.3
REMEMBERED = np.array([0.6, 0.7, 0.8, 0.9, 0.95, 1.0])
"""ω (K,), each as likely before any quarter was seen."""
PRIOR = FACTOR_SD**-2.0
LEAST_EXPECTED = 1e-9


@dataclass(frozen=True, slots=True)
class Watched:
    """Adjusters between two looks, by quarters that are over.

    start (n, K): equally likely ages [km] at the first look; from_km, to_km (n,): run since then at
    the quarter's first and last; quarter (n,): quarters ago, from 0.
    """

    start: FloatArray
    from_km: FloatArray
    to_km: FloatArray
    quarter: IntArray

    def expected(self, life: LifeDistribution) -> FloatArray:
        """Failures expected of those that worked, (QUARTERS,), the latest first."""
        before, after = (
            special.logsumexp(life.log_survival(self.start + km[:, None]), axis=1)
            for km in (self.from_km, self.to_km)
        )
        return np.asarray(np.bincount(self.quarter, before - after, QUARTERS), np.float64)


@dataclass(frozen=True, slots=True)
class ConstantRate:
    """Failures found per km where no life is known: ``found`` of them over ``km``, with the gamma
    posterior of Jeffreys' prior, its logarithm to first order."""

    found: float
    km: float

    @property
    def distribution(self) -> LifeDistribution:
        standard = STANDARD_DISTRIBUTIONS["weibull"]
        mean_km = self.km / (self.found + 0.5)
        return LifeDistribution(standard, float(np.log(mean_km)), standard.log_sigma(1.0))

    @property
    def covariance(self) -> FloatArray:
        """Of (log scale, log sigma), (2, 2); the rate is constant for certain, all but rounding."""
        return np.diag([1.0 / (self.found + 0.5), 1e-12])

    @property
    def theta(self) -> FloatArray:
        return np.array([self.distribution.mu, self.distribution.log_sigma])

    @property
    def name(self) -> DistributionName:
        return self.distribution.standard.name


@dataclass(frozen=True)
class FoundFactor:
    """Factors on what is expected to come, by how many were found (Q,) of those expected (D, Q),
    the latest quarter first."""

    found: FloatArray
    expected: FloatArray

    @cached_property
    def _known(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Weight of each ω, and shape and rate of the factor now, (D, K) each."""
        keep = REMEMBERED
        shape, rate, fit = (
            np.full((len(self.expected), len(keep)), v) for v in (PRIOR, PRIOR, 0.0)
        )
        for y, e in zip(self.found[::-1], self.expected[:, ::-1].T, strict=True):
            shape, rate = (keep * v + (1.0 - keep) * PRIOR for v in (shape, rate))
            e = np.maximum(e, LEAST_EXPECTED)[:, None]
            fit += special.gammaln(shape + y) - special.gammaln(shape)
            fit += shape * np.log(rate / (rate + e)) + y * np.log(e / (rate + e))
            shape, rate = shape + y, rate + e
        weight = np.exp(fit - fit.max(axis=1, keepdims=True))
        return weight / weight.sum(axis=1, keepdims=True), shape, rate

    def mean(self, days: FloatArray) -> FloatArray:
        """Expected factor (D, G) so many days (G,) from now."""
        weight, shape, rate = self._known
        kept = REMEMBERED[:, None] ** (days / QUARTER_DAYS)
        ahead = [(kept * v[..., None] + (1.0 - kept) * PRIOR) for v in (shape, rate)]
        return np.asarray(np.einsum("dk,dkg->dg", weight, ahead[0] / ahead[1]))

    def drawn(self, days: FloatArray, rng: np.random.Generator) -> FloatArray:
        """A factor of each draw (D, G): high throughout, or low, so that no total is told too
        narrowly."""
        weight, shape, rate = self._known
        draws = np.arange(len(weight))
        level = rng.random(len(weight))
        chosen = (weight.cumsum(axis=1) < rng.random(len(weight))[:, None]).sum(axis=1)
        chosen = np.minimum(chosen, len(REMEMBERED) - 1)
        kept = REMEMBERED[chosen, None] ** (days / QUARTER_DAYS)
        a, b = (kept * v[draws, chosen, None] + (1.0 - kept) * PRIOR for v in (shape, rate))
        return np.asarray(special.gammaincinv(a, level[:, None]) / b)


def expected_of(watched: Sequence[Watched], life: LifeDistribution) -> FloatArray:
    """Failures expected over all of them, (QUARTERS,)."""
    each = [np.zeros(QUARTERS), *(part.expected(life) for part in watched)]
    return np.asarray(np.sum(each, axis=0), np.float64)
