r"""A total over a distance, as a rate, when units differ and what one does it does again.

:math:`\hat r = \sum_u c_u / \sum_u x_u` over units u (Cochran 1977, *Sampling Techniques*, 2.11),
with the variance of its residuals by unit,
:math:`v = \frac{U}{U-1}\sum_u (c_u - \hat r x_u)^2 / (\sum_u x_u)^2`: months of one unit may depend
on each other as they like. Intervals are symmetric on the log scale, by t with U - 1 degrees of
freedom, so that no rate is below nought.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray
from models.common.distributions import t_quantile


@dataclass(frozen=True, slots=True)
class Rate:
    """Cost per km and its limits (NaN where fewer than two units say anything)."""

    rate: float
    low: float
    high: float
    units: int


def ratio_rate(amount: FloatArray, distance: FloatArray, *, level: float = 0.95) -> Rate:
    """Amounts (U,) over distances (U,), by unit.

    >>> found = ratio_rate(np.array([2.0, 4.0, 6.0]), np.array([1.0, 2.0, 3.0]))
    >>> found.rate, found.low, found.high
    (2.0, 2.0, 2.0)
    """
    run = distance > 0.0
    units, total = int(run.sum()), float(distance[run].sum())
    if units == 0:
        return Rate(np.nan, np.nan, np.nan, 0)
    rate = float(amount[run].sum()) / total
    if units < 2:
        return Rate(rate, np.nan, np.nan, units)
    left = amount[run] - rate * distance[run]
    se = float(np.sqrt(units / (units - 1.0) * np.sum(left**2))) / total
    if rate <= 0.0:
        return Rate(rate, *((0.0, 0.0) if se == 0.0 else (np.nan, np.nan)), units)
    widening = float(np.exp(float(t_quantile(0.5 + level / 2.0, units - 1)) * se / rate))
    return Rate(rate, rate / widening, rate * widening, units)
