"""Weibull, lognormal and log-logistic lives fitted to grouped counts by maximum likelihood.

Safeguarded Newton in theta = (log scale, log sigma) with the exact Hessian. A small gradient alone
does not certify a maximum, so a fit also reports the Newton decrement g' (-H)^-1 g (twice the
log-likelihood still to gain, to second order), whether -H is positive definite, and whether any
point of a coarse grid over shape and scale lies higher. A likelihood with no maximum inside (all
intervals share an age, so that a jump explains everything) yields words, not numbers.

Sources: Meeker & Escobar (1998), *Statistical Methods for Reliability Data*, ch. 8 and 11;
Burnham & Anderson (2002), *Model Selection and Multimodel Inference*, ch. 2 for AICc and weights.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.common.arrays import FloatArray
from models.common.newton import Evaluated, Summit, maximised
from models.lives.fits.data import LifeCounts
from models.lives.fits.distributions import (
    STANDARD_DISTRIBUTIONS,
    DistributionName,
    LifeDistribution,
    StandardDistribution,
)
from models.lives.fits.likelihood import (
    LogLikelihoodTerms,
    evaluate,
    likelihood_terms,
    log_likelihood,
)
from models.lives.fits.units import UnitLives, spread_covariance, unit_spread

CALLED: dict[DistributionName, str] = {
    "weibull": "Weibull",
    "lognormal": "log-normal",
    "loglogistic": "log-logistic",
}
PARAMETERS = 2
START_SIGMAS = np.array([2.0, 1.0, 0.6, 0.35, 0.2, 0.1])
STEEP_SIGMA, FLAT_SIGMA = 0.005, 20.0  # beyond these the counts leave the shape without a bound
SMALL_SAMPLE = 40 * PARAMETERS  # failures below which AIC is corrected
TIED_AIC = 2.0  # a smaller difference does not tell two distributions apart


@dataclass(frozen=True, slots=True)
class Convergence:
    """Evidence that a fit is the maximum.

    decrement: g' (-H)^-1 g at the end; concave: -H is positive definite;
    highest_on_grid: no coarse-grid point over sigma in 0.05..3 and scale in ±3 sigma lies higher.
    """

    steps: int
    decrement: float
    concave: bool
    highest_on_grid: bool

    @property
    def certified(self) -> bool:
        return self.decrement <= 1e-8 and self.concave and self.highest_on_grid


@dataclass(frozen=True, slots=True)
class LifeFit:
    """A fitted life distribution.

    covariance: (2, 2), of (log scale, log sigma), counting units as they differ where they are
    known; naive: the inverse observed information, as if every adjuster stood alone; units: in
    which one failed (infinite where units are not known).
    aicc uses the number of failures as the sample size (censored items add little) and is infinite
    below four; `criterion` is it below 80 failures and AIC from there on.
    """

    distribution: LifeDistribution
    covariance: FloatArray
    loglik: float
    adjusters: float
    failures: float
    convergence: Convergence
    naive: FloatArray
    units: float = np.inf

    @property
    def name(self) -> DistributionName:
        return self.distribution.standard.name

    @property
    def called(self) -> str:
        """Its name in a sentence."""
        return CALLED[self.name]

    @property
    def shape(self) -> float:
        return self.distribution.shape

    @property
    def scale(self) -> float:
        return self.distribution.scale

    @property
    def b10(self) -> float:
        """Age by which 10 % have failed."""
        return float(self.distribution.quantile(0.10))

    @property
    def theta(self) -> FloatArray:
        return np.array([self.distribution.mu, self.distribution.log_sigma])

    @property
    def aic(self) -> float:
        return 2.0 * PARAMETERS - 2.0 * self.loglik

    @property
    def aicc(self) -> float:
        spare = self.failures - PARAMETERS - 1.0
        return self.aic + 2.0 * PARAMETERS * (PARAMETERS + 1) / spare if spare > 0 else np.inf

    @property
    def criterion(self) -> float:
        return self.aicc if self.failures < SMALL_SAMPLE else self.aic


@dataclass(frozen=True, slots=True)
class NoLifeFit:
    """Why there is no fit, in words."""

    name: DistributionName
    reason: str
    adjusters: float
    failures: float


@dataclass(frozen=True, slots=True)
class LifeChoice:
    """The fits of one group; `chosen` has the least AIC (AICc when failures are few).

    weights: each fit's share of exp(-difference / 2 c), its relative support among those fitted, c
    being by how much units differ more than adjusters that stand alone.
    """

    fits: tuple[LifeFit, ...]
    unfitted: tuple[NoLifeFit, ...]
    chosen: LifeFit | None
    weights: dict[DistributionName, float]
    verdict: str


def fit_life(
    counts: LifeCounts,
    name: DistributionName,
    lives: UnitLives | None = None,
    start: LifeFit | None = None,
) -> LifeFit | NoLifeFit:
    """The maximum-likelihood fit of one distribution, or why there is none.

    Ages of `counts` in any one unit; `scale` comes back in it. Valid for failures independent of
    inspection times and of the ends that censor; standard errors for tens of failures and more
    (profile limits for fewer). `lives`: the same adjusters by unit, for limits that hold where
    those of a unit are alike. `start`: the fit of much the same adjusters, where the search begins;
    where it finds no maximum from there it begins anew.
    """
    reason = _without_maximum(counts)
    if reason:
        return NoLifeFit(name, reason, counts.adjusters, counts.failures)
    standard, terms = STANDARD_DISTRIBUTIONS[name], likelihood_terms(counts)
    fit = None if start is None else _found_from(standard, terms, counts, start.theta)
    if not isinstance(fit, LifeFit):
        fit = _found_from(standard, terms, counts, _best_start(standard, terms, counts))
    return fit if lives is None or isinstance(fit, NoLifeFit) else _over_units(fit, lives)


def _found_from(
    standard: StandardDistribution,
    terms: LogLikelihoodTerms,
    counts: LifeCounts,
    start: FloatArray,
) -> LifeFit | NoLifeFit:
    """What the search from one theta finds, or why that is no maximum."""
    best = _maximised(standard, terms, start)
    reason = _ran_away(best)
    if not reason:
        fit = _fit_at(standard, terms, counts, best)
        if fit.convergence.certified:
            return fit
        reason = "the search for the likelihood's maximum did not settle on one"
    return NoLifeFit(standard.name, reason, counts.adjusters, counts.failures)


def _over_units(fit: LifeFit, lives: UnitLives) -> LifeFit:
    """The fit with the covariance that its units' own scores show."""
    spread = unit_spread(fit.distribution.standard, fit.theta, lives)
    covariance = spread_covariance(fit.naive, spread)
    return replace(fit, covariance=covariance, units=max(spread.units, 2.0))


def _without_maximum(counts: LifeCounts) -> str:
    """Words when the counts have no failure, or one jump between two ages explains them all."""
    if counts.failures == 0.0:
        return "no failure was seen, so only a bound on the life can be given"
    latest_good = max(
        (float(a.max()) for a in (counts.left, counts.censored_at, counts.entry) if a.size),
        default=0.0,
    )
    if latest_good < counts.right.min() or np.ptp(_all_ages(counts)) == 0.0:
        return (
            "every failure interval shares one age that all others had not yet reached: "
            "a sudden end of life at that age explains the records, so the shape has no bound"
        )
    return ""


def _all_ages(counts: LifeCounts) -> FloatArray:
    return np.concatenate((counts.left, counts.right, counts.censored_at))


def _best_start(
    standard: StandardDistribution, terms: LogLikelihoodTerms, counts: LifeCounts
) -> FloatArray:
    """The best of a few spreads, each with the scale that fits it as a Weibull's would."""
    mus = np.array([_matched_mu(counts, sigma) for sigma in START_SIGMAS])
    if standard.name != "weibull":
        mus = mus + START_SIGMAS * np.log(np.log(2.0))  # from the 63.2 % age to the median
    starts = np.stack([mus, np.log(START_SIGMAS)], axis=1)
    best = int(np.argmax(log_likelihood(standard, terms, starts)))
    return np.asarray(starts[best])


def _matched_mu(counts: LifeCounts, sigma: float) -> float:
    """Log scale of a Weibull with known shape, failures placed mid-interval."""
    power, unit = 1.0 / sigma, float(counts.right.max())
    middle = 0.5 * (counts.left + counts.right) / unit
    run = counts.failed @ middle**power
    run += counts.censored @ (counts.censored_at / unit) ** power
    left_out = counts.entered @ (counts.entry / unit) ** power
    exposure = max(run - left_out, 0.05 * run)
    return float(np.log(unit) + sigma * np.log(exposure / counts.failures))


def _maximised(
    standard: StandardDistribution, terms: LogLikelihoodTerms, start: FloatArray
) -> Summit:
    def at(theta: FloatArray) -> Evaluated:
        found = evaluate(standard, terms, theta[None])
        return Evaluated(float(found.value[0]), found.gradient[0], found.hessian[0])

    return maximised(at, start, _length)


def _length(theta: FloatArray, step: FloatArray) -> float:
    """No further at once than one sigma or a doubling of it, and nowhere from beyond its bounds."""
    sigma = float(np.exp(theta[1]))
    if not FLAT_SIGMA > sigma > STEEP_SIGMA:
        return np.inf
    return float(max(abs(step[0]) / max(sigma, 0.05), abs(step[1]) / np.log(2.0)))


def _ran_away(best: Summit) -> str:
    sigma = float(np.exp(best.theta[1]))
    if sigma <= STEEP_SIGMA * 1.5:
        return "the likelihood keeps rising as life becomes one fixed age: the shape has no bound"
    if sigma >= FLAT_SIGMA / 1.5:
        return "the likelihood keeps rising as the spread of lives grows: the records show no scale"
    if np.linalg.eigvalsh(-best.at.hessian * np.outer([sigma, 1.0], [sigma, 1.0]))[0] < 1e-3:
        return "the likelihood is flat at its top: the records do not determine shape and scale"
    return ""


def _fit_at(
    standard: StandardDistribution,
    terms: LogLikelihoodTerms,
    counts: LifeCounts,
    best: Summit,
) -> LifeFit:
    gradient, information = best.at.gradient, -best.at.hessian
    covariance = np.asarray(np.linalg.inv(information), np.float64)
    convergence = Convergence(
        steps=best.steps,
        decrement=float(gradient @ covariance @ gradient),
        concave=bool(np.linalg.eigvalsh(information)[0] > 0.0),
        highest_on_grid=_highest_on_grid(standard, terms, best.theta, best.at.value),
    )
    return LifeFit(
        distribution=LifeDistribution(standard, float(best.theta[0]), float(best.theta[1])),
        covariance=covariance,
        naive=covariance,
        loglik=best.at.value,
        adjusters=counts.adjusters,
        failures=counts.failures,
        convergence=convergence,
    )


def _highest_on_grid(
    standard: StandardDistribution, terms: LogLikelihoodTerms, theta: FloatArray, top: float
) -> bool:
    sigma = np.array([0.05, 0.15, 0.4, 1.0, 3.0])
    offset = np.linspace(-3.0, 3.0, 5)
    grid = np.array([(theta[0] + o * s, np.log(s)) for s in sigma for o in offset])
    return bool(np.max(log_likelihood(standard, terms, grid)) <= top + 1e-9 * abs(top))


def parameter_draws(fit: LifeFit, draws: int, rng: np.random.Generator) -> list[LifeDistribution]:
    """Distributions whose (log scale, log sigma) are drawn from the fit's large-sample normal.

    Forecasts average over them: uncertainty of the fit is shared by everything forecast from it.
    """
    thetas = rng.multivariate_normal(fit.theta, fit.covariance, size=draws, method="cholesky")
    standard = fit.distribution.standard
    return [LifeDistribution(standard, float(mu), float(tau)) for mu, tau in thetas]


def choose_life(
    counts: LifeCounts,
    names: Sequence[DistributionName] = tuple(STANDARD_DISTRIBUTIONS),
    lives: UnitLives | None = None,
    start: LifeChoice | None = None,
) -> LifeChoice:
    """All named distributions fitted, and the one the records support best; `start`: those of much
    the same adjusters."""
    starts = {fit.name: fit for fit in (() if start is None else start.fits)}
    results = [fit_life(counts, name, lives, starts.get(name)) for name in names]
    fits = tuple(result for result in results if isinstance(result, LifeFit))
    unfitted = tuple(result for result in results if isinstance(result, NoLifeFit))
    ranked = sorted(fits, key=lambda fit: (fit.criterion, -fit.loglik))
    return LifeChoice(
        fits, unfitted, ranked[0] if ranked else None, _weights(fits), _verdict(ranked, unfitted)
    )


def overdispersion(fit: LifeFit) -> float:
    """Mean ratio of variances over units to the likelihood's own: 1 where adjusters stand alone."""
    return float(np.trace(np.linalg.solve(fit.naive, fit.covariance)) / PARAMETERS)


def _weights(fits: tuple[LifeFit, ...]) -> dict[DistributionName, float]:
    if not fits:
        return {}
    aic = np.array([fit.aic for fit in fits])  # the correction is the same for all and cancels
    support = np.exp(-0.5 * (aic - aic.min()) / overdispersion(fits[int(aic.argmin())]))
    return dict(zip((fit.name for fit in fits), (support / support.sum()).tolist(), strict=True))


def _verdict(ranked: list[LifeFit], unfitted: tuple[NoLifeFit, ...]) -> str:
    if not ranked:
        return unfitted[0].reason if unfitted else "no distribution was asked for"
    best = ranked[0]
    close = [fit.called for fit in ranked[1:] if fit.aic - best.aic < TIED_AIC]
    if close:
        others = " and ".join(close)
        return f"{best.called} by a hair: {others} within {TIED_AIC:g} of its AIC"
    gap = f", {ranked[1].aic - best.aic:.1f} ahead on AIC" if len(ranked) > 1 else ""
    return f"{best.called}{gap}"
