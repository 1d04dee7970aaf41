r"""How much it takes to tell two parts apart.

*Wear.* A lining's rate is known with variance :math:`v` (between units where a unit carries one
part, between linings, and reading error); two groups of n linings tell a ratio :math:`\rho` apart
with power :math:`1-\beta` where :math:`n = 2 v (z_{1-\alpha/2}+z_{1-\beta})^2 / (r\log\rho)^2`
(normal approximation; any handbook of experiments).

*Lives.* Failures count, not adjusters: :math:`d = 4 (z_{1-\alpha/2}+z_{1-\beta})^2/(\log\theta)^2`
failures in all, half of the adjusters with each part (Schoenfeld 1981, *Biometrika* 68:316).
"""

import numpy as np

from models.common.distributions import normal_quantile

LEVEL, POWER = 0.95, 0.8


def linings_needed(
    rate: float, variance: float, ratio: float, *, level: float = LEVEL, power: float = POWER
) -> int:
    """Linings of each part, for rates of about ``rate`` whose estimates vary by ``variance``.

    Raises
    ------
    ValueError
        If the ratio is 1 or not positive, or the rate not positive: no number is enough.
    """
    _require(ratio)
    if not rate > 0.0:
        raise ValueError(f"the wear rate must be positive, found {rate}")
    needed = 2.0 * variance * _quantiles(level, power) ** 2 / (rate * np.log(ratio)) ** 2
    return max(int(np.ceil(needed)), 2)


def failures_needed(ratio: float, *, level: float = LEVEL, power: float = POWER) -> int:
    """Failures of both parts together that tell hazards of this ratio apart.

    Raises
    ------
    ValueError
        If the ratio is 1 or not positive.

    >>> failures_needed(2.0)
    66
    """
    _require(ratio)
    return int(np.ceil(4.0 * _quantiles(level, power) ** 2 / np.log(ratio) ** 2))


def _quantiles(level: float, power: float) -> float:
    return float(normal_quantile(0.5 + level / 2.0) + normal_quantile(power))


def _require(ratio: float) -> None:
    if not ratio > 0.0 or ratio == 1.0:
        raise ValueError(f"a ratio above 0 and other than 1 is needed, found {ratio}")
