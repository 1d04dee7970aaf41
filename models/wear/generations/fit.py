"""The wear fit, linings that wear otherwise since some quarter told apart from those before."""

import polars as pl

from models.wear.generations.names import sums_by_generation
from models.wear.generations.scan import LEAST_CHANGE, Change, found_change
from models.wear.generations.told import together
from models.wear.pointers import WearFitWithPointers, fit_wear_with_pointers
from models.wear.result import WearFit
from models.wear.spread import SpreadLaw
from models.wear.sums import LiningLifeSums

MOST_CHANGES = 3
"""Changes that are sought one after another: a fleet that changes more often has no make."""


def fit_wear_by_generation(
    sums: LiningLifeSums,
    pairs: pl.DataFrame,
    *,
    laws: tuple[SpreadLaw, ...] | None = None,
    start: WearFit | None = None,
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
        apart = fit_wear_with_pointers(sums, pairs, laws=laws, start=fitted.fit)
        if not _is_confirmed(apart.fit, change):
            break
        fitted = apart
    return fitted


def _is_confirmed(apart: WearFit, change: Change) -> bool:
    """Whether rates still differ once both kinds have a start and spreads of their own: a fit that
    knows of one kind alone takes much thicker linings for slower ones."""
    ratio = None if apart.mixed is None else together(apart, change.axle_types, change.since)
    if ratio is None or ratio.ci_low <= 1.0 <= ratio.ci_high:
        return False
    return max(ratio.ratio, 1.0 / ratio.ratio) >= 1.0 + LEAST_CHANGE
