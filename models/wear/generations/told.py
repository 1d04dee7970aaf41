"""What is told of linings that wear otherwise since some day: how much, since when, from how many.

It says how linings wear by the day they were fitted, not why: another make, another workshop's
work, or a road that got rougher for those that came later look alike.
"""

import datetime as dt
from dataclasses import asdict, dataclass, replace
from itertools import pairwise

import numpy as np
import polars as pl

from models.wear.duty_ratios import Group, JointRatio, joint_ratio
from models.wear.generations.names import axle_type_of, fitted_since, generation_name
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums


@dataclass(frozen=True, slots=True)
class WearChange:
    """Wear of linings fitted since a day over that of those before, in one duty or (None) in all.

    Units and lives are those that say something of a rate; ``before_…`` is the earlier rate [mm per
    10,000 km] and its limits (None: over all duties).
    """

    axle_type: str
    duty: str | None
    since_on: dt.date
    ratio: float
    ci_low: float
    ci_high: float
    units_before: int
    lives_before: int
    units_since: int
    lives_since: int
    before_mm_per_10000km: float | None = None
    before_ci_low: float | None = None
    before_ci_high: float | None = None


def together(fit: WearFit, names: tuple[str, ...], since: dt.date) -> JointRatio | None:
    """Wear of linings fitted since a day over that of those before, on all axle types (or earlier
    generations) named; None where none has linings of both."""
    lives = {(rate.axle_type, rate.duty): rate.lives for rate in fit.rates}
    pairs = [
        ((generation_name(axle_type_of(name), since), duty), (name, duty))
        for name in names
        for duty in fit.duties
    ]
    both = [pair for pair in pairs if all(lives.get(group, 0) for group in pair)]
    return joint_ratio(fit, both) if both else None


def wear_changes(fit: WearFit, sums: LiningLifeSums) -> tuple[WearChange, ...]:
    """Every change that the fit tells apart: over all duties, then duty by duty. ``sums``: its."""
    if fit.mixed is None:
        return ()
    names = sorted(fit.axle_types)
    follows = [(a, b) for a, b in pairwise(names) if axle_type_of(a) == axle_type_of(b)]
    return tuple(change for before, since in follows for change in _told(fit, sums, before, since))


def _told(fit: WearFit, sums: LiningLifeSums, before: str, since: str) -> list[WearChange]:
    rates = {(rate.axle_type, rate.duty): rate for rate in fit.rates}
    both = {duty: ((since, duty), (before, duty)) for duty in fit.duties}
    duties = [duty for duty, pair in both.items() if all(rates[group].lives for group in pair)]
    # A rate that leans on others is compared only where every one does.
    own = [duty for duty in duties if not any(rates[group].shrunk for group in both[duty])]
    found = [_change(fit, sums, [both[duty] for duty in own or duties], None)] if duties else []
    for duty in duties:
        rate = rates[before, duty]
        found.append(
            replace(
                _change(fit, sums, [both[duty]], duty),
                before_mm_per_10000km=rate.mm_per_10000km,
                before_ci_low=rate.ci_low,
                before_ci_high=rate.ci_high,
            )
        )
    return found


def _change(
    fit: WearFit, sums: LiningLifeSums, pairs: list[tuple[Group, Group]], duty: str | None
) -> WearChange:
    (since, _), (before, _) = pairs[0]
    day = fitted_since(since)
    assert day is not None
    found = joint_ratio(fit, pairs)
    return WearChange(
        axle_type_of(since),
        duty,
        day,
        found.ratio,
        found.ci_low,
        found.ci_high,
        *_support(sums, before, duty),
        *_support(sums, since, duty),
    )


def _support(sums: LiningLifeSums, name: str, duty: str | None) -> tuple[int, int]:
    """Units and lives of a generation that say something of a rate."""
    ran = sums.ran.any(axis=0) if duty is None else sums.ran[sums.duties.index(duty)]
    lives = sums.informative & ran & (sums.axle == sums.axle_types.index(name))
    return len(np.unique(sums.unit[lives])), int(lives.sum())


def changes_frame(changes: tuple[WearChange, ...]) -> pl.DataFrame:
    """One row per change and duty; null: over all duties."""
    schema = {
        **dict.fromkeys(("axle_type", "duty"), pl.String),
        "since_on": pl.Date,
        **dict.fromkeys(("ratio", "ci_low", "ci_high"), pl.Float64),
        **dict.fromkeys(("units_before", "lives_before", "units_since", "lives_since"), pl.Int64),
        **dict.fromkeys(("before_mm_per_10000km", "before_ci_low", "before_ci_high"), pl.Float64),
    }
    return pl.DataFrame([asdict(change) for change in changes], schema=schema)
