r"""What the number of failures found lately says of how many are to come.

A life is fitted to adjusters of known age. Checks find failures of all, of unknown age as well, and
how many they found of late is evidence that no life has been told: over the same checks a life
expects :math:`e_q` failures in quarter q, and :math:`y_q` were found. With a factor on the life's
hazard that is the same for all adjusters but drifts,

.. math:: y_q \sim \mathrm{Poisson}(θ_q e_q), \qquad θ \sim \mathrm{Gamma}(a_0, a_0)

:math:`e_q` is the chance to fail until the next look, summed over all that still worked at one, and
:math:`y - e` is a martingale (Aalen 1978, *Annals of Statistics* 6:701). Failures are few of those
that work, so that their number is nearly Poisson's and the gamma law conjugate: a quarter adds
:math:`y_q` to its shape and :math:`e_q` to its rate. From one quarter to the next the mean stays as
it is and the shape a becomes :math:`ωa + (1 - ω)a_0`: a level that drifts, and that is known no
worse than by the prior (Harvey & Fernandes 1989, *J. Business & Economic Statistics* 7:407, whose
shape goes to nought; West & Harrison 1997, *Bayesian Forecasting and Dynamic Models*, on
discounting). How much is forgotten is averaged over by how well each ω foretold every quarter from
those before it: the product of negative binomial probabilities. Steady counts remember all, a jump
forgets. Beside these stands that the life is right, θ = 1 for good: most of what was found has gone
into its fit, and where both agree the luck of a year's findings is no news.

Where no life is known, one of an assumed shape takes its place, of such a scale that it expects as
many as were found. It is no life of these adjusters, and no age is told by it: it says no more than
that adjusters of units that have run far fail more often, by how much is uncertain.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from models.common.arrays import FloatArray, IntArray
from models.lives.decisions.fleet import SMALLEST
from models.lives.fits.distributions import (
    ASSUMED_SHAPE,
    STANDARD_DISTRIBUTIONS,
    DistributionName,
    LifeDistribution,
)
from models.usage.year.season import QUARTER_DAYS

QUARTERS = 12
"""Quarters back from which findings count."""
FACTOR_SD = 0.5
REMEMBERED = np.array([0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0])
"""ω (K,), each as likely before any quarter was seen."""
PRIOR = FACTOR_SD**-2.0
RIGHT = 0.5
CERTAIN = 1e8
"""Shape of a gamma law that is as good as one number."""
LEAST_EXPECTED = 1e-9
SHAPE_LOG_SD = 0.35
START_KM = 400_000.0
STEPS = 12
"""The scale is sought from there, in so many steps: each errs by a fraction of the one before."""


@dataclass(frozen=True, slots=True)
class Watched:
    """Adjusters that worked at a look, until the next.

    start (n, K): equally likely ages [km] at the first look of all; from_km, to_km (n,): run since
    then at the two; quarter (n,): quarters ago of the second, from 0.
    """

    start: FloatArray
    from_km: FloatArray
    to_km: FloatArray
    quarter: IntArray

    def expected(self, life: LifeDistribution) -> FloatArray:
        """Failures expected of those that worked, (QUARTERS,), the latest first."""
        at_first = life.log_survival(self.start)
        before, after = (
            np.logaddexp.reduce(life.log_survival(self.start + km[:, None]) - at_first, axis=1)
            for km in (self.from_km, self.to_km)
        )
        fails = -np.expm1(after - before)
        return np.asarray(np.bincount(self.quarter, fails, QUARTERS), np.float64)


@dataclass(frozen=True, slots=True)
class AssumedLife:
    """A Weibull life of an assumed shape and of a scale [km] that ``found`` failures gave."""

    scale_km: float
    found: float

    @property
    def distribution(self) -> LifeDistribution:
        standard = STANDARD_DISTRIBUTIONS["weibull"]
        return LifeDistribution(
            standard, float(np.log(self.scale_km)), standard.log_sigma(ASSUMED_SHAPE)
        )

    @property
    def covariance(self) -> FloatArray:
        """Of (log scale, log sigma), (2, 2): Poisson's of so many found, and the assumption's."""
        return np.diag([1.0 / (self.found * ASSUMED_SHAPE**2), SHAPE_LOG_SD**2])

    @property
    def theta(self) -> FloatArray:
        return np.array([self.distribution.mu, self.distribution.log_sigma])

    @property
    def name(self) -> DistributionName:
        return self.distribution.standard.name


def assumed_life(
    watched_by: Callable[[LifeDistribution], Sequence[Watched]], found: float
) -> AssumedLife:
    """The one that expects as many as were ``found`` (> 0) among those that were watched; their
    ages at the first look may be those that it makes likely."""
    life = AssumedLife(START_KM, found)
    for _ in range(STEPS):
        distribution = life.distribution
        expected = expected_of(watched_by(distribution), distribution).sum()
        factor = (max(float(expected), SMALLEST) / found) ** (1.0 / ASSUMED_SHAPE)
        life = AssumedLife(life.scale_km * factor, found)
    return life


@dataclass(frozen=True)
class FoundFactor:
    """Factors on what is expected to come, by how many were found (Q,) of those expected (D, Q),
    the latest quarter first; ``right``: the chance, before any was found, that the life is right.
    """

    found: FloatArray
    expected: FloatArray
    right: float = RIGHT

    @cached_property
    def _known(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Weight of each ω and, last, of a life that is right; mean and shape of the factor now,
        (D, K + 1) each."""
        mean, shape, fit = (
            np.full((len(self.expected), len(REMEMBERED)), v) for v in (1.0, PRIOR, 0.0)
        )
        fit_right = np.zeros((len(self.expected), 1))
        for y, each in zip(self.found[::-1], self.expected[:, ::-1].T, strict=True):
            shape = _forgotten(shape, REMEMBERED)
            rate, e = shape / mean, np.maximum(each, LEAST_EXPECTED)[:, None]
            fit += special.gammaln(shape + y) - special.gammaln(shape)
            fit += shape * np.log(rate / (rate + e)) + y * np.log(e / (rate + e))
            fit_right += y * np.log(e) - e
            shape = shape + y
            mean = shape / (rate + e)
        prior = np.append(
            np.full(len(REMEMBERED), (1.0 - self.right) / len(REMEMBERED)), self.right
        )
        fit = np.hstack([fit, fit_right])
        weight = np.exp(fit - fit.max(axis=1, keepdims=True)) * prior
        weight /= weight.sum(axis=1, keepdims=True)
        known = np.ones((len(mean), 1))
        return weight, np.hstack([mean, known]), np.hstack([shape, CERTAIN * known])

    @property
    def mean(self) -> FloatArray:
        """Expected factor (D,), however far ahead."""
        weight, mean, _ = self._known
        return np.asarray((weight * mean).sum(axis=1))

    def drawn(self, days: FloatArray, rng: np.random.Generator) -> FloatArray:
        """A factor of each draw so many days (G,) from now (D, G): high throughout, or low, so that
        no total is told too narrowly."""
        weight, mean, shape = self._known
        draws = np.arange(len(weight))
        level, which = rng.random((2, len(weight), 1))
        chosen = np.minimum((weight.cumsum(axis=1) < which).sum(axis=1), len(REMEMBERED))
        now, ahead = shape[draws, chosen, None], days / QUARTER_DAYS
        shape_ahead = _forgotten(now, np.append(REMEMBERED, 1.0)[chosen, None] ** ahead)
        factor = special.gammaincinv(shape_ahead, level) / shape_ahead
        return np.asarray(mean[draws, chosen, None] * factor)


def _forgotten(shape: FloatArray, kept: FloatArray) -> FloatArray:
    return np.asarray(kept * shape + (1.0 - kept) * PRIOR)


def expected_of(watched: Sequence[Watched], life: LifeDistribution) -> FloatArray:
    """Failures expected over all of them, (QUARTERS,)."""
    each = [np.zeros(QUARTERS), *(part.expected(life) for part in watched)]
    return np.asarray(np.sum(each, axis=0), np.float64)
