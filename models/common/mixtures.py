"""Quantiles of mixtures of normals, many at a time.

Newton's method inside a bracket that holds the quantile, by bisection where a step would leave it
(Press et al. 2007, *Numerical Recipes*, 3rd ed., §9.4, rtsafe).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Beyond so many standard deviations from every mean there is no quantile that anybody asks for.
FARTHEST_SD = 9.0
# What weighs less than this among components whose weights add up to one is not there.
LEAST_WEIGHT = 1e-12
# A quantile counts as found when a step moves it no further.
SETTLED = 1e-12
LEAST_DENSITY = 1e-300
ROOT_TWO_PI = np.sqrt(2 * np.pi)


def mixture_quantiles(
    weight: Floats, mean: Floats, sd: Floats, probabilities: Sequence[float]
) -> list[Floats]:
    """Quantiles of each row's mixture, an array (n,) for each probability.

    Parameters
    ----------
    weight, mean, sd : (n, components); weights of a row add up to about one, SDs are positive
    """
    total = weight.sum(axis=1)
    rows, columns = np.nonzero(weight > LEAST_WEIGHT * total[:, None])
    parts = _Parts(rows, *(a[rows, columns] for a in (weight, mean, sd)))
    heaviest = weight.argmax(axis=1)[:, None]
    centre, spread = (np.take_along_axis(a, heaviest, axis=1)[:, 0] for a in (mean, sd))
    return [_quantile(parts, q * total, centre + ndtri(q) * spread) for q in probabilities]


@dataclass(frozen=True, slots=True)
class _Parts:
    """Components that count, one after the other, those of a row together; (m,) each."""

    row: Ints
    weight: Floats
    mean: Floats
    sd: Floats

    @property
    def starts(self) -> Ints:
        """Where each row's components begin."""
        return np.flatnonzero(np.diff(self.row, prepend=-1))

    def of(self, kept: Bools) -> "_Parts":
        return _Parts(self.row[kept], self.weight[kept], self.mean[kept], self.sd[kept])

    def chances(self, at: Floats) -> tuple[Floats, Floats]:
        """Distribution function and density of each row's mixture at its place of ``at`` (n,)."""
        z, starts = (at[self.row] - self.mean) / self.sd, self.starts
        density = self.weight * np.exp(-0.5 * z * z) / (ROOT_TWO_PI * self.sd)
        return np.add.reduceat(self.weight * ndtr(z), starts), np.add.reduceat(density, starts)


def _quantile(parts: _Parts, target: Floats, guess: Floats) -> Floats:
    """Where each row's distribution function reaches ``target`` (n,); ``guess`` where it has none.

    Newton's step is taken where it stays in the bracket and is less than half the step before, so
    that steps shrink as fast as by bisection at least.
    """
    at, low, high = guess.copy(), np.empty(len(guess)), np.empty(len(guess))
    rows = parts.row[parts.starts]
    low[rows] = np.minimum.reduceat(parts.mean - FARTHEST_SD * parts.sd, parts.starts)
    high[rows] = np.maximum.reduceat(parts.mean + FARTHEST_SD * parts.sd, parts.starts)
    moved = high - low
    while len(rows):
        chance, density = parts.chances(at)
        x, miss = at[rows], chance - target[rows]
        low[rows], high[rows] = (
            np.where(miss < 0, x, low[rows]),
            np.where(miss < 0, high[rows], x),
        )
        step = -miss / np.maximum(density, LEAST_DENSITY)
        inside = (x + step > low[rows]) & (x + step < high[rows])
        newton = inside & (np.abs(step) < moved[rows] / 2)
        at[rows] = np.where(newton, x + step, (low[rows] + high[rows]) / 2)
        moved[rows] = np.abs(at[rows] - x)
        rows = rows[moved[rows] > SETTLED]
        still = np.zeros(len(at), dtype=bool)
        still[rows] = True
        parts = parts.of(still[parts.row])
    return at
