"""How much units differ beyond what the records say of them: a gamma frailty shared by a unit.

All adjusters of a unit have their hazards multiplied by one unseen factor w, gamma with mean 1 and
variance v over units at the start of their adjusters' lives (Vaupel, Manton & Stallard 1979;
Duchateau & Janssen 2008, *The Frailty Model*). With C the hazard a unit's adjusters ran through
from age 0 to their last good ages, V that up to their entries, B_i those of its d failure
intervals, k = 1/v, and f failures in all,

    L = E[w^(f-d) e^(-wC) prod (1 - e^(-w B_i))] / E[e^(-wV)],     E[e^(-wV)] = (1 + v V)^(-k).

Without failures the numerator is closed as well. With them w^f e^(-wC) makes another gamma, under
which prod (1 - e^(-w B_i)) / w is smooth: Gauss-Laguerre quadrature with a few nodes gives it to
rounding error. Entries count as survivors of the same factor; where failed adjusters were replaced
before records began, that is an approximation.

Ratios from this model hold within a unit, so they lie further from 1 than averages over units.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import linalg, optimize, special

from models.common.arrays import FloatArray, IntArray
from models.common.distributions import chi2_sf, gamma_quantile, profile_cutoff, two_sided_z
from models.common.group_sums import sums_by
from models.lives.effects.proportional_hazards import HazardModel
from models.lives.effects.regression import RegressionFit, fit_regression
from models.lives.effects.segments import AdjusterSegments, Pieces, pieces_between
from models.lives.fits.distributions import DistributionName
from models.lives.fits.profile import Interval

NODES = 24
LOG_VARIANCE = (-9.0, 3.0)


@dataclass(frozen=True, slots=True)
class FrailtyFit:
    """The gamma-frailty fit beside the plain one.

    variance: v with profile limits (low 0 where none is excluded); p: of v = 0, the half-and-half
    chi-square of a parameter on its bound (Self & Liang 1987); spread: the unit at the 90th
    percentile of the factor over the one at the 10th; ratios: each covariate's within-unit hazard
    ratio with Wald limits on the log scale.
    """

    variance: Interval
    p: float
    spread: float
    ratios: dict[str, Interval]
    loglik: float
    plain: RegressionFit
    units: int
    words: str


class UnitExposure(NamedTuple):
    """Pieces before entry, while watched, and inside failure intervals, with their units."""

    early: Pieces
    watched: Pieces
    inside: Pieces
    unit: IntArray
    found_unit: IntArray
    failures: IntArray


class _Marginal(NamedTuple):
    value: float
    gradient: FloatArray


def fit_frailty(
    segments: AdjusterSegments, baseline: DistributionName = "weibull", level: float = 0.95
) -> FrailtyFit:
    """The shared gamma frailty of units. Raises ValueError where the plain model has no fit."""
    plain = fit_regression(segments, baseline, "hazard")
    assert isinstance(plain.model, HazardModel)
    exposure = unit_exposure(segments, plain.model)
    known = {LOG_VARIANCE[0]: plain.theta}
    log_v, theta = _best(plain, exposure, known)
    top = marginal_loglik(plain.model, exposure, theta, log_v)
    gain = max(2.0 * (top.value - plain.loglik), 0.0)
    variance = _variance_interval(plain, exposure, known, log_v, top.value, level)
    covariance = _covariance(plain.model, exposure, theta, log_v)
    p = 0.5 * float(chi2_sf(gain, 1)) if gain > 0.0 else 1.0
    spread = _spread(variance.estimate)
    return FrailtyFit(
        variance=variance,
        p=p,
        spread=spread,
        ratios=_ratios(plain.model, theta, covariance, level),
        loglik=top.value,
        plain=plain,
        units=int(segments.unit.max()) + 1,
        words=_words(p, spread),
    )


def unit_exposure(segments: AdjusterSegments, model: HazardModel) -> UnitExposure:
    """What the marginal likelihood needs of each unit."""
    nothing = np.zeros(segments.entry.size)
    found = np.flatnonzero(segments.failed & (segments.right > segments.left))
    units = int(segments.unit.max()) + 1
    return UnitExposure(
        early=pieces_between(segments, nothing, segments.entry),
        watched=pieces_between(segments, segments.entry, segments.left),
        inside=model.data.inside,
        unit=segments.unit,
        found_unit=segments.unit[found],
        failures=np.bincount(segments.unit[segments.failed], minlength=units),
    )


@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def marginal_loglik(
    model: HazardModel, exposure: UnitExposure, theta: FloatArray, log_v: float
) -> _Marginal:
    """Log-likelihood with the frailty integrated out, and its gradient in theta.

    -inf, with a zero gradient, where a search has strayed so far that numbers overflow.
    """
    units, owner = exposure.failures.size, exposure.found_unit
    before, before_slope = _by_unit(model, theta, exposure.early, exposure.unit, units)
    after, after_slope = _by_unit(model, theta, exposure.watched, exposure.unit, units)
    total, total_slope = before + after, before_slope + after_slope
    rises, slopes = model.pieces_hazard(theta, exposure.inside)
    hazard = np.maximum(np.bincount(exposure.inside.adjuster, rises, owner.size), 1e-300)
    hazard_slope = sums_by(exposure.inside.adjuster, slopes, owner.size)
    seen, seen_slope = model.seen_log_hazard(theta)
    k = float(np.exp(-log_v))
    log_e, mean_w, pull = _smooth_part(exposure, total, hazard, k)
    alpha = k + exposure.failures
    value = special.gammaln(alpha) - special.gammaln(k) + k * np.log(k)
    value = value - alpha * np.log(k + total) + log_e + k * np.log1p(before / k)
    gradient = -mean_w @ total_slope + pull @ hazard_slope + seen_slope.sum(axis=0)
    gradient = gradient + (1.0 / (1.0 + before / k)) @ before_slope
    loglik = float(value.sum() + seen.sum())
    if not (np.isfinite(loglik) and np.all(np.isfinite(gradient))):
        return _Marginal(-np.inf, np.zeros(theta.size))
    return _Marginal(loglik, np.asarray(gradient))


def _by_unit(
    model: HazardModel, theta: FloatArray, pieces: Pieces, unit: IntArray, units: int
) -> tuple[FloatArray, FloatArray]:
    rises, slopes = model.pieces_hazard(theta, pieces)
    owner = unit[pieces.adjuster]
    run = np.bincount(owner, weights=rises, minlength=units)
    return np.asarray(run, float), sums_by(owner, slopes, units)


def _smooth_part(
    exposure: UnitExposure, total: FloatArray, hazard: FloatArray, k: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """log E prod (1 - e^-wB)/w and E[w | data] by unit; E[slope in B | data] by interval."""
    counts, place = np.unique(exposure.failures, return_inverse=True)
    rules = [gamma_quadrature(k + count, NODES) for count in counts]
    nodes = np.stack([rule[0] for rule in rules])[place] / (k + total)[:, None]
    log_weight = np.log(np.stack([rule[1] for rule in rules]))[place]
    at_found = nodes[exposure.found_unit]
    run = at_found * hazard[:, None]
    np.add.at(log_weight, exposure.found_unit, np.log(-np.expm1(-run)) - np.log(at_found))
    log_e = special.logsumexp(log_weight, axis=1)
    posterior = np.exp(log_weight - log_e[:, None])
    mean_w = np.sum(posterior * nodes, axis=1)
    slope = at_found / np.expm1(np.minimum(run, 700.0))
    pull = np.sum(posterior[exposure.found_unit] * slope, axis=1)
    return np.asarray(log_e), mean_w, pull


def gamma_quadrature(alpha: float, nodes: int) -> tuple[FloatArray, FloatArray]:
    """Nodes and probabilities that integrate polynomials under Gamma(alpha, 1) exactly.

    Golub & Welsch (1969) on the Laguerre recurrence; alpha may be very large.
    """
    order = np.arange(nodes, dtype=float)
    steps = np.sqrt(order[1:] * (order[1:] + alpha - 1.0))
    points, vectors = linalg.eigh_tridiagonal(2.0 * order + alpha, steps)
    return np.maximum(points, 1e-300), np.maximum(vectors[0] ** 2, 1e-300)


def _profiled(
    plain: RegressionFit, exposure: UnitExposure, log_v: float, known: dict[float, FloatArray]
) -> tuple[float, FloatArray]:
    """The marginal log-likelihood at a variance, maximised over theta from that `known` of the
    nearest variance; what is found is known from then on.

    Parameters are measured in standard errors of the plain fit, which makes them nearly alike.
    """
    assert isinstance(plain.model, HazardModel)
    model = plain.model
    start = known[min(known, key=lambda other: abs(other - log_v))]
    root = np.linalg.cholesky(plain.covariance + 1e-12 * np.eye(start.size))

    def loss(x: FloatArray) -> tuple[float, FloatArray]:
        at = marginal_loglik(model, exposure, start + root @ x, log_v)
        return -at.value, -(root.T @ at.gradient)

    found = optimize.minimize(
        loss, np.zeros(start.size), jac=True, method="BFGS", options={"gtol": 1e-5}
    )
    known[log_v] = np.asarray(start + root @ found.x)
    return -float(found.fun), known[log_v]


def _best(
    plain: RegressionFit, exposure: UnitExposure, known: dict[float, FloatArray]
) -> tuple[float, FloatArray]:
    def loss(log_v: float) -> float:
        return -_profiled(plain, exposure, float(log_v), known)[0]

    found = optimize.minimize_scalar(
        loss, bounds=LOG_VARIANCE, method="bounded", options={"xatol": 1e-5}
    )
    log_v = float(found.x)
    return log_v, known[log_v]


def _variance_interval(
    plain: RegressionFit,
    exposure: UnitExposure,
    known: dict[float, FloatArray],
    log_v: float,
    top: float,
    level: float,
) -> Interval:
    floor = top - profile_cutoff(level)

    def above(x: float) -> float:
        return _profiled(plain, exposure, float(x), known)[0] - floor

    low = 0.0
    if plain.loglik < floor and above(LOG_VARIANCE[0]) < 0.0:
        low = float(np.exp(optimize.brentq(above, LOG_VARIANCE[0], log_v, xtol=1e-3)))
    high = float("inf")
    if above(LOG_VARIANCE[1]) < 0.0:
        high = float(np.exp(optimize.brentq(above, log_v, LOG_VARIANCE[1], xtol=1e-3)))
    at_bound = log_v < LOG_VARIANCE[0] + 0.05
    return Interval(0.0 if at_bound else float(np.exp(log_v)), low, high)


def _covariance(
    model: HazardModel, exposure: UnitExposure, theta: FloatArray, log_v: float
) -> FloatArray:
    """Of theta, the variance estimated along: inverse information, the gradient differenced."""
    size = theta.size + 1
    steps = np.append(1e-4 * np.maximum(np.abs(theta), 1.0), 1e-3)

    def slope(x: FloatArray) -> FloatArray:
        at = marginal_loglik(model, exposure, x[:-1], float(x[-1]))
        up, down = (
            marginal_loglik(model, exposure, x[:-1], float(x[-1]) + s).value for s in (1e-3, -1e-3)
        )
        return np.append(at.gradient, (up - down) / 2e-3)

    centre = np.append(theta, log_v)
    information = np.stack(
        [
            (slope(centre - step * axis) - slope(centre + step * axis)) / (2.0 * step)
            for step, axis in zip(steps, np.eye(size), strict=True)
        ]
    )
    information = 0.5 * (information + information.T)
    return np.asarray(np.linalg.pinv(information, hermitian=True)[:-1, :-1])


def _ratios(
    model: HazardModel, theta: FloatArray, covariance: FloatArray, level: float
) -> dict[str, Interval]:
    z = two_sided_z(level)
    se = np.minimum(np.sqrt(np.maximum(np.diag(covariance), 0.0)), 100.0)
    return {
        model.names[i]: Interval(
            float(np.exp(theta[i])),
            float(np.exp(theta[i] - z * se[i])),
            float(np.exp(theta[i] + z * se[i])),
        )
        for i in range(2, theta.size)
    }


def _spread(variance: float) -> float:
    if variance <= 0.0:
        return 1.0
    low, high = (float(gamma_quantile(share, 1.0 / variance)) for share in (0.1, 0.9))
    return high / low if low > 0.0 else float("inf")


def _words(p: float, spread: float) -> str:
    if p >= 0.05:
        return f"no difference between units beyond the covariates can be shown (p {p:.3f})"
    sure = "p < 0.001" if p < 0.001 else f"p {p:.3f}"
    return (
        f"units differ beyond the covariates ({sure}): failures come {spread:.1f} times as fast on "
        "the unit that only a tenth exceed as on the one that only a tenth undercut"
    )
