"""Newton's method for the maximum of a likelihood whose derivatives are known exactly.

The curvature is made positive by the absolute values of its eigenvalues (Nocedal & Wright 2006,
*Numerical Optimization*, 3.4), and a step is shortened until it gains: one so long that numbers
overflow gains nothing.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from models.common.arrays import FloatArray

MAX_STEPS = 80
NEAR = 1e-8
"""Twice the log-likelihood that is still to gain; one plain step then squares the error."""
FRACTIONS = (1.0, 0.5, 0.25, 0.1, 0.02, 0.002, 1e-5)
_FLOOR = 1e-10


class Evaluated(NamedTuple):
    """Log-likelihood, gradient (d,) and Hessian (d, d) at one theta."""

    value: float
    gradient: FloatArray
    hessian: FloatArray


class Summit(NamedTuple):
    """Where the search ended, and after how many steps."""

    theta: FloatArray
    at: Evaluated
    steps: int


def uphill(gradient: FloatArray, hessian: FloatArray) -> FloatArray:
    """The Newton step (d,), upwards whatever the curvature is."""
    if not gradient.size:
        return gradient
    curvature, axes = np.linalg.eigh(-hessian)
    floor = max(_FLOOR * float(np.abs(curvature).max()), 1e-300)
    return np.asarray(axes @ ((axes.T @ gradient) / np.maximum(np.abs(curvature), floor)))


@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def maximised(
    evaluate: Callable[[FloatArray], Evaluated],
    start: FloatArray,
    length: Callable[[FloatArray, FloatArray], float],
) -> Summit:
    """The maximum uphill from ``start`` (d,).

    ``length(theta, step)`` measures a step, of which none is longer than 1; infinite where the
    search is to end.
    """
    theta, at = start, evaluate(start)
    for step_no in range(MAX_STEPS):
        step = uphill(at.gradient, at.hessian)
        step = step / max(length(theta, step), 1.0)
        if at.gradient @ step < NEAR:
            theta = theta + step
            return Summit(theta, evaluate(theta), step_no + 1)
        for fraction in FRACTIONS:
            tried = evaluate(theta + fraction * step)
            if tried.value > at.value:
                break
        else:
            return Summit(theta, at, step_no)
        theta, at = theta + fraction * step, tried
    return Summit(theta, at, MAX_STEPS)
