r"""What a wheel end costs per km in the long run, at today's wear, lives, policies and prices.

*Linings*: one set wears :math:`m` mm before it is relined at :math:`r` mm per 10,000 km, so that
there are :math:`r/m` relines per 10,000 km. *Adjusters*, run to failure, fail once per mean life
(renewal theory, Ross 1996, 3.3). Limits carry the wear rate's or the life's own uncertainty.
"""

from dataclasses import dataclass

import numpy as np

KM_PER_UNIT = 10_000.0


@dataclass(frozen=True, slots=True)
class PerKm:
    """Events per km with 95 % limits."""

    rate: float
    low: float
    high: float


def relines_per_km(rate: float, low: float, high: float, worn_mm: float) -> PerKm:
    """Relines per km of a wheel end, from wear [mm per 10,000 km] and the lining worn by each.

    Raises
    ------
    ValueError
        If no lining is worn between relines.
    """
    if not worn_mm > 0.0:
        raise ValueError(f"lining worn between relines must be above 0, found {worn_mm}")
    found = np.maximum(np.array([rate, low, high]), 0.0) / (worn_mm * KM_PER_UNIT)
    return PerKm(*(float(each) for each in found))


def failures_per_km(mean_life_km: float, low_km: float, high_km: float) -> PerKm:
    """Failures per km of an adjuster that is run to failure, from its mean life and its limits."""
    return PerKm(1.0 / mean_life_km, 1.0 / high_km, 1.0 / low_km)
