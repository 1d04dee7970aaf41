"""What fitted lives say of a whole fleet: failures to come, and failures nobody has seen yet.

Groups of adjusters have lives of their own, each fitted apart, so a fleet's figure is a sum over
independent fits. Its uncertainty is taken to first order on the logarithm of each group's figure q,

    log q(theta) = log q(fit) + s' (theta - fit),    theta - fit ~ N(0, covariance),

theta = (log scale, log sigma), s by central differences. That needs five evaluations a group where
parameter draws need hundreds, and keeps every figure above 0.

**Failures** by place (a depot) and calendar month are Poisson around their expectation given theta;
one draw of theta is shared by all adjusters of its group. **Undetected shares** of several groups
are averaged with limits by square-and-add, which needs no symmetry (Zou & Donner 2008,
*Statistics in Medicine* 27:1693).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from models.common.arrays import FloatArray
from models.common.distributions import two_sided_z
from models.lives.decisions.decisions import undetected_share
from models.lives.decisions.renewal import expected_renewals
from models.lives.fits.distributions import LifeDistribution
from models.lives.fits.parametric import LifeFit
from models.lives.fits.profile import Interval

MONTH_DAYS = 365.25 / 12.0
AGE_NODES = 40
RATES = 3
STEP = 0.2  # of a standard error: the slope wanted is that over the errors, not at a point
SMALLEST = 1e-12


@dataclass(frozen=True, slots=True)
class AdjusterGroup:
    """Adjusters that share a fitted life.

    age_km, km_per_day, place, weight: (n,); place numbers the depots, weight counts adjusters (a
    fraction where one may be gone already).
    """

    fit: LifeFit
    age_km: FloatArray
    km_per_day: FloatArray
    place: npt.NDArray[np.int64]
    weight: FloatArray


@dataclass(frozen=True, slots=True)
class FleetFailures:
    """Failures by place and month, the last row the fleet's: (places + 1, months).

    expected: at the fitted lives; p10, p50, p90: the number itself.
    """

    expected: FloatArray
    p10: FloatArray
    p50: FloatArray
    p90: FloatArray


class _Shared(NamedTuple):
    """Adjusters shared out over a few daily distances (R,) and ages (A,): weight (P, R, A)."""

    rates: FloatArray
    ages: FloatArray
    weight: FloatArray


def log_slopes(
    fit: LifeFit, quantity: Callable[[LifeDistribution], FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """A positive quantity at the fit (k,), and the slopes of its logarithm in theta, (k, 2)."""
    at_fit = np.maximum(quantity(fit.distribution), SMALLEST)
    slopes = np.empty((*at_fit.shape, 2))
    for i, step in enumerate(STEP * np.sqrt(np.diag(fit.covariance))):
        low, high = (
            np.log(np.maximum(quantity(_moved(fit, i, sign * step)), SMALLEST))
            for sign in (-1.0, 1.0)
        )
        slopes[..., i] = (high - low) / (2.0 * step)
    return at_fit, slopes


def _moved(fit: LifeFit, parameter: int, step: float) -> LifeDistribution:
    theta = fit.theta
    theta[parameter] += step
    return LifeDistribution(fit.distribution.standard, float(theta[0]), float(theta[1]))


def fleet_failures(
    groups: Sequence[AdjusterGroup],
    places: int,
    month_ends: FloatArray,
    *,
    rng: np.random.Generator,
    draws: int = 200,
) -> FleetFailures:
    """Failures per calendar month, renewals counted.

    month_ends: (months,), days from now; the first month may be a part of one.
    """
    expected = np.zeros((places, month_ends.size))
    drawn = np.zeros((draws, places, month_ends.size))
    for group in groups:
        shared = _shared_out(group, places)
        expectation = partial(_expected, shared=shared, month_ends=month_ends)
        at_fit, slopes = log_slopes(group.fit, expectation)
        moves = rng.standard_normal((draws, 2)) @ np.linalg.cholesky(group.fit.covariance).T
        expected += at_fit
        drawn += at_fit * np.exp(np.clip(np.einsum("pmk,dk->dpm", slopes, moves), -20.0, 20.0))
    counts = rng.poisson(drawn)
    counts = np.concatenate([counts, counts.sum(axis=1, keepdims=True)], axis=1)
    p10, p50, p90 = np.quantile(counts, [0.1, 0.5, 0.9], axis=0)
    total = np.concatenate([expected, expected.sum(axis=0, keepdims=True)])
    return FleetFailures(total, p10, p50, p90)


def _shared_out(group: AdjusterGroup, places: int) -> _Shared:
    """Between two ages an adjuster counts for each in proportion to its nearness."""
    cuts = np.quantile(group.km_per_day, np.linspace(0.0, 1.0, RATES + 1)[1:-1])
    kind = np.searchsorted(cuts, group.km_per_day, "right")
    members = np.bincount(kind, group.weight, RATES)
    rates = np.bincount(kind, group.weight * group.km_per_day, RATES) / np.maximum(members, 1e-12)
    nodes = max(float(group.age_km.max()), 1.0) * np.linspace(0.0, 1.0, AGE_NODES) ** 2
    lower = np.clip(np.searchsorted(nodes, group.age_km, "right") - 1, 0, AGE_NODES - 2)
    upper_part = (group.age_km - nodes[lower]) / (nodes[lower + 1] - nodes[lower])
    weight = np.zeros((places, RATES, AGE_NODES))
    np.add.at(weight, (group.place, kind, lower), group.weight * (1.0 - upper_part))
    np.add.at(weight, (group.place, kind, lower + 1), group.weight * upper_part)
    return _Shared(rates, nodes, weight)


def _expected(life: LifeDistribution, shared: _Shared, month_ends: FloatArray) -> FloatArray:
    """Expected failures, (places, months)."""
    months = int(np.ceil(month_ends[-1] / MONTH_DAYS))
    run = np.zeros((shared.weight.shape[0], months + 1))
    for kind, rate in enumerate(shared.rates):
        if rate > 0.0:
            renewals = expected_renewals(life, shared.ages, float(rate) * MONTH_DAYS, months)
            run[:, 1:] += shared.weight[:, kind] @ np.cumsum(renewals, axis=1)
    ends = MONTH_DAYS * np.arange(months + 1)
    return np.diff(np.stack([np.interp(month_ends, ends, row) for row in run]), axis=1, prepend=0.0)


def undetected_interval(fit: LifeFit, tau: float, level: float = 0.95) -> Interval | None:
    """The share of places with an undetected failed adjuster, checked every `tau` [km].

    None for a life without a finite mean: in the long run nothing would fail.
    """
    if np.isinf(fit.distribution.mean()):
        return None
    share, slopes = log_slopes(fit, lambda life: np.array([undetected_share(life, tau)]))
    se = float(np.sqrt(slopes[0] @ fit.covariance @ slopes[0]))
    widening = float(np.exp(min(two_sided_z(level) * se, 50.0)))
    estimate = float(share[0])
    return Interval(estimate, estimate / widening, min(estimate * widening, 1.0))


def averaged(
    intervals: Sequence[Interval], weights: Sequence[float], fits: Sequence[Hashable]
) -> Interval:
    """The weighted mean of shares; those of one fit err together, those of two independently."""
    share = np.asarray(weights) / np.sum(weights)
    estimate = float(share @ [interval.estimate for interval in intervals])
    apart = {
        fit: np.sum(
            [
                w * np.array([i.estimate - i.low, i.high - i.estimate])
                for i, w, f in zip(intervals, share, fits, strict=True)
                if f == fit
            ],
            axis=0,
        )
        for fit in fits
    }
    below, above = np.sqrt(np.sum(np.square(list(apart.values())), axis=0))
    return Interval(estimate, max(estimate - float(below), 0.0), min(estimate + float(above), 1.0))
