"""How old what is in place may be, where nobody knows when it was fitted.

Of a place that was first fitted at 0 km and renewed at every failure since, the age at t km is t
with chance S(t), or some a < t with density m(t - a) S(a), m the renewal density (Cox 1962,
*Renewal Theory*, 5.1 and 5.2). What has been watched for w km without a renewal is at least so old.
"""

import numpy as np

from models.common.arrays import FloatArray
from models.lives.fits.distributions import LifeDistribution

STEPS, AGES = 256, 64
"""Steps of the renewal equation, and ages at which the density is taken."""
LEAST = 1e-12


def ages_met(
    life: LifeDistribution, watched: FloatArray, run: FloatArray, parts: int
) -> FloatArray:
    """Ages (n, parts), equally likely, of what has been watched for so many km (n,) in places that
    have run so many in all (n,): what was watched where all else has no chance."""
    t = np.maximum(run, watched)
    width = (t - watched)[:, None]
    grid = np.linspace(0.0, max(float(t.max(initial=0.0)), 1.0), STEPS + 1)
    age = watched[:, None] + width * (np.arange(AGES) + 0.5) / AGES
    density = np.interp(t[:, None] - age, grid, renewal_density(life, grid))
    never = life.survival(np.maximum(t, 1e-9))[:, None]
    weight = np.hstack([density * life.survival(np.maximum(age, 1e-9)) * width / AGES, never])
    upto = np.cumsum(weight, axis=1)
    likely = upto[:, -1:] > LEAST
    upto = np.where(likely, upto / np.where(likely, upto[:, -1:], 1.0), 1.0)
    edges = watched[:, None] + width * np.arange(AGES + 1) / AGES
    shares = (np.arange(parts) + 0.5) / parts
    found = [
        np.interp(shares, np.append(0.0, chance[:-1]), edge, right=oldest)
        for chance, edge, oldest in zip(upto, edges, t, strict=True)
    ]
    return np.where(likely, np.array(found).reshape(len(t), parts), watched[:, None])


def renewal_density(life: LifeDistribution, grid: FloatArray) -> FloatArray:
    """m on an even grid from 0, by the renewal equation m(t) = f(t) + int m(t - u) f(u) du."""
    step = grid[1] - grid[0]
    failed = np.diff(1.0 - life.survival(np.maximum(grid, 1e-9)), prepend=0.0)
    renewed = np.zeros(len(grid))
    for i in range(1, len(grid)):
        renewed[i] = failed[i] + renewed[1:i] @ failed[i - 1 : 0 : -1]
    return np.asarray(renewed / step)
