"""What is told of linings that wear otherwise since some day: how much, since when, from how many.

It says how linings wear by the day they were fitted, or on km run since a day, not why: another
make and another workshop's work look alike, and so do a rougher road, a rule of braking and salt.
"""

import datetime as dt
from dataclasses import asdict, dataclass, replace
from itertools import pairwise

import numpy as np
import polars as pl

from models.wear.duty_ratios import Group, JointRatio, joint_ratio
from models.wear.generations.names import (
    axle_type_of,
    base_of,
    fitted_since,
    generation_name,
    newest,
    run_since,
)
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums


@dataclass(frozen=True, slots=True)
class WearChange:
    """Wear since a day over that before, in one duty or (None) in all: ``counted`` of linings
    ``fitted`` since, or of all linings on km ``run`` since.

    Units and lives are those that say something of a rate; ``before_…`` is the earlier rate [mm per
    10,000 km] and its limits (None: over all duties).
    """

    counted: str
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
    pairs = [
        ((generation_name(axle_type_of(name), since), duty), (name, duty))
        for name in names
        for duty in fit.duties
    ]
    both = [pair for pair in pairs if _have_lives(fit, pair)]
    return joint_ratio(fit, both) if both else None


def together_since(
    fit: WearFit, axle_types: tuple[str, ...], eras: tuple[str, ...]
) -> JointRatio | None:
    """Wear on km run in some eras of duties over that in those before, on all axle types (or
    generations) named; None where none has linings that ran in both."""
    pairs = [_era_pair(fit, axle_type, era) for axle_type in axle_types for era in eras]
    both = [pair for pair in pairs if _have_lives(fit, pair)]
    return joint_ratio(fit, both) if both else None


def _era_pair(fit: WearFit, axle_type: str, era: str) -> tuple[Group, Group]:
    """A duty's era and the one before it."""
    own = sorted(name for name in fit.duties if base_of(name) == base_of(era))
    return (axle_type, era), (axle_type, own[own.index(era) - 1])


def _have_lives(fit: WearFit, pair: tuple[Group, Group]) -> bool:
    lives = {(rate.axle_type, rate.duty): rate.lives for rate in fit.rates}
    return all(lives.get(group, 0) > 0 for group in pair)


def wear_changes(fit: WearFit, sums: LiningLifeSums) -> tuple[WearChange, ...]:
    """Every change that the fit tells apart: over all duties, then duty by duty. ``sums``: its."""
    if fit.mixed is None:
        return ()
    names = sorted(fit.axle_types)
    follows = [(a, b) for a, b in pairwise(names) if axle_type_of(a) == axle_type_of(b)]
    duties = sorted(newest(fit.duties).values())
    fitted = [
        change
        for before, since in follows
        for change in _told(fit, sums, [((since, duty), (before, duty)) for duty in duties])
    ]
    days = sorted({day for name in fit.duties if (day := run_since(name)) is not None})
    eras = [[name for name in sorted(fit.duties) if run_since(name) == day] for day in days]
    run = [
        change
        for axle_type in sorted(newest(fit.axle_types).values())
        for names in eras
        for change in _told(fit, sums, [_era_pair(fit, axle_type, name) for name in names])
    ]
    return (*fitted, *run)


def _told(fit: WearFit, sums: LiningLifeSums, pairs: list[tuple[Group, Group]]) -> list[WearChange]:
    """One change in several duties: over all of them, then each."""
    rates = {(rate.axle_type, rate.duty): rate for rate in fit.rates}
    both = [pair for pair in pairs if _have_lives(fit, pair)]
    if not both:
        return []
    # A rate that leans on others is compared only where every one does.
    own = [pair for pair in both if not any(rates[group].shrunk for group in pair)]
    found = [_change(fit, sums, own or both, None, pairs)]
    for since, before in both:
        rate = rates[before]
        found.append(
            replace(
                _change(fit, sums, [(since, before)], base_of(since[1]), [(since, before)]),
                before_mm_per_10000km=rate.mm_per_10000km,
                before_ci_low=rate.ci_low,
                before_ci_high=rate.ci_high,
            )
        )
    return found


def _change(
    fit: WearFit,
    sums: LiningLifeSums,
    pairs: list[tuple[Group, Group]],
    duty: str | None,
    told_of: list[tuple[Group, Group]],
) -> WearChange:
    """The ratio of some pairs, and how many units and lives are told of."""
    (since, era), (before, _) = pairs[0]
    counted, day = ("run", run_since(era)) if since == before else ("fitted", fitted_since(since))
    assert day is not None
    found = joint_ratio(fit, pairs)
    return WearChange(
        counted,
        axle_type_of(since),
        duty,
        day,
        found.ratio,
        found.ci_low,
        found.ci_high,
        *_support(sums, [pair[1] for pair in told_of]),
        *_support(sums, [pair[0] for pair in told_of]),
    )


def _support(sums: LiningLifeSums, groups: list[Group]) -> tuple[int, int]:
    """Units and lives of some groups that say something of a rate."""
    lives = np.zeros(sums.n_lives, bool)
    for axle_type, duty in groups:
        ran = sums.ran[sums.duties.index(duty)]
        lives |= sums.informative & ran & (sums.axle == sums.axle_types.index(axle_type))
    return len(np.unique(sums.unit[lives])), int(lives.sum())


def changes_frame(changes: tuple[WearChange, ...]) -> pl.DataFrame:
    """One row per change and duty; null: over all duties."""
    schema = {
        **dict.fromkeys(("counted", "axle_type", "duty"), pl.String),
        "since_on": pl.Date,
        **dict.fromkeys(("ratio", "ci_low", "ci_high"), pl.Float64),
        **dict.fromkeys(("units_before", "lives_before", "units_since", "lives_since"), pl.Int64),
        **dict.fromkeys(("before_mm_per_10000km", "before_ci_low", "before_ci_high"), pl.Float64),
    }
    return pl.DataFrame([asdict(change) for change in changes], schema=schema)
