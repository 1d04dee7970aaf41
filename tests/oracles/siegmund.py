"""Run length of a cumulative sum in closed form: right within a few percent, and independent.

Siegmund (1985) *Sequential Analysis*, section 2.6.
"""

import numpy as np

SIEGMUND_OVERSHOOT = 1.166


def siegmund_run_length(allowance: float, limit: float, shift: float = 0.0) -> float:
    """Siegmund's closed form for the two-sided chart: an independent check within a few percent."""
    sides = [_siegmund_one_side(signed - allowance, limit) for signed in (shift, -shift)]
    return 1 / sum(1 / length for length in sides)


def _siegmund_one_side(drift: float, limit: float) -> float:
    barrier = limit + SIEGMUND_OVERSHOOT
    if abs(drift) < 1e-9:
        return barrier**2
    exponent = 2 * drift * barrier
    return float((np.expm1(-exponent) + exponent) / (2 * drift**2))
