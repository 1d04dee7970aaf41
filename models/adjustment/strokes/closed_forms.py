"""Closed forms for one coefficient of a Gaussian model under three kinds of prior.

The log-likelihood of a coefficient b, the rest integrated out, is ``b * score - b**2 * info / 2``
up to a constant. Each function integrates it against a proper prior and gives the log of that
integral (``log_gain``: how much better than b = 0) with the posterior mean and variance of b.
Scaled complementary error functions keep the tails exact where plain probabilities underflow.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import factorial

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, gammaln, ndtr

Floats = NDArray[np.float64]

SQRT_2 = np.sqrt(2.0)
LOG_2PI = np.log(2 * np.pi)
LEAST_INFO = 1e-6
LEAST_MASS = 1e-300
FAR_TAIL = 60.0


@dataclass(frozen=True)
class Coefficient:
    """Log marginal likelihood relative to zero, posterior mean and variance; one shape.

    The last two are worked out when they are first asked for: most are not.
    """

    log_gain: Floats
    moments_of: Callable[[], tuple[Floats, Floats]]

    @cached_property
    def _moments(self) -> tuple[Floats, Floats]:
        return self.moments_of()

    @property
    def mean(self) -> Floats:
        return self._moments[0]

    @property
    def var(self) -> Floats:
        return self._moments[1]


def normal_prior(score: Floats, info: Floats, mean: float, var: Floats | float) -> Coefficient:
    """Coefficient with a normal prior."""
    precision = info + 1 / np.asarray(var)
    pull = score + mean / np.asarray(var)
    gain = -0.5 * np.log1p(info * var) + 0.5 * (pull * pull / precision - mean**2 / np.asarray(var))
    return Coefficient(gain, lambda: (pull / precision, 1 / precision))


def gamma_prior(
    score: Floats, info: Floats, low: float, mean_excess: float, shape: int
) -> Coefficient:
    """Coefficient above ``low``, its excess gamma with integer ``shape`` and the stated mean."""
    info = np.maximum(info, LEAST_INFO)
    scale = mean_excess / shape
    root = np.sqrt(info)
    centre = (score - 1 / scale) / info - low
    bound = -centre * root
    mass, rate, exponent = _upper_tail(bound)
    excess = _ExcessMoments(centre, 1 / root, bound, rate)
    about = excess.up_to(shape - 1)
    constant = 0.5 * LOG_2PI - gammaln(shape) - shape * np.log(scale)
    gain = low * score - 0.5 * low * low * info + exponent + constant
    gain += np.log(mass * about[-1] / root)

    def moments() -> tuple[Floats, Floats]:
        *_, base, first, second = excess.up_to(shape + 1)
        mean = first / base
        var = second / base - mean * mean
        return low + mean, np.maximum(var, 1e-3 * mean * mean / (1 + mean**2 * info))

    return Coefficient(gain, moments)


def _upper_tail(bound: Floats) -> tuple[Floats, Floats, Floats]:
    """e^(t²/2) times the normal mass above ``bound``, t = max(bound, 0); the hazard there; and
    (bound² − t²)/2."""
    inside = np.minimum(bound, 0.0)
    exponent = 0.5 * inside * inside
    density = np.exp(-exponent)
    # Of the tail on the bound's own side of zero, which one function serves for both.
    tail = 0.5 * erfcx(np.abs(bound) / SQRT_2)
    mass = np.where(bound > 0, tail, 1 - tail * density)
    return mass, density / (np.sqrt(2 * np.pi) * mass), exponent


@dataclass(frozen=True, slots=True)
class _ExcessMoments:
    """Moments about zero of a normal variable known to exceed zero."""

    centre: Floats
    sd: Floats
    bound: Floats
    hazard: Floats

    def up_to(self, order: int) -> list[Floats]:
        centre, var = self.centre, self.sd * self.sd
        moments = [np.ones_like(centre), centre + self.sd * self.hazard]
        for k in range(2, order + 1):
            moments.append(centre * moments[k - 1] + (k - 1) * var * moments[k - 2])
        # So far out the variable is all but exponential, and the recursion would cancel.
        far = self.bound > FAR_TAIL
        if far.any():
            reach = self.sd[far] / self.bound[far]
            for k, moment in enumerate(moments):
                moment[far] = factorial(k) * reach**k
        return moments[: order + 1]


def uniform_prior(score: Floats, info: Floats, high: Floats) -> Coefficient:
    """Coefficient uniform between zero and ``high`` (> 0)."""
    info = np.maximum(info, LEAST_INFO)
    root = np.sqrt(info)
    centre = score / info
    low, top = -centre * root, (high - centre) * root
    flip = top < 0
    near, far = np.where(flip, -top, low), np.where(flip, -low, top)
    mass, at_near, at_far = _scaled_mass(near, far)
    # The scaled mass is e^(tail^2/2) too large; the exponent below is centre^2*info/2 less that.
    tail = np.maximum(near, 0.0)
    gain = 0.5 * (low * low - tail * tail + LOG_2PI) + np.log(mass / (root * high))

    def moments() -> tuple[Floats, Floats]:
        scale = 1 / (np.sqrt(2 * np.pi) * mass)
        by_near, by_far = at_near * scale, at_far * scale
        offset = np.where(flip, -1.0, 1.0) * (by_near - by_far)
        spread = 1 + near * by_near - far * by_far - (by_near - by_far) ** 2
        mean = np.clip(centre + offset / root, 0.0, high)
        return mean, np.clip(spread / info, high * high * 1e-8, high * high / 12)

    return Coefficient(gain, moments)


def _scaled_mass(near: Floats, far: Floats) -> tuple[Floats, Floats, Floats]:
    """e^(t^2/2) times the normal mass from ``near`` to ``far`` (≥ 0), t = max(near, 0).

    Also e^((t^2 - z^2)/2) at both ends.
    """
    tail = np.maximum(near, 0.0)
    at_far = np.exp(0.5 * (tail - far) * (tail + far))
    at_near = np.exp(0.5 * (tail - near) * (tail + near))
    beyond = 0.5 * erfcx(far / SQRT_2) * at_far
    outer = 0.5 * erfcx(np.abs(near) / SQRT_2) * at_near
    mass = np.where(near > 0, outer - beyond, 1 - outer - beyond)
    return np.maximum(mass, LEAST_MASS), at_near, at_far


def outside(mean: Floats, sd: Floats, low: float, high: float) -> Floats:
    """Probability that a normal variable lies outside [low, high]."""
    sd = np.maximum(sd, 1e-12)
    return ndtr((low - mean) / sd) + ndtr((mean - high) / sd)
