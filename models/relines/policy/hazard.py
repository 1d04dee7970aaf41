r"""Chance that a wheel end is relined at a visit, by how much lining truly is left.

The workshop sees a reading, not the lining: the chance to want a reline at a reading (see
``models.relines.policy.likelihood``) is averaged over the reading's error. Tables on a fine grid of
true mm above the minimum, one row per group of the policy, so that a fleet is a look-up.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import FloatArray, IntArray
from models.relines.policy.fit import ReplacementPolicy

LOWEST_MM, HIGHEST_MM, STEP_MM = -8.0, 24.0, 0.02
CERTAIN = 9.0
"""Standard deviations beyond which a normal chance is nought, to the last digit of one."""
_ERRORS = special.ndtri((np.arange(400) + 0.5) / 400.0)


@dataclass(frozen=True, slots=True)
class HazardTable:
    """log of the chance not to be relined at a visit, (G, grid): on its own account (``own``), and
    by going along with the axle's other end when that has so much left (``along``); and the share
    of the latter that holds when itself has so much left (``goes``, (grid,))."""

    own: FloatArray
    along: FloatArray
    goes: FloatArray

    def place(self, group: IntArray) -> IntArray:
        """Start of each group's row in the flattened tables."""
        return np.asarray(group * self.own.shape[1])


def replacement_probability(
    policy: ReplacementPolicy, above_mm: FloatArray, group: IntArray
) -> FloatArray:
    """Chance that a reading (mm above the minimum) makes the workshop want a reline."""
    z = (policy.threshold_mm[group] - above_mm) / policy.spread_mm
    above = (1.0 - policy.missed) * special.ndtr(z)
    return np.where(above_mm > 0, above, 1.0 - policy.missed_below)


def grid_mm() -> FloatArray:
    return np.arange(LOWEST_MM, HIGHEST_MM + STEP_MM / 2, STEP_MM)


def hazard_table(policy: ReplacementPolicy, reading_sd: float, read_share: float) -> HazardTable:
    """Tables for readings with error ``reading_sd`` [mm], taken with chance ``read_share``."""
    grid = grid_mm()
    readings = grid[:, None] + reading_sd * _ERRORS
    own = np.empty((len(policy.threshold_mm), len(grid)))
    for g in range(len(own)):
        # Where every reading is far above the threshold, or at the minimum, no error matters.
        far = readings[:, 0] > policy.threshold_mm[g] + CERTAIN * policy.spread_mm
        varied = ~far & (readings[:, -1] > 0.0)
        replaced = np.where(far, 0.0, 1.0 - policy.missed_below)
        chance = replacement_probability(policy, readings[varied], np.full(1, g))
        replaced[varied] = chance.mean(axis=1)
        own[g] = 1.0 - (1.0 - policy.premature) * (1.0 - read_share * replaced)
    stays = np.log1p(-np.minimum(own, 1.0 - 1e-9))
    along = np.log1p(-np.minimum(policy.pair[:, None] * own, 1.0 - 1e-9))
    return HazardTable(stays, along, policy.goes_along(grid, reading_sd))


def grid_index(above_mm: FloatArray) -> IntArray:
    """Place of each thickness in the grid, ends included."""
    highest = round((HIGHEST_MM - LOWEST_MM) / STEP_MM)
    place = np.clip((above_mm - LOWEST_MM) * (1.0 / STEP_MM) + 0.5, 0.0, float(highest))
    return place.astype(np.int64)
