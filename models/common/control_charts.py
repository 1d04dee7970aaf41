"""Cumulative-sum charts, with limits for a stated in-control run length.

Charts run along the last axis of an array, so one call serves one series or a fleet of them.
A missing value (NaN) leaves a chart where it was. Run lengths come from the chart's integral
equation, solved by the Nyström method on Gauss-Legendre nodes.

References
----------
Page (1954) Biometrika 41:100 (the chart).
Goel & Wu (1971) Technometrics 13:221; Lucas & Crosier (1982) Technometrics 24:199 (run lengths).
NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (a worked example).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

Floats = NDArray[np.float64]

NODES = 61
NO_SIGNAL = -1


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Both one-sided sums; ``signal`` is the first index above the limit, else ``NO_SIGNAL``."""

    upper: Floats
    lower: Floats
    signal: NDArray[np.int64]


def cusum(values: ArrayLike, *, target: ArrayLike, allowance: float, limit: float) -> CusumChart:
    """Two one-sided cumulative sums.

    Parameters
    ----------
    values : shape (..., n), any unit; NaN where nothing was read
    target : in-control mean, same unit, broadcast against ``values``
    allowance, limit : the k and h of the literature, same unit

    Examples
    --------
    >>> cusum([0.0, 2.0, 2.0], target=0.0, allowance=0.5, limit=2.5).signal.item()
    2
    """
    deviations = np.asarray(values, dtype=float) - np.asarray(target, dtype=float)
    upper = _one_sided(deviations - allowance)
    lower = _one_sided(-deviations - allowance)
    return CusumChart(upper, lower, _first_true((upper > limit) | (lower > limit)))


def _one_sided(increments: Floats) -> Floats:
    steps = np.nan_to_num(increments, nan=0.0)
    sums = np.empty_like(steps)
    running = np.zeros(steps.shape[:-1])
    for i in range(steps.shape[-1]):
        running = np.maximum(0.0, running + steps[..., i])
        sums[..., i] = running
    return sums


def _first_true(over: NDArray[np.bool_]) -> NDArray[np.int64]:
    if over.shape[-1] == 0:
        return np.full(over.shape[:-1], NO_SIGNAL)
    return np.where(over.any(axis=-1), over.argmax(axis=-1), NO_SIGNAL).astype(np.int64)


def cusum_run_length(
    allowance: float,
    limit: float,
    shift: float = 0.0,
    *,
    head_start: float = 0.0,
    two_sided: bool = True,
) -> float:
    """Average run length of a cumulative sum of independent unit normals.

    Parameters
    ----------
    allowance, limit, shift, head_start : in standard deviations of one value

    Examples
    --------
    >>> round(cusum_run_length(0.5, 4.0, 1.0), 2)
    8.38
    """
    upper, from_upper = _one_sided_run_lengths(allowance, limit, shift, head_start)
    if not two_sided:
        return from_upper
    lower, from_lower = _one_sided_run_lengths(allowance, limit, -shift, head_start)
    # Lucas & Crosier (1982), appendix; without a head start it is 1/(1/upper + 1/lower).
    return (from_upper * lower + from_lower * upper - upper * lower) / (upper + lower)


def _one_sided_run_lengths(
    allowance: float, limit: float, shift: float, head_start: float
) -> tuple[float, float]:
    """Run length from zero and from the head start."""
    nodes, weights = _gauss_legendre(0.0, limit)
    at = np.concatenate(([0.0], nodes))
    step = allowance - shift - at[:, None]
    kernel = np.hstack([ndtr(step), weights * _normal_density(nodes + step)])
    lengths = np.linalg.solve(np.eye(len(at)) - kernel, np.ones(len(at)))
    from_head = allowance - shift - head_start
    onward = weights * _normal_density(nodes + from_head)
    headed = 1 + ndtr(from_head) * lengths[0] + onward @ lengths[1:]
    return float(lengths[0]), float(headed)


def _gauss_legendre(low: float, high: float) -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    half = (high - low) / 2
    return low + half * (nodes + 1), half * weights


def _normal_density(z: Floats) -> Floats:
    density: Floats = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    return density


@cache
def cusum_limit(allowance: float, run_length: float, *, two_sided: bool = True) -> float:
    """Limit h with the stated in-control run length, in standard deviations.

    Examples
    --------
    >>> round(cusum_limit(0.5, 168.0), 1)
    4.0

    Raises
    ------
    ValueError
        ``run_length`` is not above that of a limit of zero.
    """
    return _limit_for(lambda h: cusum_run_length(allowance, h, two_sided=two_sided), run_length)


def _limit_for(length_at: Callable[[float], float], run_length: float) -> float:
    lowest, highest = 1e-3, 1.0
    if not run_length > length_at(lowest):
        raise ValueError(
            f"run length {run_length:g} is shorter than any limit gives; "
            f"accepted: above {length_at(lowest):.3g}"
        )
    while length_at(highest) < run_length:
        highest *= 1.5
    return float(brentq(lambda h: np.log(length_at(h) / run_length), lowest, highest, xtol=1e-10))
