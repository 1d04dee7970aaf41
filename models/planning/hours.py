"""Workshop hours of a month, against what there is, and the price of doing work a visit earlier."""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class HoursPerJob:
    """Hours that one reline of a wheel end, drum, adjuster and check of a wheel end take."""

    reline: float
    drum: float
    adjuster: float
    check: float


def month_hours(
    relines: FloatArray, adjusters: FloatArray, checks: FloatArray, each: HoursPerJob, *,
    drum_share: float, rng: np.random.Generator,
) -> FloatArray:  # fmt: skip
    """Hours (D, M) of relines and adjusters (D, M) and checks (M,); drums go with relines."""
    drums = rng.binomial(relines.astype(np.int64), drum_share)
    found = relines * each.reline + drums * each.drum + adjusters * each.adjuster
    return np.asarray(found + checks * each.check)


def lining_lost(
    hours_over: float, hours_per_reline: float, wear_a_visit_mm: float, usable_mm: float
) -> float:
    """Linings' worth thrown away when so many hours of relines are done one visit earlier.

    Each leaves what it would have worn until its own visit: a share of a lining.

    >>> lining_lost(9.0, 3.0, 1.1, 11.0)
    0.30000000000000004
    """
    if hours_over <= 0.0 or hours_per_reline <= 0.0 or usable_mm <= 0.0:
        return 0.0
    return hours_over / hours_per_reline * min(wear_a_visit_mm / usable_mm, 1.0)
