"""Log-likelihood of one group's counts under a log-location-scale distribution, and derivatives.

theta = (mu, tau), mu = log scale, tau = log sigma, z = (log age - mu) / sigma. With

    l = sum failed log[S(zL) - S(zR)] + sum censored log S(zC) - sum entered log S(zV)

(and log f - tau - log T for an exact age T), every derivative in theta follows from five weighted
sums of derivatives in z, because dz/dmu = -1/sigma and dz/dtau = -z. Everything is evaluated for a
whole batch of K thetas at once, so that profile limits of many quantities cost one pass each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.common.arrays import BoolArray, FloatArray
from models.lives.fits.data import LifeCounts
from models.lives.fits.distributions import StandardDistribution

# An interval this narrow against its age is a density times a width to 1e-12, and the difference
# of two survival probabilities would lose more than that to rounding.
NARROW = 1e-6
FAR = 1e60  # a search may stray to where squares of z would overflow


@dataclass(frozen=True, slots=True)
class LogLikelihoodTerms:
    """Log ages and weights of the likelihood's terms; survivors carry entries as negative counts.

    survivor_log_age, survivor_weight: (S,); exact_log_age, exact_weight: (E,);
    log_left (-inf at age 0), log_right, interval_weight: (I,); constant: the part free of theta.
    """

    survivor_log_age: FloatArray
    survivor_weight: FloatArray
    exact_log_age: FloatArray
    exact_weight: FloatArray
    log_left: FloatArray
    log_right: FloatArray
    interval_weight: FloatArray
    constant: float


class Evaluation(NamedTuple):
    """Log-likelihood (K,), gradient (K, 2) and Hessian (K, 2, 2) in (mu, tau)."""

    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray


class _Moments(NamedTuple):
    """Sums over terms: value, d1, d1 z, d2, d2 z, d2 z², each (K,); `z` stands for each own z."""

    value: FloatArray
    d1: FloatArray
    d1_z: FloatArray
    d2: FloatArray
    d2_z: FloatArray
    d2_zz: FloatArray


def likelihood_terms(counts: LifeCounts) -> LogLikelihoodTerms:
    """The terms of `counts`, same-age survivors and entries merged, age-0 terms dropped."""
    ages, weights = _merged(
        np.concatenate([counts.censored_at, counts.entry]),
        np.concatenate([counts.censored, -counts.entered]),
    )
    width = counts.right - counts.left
    exact = width <= NARROW * counts.right
    exact_age = 0.5 * (counts.left + counts.right)[exact]
    narrow = exact & (width > 0.0)
    log_widths = counts.failed[narrow] @ np.log(width[narrow])
    with np.errstate(divide="ignore"):
        log_left = np.log(counts.left[~exact])
    return LogLikelihoodTerms(
        survivor_log_age=np.log(ages),
        survivor_weight=weights,
        exact_log_age=np.log(exact_age),
        exact_weight=counts.failed[exact],
        log_left=log_left,
        log_right=np.log(counts.right[~exact]),
        interval_weight=counts.failed[~exact],
        constant=float(log_widths - counts.failed[exact] @ np.log(exact_age)),
    )


def _merged(age: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    ages, place = np.unique(age, return_inverse=True)
    weights = np.bincount(place, weights=weight, minlength=ages.size)
    keep = (ages > 0.0) & (weights != 0.0)
    return ages[keep], weights[keep]


def evaluate(
    standard: StandardDistribution, terms: LogLikelihoodTerms, theta: FloatArray
) -> Evaluation:
    """Log-likelihood and derivatives at each row of theta, shape (K, 2)."""
    mu, tau = theta[:, 0], theta[:, 1]
    sigma = np.exp(tau)
    parts = [
        _survivor_moments(standard, terms, mu, sigma),
        _exact_moments(standard, terms, mu, sigma),
        _interval_moments(standard, terms, mu, sigma),
    ]
    total = _Moments(*(sum(column) for column in zip(*parts, strict=True)))
    exact = terms.exact_weight.sum()
    value = total.value + terms.constant - exact * tau
    gradient = np.stack([-total.d1 / sigma, -total.d1_z - exact], axis=1)
    cross = (total.d2_z + total.d1) / sigma
    hessian = np.stack([total.d2 / sigma**2, cross, cross, total.d2_zz + total.d1_z], axis=1)
    return Evaluation(value, gradient, hessian.reshape(-1, 2, 2))


def log_likelihood(
    standard: StandardDistribution, terms: LogLikelihoodTerms, theta: FloatArray
) -> FloatArray:
    """Log-likelihood alone, at each row of theta."""
    mu, tau = theta[:, 0], theta[:, 1]
    sigma = np.exp(tau)
    alone = standard.log_survival_alone
    value = alone(_z(terms.survivor_log_age, mu, sigma)) @ terms.survivor_weight
    if terms.exact_weight.size:
        z = _z(terms.exact_log_age, mu, sigma)
        value = value + standard.log_density(z)[0] @ terms.exact_weight
    from_zero = np.isneginf(terms.log_left)
    left = alone(_z(np.where(from_zero, 0.0, terms.log_left), mu, sigma))
    left = np.where(from_zero, 0.0, left)
    step = np.maximum(left - alone(_z(terms.log_right, mu, sigma)), 1e-300)
    log_p = left + np.log(np.maximum(-np.expm1(-step), 1e-300))
    value = value + log_p @ terms.interval_weight
    return np.asarray(value + terms.constant - terms.exact_weight.sum() * tau)


def _z(log_age: FloatArray, mu: FloatArray, sigma: FloatArray) -> FloatArray:
    z = (log_age[None, :] - mu[:, None]) / sigma[:, None]
    return np.clip(z, -FAR, FAR)


def _one_age_moments(
    value: FloatArray, d1: FloatArray, d2: FloatArray, z: FloatArray, weight: FloatArray
) -> _Moments:
    d2_z = d2 * z
    return _Moments(
        value @ weight,
        d1 @ weight,
        (d1 * z) @ weight,
        d2 @ weight,
        d2_z @ weight,
        (d2_z * z) @ weight,
    )


def _survivor_moments(
    standard: StandardDistribution, terms: LogLikelihoodTerms, mu: FloatArray, sigma: FloatArray
) -> _Moments:
    z = _z(terms.survivor_log_age, mu, sigma)
    return _one_age_moments(*standard.log_survival(z), z, terms.survivor_weight)


def _exact_moments(
    standard: StandardDistribution, terms: LogLikelihoodTerms, mu: FloatArray, sigma: FloatArray
) -> _Moments:
    z = _z(terms.exact_log_age, mu, sigma)
    return _one_age_moments(*standard.log_density(z), z, terms.exact_weight)


def _interval_moments(
    standard: StandardDistribution, terms: LogLikelihoodTerms, mu: FloatArray, sigma: FloatArray
) -> _Moments:
    weight = terms.interval_weight
    from_zero = np.isneginf(terms.log_left)
    z_left = _z(np.where(from_zero, 0.0, terms.log_left), mu, sigma)
    z_right = _z(terms.log_right, mu, sigma)
    log_p, left, right = interval_derivatives(standard, z_left, z_right, from_zero)
    both_d1, both_d2 = left.d1 + right.d1, left.d2 + 2.0 * left.cross + right.d2
    d1_z = left.d1 * z_left + right.d1 * z_right
    left_pull = left.d2 * z_left + left.cross * z_right
    right_pull = right.d2 * z_right + left.cross * z_left
    return _Moments(
        log_p @ weight,
        both_d1 @ weight,
        d1_z @ weight,
        both_d2 @ weight,
        (left_pull + right_pull) @ weight,
        (left_pull * z_left + right_pull * z_right) @ weight,
    )


class EndDerivatives(NamedTuple):
    """d log P / d z of one end, its second derivative, and the cross derivative of both ends."""

    d1: FloatArray
    d2: FloatArray
    cross: FloatArray


def interval_derivatives(
    standard: StandardDistribution, z_left: FloatArray, z_right: FloatArray, from_zero: BoolArray
) -> tuple[FloatArray, EndDerivatives, EndDerivatives]:
    """log[S(z_left) - S(z_right)] and its derivatives in both ends; `from_zero` marks S(left) = 1.

    With H = -log S and q = 1 - exp(H_left - H_right), P = S(left) q, so that the densities over P
    are -d1_left / q and -d1_right (1 - q) / q, d1 the slopes of log S: nothing under- or overflows
    where both probabilities are near 1 or both near 0.
    """
    log_s_left, d1_left, _ = standard.log_survival(z_left)
    log_s_right, d1_right, _ = standard.log_survival(z_right)
    log_s_left, d1_left = np.where(from_zero, 0.0, log_s_left), np.where(from_zero, 0.0, d1_left)
    step = np.maximum(log_s_left - log_s_right, 1e-300)
    reached = np.exp(-step)
    gone = np.maximum(-np.expm1(-step), 1e-300)
    u_left = -d1_left / gone
    u_right = -d1_right * reached / gone
    slope_left, slope_right = (
        standard.density_slope(z_left, d1_left),
        standard.density_slope(z_right, d1_right),
    )
    cross = u_left * u_right
    left = EndDerivatives(-u_left, -u_left * (slope_left + u_left), cross)
    right = EndDerivatives(u_right, u_right * (slope_right - u_right), cross)
    return log_s_left + np.log(gone), left, right
