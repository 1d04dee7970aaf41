"""A policy's parameters in one vector, and what the likelihood knows them by.

In turn: thresholds (the fleet's, and what types and depots add), ``SHAPE``; where what goes along
differs by depot, what each depot adds to the logits of ``ALONG``; and where linings are relined for
their age, ``AGE_SHAPE`` and log A as thresholds.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.relines.policy.ages import AGE_SHAPE
from models.relines.policy.decisions import PolicyGroups
from models.relines.policy.likelihood import ALONG, SHAPE


@dataclass(frozen=True, slots=True)
class Designs:
    """How groups' own parameters add up: thresholds and log A (G, N), and what is added to the
    logits of ``ALONG`` (G, D; none where they are the same everywhere)."""

    thresholds: FloatArray
    along: FloatArray

    def parts(self, parameters: FloatArray) -> list[FloatArray]:
        """What a vector says of thresholds, of ``SHAPE``, of each of ``ALONG`` by depot (2, D), and
        of relines by age."""
        first = self.thresholds.shape[1]
        second = first + len(SHAPE)
        third = second + len(ALONG) * self.along.shape[1]
        thresholds, own, along, aged = np.split(parameters, [first, second, third])
        return [thresholds, own, along.reshape(len(ALONG), -1), aged]

    @property
    def by_group(self) -> list[tuple[FloatArray, slice]]:
        """Of what the likelihood knows by group: its design, and where its parameters stand."""
        first, depots = self.thresholds.shape[1], self.along.shape[1]
        starts = first + len(SHAPE) + depots * np.arange(len(ALONG))
        along = [(self.along, slice(int(at), int(at) + depots)) for at in starts]
        return [(self.thresholds, slice(0, first)), *along]

    def others(self, parameters: int) -> IntArray:
        """Places of a vector's parameters that are not of groups alone."""
        alone = np.zeros(parameters, bool)
        for _, places in self.by_group:
            alone[places] = True
        return np.flatnonzero(~alone)

    def tiled(self, copies: int) -> "Designs":
        """Of groups that are told apart by quarter too."""
        return Designs(*(np.tile(each, (copies, 1)) for each in (self.thresholds, self.along)))


def designs(groups: PolicyGroups, *, along_by_depot: bool) -> Designs:
    """``along_by_depot``: whether what goes along differs by depot."""
    thresholds = groups.design()
    depots = len(groups.depots) if along_by_depot else 0
    return Designs(thresholds, thresholds[:, thresholds.shape[1] - depots :])


def by_group(parameters: FloatArray, design: Designs) -> tuple[FloatArray, FloatArray]:
    """What groups have of their own, (3, G): thresholds, and what is added to the logits of
    ``ALONG``; and what the likelihood calls its shape."""
    thresholds, own, along, aged = design.parts(parameters)
    of_groups = np.vstack([design.thresholds @ thresholds, along @ design.along.T])
    if len(aged) == 0:
        return of_groups, own
    by_age, log_days = np.split(aged, [len(AGE_SHAPE)])
    return of_groups, np.concatenate([own, by_age, design.thresholds @ log_days])


def in_parameters(of_groups: FloatArray, shape: FloatArray, design: Designs) -> FloatArray:
    """Slopes in what groups have of their own (3, G) and in the likelihood's shape as slopes in the
    parameters."""
    own, by_age, log_days = np.split(shape, [len(SHAPE), len(SHAPE) + len(AGE_SHAPE)])
    thresholds, *along = (
        of @ each for of, (each, _) in zip(of_groups, design.by_group, strict=True)
    )
    aged = log_days @ design.thresholds if log_days.size else log_days
    return np.concatenate([thresholds, own, *along, by_age, aged])
