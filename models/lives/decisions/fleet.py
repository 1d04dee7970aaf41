"""What fitted lives say of a whole fleet: figures with limits, and failures nobody has seen yet.

Groups of adjusters have lives of their own, each fitted apart, so a fleet's figure is a sum over
independent fits. Its uncertainty is taken to first order on the logarithm of each group's figure q,

    log q(theta) = log q(fit) + s' (theta - fit),    theta - fit ~ N(0, covariance),

theta = (log scale, log sigma), s by central differences. That needs five evaluations a group where
parameter draws need hundreds, and keeps every figure above 0.

**Undetected shares** of several groups are averaged with limits by square-and-add, which needs no
symmetry (Zou & Donner 2008, *Statistics in Medicine* 27:1693).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from functools import partial
from typing import Protocol

import numpy as np

from models.common.arrays import FloatArray
from models.common.distributions import two_sided_z
from models.lives.decisions.decisions import undetected_share
from models.lives.fits.distributions import DistributionName, LifeDistribution
from models.lives.fits.parametric import LifeFit
from models.lives.fits.profile import Interval


class KnownLife(Protocol):
    """A life distribution with the covariance (2, 2) of its theta."""

    @property
    def distribution(self) -> LifeDistribution: ...
    @property
    def covariance(self) -> FloatArray: ...
    @property
    def theta(self) -> FloatArray: ...
    @property
    def name(self) -> DistributionName: ...


STEP = 0.2  # of a standard error: the slope wanted is that over the errors, not at a point
SMALLEST = 1e-12


def log_slopes(
    fit: KnownLife, quantity: Callable[[LifeDistribution], float | FloatArray]
) -> FloatArray:
    """Slopes of the logarithm of a positive quantity (...) in theta at the fit, (..., 2)."""
    slopes = []
    for i, step in enumerate(STEP * np.sqrt(np.diag(fit.covariance))):
        low, high = (
            np.log(np.maximum(quantity(_moved(fit, i, sign * step)), SMALLEST))
            for sign in (-1.0, 1.0)
        )
        slopes.append((high - low) / (2.0 * step))
    return np.stack(slopes, axis=-1)


def _moved(fit: KnownLife, parameter: int, step: float) -> LifeDistribution:
    theta = fit.theta
    theta[parameter] += step
    return LifeDistribution(fit.distribution.standard, float(theta[0]), float(theta[1]))


def undetected_interval(fit: LifeFit, tau: float, level: float = 0.95) -> Interval | None:
    """The share of places with an undetected failed adjuster, checked every `tau` [km].

    None for a life without a finite mean: in the long run nothing would fail.
    """
    if np.isinf(fit.distribution.mean()):
        return None
    slopes = log_slopes(fit, partial(undetected_share, tau=tau))
    se = float(np.sqrt(slopes @ fit.covariance @ slopes))
    widening = float(np.exp(min(two_sided_z(level) * se, 50.0)))
    estimate = max(undetected_share(fit.distribution, tau), SMALLEST)
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
