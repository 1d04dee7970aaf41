"""At which of its unit's visits an axle's linings are read: at all, at some, or axles in turn.

Of axles that have waited so many visits to be read, the share that is read at the next is counted
(the product-limit estimate of how long they wait: Kaplan & Meier 1958). Where a wheel end is not
always read when its axle is looked at, some axles are looked at and none of their ends is read:
those are taken out. Only axles that were near their minimum tell, where there are enough: who reads
what looks thin passes by the others, and of these nothing is decided.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray

MOST_WAITED = 12
"""As ``reduce.axle_looks`` counts them."""
ALWAYS_FROM = 0.95
"""Axles looked at so often are taken to be looked at always."""
LEAST_VISITS = 50.0
"""Of fewer visits nothing is learned."""
OVERALL_VISITS = 5.0
"""The share read after a number of visits, beside that of all for so many."""


@dataclass(frozen=True, slots=True)
class Looks:
    """``chance`` (12,): of an axle to be looked at, at the first visit after it was last, at the
    second, and so on."""

    chance: FloatArray

    @property
    def always(self) -> bool:
        return bool((self.chance >= 1.0).all())

    def looked(self, waited: IntArray, number: FloatArray) -> BoolArray:
        """Whether axles that were passed by at so many visits are looked at, by uniform numbers."""
        return np.asarray(number < self.chance[np.minimum(waited, MOST_WAITED - 1)])

    def by_visit(self, visits: int) -> FloatArray:
        """Chance to be looked at, at each of so many visits to come (13, V), of axles that were
        passed by at none so far, at one, and so on."""
        waited = np.minimum(np.arange(MOST_WAITED + 1), MOST_WAITED - 1)
        chance = self.chance[waited]
        moves = np.zeros((MOST_WAITED + 1, MOST_WAITED + 1))
        moves[:, 0] = chance
        moves[
            np.arange(MOST_WAITED + 1), np.minimum(np.arange(1, MOST_WAITED + 2), MOST_WAITED)
        ] += 1.0 - chance
        where, found = np.eye(MOST_WAITED + 1), np.empty((MOST_WAITED + 1, visits))
        for visit in range(visits):
            found[:, visit] = where @ chance
            where = where @ moves
        return found


ALWAYS = Looks(np.ones(MOST_WAITED))


def fitted_looks(counts: pl.DataFrame, read_share: float) -> Looks:
    """From rows of ``reduce.axle_looks``, and the chance to be read of a wheel end looked at."""
    near = counts.filter("near")
    told = near if float(near["visits"].sum()) >= LEAST_VISITS else counts
    visits, looked = (
        np.bincount(
            told["waited"].to_numpy() - 1, told[name].cast(pl.Float64).to_numpy(), MOST_WAITED
        )
        for name in ("visits", "looked")
    )
    seen = 1.0 - (1.0 - read_share) ** 2
    every = float(visits.sum())
    if every < LEAST_VISITS or seen <= 0.0:
        return ALWAYS
    overall = float(looked.sum()) / every
    if overall / seen >= ALWAYS_FROM:
        return ALWAYS
    chance = (looked + OVERALL_VISITS * overall) / (visits + OVERALL_VISITS)
    return Looks(np.minimum(chance / seen, 1.0))
