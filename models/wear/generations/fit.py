"""The wear fit, linings that wear otherwise since some quarter told apart from those before."""

import polars as pl

from models.common.arrays import FloatArray
from models.wear.generations.names import sums_by_generation
from models.wear.generations.scan import found_change
from models.wear.pointers import WearFitWithPointers, fit_wear_with_pointers
from models.wear.spread import SpreadLaw
from models.wear.sums import LiningLifeSums

MOST_CHANGES = 3
"""Changes that are sought one after another: a fleet that changes more often has no make."""


def fit_wear_by_generation(
    sums: LiningLifeSums,
    pairs: pl.DataFrame,
    *,
    laws: tuple[SpreadLaw, ...] | None = None,
    start: FloatArray | None = None,
) -> WearFitWithPointers:
    """As :func:`models.wear.pointers.fit_wear_with_pointers`; where wear has changed from linings
    fitted before some day to those since, these stand as axle types of their own
    (``models.wear.generations.names``) in what is returned."""
    fitted = fit_wear_with_pointers(sums, pairs, laws=laws, start=start)
    for _ in range(MOST_CHANGES):
        change = found_change(fitted.sums, fitted.fit)
        if change is None:
            break
        sums = sums_by_generation(sums, dict.fromkeys(change.axle_types, change.since))
        again = fit_wear_with_pointers(sums, pairs, laws=laws, start=fitted.fit.root)
        if again.fit.mixed is None:
            break
        fitted = again
    return fitted
