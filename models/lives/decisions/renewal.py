"""Failures to come, month by month, with replacements that fail in their turn.

An adjuster now at age a fails within the next x [km] with probability F_a(x) = 1 - S(a+x)/S(a); its
successor starts at age 0. The expected number of failures of its place is

    N_a(x) = F_a(x) + integral of M(x - u) dF_a(u),    M(x) = F(x) + integral of M(x - u) dF(u),

M the renewal function (Barlow & Proschan 1965, ch. 3), solved on a grid by the midpoint rule of Xie
(1989, *Commun. Stat. Simul.* 18:281). A failed adjuster counts as replaced at once; in practice it
waits for the next check, which makes these counts slightly high.

Uncertainty: parameters are drawn once per draw and shared by the whole fleet; around each draw's
expectation the count is Poisson, which is a little wide for lives that wear out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from models.common.arrays import FloatArray
from models.lives.fits.distributions import LifeDistribution
from models.lives.fits.parametric import LifeFit, parameter_draws

STEPS_PER_MONTH = 4
AGE_NODES = 60


@dataclass(frozen=True, slots=True)
class FailureForecast:
    """Failures per month, for each group of adjusters and for all (last row): (groups + 1, months).

    expected: at the fitted parameters; expected_low, expected_high: the expectation's own limits
    from parameter draws; p10, p50, p90: the number itself, from draws of parameters and chance.
    """

    expected: FloatArray
    expected_low: FloatArray
    expected_high: FloatArray
    p10: FloatArray
    p50: FloatArray
    p90: FloatArray
    level: float


class _Fleet(NamedTuple):
    """Adjusters shared out over a few monthly distances (R,) and ages (A,): weight (G, R, A).

    One renewal function serves each distance. Between two ages an adjuster counts for each in
    proportion to its nearness, which interpolates what is smooth in age.
    """

    rates: FloatArray
    ages: FloatArray
    weight: FloatArray


def renewal_function(distribution: LifeDistribution, step: float, steps: int) -> FloatArray:
    """M at step, 2 step, …: expected failures of a place that starts with a new adjuster, (steps,).

    The error is of second order in step / scale.
    """
    ends = step * np.arange(1, steps + 1, dtype=float)
    failed, at_middles = distribution.failed(ends), distribution.failed(ends - 0.5 * step)
    renewals = np.zeros(steps + 1)
    for i in range(1, steps + 1):
        # Failures of the successors of each earlier step, fitted at its middle.
        gained = at_middles[i - 1 : 0 : -1] @ np.diff(renewals[:i])
        own = at_middles[0]
        renewals[i] = (failed[i - 1] + gained - own * renewals[i - 1]) / (1.0 - own)
    return renewals[1:]


def expected_renewals(
    distribution: LifeDistribution, age: FloatArray, month_km: float, months: int
) -> FloatArray:
    """Expected failures of places whose adjusters are now at `age` (n,), by month: (n, months)."""
    steps = months * STEPS_PER_MONTH
    step = month_km / STEPS_PER_MONTH
    ends = step * np.arange(steps + 1, dtype=float)
    log_s = distribution.log_survival(age[:, None] + ends[None, :])
    failed = -np.expm1(log_s - log_s[:, :1])
    month_ends = np.arange(STEPS_PER_MONTH, steps + 1, STEPS_PER_MONTH)
    after_middle = _renewals_after_middles(distribution, step, steps, month_ends)
    total = failed[:, month_ends] + np.diff(failed, axis=1) @ after_middle
    return np.diff(total, axis=1, prepend=0.0)


def _renewals_after_middles(
    distribution: LifeDistribution, step: float, steps: int, month_ends: npt.NDArray[np.int64]
) -> FloatArray:
    """M(month end - middle of step j), (steps, months), 0 where the step lies after the month."""
    half = np.append(0.0, renewal_function(distribution, 0.5 * step, 2 * steps))
    distance = 2 * month_ends[None, :] - (2 * np.arange(steps) + 1)[:, None]
    return np.where(distance > 0, half[np.maximum(distance, 0)], 0.0)


def forecast_failures(
    fit: LifeFit,
    age_km: FloatArray,
    km_per_month: FloatArray,
    group: npt.NDArray[np.int64],
    *,
    months: int,
    rng: np.random.Generator,
    weight: FloatArray | None = None,
    draws: int = 200,
    level: float = 0.95,
    distances: int = 12,
) -> FailureForecast:
    """Failures per month of adjusters now at `age_km`, by `group` (0, 1, …; a depot, say).

    age_km, km_per_month, group, weight: shape (n,); weight counts identical adjusters. Monthly
    distances are rounded to at most `distances` of their own quantiles' means.
    """
    fleet = _fleet(age_km, km_per_month, group, weight, distances)
    expected = _by_group(fit.distribution, fleet, months)
    drawn = np.stack([_by_group(life, fleet, months) for life in parameter_draws(fit, draws, rng)])
    low, high = np.quantile(drawn, [0.5 - 0.5 * level, 0.5 + 0.5 * level], axis=0)
    counts = rng.poisson(drawn[:, :-1])
    counts = np.concatenate([counts, counts.sum(axis=1, keepdims=True)], axis=1)
    p10, p50, p90 = np.quantile(counts, [0.1, 0.5, 0.9], axis=0)
    return FailureForecast(expected, low, high, p10, p50, p90, level)


def _fleet(
    age: FloatArray,
    km_per_month: FloatArray,
    group: npt.NDArray[np.int64],
    weight: FloatArray | None,
    distances: int,
) -> _Fleet:
    rates, place = _rounded_rates(km_per_month, distances)
    nodes = float(age.max(initial=1.0)) * np.linspace(0.0, 1.0, AGE_NODES) ** 2
    lower = np.clip(np.searchsorted(nodes, age, "right") - 1, 0, AGE_NODES - 2)
    upper_part = (age - nodes[lower]) / (nodes[lower + 1] - nodes[lower])
    counted = np.ones_like(age) if weight is None else weight
    shared = np.zeros((int(group.max(initial=-1)) + 1, rates.size, AGE_NODES))
    np.add.at(shared, (group, place, lower), counted * (1.0 - upper_part))
    np.add.at(shared, (group, place, lower + 1), counted * upper_part)
    return _Fleet(rates, nodes, shared)


def _rounded_rates(
    km_per_month: FloatArray, distances: int
) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """At most `distances` monthly distances, each its members' mean, and each adjuster's place."""
    rates, place = np.unique(km_per_month, return_inverse=True)
    if rates.size <= distances:
        return rates, place.astype(np.int64)
    edges = np.quantile(km_per_month, np.linspace(0.0, 1.0, distances + 1)[1:-1])
    place = np.searchsorted(edges, km_per_month, "right")
    members = np.maximum(np.bincount(place, minlength=distances), 1)
    totals = np.bincount(place, weights=km_per_month, minlength=distances)
    return np.asarray(totals / members), place.astype(np.int64)


def _by_group(distribution: LifeDistribution, fleet: _Fleet, months: int) -> FloatArray:
    """Expected failures, (groups + 1, months), the last row all."""
    totals = np.zeros((fleet.weight.shape[0] + 1, months))
    for place, rate in enumerate(fleet.rates):
        if rate > 0.0:
            renewals = expected_renewals(distribution, fleet.ages, float(rate), months)
            totals[:-1] += fleet.weight[:, place] @ renewals
    totals[-1] = totals[:-1].sum(axis=0)
    return totals
