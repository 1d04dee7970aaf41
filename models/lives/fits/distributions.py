"""The three life distributions, as one location-scale family in log age.

An age T [km or weeks] follows a log-location-scale law when z = (log T - mu) / sigma has a standard
law that is free of parameters (Meeker & Escobar 1998, *Statistical Methods for Reliability Data*,
ch. 4). Here: smallest extreme value (T is Weibull), normal (lognormal), logistic (log-logistic).

| name          | survival S(z)      | published shape | published scale        |
|---------------|--------------------|-----------------|------------------------|
| `weibull`     | exp(-exp z)        | 1 / sigma       | exp mu, the 63.2 % age |
| `lognormal`   | Phi(-z)            | sigma           | exp mu, the median     |
| `loglogistic` | 1 / (1 + exp z)    | 1 / sigma       | exp mu, the median     |

The shape follows each family's own custom: a lognormal's is sigma, the other two's is 1 / sigma.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from scipy import special

from models.common.arrays import FloatArray

Derivatives: TypeAlias = tuple[FloatArray, FloatArray, FloatArray]
DistributionName: TypeAlias = Literal["weibull", "lognormal", "loglogistic"]

ASSUMED_SHAPE = 2.0  # wear-out that is neither sudden nor random: common practice, no source
Z_LIMIT = 300.0  # beyond it exp(2 z) would overflow; every probability there is 0 or 1
HALF_LOG_2PI = 0.5 * np.log(2.0 * np.pi)
ROOT_2_OVER_PI, ROOT_HALF = np.sqrt(2.0 / np.pi), np.sqrt(0.5)


@dataclass(frozen=True, slots=True)
class StandardDistribution:
    """A parameter-free law of z with first and second derivatives of its logarithms in z.

    `log_survival` and `log_density` map an array of z to (value, first, second derivative);
    `log_survival_alone` to the value, where that is all that is wanted.
    `density_slope` maps z and the first derivative of log survival to that of log density.
    `quantile` maps a failed share p to z.
    """

    name: DistributionName
    log_survival: Callable[[FloatArray], Derivatives]
    log_survival_alone: Callable[[FloatArray], FloatArray]
    log_density: Callable[[FloatArray], Derivatives]
    density_slope: Callable[[FloatArray, FloatArray], FloatArray]
    quantile: Callable[[FloatArray], FloatArray]

    def shape(self, log_sigma: float) -> float:
        """The published shape for a log sigma; see the module's table."""
        return float(np.exp(log_sigma if self.name == "lognormal" else -log_sigma))

    def log_sigma(self, shape: float) -> float:
        """The log sigma for a published shape, the inverse of `shape`."""
        return float(np.log(shape) if self.name == "lognormal" else -np.log(shape))


def _extreme_value_survival_alone(z: FloatArray) -> FloatArray:
    return -np.exp(np.minimum(z, Z_LIMIT))


def _extreme_value_survival(z: FloatArray) -> Derivatives:
    hazard = _extreme_value_survival_alone(z)
    return hazard, hazard, hazard


def _extreme_value_density(z: FloatArray) -> Derivatives:
    hazard = np.exp(np.minimum(z, Z_LIMIT))
    return z - hazard, 1.0 - hazard, -hazard


def _extreme_value_slope(_z: FloatArray, d1: FloatArray) -> FloatArray:
    return 1.0 + d1


def _extreme_value_quantile(p: FloatArray) -> FloatArray:
    return np.log(-np.log1p(-p))


def _normal_survival_alone(z: FloatArray) -> FloatArray:
    return np.asarray(special.log_ndtr(-z))


def _normal_survival(z: FloatArray) -> Derivatives:
    mills = ROOT_2_OVER_PI / np.asarray(special.erfcx(z * ROOT_HALF))  # density over survival
    return _normal_survival_alone(z), -mills, -mills * np.maximum(mills - z, 0.0)


def _normal_density(z: FloatArray) -> Derivatives:
    return -0.5 * z * z - HALF_LOG_2PI, -z, np.full_like(z, -1.0)


def _normal_slope(z: FloatArray, _d1: FloatArray) -> FloatArray:
    return -z


def _normal_quantile(p: FloatArray) -> FloatArray:
    return np.asarray(special.ndtri(p))


def _logistic_survival_alone(z: FloatArray) -> FloatArray:
    return -np.logaddexp(0.0, z)


def _logistic_survival(z: FloatArray) -> Derivatives:
    failed = special.expit(z)
    return _logistic_survival_alone(z), -failed, -failed * special.expit(-z)


def _logistic_density(z: FloatArray) -> Derivatives:
    failed = special.expit(z)
    return z - 2.0 * np.logaddexp(0.0, z), 1.0 - 2.0 * failed, -2.0 * failed * special.expit(-z)


def _logistic_slope(_z: FloatArray, d1: FloatArray) -> FloatArray:
    return 1.0 + 2.0 * d1


def _logistic_quantile(p: FloatArray) -> FloatArray:
    return np.asarray(special.logit(p))


WEIBULL = StandardDistribution(
    "weibull",
    _extreme_value_survival,
    _extreme_value_survival_alone,
    _extreme_value_density,
    _extreme_value_slope,
    _extreme_value_quantile,
)
LOGNORMAL = StandardDistribution(
    "lognormal",
    _normal_survival,
    _normal_survival_alone,
    _normal_density,
    _normal_slope,
    _normal_quantile,
)
LOGLOGISTIC = StandardDistribution(
    "loglogistic",
    _logistic_survival,
    _logistic_survival_alone,
    _logistic_density,
    _logistic_slope,
    _logistic_quantile,
)
STANDARD_DISTRIBUTIONS: dict[DistributionName, StandardDistribution] = {
    standard.name: standard for standard in (WEIBULL, LOGNORMAL, LOGLOGISTIC)
}


@dataclass(frozen=True, slots=True)
class LifeDistribution:
    """One distribution with its parameters: mu = log scale, sigma = spread of log age.

    >>> half = LifeDistribution(WEIBULL, mu=np.log(50_000.0), log_sigma=0.0)
    >>> round(float(half.survival(np.array([50_000.0]))[0]), 4)
    0.3679
    """

    standard: StandardDistribution
    mu: float
    log_sigma: float

    @property
    def sigma(self) -> float:
        return float(np.exp(self.log_sigma))

    @property
    def shape(self) -> float:
        return self.standard.shape(self.log_sigma)

    @property
    def scale(self) -> float:
        return float(np.exp(self.mu))

    def standardised(self, age: FloatArray) -> FloatArray:
        """z = (log age - mu) / sigma, -inf at age 0."""
        with np.errstate(divide="ignore"):
            return np.asarray((np.log(np.asarray(age, float)) - self.mu) / self.sigma)

    def log_survival(self, age: FloatArray) -> FloatArray:
        """log S(age), 0 at age 0."""
        z = np.maximum(self.standardised(age), -1e6)
        return self.standard.log_survival_alone(z)

    def survival(self, age: FloatArray) -> FloatArray:
        return np.exp(self.log_survival(age))

    def failed(self, age: FloatArray) -> FloatArray:
        """F(age) = 1 - S(age), to full relative precision where it is small."""
        return -np.expm1(self.log_survival(age))

    def density(self, age: FloatArray) -> FloatArray:
        """Failures per unit of age, for ages above 0."""
        z = self.standardised(age)
        return np.exp(self.standard.log_density(z)[0]) / (self.sigma * np.asarray(age, float))

    def hazard(self, age: FloatArray) -> FloatArray:
        """Failures per unit of age among survivors, for ages above 0."""
        z = self.standardised(age)
        return -self.standard.log_survival(z)[1] / (self.sigma * np.asarray(age, float))

    def quantile(self, failed_share: FloatArray | float) -> FloatArray:
        """The age by which `failed_share` of items have failed; 0.10 gives the B10 life."""
        z = self.standard.quantile(np.asarray(failed_share, float))
        return np.exp(self.mu + self.sigma * z)

    def mean(self) -> float:
        """The mean life; infinite for a log-logistic with shape at most 1, or beyond 1e308."""
        if self.standard.name == "loglogistic":
            return self.scale / float(np.sinc(self.sigma)) if self.sigma < 1.0 else float("inf")
        beyond_scale = 0.5 * self.sigma**2
        if self.standard.name == "weibull":
            beyond_scale = float(special.gammaln(1.0 + self.sigma))
        with np.errstate(over="ignore"):
            return float(np.exp(self.mu + beyond_scale))

    def mean_until(self, age: FloatArray) -> FloatArray:
        """Expected age run up to failure or `age`, whichever is first: the integral of survival."""
        age = np.asarray(age, float)
        if self.standard.name == "weibull":
            hazard = -self.log_survival(age)
            return np.asarray(self.mean() * special.gammainc(self.sigma, hazard))
        if self.standard.name == "lognormal":
            early = special.ndtr(self.standardised(age) - self.sigma)
            return np.asarray(age * self.survival(age) + self.mean() * np.asarray(early))
        odds = np.exp(np.minimum(self.standardised(age), Z_LIMIT))
        return np.asarray(age * special.hyp2f1(1.0, self.sigma, 1.0 + self.sigma, -odds))

    def quantile_beyond(self, age: FloatArray, uniform: FloatArray) -> FloatArray:
        """The age at failure of items that have reached `age`, from uniform draws in (0, 1)."""
        log_share = self.log_survival(age) + np.log(uniform)
        return np.maximum(self._age_of_log_survival(log_share), age)

    def _age_of_log_survival(self, log_s: FloatArray) -> FloatArray:
        if self.standard.name == "weibull":
            z = np.log(-log_s)
        elif self.standard.name == "lognormal":
            z = -np.asarray(special.ndtri_exp(log_s))
        else:
            z = -log_s + np.log(-np.expm1(log_s))
        return np.exp(self.mu + self.sigma * z)


def life_distribution(name: DistributionName, shape: float, scale: float) -> LifeDistribution:
    """A distribution from its published shape and scale (> 0; scale in the unit of age)."""
    if not (shape > 0.0 and scale > 0.0):
        raise ValueError(f"shape and scale must be positive, found {shape} and {scale}")
    standard = STANDARD_DISTRIBUTIONS[name]
    return LifeDistribution(standard, float(np.log(scale)), standard.log_sigma(shape))
