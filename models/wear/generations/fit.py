"""The wear fit, linings that wear otherwise since some day told apart from those before."""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

from models.wear.duty_ratios import JointRatio
from models.wear.generations.by_day import DatedReadings, Shift, found_shift, stands_beside_a_season
from models.wear.generations.names import base_of, has_later, run_since, sums_by_generation
from models.wear.generations.scan import LEAST_CHANGE, Change, found_change
from models.wear.generations.told import together, together_since
from models.wear.pointers import WearFitWithPointers, fit_wear_with_pointers
from models.wear.result import WearFit
from models.wear.spread import SpreadLaw
from models.wear.sums import LiningLifeSums

MOST_CHANGES = 3
"""Changes that are sought one after another: a fleet that changes more often has no make."""

Cuts = Mapping[str, tuple[dt.date, ...]]
"""Days, in order, from which a duty's km count apart."""


@dataclass(frozen=True, slots=True)
class ByDay:
    """What a change of all linings since a day is sought in, and found by: ``dated`` readings of
    some units; ``sums_of``: the fleet's sums with the km of some duties counted apart since days
    (``models.wear.generations.names`` has what these are then called)."""

    dated: DatedReadings
    sums_of: Callable[[Cuts], LiningLifeSums]


def fit_wear_by_generation(
    sums: LiningLifeSums,
    pairs: pl.DataFrame,
    by_day: ByDay | None = None,
    *,
    laws: tuple[SpreadLaw, ...] | None = None,
    start: WearFit | None = None,
) -> WearFitWithPointers:
    """As :func:`models.wear.pointers.fit_wear_with_pointers`; where wear has changed from linings
    fitted before some day to those since, these stand as axle types of their own, and where all
    linings wear otherwise since a day, km run since as duties of their own, in what is returned.
    That is sought first, by linings that ran on both sides of the day; without ``by_day``, not at
    all. Where the fit of a later day (``start``) knows no change of a kind, none is sought."""
    fitted = fit_wear_with_pointers(sums, pairs, laws=laws, start=start)
    if by_day is not None and (start is None or has_later(start.duties)):
        sums, fitted = _by_day(sums, pairs, by_day, fitted, laws)
    changes = MOST_CHANGES if start is None or has_later(start.axle_types) else 0
    for _ in range(changes):
        change = found_change(fitted.sums, fitted.fit)
        if change is None or (
            by_day is not None
            and not stands_beside_a_season(fitted.sums, fitted.fit, by_day.dated, change)
        ):
            break
        sums = sums_by_generation(sums, dict.fromkeys(change.axle_types, change.since))
        apart = fit_wear_with_pointers(sums, pairs, laws=laws, start=fitted.fit)
        if not _is_confirmed(apart.fit, change):
            break
        fitted = apart
    return fitted


def _by_day(
    sums: LiningLifeSums,
    pairs: pl.DataFrame,
    by_day: ByDay,
    fitted: WearFitWithPointers,
    laws: tuple[SpreadLaw, ...] | None,
) -> tuple[LiningLifeSums, WearFitWithPointers]:
    """The sums and fit with km apart since every day from which all linings wear otherwise."""
    cuts: dict[str, tuple[dt.date, ...]] = {}
    for _ in range(MOST_CHANGES):
        shift = found_shift(fitted.sums, fitted.fit, by_day.dated)
        if shift is None:
            break
        cuts = _with_cut(cuts, shift)
        cut = by_day.sums_of(cuts)
        apart = fit_wear_with_pointers(cut, pairs, laws=laws, start=fitted.fit)
        if not _is_a_change(_since(apart.fit, shift)):
            break
        sums, fitted = cut, apart
    return sums, fitted


def _with_cut(cuts: dict[str, tuple[dt.date, ...]], shift: Shift) -> dict[str, tuple[dt.date, ...]]:
    more = {base_of(name): shift.since for name in shift.duties}
    return {
        duty: tuple(sorted({*cuts.get(duty, ()), *([more[duty]] if duty in more else [])}))
        for duty in {**cuts, **more}
    }


def _since(apart: WearFit, shift: Shift) -> JointRatio | None:
    names = tuple(name for name in apart.duties if run_since(name) == shift.since)
    return None if apart.mixed is None else together_since(apart, shift.axle_types, names)


def _is_confirmed(apart: WearFit, change: Change) -> bool:
    """Whether rates still differ once both kinds have a start and spreads of their own: a fit that
    knows of one kind alone takes much thicker linings for slower ones."""
    if apart.mixed is None:
        return False
    return _is_a_change(together(apart, change.axle_types, change.since))


def _is_a_change(ratio: JointRatio | None) -> bool:
    if ratio is None or ratio.ci_low <= 1.0 <= ratio.ci_high:
        return False
    return max(ratio.ratio, 1.0 / ratio.ratio) >= 1.0 + LEAST_CHANGE
