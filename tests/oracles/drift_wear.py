"""Wear since each setting from thickness readings, shrunk toward its group's wear rate.

For wheel ends without a better wear model: each episode's lining falls on a straight line over km,
its rate normal around the group's. One rate carries all the uncertainty, so the wear at every
reading of an episode is off by the same fraction.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

READING_SD_MM = 0.55
LEAST_BETWEEN_CV = 0.05
USUAL_MM_PER_KM, USUAL_BETWEEN_CV = 5e-5, 0.5


@dataclass(frozen=True, slots=True)
class WearSinceSetting:
    """Wear at each reading, mm (n, j), and its relative SD (n,)."""

    wear_mm: Floats
    cv: Floats
    mm_per_km: Floats


def wear_since_setting(
    lining_mm: Floats, km: Floats, group: Ints, *, reading_sd_mm: float = READING_SD_MM
) -> WearSinceSetting:
    """Wear since the setting by one line per episode.

    Parameters
    ----------
    lining_mm : (n, j), NaN where not read; the first column may be the setting itself
    km : (n, j) since the setting; NaN or anything where nothing was read
    group : (n,) code of axle type × duty
    """
    own, own_var = _own_rates(lining_mm, km, reading_sd_mm)
    mean, between = _group_rates(own, own_var, group)
    precision = 1 / own_var + 1 / between
    rate = (np.where(np.isfinite(own), own, 0.0) / own_var + mean / between) / precision
    rate = np.maximum(rate, 0.1 * mean)
    return WearSinceSetting(rate[:, None] * km, np.sqrt(1 / precision) / rate, rate)


def _own_rates(lining_mm: Floats, km: Floats, sd: float) -> tuple[Floats, Floats]:
    """Least-squares rate of each episode and its variance; infinite where there is none."""
    read = np.isfinite(lining_mm) & np.isfinite(km)
    count = np.maximum(read.sum(axis=1), 1)[:, None]
    x, y = np.where(read, km, 0.0), np.where(read, lining_mm, 0.0)
    x = np.where(read, x - x.sum(axis=1, keepdims=True) / count, 0.0)
    y = np.where(read, y - y.sum(axis=1, keepdims=True) / count, 0.0)
    spread = (x * x).sum(axis=1)
    told = spread > 0
    safe = np.where(told, spread, 1.0)
    rate = np.where(told, -(x * y).sum(axis=1) / safe, np.nan)
    return rate, np.where(told, sd**2 / safe, np.inf)


def _group_rates(own: Floats, own_var: Floats, group: Ints) -> tuple[Floats, Floats]:
    """Mean rate and between-episode variance of each episode's group, by moments."""
    mean, between = np.empty(len(own)), np.empty(len(own))
    for code in np.unique(group):
        members = group == code
        told = members & np.isfinite(own)
        mean[members], between[members] = _moments(own[told], own_var[told])
    return mean, between


def _moments(rate: Floats, var: Floats) -> tuple[float, float]:
    """DerSimonian & Laird (1986) Controlled Clinical Trials 7:177."""
    if len(rate) < 2:
        return USUAL_MM_PER_KM, (USUAL_BETWEEN_CV * USUAL_MM_PER_KM) ** 2
    weight = 1 / var
    total = weight.sum()
    centre = (weight * rate).sum() / total
    excess = (weight * (rate - centre) ** 2).sum() - (len(rate) - 1)
    scale = total - (weight**2).sum() / total
    between = max(excess / scale, (LEAST_BETWEEN_CV * centre) ** 2)
    weight = 1 / (var + between)
    mean = (weight * rate).sum() / weight.sum()
    return float(max(mean, 0.1 * USUAL_MM_PER_KM)), float(between)
