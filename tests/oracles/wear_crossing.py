r"""When a lining reaches its minimum: a probability in closed form, and its inverse.

Lining after :math:`x` further km (in 10,000 km, at a fixed mix of duties) is

.. math:: L(x) \sim N(m_0 - m_1 x,\; V_{00} + 2V_{01}x + V_{11}x^2)

fixed effects included, so it is at or below a minimum with probability
:math:`\Phi\big((\min - m_0 + m_1x)/\mathrm{sd}(x)\big)`, and the km by which that probability is p
solves

.. math:: (m_1^2 - z_p^2V_{11})\,x^2 - 2(m_1\,\delta + z_p^2V_{01})\,x + \delta^2 - z_p^2V_{00} = 0,
          \qquad \delta = m_0 - \min

as in Fieller's interval for a ratio (Fieller 1954, J. R. Stat. Soc. B 16:175). It has no root on
the wanted side where the slope may well not be positive: the answer is then infinite (not within
sight), never undefined.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.common.arrays import FloatArray
from models.common.distributions import normal_cdf, normal_quantile
from models.common.units import KM_PER_UNIT
from models.wear.predict import LiningLines, predict_lining, quadratic_form, rate_rows

PROBABILITIES = (0.1, 0.5, 0.9)
ROOT_TOLERANCE = 1e-6
"""Squaring adds roots of the other tail; a root counts if it solves the equation to this share."""


def probability_worn(lines: LiningLines, minimum_mm: ArrayLike, km_ahead: ArrayLike) -> FloatArray:
    """Probability that the lining is at or below its minimum after further km (D, N)."""
    ahead = predict_lining(lines, km_ahead)
    gap = np.asarray(minimum_mm, float) - ahead.mean_mm
    sure = np.where(gap >= 0.0, np.inf, -np.inf)
    np.divide(gap, ahead.sd_mm, out=sure, where=ahead.sd_mm > 0.0)
    return np.asarray(normal_cdf(sure))


@dataclass(frozen=True, slots=True)
class _Line:
    """Mean and covariance of lining m0 - m1 x, fixed effects included, shapes (N,)."""

    m0: FloatArray
    m1: FloatArray
    v00: FloatArray
    v01: FloatArray
    v11: FloatArray


def _total_line(lines: LiningLines, duty_share: FloatArray) -> _Line:
    rows = rate_rows(lines, duty_share)
    weight, cov = (lines.km_weight * duty_share).sum(axis=0), lines.covariance
    slope_gradient = weight[:, None] * lines.slope_gradient + rows
    return _Line(
        m0=lines.level_mm,
        m1=-(weight * lines.slope_mm + rows @ lines.beta),
        v00=lines.var_level + quadratic_form(lines.level_gradient, cov, lines.level_gradient),
        v01=weight * lines.cov_level_slope
        + quadratic_form(lines.level_gradient, cov, slope_gradient),
        v11=weight**2 * lines.var_slope + quadratic_form(slope_gradient, cov, slope_gradient),
    )


def _sd(line: _Line, x: FloatArray | float) -> FloatArray:
    return np.asarray(np.sqrt(np.maximum(line.v00 + x * (2 * line.v01 + x * line.v11), 0.0)))


def _roots(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Real roots of a x² - 2 b x + c = 0, shape (2, N); infinite where there is none."""
    inside = b * b - a * c
    q = b + np.copysign(np.sqrt(np.maximum(inside, 0.0)), b)
    roots = np.full((2, len(b)), np.inf)
    with np.errstate(over="ignore"):  # a root out of range is infinitely far
        np.divide(q, a, out=roots[0], where=(inside >= 0.0) & (a != 0.0))
        np.divide(c, q, out=roots[1], where=(inside >= 0.0) & (q != 0.0))
    return roots


def _first_crossing(line: _Line, gap: FloatArray, probability: float) -> FloatArray:
    """Least x >= 0 at which the probability of having lost ``gap`` reaches ``probability``."""
    z = float(normal_quantile(probability))
    if z == 0.0:
        median = np.where(gap > 0.0, np.inf, 0.0)
        with np.errstate(over="ignore"):  # hardly any wear: infinitely far
            np.divide(gap, line.m1, out=median, where=(gap > 0.0) & (line.m1 > 0.0))
        return median
    roots = _roots(
        line.m1**2 - z * z * line.v11,
        line.m1 * gap + z * z * line.v01,
        gap**2 - z * z * line.v00,
    )
    finite = np.where(np.isfinite(roots), roots, 0.0)
    wear, spread = line.m1 * finite - gap, z * _sd(line, finite)
    is_root = np.abs(wear - spread) <= ROOT_TOLERANCE * (
        np.abs(wear) + np.abs(spread) + _sd(line, 0)
    )
    roots[~(np.isfinite(roots) & (roots >= 0.0) & is_root)] = np.inf
    already = -gap - z * np.sqrt(line.v00) >= 0.0
    return np.where(already, 0.0, roots.min(axis=0))


def km_to_minimum(
    lines: LiningLines,
    minimum_mm: ArrayLike,
    duty_share: ArrayLike,
    probabilities: tuple[float, ...] = PROBABILITIES,
) -> FloatArray:
    """Further km by which the lining is at its minimum with given probabilities, shape (k, N).

    Parameters
    ----------
    minimum_mm : (N,) or one number, mm.
    duty_share : (D, N) share of the further km in each duty; each life's shares sum to 1.
    probabilities : increasing.

    Returns
    -------
    km from the line's origin: 0 where the lining is there already, infinite where the probability
    is never reached because the slope may well not be positive.
    """
    line = _total_line(lines, np.asarray(duty_share, float))
    gap = line.m0 - np.asarray(minimum_mm, float)
    x = np.stack([_first_crossing(line, gap, p) for p in probabilities])
    return np.asarray(np.maximum.accumulate(x, axis=0) * KM_PER_UNIT)
