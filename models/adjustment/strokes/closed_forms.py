"""Closed forms for one coefficient of a Gaussian model under three kinds of prior.

The log-likelihood of a coefficient b, the rest integrated out, is ``b * score - b**2 * info / 2``
up to a constant. Each function integrates it against a proper prior and gives the log of that
integral (``log_gain``: how much better than b = 0) with the posterior mean and variance of b.
Scaled complementary error functions keep the tails exact where plain probabilities underflow.
"""

from math import factorial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, gammaln, ndtr

Floats = NDArray[np.float64]

SQRT_2 = np.sqrt(2.0)
LOG_2PI = np.log(2 * np.pi)
LEAST_INFO = 1e-6
FAR_TAIL = 60.0


class Coefficient(NamedTuple):
    """Log marginal likelihood relative to zero, posterior mean and variance; one shape."""

    log_gain: Floats
    mean: Floats
    var: Floats


def normal_prior(score: Floats, info: Floats, mean: float, var: Floats | float) -> Coefficient:
    """Coefficient with a normal prior."""
    precision = info + 1 / np.asarray(var)
    pull = score + mean / np.asarray(var)
    gain = -0.5 * np.log1p(info * var) + 0.5 * (pull * pull / precision - mean**2 / np.asarray(var))
    return Coefficient(gain, pull / precision, 1 / precision)


def gamma_prior(
    score: Floats, info: Floats, low: float, mean_excess: float, shape: int
) -> Coefficient:
    """Coefficient above ``low``, its excess gamma with integer ``shape`` and the stated mean."""
    info = np.maximum(info, LEAST_INFO)
    scale = mean_excess / shape
    root = np.sqrt(info)
    centre = (score - 1 / scale) / info - low
    bound = -centre * root
    log_mass, rate = _upper_tail(bound)
    moments = _excess_moments(centre, 1 / root, bound, rate, shape + 1)
    tail = np.maximum(bound, 0.0)
    exponent = low * score - 0.5 * low * low * info + 0.5 * (bound * bound - tail * tail)
    constant = 0.5 * (LOG_2PI - np.log(info)) - gammaln(shape) - shape * np.log(scale)
    gain = exponent + log_mass + constant + np.log(moments[shape - 1])
    mean = moments[shape] / moments[shape - 1]
    var = moments[shape + 1] / moments[shape - 1] - mean * mean
    return Coefficient(gain, low + mean, np.maximum(var, 1e-3 * mean * mean / (1 + mean**2 * info)))


def _upper_tail(bound: Floats) -> tuple[Floats, Floats]:
    """Log of e^(t²/2) times the normal mass above ``bound``, t = max(bound, 0); hazard there."""
    tail = np.maximum(bound, 0.0)
    mass = np.where(bound > 0, 0.5 * erfcx(tail / SQRT_2), ndtr(-bound))
    density = np.exp(0.5 * (tail * tail - bound * bound)) / np.sqrt(2 * np.pi)
    return np.log(mass), density / mass


def _excess_moments(
    centre: Floats, sd: Floats, bound: Floats, hazard: Floats, order: int
) -> list[Floats]:
    """Moments about zero, up to ``order``, of a normal variable known to exceed zero."""
    far = bound > FAR_TAIL
    moments = [np.ones_like(centre), centre + sd * hazard]
    for k in range(2, order + 1):
        moments.append(centre * moments[k - 1] + (k - 1) * sd**2 * moments[k - 2])
    reach = sd / np.maximum(bound, 1.0)
    # So far out the variable is all but exponential, and the recursion would cancel.
    return [np.where(far, factorial(k) * reach**k, m) for k, m in enumerate(moments)]


def uniform_prior(score: Floats, info: Floats, high: Floats) -> Coefficient:
    """Coefficient uniform between zero and ``high`` (> 0)."""
    info = np.maximum(info, LEAST_INFO)
    root = np.sqrt(info)
    centre = score / info
    low, top = -centre * root, (high - centre) * root
    flip = top < 0
    near, far = np.where(flip, -top, low), np.where(flip, -low, top)
    log_mass, at_near, at_far = _scaled_mass(near, far)
    # The scaled mass is e^(tail^2/2) too large; the exponent below is centre^2*info/2 less that.
    tail = np.maximum(near, 0.0)
    gain = log_mass + 0.5 * (low * low - tail * tail) + 0.5 * (LOG_2PI - np.log(info))
    offset = np.where(flip, -1.0, 1.0) * (at_near - at_far)
    spread = 1 + near * at_near - far * at_far - (at_near - at_far) ** 2
    mean = np.clip(centre + offset / root, 0.0, high)
    return Coefficient(
        gain - np.log(high), mean, np.clip(spread / info, high * high * 1e-8, high * high / 12)
    )


def _scaled_mass(near: Floats, far: Floats) -> tuple[Floats, Floats, Floats]:
    """Log of e^(t^2/2) times the normal mass from ``near`` to ``far``, t = max(near, 0).

    Also the normal densities at both ends over that mass.
    """
    tail = np.maximum(near, 0.0)
    reach = np.maximum(far, tail)
    shrunk = np.exp(0.5 * (tail - reach) * (tail + reach))
    in_tail = 0.5 * (erfcx(tail / SQRT_2) - erfcx(reach / SQRT_2) * shrunk)
    mass = np.where(near > 0, in_tail, ndtr(far) - ndtr(near))
    mass = np.maximum(mass, 1e-300)
    scale = 1 / (np.sqrt(2 * np.pi) * mass)
    at_near = np.exp(0.5 * (tail * tail - near * near)) * scale
    return np.log(mass), at_near, _density_ratio(far, tail) * scale


def _density_ratio(z: Floats, tail: Floats) -> Floats:
    """``exp((tail**2 - z**2) / 2)`` without overflow."""
    return np.exp(np.minimum(0.5 * (tail - z) * (tail + z), 0.0))


def outside(mean: Floats, sd: Floats, low: float, high: float) -> Floats:
    """Probability that a normal variable lies outside [low, high]."""
    sd = np.maximum(sd, 1e-12)
    return ndtr((low - mean) / sd) + ndtr((mean - high) / sd)
