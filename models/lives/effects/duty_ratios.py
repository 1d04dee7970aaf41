"""Duties compared in pairs within an axle type, and whether the time scales agree.

Every pair of duties gets its ratio of hazards and its ratio of lives, each with a profile interval
and a likelihood-ratio p, Holm-adjusted over the pairs of one axle type and measure. Km run under
each duty count for that duty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from models.common.multiple_tests import holm
from models.lives.effects.regression import (
    Effect,
    RegressionKind,
    effects,
    fit_regression,
)
from models.lives.effects.segments import AdjusterSegments, Design
from models.lives.fits.distributions import DistributionName

Measure: TypeAlias = Literal["hazard_ratio", "life_ratio"]
MEASURES: dict[Measure, RegressionKind] = {"hazard_ratio": "hazard", "life_ratio": "accelerated"}


@dataclass(frozen=True, slots=True)
class DutyComparison:
    """Duty a against duty b: a ratio above 1 means a higher hazard, or a longer life, under a."""

    measure: Measure
    duty_a: str
    duty_b: str
    ratio: float
    low: float
    high: float
    p: float
    p_adjusted: float
    method: str


def compare_duties(
    segments: AdjusterSegments,
    duties: Sequence[str],
    *,
    baseline: DistributionName = "weibull",
    measures: Sequence[Measure] = ("hazard_ratio", "life_ratio"),
    factor: str = "duty",
    level: float = 0.95,
) -> list[DutyComparison]:
    """All pairs of `duties`; the design holds `factor`, and covariates to adjust for if wanted."""
    compared: list[DutyComparison] = []
    for measure in measures:
        pairs = []
        for reference in duties[1:]:
            recoded = replace(segments, design=with_reference(segments.design, factor, reference))
            fit = fit_regression(recoded, baseline, MEASURES[measure])
            others = [f"{factor}={duty}" for duty in duties[: list(duties).index(reference)]]
            pairs += [
                (effect.name.partition("=")[2], reference, effect)
                for effect in effects(fit, level, others)
            ]
        compared += _adjusted(measure, pairs, f"{baseline} {MEASURES[measure]}, by unit")
    return compared


def _adjusted(
    measure: Measure, pairs: list[tuple[str, str, Effect]], method: str
) -> list[DutyComparison]:
    adjusted = holm([effect.p for _, _, effect in pairs])
    return [
        DutyComparison(measure, a, b, e.ratio, e.low, e.high, e.p, float(p), method)
        for (a, b, e), p in zip(pairs, adjusted, strict=True)
    ]


def with_reference(design: Design, factor: str, reference: str) -> Design:
    """The same design with another reference level of one factor.

    Raises ValueError for a level the factor does not have.
    """
    old = design.references[factor]
    if reference == old:
        return design
    own = [i for i, term in enumerate(design.terms) if term == factor]
    name = f"{factor}={reference}"
    if name not in design.names:
        raise ValueError(f"{reference!r} is not a level of {factor!r}")
    place = design.names.index(name)
    values = design.values.copy()
    values[:, place] = 1.0 - design.values[:, own].sum(axis=1)
    names = list(design.names)
    names[place] = f"{factor}={old}"
    return Design(values, tuple(names), design.terms, {**design.references, factor: reference})


def time_scale_disagreements(by_km: Sequence[Effect], by_weeks: Sequence[Effect]) -> list[str]:
    """Effects on whose direction or significance the two clocks differ, in words.

    An effect per km can vanish per week where the units concerned run fewer km a week.
    """
    weeks = {effect.name: effect for effect in by_weeks}
    return [
        f"{km.name}: {_told(km)} by km, {_told(weeks[km.name])} by weeks"
        for km in by_km
        if km.name in weeks and _direction(km) != _direction(weeks[km.name])
    ]


def _direction(effect: Effect) -> int:
    """+1 or -1 for a ratio whose limits exclude 1, else 0."""
    return int(effect.low > 1.0) - int(effect.high < 1.0)


def _told(effect: Effect) -> str:
    return f"ratio {effect.ratio:.2f} ({effect.low:.2f} to {effect.high:.2f})"
