"""Undetected failures with limits from draws of the parameters: a check of those to first order."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.lives.decisions.decisions import undetected_share
from models.lives.fits.parametric import LifeFit, parameter_draws


@dataclass(frozen=True, slots=True)
class CheckInterval:
    """Share of places with an undetected failed adjuster, for one interval between checks."""

    weeks: float
    tau_km: float
    share: float
    low: float
    high: float


def undetected_by_interval(
    fit: LifeFit,
    km_per_week: float,
    *,
    rng: np.random.Generator,
    weeks: Sequence[float] = (4, 8, 12, 16, 26),
    draws: int = 200,
    level: float = 0.95,
) -> list[CheckInterval]:
    """The undetected share for each interval between checks, with limits from parameter draws."""
    laws = parameter_draws(fit, draws, rng)
    tail = 0.5 - 0.5 * level
    found = []
    for week in weeks:
        tau = week * km_per_week
        low, high = np.quantile([undetected_share(life, tau) for life in laws], [tail, 1.0 - tail])
        share = undetected_share(fit.distribution, tau)
        found.append(CheckInterval(float(week), tau, share, float(low), float(high)))
    return found
