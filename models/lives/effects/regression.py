"""What makes adjusters live longer or shorter: ratios with limits, tests, and their reliability.

Two forms, each with a Weibull, lognormal or log-logistic baseline, chosen by AIC like any other
distribution. *Proportional hazards*: a covariate multiplies the hazard by exp(b), whatever the age.
*Accelerated life*: it stretches or shrinks age by exp(b). For a Weibull with covariates that never
change the two are one model.

Adjusters of one unit share its road, so they are not independent. The sandwich variance by unit
(Huber; Lin & Wei 1989, JASA 84:1074) measures by how much: `inflation` is robust over naive
variance. Likelihood-ratio statistics are divided by it and profile limits widened by it (Rotnitzky
& Jewell 1990, *Biometrika* 77:485), never narrowed. With m units in which one failed and d
parameters it is multiplied by m / (m - d) and judged by t and F with m - 1 degrees of freedom, as
the limits of fitted lives are (``models.lives.fits.units``). It assumes nothing about how units
differ, and so is the default; ``frailty`` estimates how much they differ, under a gamma law. With
few units (below some thirty) the sandwich itself is unsure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
from scipy import optimize

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import f_sf, t_quantile
from models.common.multiple_tests import holm
from models.common.newton import Evaluated, Summit, maximised, uphill
from models.lives.effects.accelerated import AcceleratedModel, accelerated_data
from models.lives.effects.proportional_hazards import HazardModel, hazard_data
from models.lives.effects.segments import AdjusterSegments
from models.lives.fits.data import counts_from_rows
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS, DistributionName
from models.lives.fits.parametric import LifeFit, fit_life

RegressionKind: TypeAlias = Literal["hazard", "accelerated"]
RegressionModel: TypeAlias = HazardModel | AcceleratedModel
LONGEST_STEP = 2.0
UNBOUNDED = 8.0  # a log ratio beyond ±8 is no estimate: no failure stands behind it
FURTHEST = 60.0
SEPARABLE = 1e8  # condition of a covariance whose inverse says something
STRAYED = 300.0  # no parameter is that large; its exponential still is a number


@dataclass(frozen=True, slots=True)
class RegressionFit:
    """A fitted model. theta: (d,), its names in `model.names`; covariance: (d, d), naive;
    robust: (d, d), by unit; units: those in which one failed; decrement: g' (-H)^-1 g at the end.

    Not `converged` where a coefficient has no finite estimate and drags others with it.
    """

    kind: RegressionKind
    model: RegressionModel
    theta: FloatArray
    covariance: FloatArray
    robust: FloatArray
    loglik: float
    decrement: float
    units: int

    @property
    def aic(self) -> float:
        return 2.0 * self.theta.size - 2.0 * self.loglik

    @property
    def converged(self) -> bool:
        return self.decrement < 1e-6


@dataclass(frozen=True, slots=True)
class Effect:
    """One covariate's ratio (of hazards, or of lives), per unit of the covariate.

    low, high: profile limits, widened by `inflation`; chi_square: the likelihood-ratio statistic
    divided by it; p_adjusted: Holm's, over the effects reported together. A ratio of 0 or inf has
    no failures on one side of the comparison, and only its finite limit says anything.
    """

    name: str
    term: str
    reference: str | None
    ratio: float
    low: float
    high: float
    se_log: float
    inflation: float
    chi_square: float
    p: float
    p_adjusted: float


@dataclass(frozen=True, slots=True)
class TermTest:
    """Likelihood-ratio test that a whole term (all levels of a factor) has no effect."""

    term: str
    chi_square: float
    degrees: int
    p: float
    p_adjusted: float


@dataclass(frozen=True, slots=True)
class ProportionalityTest:
    """Test that a term's hazards are proportional, against shapes that differ by its levels.

    shape_ratios: each column's shape over the reference's; above 1, hazards rise more steeply.
    """

    term: str
    chi_square: float
    degrees: int
    p: float
    shape_ratios: dict[str, float]
    words: str


def fit_regression(
    segments: AdjusterSegments,
    baseline: DistributionName = "weibull",
    kind: RegressionKind = "hazard",
    shape_terms: Sequence[str] = (),
) -> RegressionFit:
    """The maximum-likelihood fit. `shape_terms` also move the baseline's sigma (hazard form only).

    Raises ValueError without at least two failures, or when the baseline has no maximum of its own.
    """
    start = _baseline_start(segments, baseline)
    model = _model(segments, baseline, kind, shape_terms)
    theta = np.concatenate([start, np.zeros(len(model.names) - 2)])
    return _fitted(model, kind, theta, segments)


def _baseline_start(segments: AdjusterSegments, baseline: DistributionName) -> FloatArray:
    fit = fit_life(counts_from_rows(segments.entry, segments.left, segments.right), baseline)
    if not isinstance(fit, LifeFit):
        raise ValueError(f"no baseline can be fitted: {fit.reason}")
    return fit.theta


def _model(
    segments: AdjusterSegments,
    baseline: DistributionName,
    kind: RegressionKind,
    shape_terms: Sequence[str],
) -> RegressionModel:
    standard, design = STANDARD_DISTRIBUTIONS[baseline], segments.design
    if kind == "accelerated":
        if shape_terms:
            raise ValueError("shape effects are defined for the hazard form only")
        return AcceleratedModel(standard, accelerated_data(segments), design, segments.entry.size)
    moved = np.array([term in shape_terms for term in design.terms], dtype=bool)
    return HazardModel(standard, hazard_data(segments), design, moved)


def _fitted(
    model: RegressionModel, kind: RegressionKind, start: FloatArray, segments: AdjusterSegments
) -> RegressionFit:
    best = _maximised(model, start, np.ones(start.size, bool))
    covariance = np.asarray(np.linalg.pinv(-best.at.hessian, rcond=1e-14, hermitian=True), float)
    units = len(np.unique(segments.unit[segments.failed]))
    decrement = _decrement(best.at.gradient, best.at.hessian)
    robust = _sandwich(model.scores(best.theta), segments.unit, covariance, units)
    return RegressionFit(
        kind, model, best.theta, covariance, robust, best.at.value, decrement, units
    )


def _sandwich(
    scores: FloatArray, unit: IntArray, covariance: FloatArray, failed_in: int
) -> FloatArray:
    size = scores.shape[1]
    summed = np.zeros((int(unit.max()) + 1, size))
    np.add.at(summed, unit, scores)
    meat = summed.T @ summed * (failed_in / max(failed_in - size, 1))
    return np.asarray(covariance @ meat @ covariance)


def _maximised(model: RegressionModel, start: FloatArray, free: BoolArray) -> Summit:
    """The maximum over the free parameters, the others as they start."""

    def evaluate(chosen: FloatArray) -> Evaluated:
        theta = start.copy()
        theta[free] = chosen
        at = model.evaluate(theta)
        return Evaluated(at.value, at.gradient[free], at.hessian[np.ix_(free, free)])

    return maximised(evaluate, start[free], lambda _, step: _length(step))


def _length(step: FloatArray) -> float:
    return float(np.abs(step).max(initial=0.0)) / LONGEST_STEP


def _decrement(gradient: FloatArray, hessian: FloatArray) -> float:
    step = uphill(gradient, hessian)
    return float(gradient @ step) / max(_length(step), 1.0)


def effects(
    fit: RegressionFit, level: float = 0.95, names: Sequence[str] | None = None
) -> list[Effect]:
    """Every covariate's ratio (or those named), with limits and Holm-adjusted p."""
    known = fit.model.design.names
    columns = [2 + known.index(name) for name in (known if names is None else names)]
    each = [_effect(fit, column, level) for column in columns]
    adjusted = holm([effect.p for effect in each])
    return [replace(e, p_adjusted=float(p)) for e, p in zip(each, adjusted, strict=True)]


def _effect(fit: RegressionFit, column: int, level: float) -> Effect:
    """Of one column alone: its p is not yet adjusted."""
    design = fit.model.design
    term = design.terms[column - 2]
    inflation = _inflation(fit, column)
    chi_square = _ratio_statistic(fit, [column]) / inflation
    spare = max(fit.units - 1.0, 1.0)
    drop = 0.5 * float(t_quantile(0.5 + level / 2.0, spare)) ** 2 * inflation
    low, high = (_profile_limit(fit, column, drop, side) for side in (-1.0, 1.0))
    log_ratio = float(fit.theta[column])
    if abs(log_ratio) > UNBOUNDED:
        log_ratio = float(np.copysign(np.inf, log_ratio))
        low, high = (-np.inf, high) if log_ratio < 0 else (low, np.inf)
    with np.errstate(over="ignore"):
        ratio, lower, upper = (float(np.exp(value)) for value in (log_ratio, low, high))
    se = float(np.sqrt(max(fit.covariance[column, column], 0.0) * inflation))
    p = float(f_sf(chi_square, 1, spare))
    return Effect(
        name=fit.model.names[column],
        term=term,
        reference=design.references.get(term),
        ratio=ratio,
        low=lower,
        high=upper,
        se_log=se,
        inflation=inflation,
        chi_square=chi_square,
        p=p,
        p_adjusted=p,
    )


def _inflation(fit: RegressionFit, column: int) -> float:
    """Robust over naive variance, at least 1."""
    naive = float(fit.covariance[column, column])
    return max(float(fit.robust[column, column]) / naive, 1.0) if naive > 0.0 else 1.0


def _p(fit: RegressionFit, chi_square: float, degrees: int) -> float:
    """Of a likelihood-ratio statistic that inflation has been taken out of."""
    return float(f_sf(chi_square / degrees, degrees, max(fit.units - 1.0, 1.0)))


def _ratio_statistic(fit: RegressionFit, columns: Sequence[int]) -> float:
    """Twice the log-likelihood lost when the columns' coefficients are held at 0."""
    free = np.ones(fit.theta.size, bool)
    free[list(columns)] = False
    plain = start = np.where(free, fit.theta, 0.0)
    held = fit.covariance[np.ix_(columns, columns)]
    if np.abs(fit.theta).max() < STRAYED and np.linalg.cond(held) < SEPARABLE:
        # Where the others go by the likelihood's curvature: near, and so soon found.
        pulled = fit.covariance[:, list(columns)] @ np.linalg.solve(held, fit.theta[list(columns)])
        start = np.where(free, fit.theta - pulled, 0.0)
    found = _maximised(fit.model, start, free).at.value
    # A search that ends below where it might have begun has lost its way on a likelihood so flat
    # that holding the columns costs next to nothing.
    if not found >= fit.model.evaluate(plain).value:
        found = max(found, _maximised(fit.model, plain, free).at.value)
    return max(2.0 * (fit.loglik - found), 0.0)


@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def _profile_limit(fit: RegressionFit, column: int, drop: float, side: float) -> float:
    """A coefficient's profile limit: Newton on (value, other slopes), else a bracketed search."""
    threshold = fit.loglik - drop
    spread = float(np.sqrt(max(fit.covariance[column, column], 1e-300)))
    direction = fit.covariance[:, column] / spread
    theta = fit.theta + side * np.sqrt(2.0 * drop) * direction
    others = np.arange(theta.size) != column
    if abs(fit.theta[column]) < UNBOUNDED and spread < UNBOUNDED:
        for _ in range(12):
            at = fit.model.evaluate(np.clip(theta, -STRAYED, STRAYED))
            if not np.all(np.isfinite(at.hessian)):
                break
            step, done = _limit_step(at, threshold, others)
            moved = float(theta[column] - fit.theta[column]) * side
            if done and moved > 0.0 and float(at.gradient[column]) * side < 0.0:
                return float(theta[column])
            longest = max(float(np.abs(step[column])) / (spread * np.sqrt(2.0 * drop)), 1.0)
            theta = theta + step / longest
    return _searched_limit(fit, column, threshold, side, min(spread, 1.0))


def _limit_step(at: Evaluated, threshold: float, others: BoolArray) -> tuple[FloatArray, bool]:
    """The Newton step towards the threshold along the profile, and whether it is reached."""
    gap = np.append(at.value - threshold, at.gradient[others])
    slopes = np.vstack([at.gradient, at.hessian[others]])
    step = np.linalg.lstsq(slopes, -gap, rcond=None)[0]
    unsettled = _decrement(at.gradient[others], at.hessian[np.ix_(others, others)])
    return np.asarray(step), bool(abs(gap[0]) < 1e-7 and unsettled < 1e-7)


def _searched_limit(
    fit: RegressionFit, column: int, threshold: float, side: float, reach: float
) -> float:
    free = np.arange(fit.theta.size) != column

    def above(distance: float) -> float:
        start = fit.theta.copy()
        start[column] += side * distance
        return _maximised(fit.model, start, free).at.value - threshold

    inside, outside = 0.0, reach
    while above(outside) > 0.0:
        inside, outside = outside, 1.7 * outside
        if outside > FURTHEST:
            return side * float("inf")
    root = optimize.brentq(above, inside, outside, xtol=1e-8)
    return float(fit.theta[column]) + side * float(root)


def term_tests(fit: RegressionFit) -> list[TermTest]:
    """Each term's test, its statistic divided by its columns' mean inflation; Holm over terms."""
    design = fit.model.design
    found = []
    for term in dict.fromkeys(design.terms):
        columns = [2 + i for i, own in enumerate(design.terms) if own == term]
        inflation = float(np.mean([_inflation(fit, column) for column in columns]))
        statistic = _ratio_statistic(fit, columns) / inflation
        found.append((term, statistic, len(columns), _p(fit, statistic, len(columns))))
    adjusted = holm([part[-1] for part in found])
    return [TermTest(*part, float(p)) for part, p in zip(found, adjusted, strict=True)]


def proportionality(
    segments: AdjusterSegments, term: str, baseline: DistributionName = "weibull"
) -> ProportionalityTest:
    """Whether a term's hazards keep their ratio at every age.

    The likelihood ratio is divided by the shape effects' mean inflation, as elsewhere here.
    """
    plain = fit_regression(segments, baseline)
    moved = fit_regression(segments, baseline, shape_terms=(term,))
    first = 2 + len(segments.design.names)
    names, log_sigmas = moved.model.names[first:], moved.theta[first:]
    inflation = float(np.mean([_inflation(moved, c) for c in range(first, moved.theta.size)]))
    chi_square = max(2.0 * (moved.loglik - plain.loglik), 0.0) / inflation
    p = _p(moved, chi_square, len(names))
    words = (
        f"the hazard ratio of {term} changes with age (p {p:.3f}): read it as an average"
        if p < 0.05
        else f"nothing speaks against a constant hazard ratio of {term} (p {p:.3f})"
    )
    ratios = {
        name.removeprefix("shape:"): float(np.exp(-log_sigma))
        for name, log_sigma in zip(names, log_sigmas, strict=True)
    }
    return ProportionalityTest(term, chi_square, len(names), p, ratios, words)
