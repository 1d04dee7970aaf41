"""Profile-likelihood limits for shape, scale, B10, other quantiles, and survival at stated ages.

A limit of psi is where the log-likelihood, maximised over the other parameter nu, has fallen by
half a chi-square quantile. Each quantity is made a coordinate, so that psi can be held fixed:

| quantity      | psi                      | nu        | mu(psi, nu)         | tau |
|---------------|--------------------------|-----------|---------------------|-----|
| shape         | tau = log sigma          | mu        | nu                  | psi |
| p-quantile    | log t_p                  | log sigma | psi - z_p exp nu    | nu  |
| survival at t | z = (log t - mu) / sigma | log sigma | log t - psi exp nu  | nu  |

Newton solves the two equations (value = threshold, slope in nu = 0) for all limits at once
(Venzon & Moolgavkar 1988, *Applied Statistics* 37:87). A limit that does not certify is found
again by a bracketing search on the profile, and so is one at which another nu does better; one that
the likelihood never crosses is 0 or infinite.
Where adjusters of one unit are alike the drop is widened by the ratio of the quantity's variance
over units to the likelihood's own (``models.lives.fits.units``), and by Student's t for the units.
Limits keep to [0, 1] and transform with the quantity, where estimate ± SE limits mislead
(Meeker & Escobar 1998, ch. 8).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
import scipy

from models.common.arrays import BoolArray, FloatArray
from models.common.distributions import profile_cutoff, t_quantile
from models.lives.fits.data import LifeCounts
from models.lives.fits.distributions import LifeDistribution, StandardDistribution
from models.lives.fits.likelihood import (
    LogLikelihoodTerms,
    evaluate,
    likelihood_terms,
    log_likelihood,
)
from models.lives.fits.parametric import LifeFit

IntArray: TypeAlias = npt.NDArray[np.int64]
QuantityKind: TypeAlias = Literal["shape", "quantile", "survival"]
NEWTON_STEPS = 14
GRID = 81
NU_STEPS = np.linspace(-40.0, 40.0, GRID)  # standard errors about nu's estimate
# Fewer tell whether another nu does better at all: where it does, it does so by a wide margin.
FEW_STEPS = np.outer([-1.0, 1.0], [1.5, 3.0, 6.0, 12.0, 20.0, 30.0, 40.0]).ravel()
CERTAIN = 1e-6  # of log-likelihood: a limit is certified to a tenth of it
FURTHEST = 40.0  # psi is searched this many standard errors out before a side counts as open


@dataclass(frozen=True, slots=True)
class Quantity:
    """What to bound. `at`: the failed share for `quantile`, the age for `survival`, else unused."""

    kind: QuantityKind
    at: float = 0.0


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with two-sided confidence limits; a limit of 0 or inf means none was found."""

    estimate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class LifeIntervals:
    """Profile limits of one fit: shape, scale, B10, and survival at each of `ages`."""

    shape: Interval
    scale: Interval
    b10: Interval
    ages: FloatArray
    survival: tuple[Interval, ...]
    level: float


class _Coordinates(NamedTuple):
    """How K quantities move theta: tau_is_psi (K,), the fixed log age or 0, and z_p (K,)."""

    tau_is_psi: FloatArray
    log_age: FloatArray
    z_p: FloatArray
    is_survival: FloatArray


class _Profile(NamedTuple):
    """Log-likelihood in (psi, nu) coordinates: value and derivatives, each (K,)."""

    value: FloatArray
    d_psi: FloatArray
    d_nu: FloatArray
    d_psi_psi: FloatArray
    d_psi_nu: FloatArray
    d_nu_nu: FloatArray


class _Problem(NamedTuple):
    """One fit's likelihood with the K quantities as coordinates, and their estimates."""

    standard: StandardDistribution
    terms: LogLikelihoodTerms
    coordinates: _Coordinates
    psi_hat: FloatArray
    nu_hat: FloatArray
    threshold: FloatArray


def life_intervals(
    counts: LifeCounts, fit: LifeFit, ages: FloatArray | Sequence[float] = (), level: float = 0.95
) -> LifeIntervals:
    """Limits of shape, scale, B10 and survival at `ages` (> 0, in the unit of the counts)."""
    at = np.asarray(ages, float)
    quantities = [
        Quantity("shape"),
        Quantity("quantile", _scale_share(fit)),
        Quantity("quantile", 0.10),
        *(Quantity("survival", float(age)) for age in at),
    ]
    shape, scale, b10, *survival = profile_limits(counts, fit, quantities, level)
    return LifeIntervals(shape, scale, b10, at, tuple(survival), level)


def _scale_share(fit: LifeFit) -> float:
    """The failed share whose quantile is the scale: 1 - 1/e for Weibull, else the median."""
    return 1.0 - float(np.exp(-1.0)) if fit.name == "weibull" else 0.5


def profile_limits(
    counts: LifeCounts, fit: LifeFit, quantities: Sequence[Quantity], level: float = 0.95
) -> list[Interval]:
    """Two-sided limits of each quantity, found together. `level` in (0, 1)."""
    if not quantities:
        return []
    coordinates = _coordinates(fit.distribution.standard, quantities)
    psi_hat, nu_hat = _coordinates_of(coordinates, fit.theta)
    drop = _drops(coordinates, fit, level)
    problem = _Problem(
        fit.distribution.standard,
        likelihood_terms(counts),
        coordinates,
        psi_hat,
        nu_hat,
        fit.loglik - drop,
    )
    low, high = _both_limits(problem, drop)
    return [
        _interval(fit.distribution, quantity, *psi)
        for quantity, *psi in zip(quantities, psi_hat, low, high, strict=True)
    ]


def _drops(c: _Coordinates, fit: LifeFit, level: float) -> FloatArray:
    """How far the log-likelihood falls at each quantity's limits, (K,)."""
    mu, tau = fit.theta
    sigma = float(np.exp(tau))
    z = (c.log_age - mu) / sigma
    along_mu = np.where(c.is_survival > 0, -1.0 / sigma, 1.0 - c.tau_is_psi)
    along_tau = np.where(c.is_survival > 0, -z, np.where(c.tau_is_psi > 0, 1.0, c.z_p * sigma))
    slope = np.stack([along_mu, along_tau], axis=1)
    over_units, alone = (
        np.einsum("ki,ij,kj->k", slope, matrix, slope) for matrix in (fit.covariance, fit.naive)
    )
    drop = profile_cutoff(level)
    if np.isfinite(fit.units):
        drop = 0.5 * float(t_quantile(0.5 + level / 2, fit.units - 1.0)) ** 2
    return np.asarray(drop * over_units / alone)


def _coordinates(standard: StandardDistribution, quantities: Sequence[Quantity]) -> _Coordinates:
    kinds = np.array([quantity.kind for quantity in quantities])
    at = np.array([quantity.at for quantity in quantities])
    survival, quantile = kinds == "survival", kinds == "quantile"
    return _Coordinates(
        tau_is_psi=(kinds == "shape").astype(float),
        log_age=np.log(np.where(survival, at, 1.0)),
        z_p=np.where(quantile, standard.quantile(np.where(quantile, at, 0.5)), 0.0),
        is_survival=survival.astype(float),
    )


def _coordinates_of(c: _Coordinates, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    mu, tau = theta
    sigma = np.exp(tau)
    log_quantile, z = mu + c.z_p * sigma, (c.log_age - mu) / sigma
    psi = np.where(c.tau_is_psi > 0, tau, np.where(c.is_survival > 0, z, log_quantile))
    return psi, np.where(c.tau_is_psi > 0, mu, tau)


def _theta(c: _Coordinates, psi: FloatArray, nu: FloatArray) -> FloatArray:
    tau = np.where(c.tau_is_psi > 0, psi, nu)
    sigma = np.exp(tau)
    mu = np.where(c.is_survival > 0, c.log_age - psi * sigma, psi - c.z_p * sigma)
    return np.stack([np.where(c.tau_is_psi > 0, nu, mu), tau], axis=1)


def _profile_at(problem: _Problem, psi: FloatArray, nu: FloatArray) -> _Profile:
    """Chain rule from (mu, tau) to (psi, nu); tau is linear in them, mu is not."""
    c = problem.coordinates
    theta = _theta(c, psi, nu)
    at = evaluate(problem.standard, problem.terms, theta)
    sigma, free = np.exp(theta[:, 1]), 1.0 - c.tau_is_psi
    bend = sigma * (c.z_p + c.is_survival * psi) * free
    mu_psi = free * np.where(c.is_survival > 0, -sigma, 1.0)
    mu_nu = c.tau_is_psi - bend
    mu_psi_nu = -sigma * c.is_survival
    l_mu, l_tau = at.gradient.T
    l_mm, l_mt, l_tt = at.hessian[:, 0, 0], at.hessian[:, 0, 1], at.hessian[:, 1, 1]
    tau_psi, tau_nu = c.tau_is_psi, free
    return _Profile(
        at.value,
        l_mu * mu_psi + l_tau * tau_psi,
        l_mu * mu_nu + l_tau * tau_nu,
        l_mm * mu_psi**2 + 2.0 * l_mt * mu_psi * tau_psi + l_tt * tau_psi**2,
        l_mm * mu_psi * mu_nu
        + l_mt * (mu_psi * tau_nu + mu_nu * tau_psi)
        + l_tt * tau_psi * tau_nu
        + l_mu * mu_psi_nu,
        l_mm * mu_nu**2 + 2.0 * l_mt * mu_nu * tau_nu + l_tt * tau_nu**2 - l_mu * bend,
    )


def _both_limits(problem: _Problem, drop: FloatArray) -> tuple[FloatArray, FloatArray]:
    """psi at the lower and upper limit of every quantity."""
    count = problem.psi_hat.size
    side = np.repeat([-1.0, 1.0], count)
    doubled = problem._replace(
        coordinates=_Coordinates(*(np.tile(field, 2) for field in problem.coordinates)),
        psi_hat=np.tile(problem.psi_hat, 2),
        nu_hat=np.tile(problem.nu_hat, 2),
        threshold=np.tile(problem.threshold, 2),
    )
    reach = _standard_errors(doubled) * np.sqrt(2.0 * np.tile(drop, 2))
    with np.errstate(over="ignore", invalid="ignore"):
        psi, certified = _newton_limits(doubled, side, reach)
        certified &= ~_exceeded(doubled, psi)
    for k in np.flatnonzero(~certified):
        one = _some(doubled, np.array([k]))
        psi[k] = _searched_limit(one, float(side[k]), float(reach[k]))
    return psi[:count], psi[count:]


def _standard_errors(problem: _Problem) -> FloatArray:
    at = _profile_at(problem, problem.psi_hat, problem.nu_hat)
    information = -(at.d_psi_psi - at.d_psi_nu**2 / at.d_nu_nu)
    return 1.0 / np.sqrt(np.maximum(information, 1e-300))


def _newton_limits(
    problem: _Problem, side: FloatArray, reach: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Limits by simultaneous Newton, and which of them are certified.

    A step that strays so far that numbers overflow fails to certify, and is searched for instead.
    """
    top = _profile_at(problem, problem.psi_hat, problem.nu_hat)
    psi = problem.psi_hat + side * reach
    nu = problem.nu_hat - top.d_psi_nu / top.d_nu_nu * side * reach
    nu_reach = reach * np.abs(top.d_psi_nu / top.d_nu_nu) + 1.0 / np.sqrt(np.abs(top.d_nu_nu))
    certified = np.zeros(psi.size, bool)
    for _ in range(NEWTON_STEPS):
        rest = np.flatnonzero(~certified)
        part = _some(problem, rest)
        at = _profile_at(part, psi[rest], nu[rest])
        certified[rest] = _certified(part, at, psi[rest], side[rest])
        if certified.all():
            break
        d_psi, d_nu = _newton_step(at, part.threshold)
        longest = np.maximum(np.abs(d_psi) / reach[rest], np.abs(d_nu) / nu_reach[rest])
        shrink = np.where(certified[rest], np.inf, np.maximum(longest, 1.0))
        psi[rest] += d_psi / shrink
        nu[rest] += d_nu / shrink
    return psi, certified


@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def _exceeded(problem: _Problem, psi: FloatArray) -> BoolArray:
    """Where another nu makes the likelihood at psi higher than at the threshold: what Newton found
    there is a maximum over nu, but not the highest.

    With few failures entered late a profile may level off above the threshold, and never cross it.
    """
    nus, few = problem.nu_hat[:, None] + _nu_spread(problem)[:, None] * FEW_STEPS, len(FEW_STEPS)
    many = _Coordinates(*(np.repeat(field, few) for field in problem.coordinates))
    theta = _theta(many, np.repeat(psi, few), nus.ravel())
    values = log_likelihood(problem.standard, problem.terms, theta).reshape(-1, few)
    highest = np.nan_to_num(values, nan=-np.inf).max(axis=1)
    return np.asarray(highest > problem.threshold + CERTAIN)


def _nu_spread(problem: _Problem) -> FloatArray:
    """The standard error of nu, psi held at its estimate."""
    top = _profile_at(problem, problem.psi_hat, problem.nu_hat)
    return np.asarray(1.0 / np.sqrt(-top.d_nu_nu))


def _newton_step(at: _Profile, threshold: FloatArray) -> tuple[FloatArray, FloatArray]:
    gap = at.value - threshold
    determinant = at.d_psi * at.d_nu_nu - at.d_nu * at.d_psi_nu
    determinant = np.where(np.abs(determinant) > 1e-300, determinant, 1e-300)
    d_psi = -(gap * at.d_nu_nu - at.d_nu * at.d_nu) / determinant
    d_nu = -(at.d_psi * at.d_nu - at.d_psi_nu * gap) / determinant
    return d_psi, d_nu


def _certified(problem: _Problem, at: _Profile, psi: FloatArray, side: FloatArray) -> BoolArray:
    """On the threshold to 1e-7 log-likelihood units, at a maximum over nu, on the right side."""
    still_to_gain = at.d_nu**2 / np.maximum(-at.d_nu_nu, 1e-300)
    return np.asarray(
        (np.abs(at.value - problem.threshold) < 1e-7)
        & (still_to_gain < 1e-7)
        & (at.d_nu_nu < 0.0)
        & ((psi - problem.psi_hat) * side > 0.0)
        & (at.d_psi * side < 0.0)
    )


def _some(problem: _Problem, places: IntArray) -> _Problem:
    """The problem of the quantities at `places` only."""
    return problem._replace(
        coordinates=_Coordinates(*(field[places] for field in problem.coordinates)),
        psi_hat=problem.psi_hat[places],
        nu_hat=problem.nu_hat[places],
        threshold=problem.threshold[places],
    )


def _searched_limit(problem: _Problem, side: float, reach: float) -> float:
    """The nearest crossing of the profile by stepping out and bracketing; ±inf if there is none."""
    psi_hat, inside = float(problem.psi_hat[0]), 0.0

    def above(distance: float) -> float:
        return _profiled(problem, psi_hat + side * distance) - float(problem.threshold[0])

    outside = reach
    while above(outside) > 0.0:
        inside, outside = outside, 2.0 * outside
        if outside > FURTHEST * reach:
            return side * np.inf
    root = scipy.optimize.brentq(above, inside, outside, xtol=1e-6 * reach, rtol=1e-9)
    return psi_hat + side * float(root)


@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def _profiled(problem: _Problem, psi: float) -> float:
    """The log-likelihood at psi, maximised over nu: the best of a wide grid, then Newton.

    The grid's far ends overflow; they count as unlikely.
    """
    spread = float(_nu_spread(problem)[0])
    nus = float(problem.nu_hat[0]) + spread * NU_STEPS
    many = problem._replace(
        coordinates=_Coordinates(*(np.repeat(field, GRID) for field in problem.coordinates))
    )
    values = np.nan_to_num(_profile_at(many, np.full(GRID, psi), nus).value, nan=-np.inf)
    best, highest = nus[int(np.argmax(values))], float(values.max())
    for _ in range(12):
        at = _profile_at(problem, np.array([psi]), np.array([best]))
        highest = max(highest, float(at.value[0]))
        curvature = max(-float(at.d_nu_nu[0]), 1e-12)
        step = float(np.clip(at.d_nu[0] / curvature, -spread, spread))
        if not abs(step) > 1e-5 * spread:
            break
        best += step
    return highest


def _interval(
    distribution: LifeDistribution, quantity: Quantity, psi_hat: float, low: float, high: float
) -> Interval:
    """Limits on the published scale; a decreasing map swaps them."""
    standard = distribution.standard
    with np.errstate(over="ignore"):
        if quantity.kind == "shape":
            ends = [standard.shape(psi) for psi in (low, high)]
            return Interval(standard.shape(psi_hat), min(ends), max(ends))
        if quantity.kind == "quantile":
            return Interval(*(float(np.exp(psi)) for psi in (psi_hat, low, high)))
    estimate, s_low, s_high = (_survival(standard, psi) for psi in (psi_hat, high, low))
    return Interval(estimate, s_low, s_high)


def _survival(standard: StandardDistribution, z: float) -> float:
    if np.isinf(z):
        return 0.0 if z > 0 else 1.0
    return float(np.exp(standard.log_survival(np.array([z]))[0][0]))
