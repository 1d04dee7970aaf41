r"""Figures that do not hang on which distribution was chosen, and pools that hide differences.

Where the records leave several distributions open, a figure is averaged over them with Akaike
weights :math:`w_i`, on its logarithm :math:`\theta_i`, and its standard error holds both how unsure
each is and how far apart they lie (Burnham, Anderson 2002, *Model Selection and Multimodel
Inference*, eq. 4.1 and 4.9):

.. math:: \bar\theta = \sum w_i\theta_i,\qquad
          \mathrm{se}(\bar\theta) = \sum w_i\sqrt{\mathrm{se}_i^2 + (\theta_i-\bar\theta)^2}

A pool of groups whose lives differ follows no law of its own: twice the log-likelihood that the
groups' own fits gain over the pool's, divided by how much more units differ than adjusters that
stand alone (their :math:`\hat c`, ibid. ch. 2.5), is judged by chi-square.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray
from models.common.distributions import chi2_sf, t_quantile
from models.lives.fits.data import LifeCounts, pooled_counts
from models.lives.fits.parametric import PARAMETERS, LifeChoice, LifeFit, fit_life, overdispersion
from models.lives.fits.profile import Interval

OPEN = 0.01
"""A distribution of less weight than this is not left open."""
SIGNIFICANT = 0.05


def open_fits(choice: LifeChoice) -> list[tuple[LifeFit, float]]:
    """The distributions that the records leave open and their weights, which add up to 1."""
    found = [(fit, choice.weights[fit.name]) for fit in choice.fits]
    found = [(fit, weight) for fit, weight in found if weight >= OPEN]
    total = sum(weight for _, weight in found)
    return [(fit, weight / total) for fit, weight in found]


def averaged_quantile(choice: LifeChoice, share: float, level: float = 0.95) -> Interval:
    """Age by which a share has failed, averaged over the distributions left open."""
    fits = open_fits(choice)
    weight = np.array([w for _, w in fits])
    logs = np.array([np.log(fit.distribution.quantile(share)) for fit, _ in fits]).ravel()
    mean = float(weight @ logs)
    spread = np.array([_log_quantile_variance(fit, share) for fit, _ in fits])
    se = float(weight @ np.sqrt(spread + (logs - mean) ** 2))
    half = float(t_quantile(0.5 + level / 2, min(fit.units for fit, _ in fits) - 1.0)) * se
    return Interval(float(np.exp(mean)), float(np.exp(mean - half)), float(np.exp(mean + half)))


def _log_quantile_variance(fit: LifeFit, share: float) -> float:
    z = float(fit.distribution.standard.quantile(np.array([share]))[0])
    slope: FloatArray = np.array([1.0, z * fit.distribution.sigma])
    return float(slope @ fit.covariance @ slope)


@dataclass(frozen=True, slots=True)
class PoolTest:
    """Whether groups share one life: p of the likelihood ratio; ``groups`` compared."""

    p: float
    groups: int

    @property
    def differs(self) -> bool:
        return self.p < SIGNIFICANT


def pool_test(groups: Sequence[tuple[LifeCounts, LifeChoice]]) -> PoolTest | None:
    """Whether groups that have fits of their own share one; None where fewer than two have."""
    parts = [(counts, choice.chosen) for counts, choice in groups if choice.chosen is not None]
    if len(parts) < 2:
        return None
    name = max(parts, key=lambda part: part[0].failures)[1].name
    pool = fit_life(pooled_counts([counts for counts, _ in parts]), name)
    own = [fit_life(counts, name) for counts, _ in parts]
    if not isinstance(pool, LifeFit) or not all(isinstance(fit, LifeFit) for fit in own):
        return None
    gain = 2.0 * (sum(fit.loglik for fit in own if isinstance(fit, LifeFit)) - pool.loglik)
    c_hat = float(np.mean([overdispersion(fit) for _, fit in parts]))
    p = float(chi2_sf(max(gain, 0.0) / c_hat, PARAMETERS * (len(parts) - 1)))
    return PoolTest(p, len(parts))
