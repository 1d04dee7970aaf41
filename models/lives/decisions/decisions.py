"""Two decisions a life distribution bears on: how often to check, and when to replace unasked.

**Undetected failures.** An adjuster is checked every tau [km]; a failure waits for the next check,
where it is found and a new one is fitted. In the long run the share of time a place carries a
failed adjuster is

    share = 1 - E[T] / (tau E[ceil(T / tau)]),   tau E[ceil(T / tau)] = tau sum_k S(k tau),

by the renewal-reward theorem (Ross 1996, *Stochastic Processes*, 3.6). It assumes that a check
finds every failure; one that misses a part q of them makes the share larger.

**Age replacement.** Replacing at age T costs cp, a failure costs cf > cp. The cost per km

    C(T) = [cp + (cf - cp) F(T)] / integral_0^T R

is least where h(T) integral_0^T R - F(T) = cp / (cf - cp) (Barlow & Proschan 1965, ch. 4). A hazard
that does not rise gives no such age: run to failure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from models.common.arrays import FloatArray
from models.lives.fits.distributions import LifeDistribution
from models.lives.fits.parametric import LifeFit, parameter_draws

LEAST_SAVING = 0.01  # a smaller gain over running to failure is not called a gain
MOST_CHECKS = 400
NEGLIGIBLE = 1e-9
GAUSS_NODES, GAUSS_WEIGHTS = np.polynomial.legendre.leggauss(12)


@dataclass(frozen=True, slots=True)
class AgeReplacement:
    """The age at which planned replacement costs least, or that none beats running to failure.

    age: the optimum, None when there is none; saving: its share of the run-to-failure cost;
    failed_before: share that fails before it; cost_rate, run_to_failure_rate: cost per unit of age;
    age_low, age_high: the middle 80 % of the optimum over parameter draws, infinite in one without;
    none_share: share of draws where planned replacement saves less than LEAST_SAVING.
    """

    age: float | None
    saving: float
    failed_before: float
    cost_rate: float
    run_to_failure_rate: float
    age_low: float
    age_high: float
    none_share: float
    words: str


def undetected_share(distribution: LifeDistribution, tau: float) -> float:
    """Long-run share of time a place carries a failed adjuster; tau > 0 in the unit of age.

    The time undetected per cycle, sum over checks of the integral of S(start) - S(t), is summed
    directly: it is small against the life and would drown in the difference of the two means.
    """
    if not tau > 0.0:
        raise ValueError(f"the interval between checks must be positive, found {tau}")
    mean = distribution.mean()
    if np.isinf(mean):
        return 0.0
    starts = _checks_that_matter(distribution, tau)
    survival = distribution.survival(starts)
    ages = starts[:, None] + 0.5 * tau * (GAUSS_NODES + 1.0)
    inner = 0.5 * tau * distribution.survival(ages) @ GAUSS_WEIGHTS
    undetected = float(np.sum(tau * survival - inner)) + _first_cell(distribution, tau, inner[0])
    undetected += _beyond(distribution, tau, starts[-1] + tau)
    return float(undetected / (mean + undetected))


def _checks_that_matter(distribution: LifeDistribution, tau: float) -> FloatArray:
    furthest = float(distribution.quantile(1.0 - NEGLIGIBLE))
    return tau * np.arange(np.clip(np.ceil(furthest / tau), 1, MOST_CHECKS), dtype=float)


def _beyond(distribution: LifeDistribution, tau: float, age: float) -> float:
    """The checks after `age`, where survival changes slowly: Euler and Maclaurin's two terms."""
    at = np.array([age])
    slowly = 0.5 * distribution.survival(at) + tau / 12.0 * distribution.density(at)
    return float(tau * slowly[0])


def _first_cell(distribution: LifeDistribution, tau: float, by_nodes: float) -> float:
    """The first interval's integral is known exactly; a steep start defeats quadrature there."""
    return by_nodes - float(distribution.mean_until(np.array([tau]))[0])


def replacement_cost_rate(
    distribution: LifeDistribution, age: FloatArray, planned: float, failed: float
) -> FloatArray:
    """C(T), cost per unit of age, when adjusters are replaced at `age` or at failure."""
    cost = planned + (failed - planned) * distribution.failed(age)
    return np.asarray(cost / distribution.mean_until(age))


def optimal_replacement_age(
    distribution: LifeDistribution, planned: float, failed: float
) -> float | None:
    """The age of least cost, None when running to failure costs no more.

    Costs are positive. The best of a fine grid of failed shares brackets the root, because a
    lognormal or log-logistic hazard falls again at high ages and the equation may have two.
    """
    if not (planned > 0.0 and failed > 0.0):
        raise ValueError(f"both costs must be positive, found {planned} and {failed}")
    if failed <= planned or _never_likelier(distribution):
        return None
    share = np.concatenate([np.geomspace(1e-8, 0.05, 80), np.linspace(0.06, 0.995, 120)])
    ages = distribution.quantile(np.append(share, 1.0 - np.geomspace(4e-3, 1e-12, 40)))
    best = int(np.argmin(replacement_cost_rate(distribution, ages, planned, failed)))
    if best in (0, ages.size - 1):
        return None

    def excess(log_age: float) -> float:
        age = np.exp([log_age])
        gained = distribution.hazard(age) * distribution.mean_until(age) - distribution.failed(age)
        return float(gained[0] - planned / (failed - planned))

    low, high = (float(np.log(ages[place])) for place in (best - 1, best + 1))
    if excess(low) * excess(high) > 0.0:
        return None
    age = float(np.exp(scipy.optimize.brentq(excess, low, high, xtol=1e-13)))
    rate = float(replacement_cost_rate(distribution, np.array([age]), planned, failed)[0])
    return age if rate * distribution.mean() < failed else None


def _never_likelier(distribution: LifeDistribution) -> bool:
    """Whether failures do not grow likelier with age, or (lognormal) only in the first moments."""
    furthest = 5.0 if distribution.standard.name == "lognormal" else 1.0
    return distribution.sigma >= furthest


def age_replacement(
    fit: LifeFit,
    planned: float,
    failed: float,
    *,
    rng: np.random.Generator,
    draws: int = 200,
    unit: str = "km",
    others: Sequence[tuple[LifeFit, float]] = (),
) -> AgeReplacement:
    """The decision for the fleet's own costs of a planned and a failed replacement.

    ``others``: distributions that the records leave open and their weights (``fit`` among them).
    The age is then that of least cost averaged over them, where most of their weight has one.
    """
    fits = list(others) or [(fit, 1.0)]
    age, saving = _averaged_age(fits, planned, failed)
    laws = [
        other
        for each, weight in fits
        for other in parameter_draws(each, max(1, round(weight * draws)), rng)
    ]
    drawn = [_age_and_saving(other, planned, failed) for other in laws]
    # A life under which no age pays stands for an age beyond all others.
    ages = [a if a is not None and gain >= LEAST_SAVING else np.inf for a, gain in drawn]
    low, high = np.quantile(ages, [0.1, 0.9], method="inverted_cdf")
    run_to_failure = sum(weight * failed / each.distribution.mean() for each, weight in fits)
    chosen = age if age is not None and saving >= LEAST_SAVING else None
    return AgeReplacement(
        age=chosen,
        saving=saving if chosen is not None else 0.0,
        failed_before=_failed_by(fits, chosen),
        cost_rate=run_to_failure * (1.0 - saving) if chosen is not None else run_to_failure,
        run_to_failure_rate=run_to_failure,
        age_low=float(low),
        age_high=float(high),
        none_share=float(np.mean(np.isinf(ages))),
        words=_replacement_words(fits, chosen, saving, planned, failed, unit),
    )


def averaged_cost_rate(
    fits: Sequence[tuple[LifeFit, float]], age: FloatArray, planned: float, failed: float
) -> FloatArray:
    """C(T) averaged over distributions by their weights."""
    parts = [w * replacement_cost_rate(fit.distribution, age, planned, failed) for fit, w in fits]
    return np.asarray(np.sum(parts, axis=0))


def _averaged_age(
    fits: Sequence[tuple[LifeFit, float]], planned: float, failed: float
) -> tuple[float | None, float]:
    """The age of least averaged cost, where most of the weight has one, and what it saves."""
    found = [(_age_and_saving(fit.distribution, planned, failed), w) for fit, w in fits]
    ages = [age for (age, _), _ in found if age is not None]
    if sum(w for (age, _), w in found if age is not None) < 0.5:
        return None, 0.0
    if len(fits) == 1:
        return found[0][0]

    def cost(log_age: float) -> float:
        return float(averaged_cost_rate(fits, np.exp([log_age]), planned, failed)[0])

    bounds = (np.log(min(ages)) - 1e-6, np.log(max(ages)) + 1e-6)
    best = scipy.optimize.minimize_scalar(
        cost, bounds=bounds, method="bounded", options={"xatol": 1e-8}
    )
    run_to_failure = sum(w * failed / fit.distribution.mean() for fit, w in fits)
    return float(np.exp(best.x)), 1.0 - float(best.fun) / run_to_failure


def _failed_by(fits: Sequence[tuple[LifeFit, float]], age: float | None) -> float:
    if age is None:
        return 1.0
    return float(sum(w * fit.distribution.failed(np.array([age]))[0] for fit, w in fits))


def _age_and_saving(
    life: LifeDistribution, planned: float, failed: float
) -> tuple[float | None, float]:
    age = optimal_replacement_age(life, planned, failed)
    if age is None:
        return None, 0.0
    rate = float(replacement_cost_rate(life, np.array([age]), planned, failed)[0])
    return age, 1.0 - rate * life.mean() / failed


def _replacement_words(
    fits: Sequence[tuple[LifeFit, float]],
    age: float | None,
    saving: float,
    planned: float,
    failed: float,
    unit: str,
) -> str:
    life = max(fits, key=lambda each: each[1])[0].distribution
    if age is not None:
        share = _failed_by(fits, age)
        return (
            f"Replacing at {age:,.0f} {unit} costs {saving:.0%} less than running to failure; "
            f"{share:.0%} fail before it."
        )
    if failed <= planned:
        reason = "a failure costs no more than a planned replacement"
    elif life.standard.name == "weibull" and life.shape <= 1.0:
        reason = f"failures do not become likelier with age (shape {life.shape:.2f})"
    else:
        reason = f"a failure at {failed / planned:.1f} times the planned cost is too cheap"
    return f"No age of planned replacement beats running to failure: {reason}."
