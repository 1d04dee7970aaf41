"""The stroke on a day after it was last read: drift goes on, and adjusters that worked may fail.

What was read says how each adjuster keeps (:mod:`models.adjustment.strokes.explanations`); its line
is run on through the wear since. An adjuster that worked then has failed by the day with the chance
that its life fit gives, at any moment of the wear since alike: it is stuck, part failed or
over-adjusting from then on. The stroke is a mixture of both, never beyond the chamber's travel.

A unit that nobody has seen for long may have left the fleet (``models.usage``: by how long its
visits use to be apart), and stands as it stood when it left. Its stroke is a mixture of running on
till the day and of having stopped, by that chance: a unit off the register's roads for two years
has not worn for two years.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.adjustment.states import Weighed, mixed_moments
from models.adjustment.strokes.closed_forms import outside
from models.adjustment.strokes.explanations import FAMILIES, HOLDS, MISREAD, Explanations
from models.adjustment.strokes.parameters import (
    DEFICIT_MEAN,
    DEFICIT_SD,
    PRIOR_PER_YEAR,
    Band,
    Kind,
)
from models.common.mixtures import mixture_quantiles

Floats = NDArray[np.float64]

# An adjuster fails at one of these shares of the wear in which it may have: their middles.
MOMENTS = np.array([0.125, 0.375, 0.625, 0.875])
# Ways to fail, and how a failure that is no over-adjusting divides, as the priors have it.
FAILURES = (Kind.STUCK, Kind.FAILING, Kind.GRABBING)
STUCK_OF_LARGE = PRIOR_PER_YEAR[Kind.STUCK] / PRIOR_PER_YEAR[[Kind.STUCK, Kind.FAILING]].sum()
USUAL_GRABBING = PRIOR_PER_YEAR[Kind.GRABBING] / PRIOR_PER_YEAR[list(FAILURES)].sum()
# The shoes touch: no stroke shrinks below it.
LEAST_RATIO = 0.02
LEAST_VAR = 1e-8

works = np.array([f.kind in (HOLDS, MISREAD, Kind.SLACK, Kind.TIGHT) for f in FAMILIES])
holds = np.array([f.kind in (HOLDS, MISREAD) for f in FAMILIES])


@dataclass(frozen=True, slots=True)
class Ahead:
    """What lies between each last reading and a day; arrays are (n,).

    Attributes
    ----------
    share : of the growth up to the next check (``Explanations.next``), what has come by the day
    growth, growth_sd : of the ratio up to the next check, had nothing been taken up
    failed : chance that an adjuster that worked at the last reading has failed by the day
    may_fail : share of the growth by the day in which it can have; less than 1 where somebody has
        seen it work since
    grabbing : share of failures that over-adjust
    stop : ratio at the chamber's own travel
    """

    share: Floats
    growth: Floats
    growth_sd: Floats
    failed: Floats
    may_fail: Floats
    grabbing: Floats
    stop: Floats


@dataclass(frozen=True, slots=True)
class StrokeOnDay:
    """Stroke ratio on a day: moments, the middle 8 in 10, chance outside the band; (n,) each."""

    ratio: Floats
    ratio_sd: Floats
    low: Floats
    high: Floats
    p_out: Floats


@dataclass(frozen=True, slots=True)
class Stopped:
    """Units that may have left since: the chance (n,) of it, and what lies between each last
    reading and the day on which they then stopped."""

    chance: Floats
    ahead: Ahead


def stroke_on_day(
    explained: Explanations,
    weighed: Weighed,
    band: Band,
    ahead: Ahead,
    stopped: Stopped | None = None,
) -> StrokeOnDay:
    """Stroke of every episode on a day between its last reading and its next check."""
    course = _course(explained, weighed, band, ahead)
    if stopped is not None:
        course = _either(course, _course(explained, weighed, band, stopped.ahead), stopped.chance)
    centre = np.clip(course.mean, LEAST_RATIO, ahead.stop[:, None])
    ratio, ratio_var = mixed_moments(course.weight, centre, course.var)
    sd = np.sqrt(course.var)
    ends = mixture_quantiles(course.weight, centre, sd, (0.1, 0.9))
    low, high = (np.clip(end, LEAST_RATIO, ahead.stop) for end in ends)
    return StrokeOnDay(ratio, np.sqrt(ratio_var), low, high, course.p_out)


def chance_out_on_day(
    explained: Explanations, weighed: Weighed, band: Band, ahead: Ahead
) -> Floats:
    """Chance outside the band (n,) alone."""
    return _course(explained, weighed, band, ahead).p_out


@dataclass(frozen=True, slots=True)
class _Course:
    """Components of the stroke on a day (n, components), and its chance outside the band (n,)."""

    weight: Floats
    mean: Floats
    var: Floats
    p_out: Floats


def _course(explained: Explanations, weighed: Weighed, band: Band, ahead: Ahead) -> _Course:
    weight = weighed.held_in + weighed.weight
    mean, var = _run_on(explained, ahead)
    fresh = _fresh_failures(weight[:, works], mean[:, works], var[:, works], ahead)
    p_out = _chance_out(explained, weighed, band, ahead, (mean, var), fresh)
    weight = np.where(works, weight * (1 - ahead.failed)[:, None], weight)
    return _Course(
        np.concatenate([weight, fresh.weight], axis=1),
        np.concatenate([mean, fresh.mean], axis=1),
        np.concatenate([var, fresh.var], axis=1),
        p_out,
    )


def _either(course: _Course, other: _Course, chance: Floats) -> _Course:
    """The mixture of two, the other by its chance."""
    each = chance[:, None]
    return _Course(
        np.concatenate([course.weight * (1 - each), other.weight * each], axis=1),
        np.concatenate([course.mean, other.mean], axis=1),
        np.concatenate([course.var, other.var], axis=1),
        course.p_out * (1 - chance) + other.p_out * chance,
    )


def _run_on(explained: Explanations, ahead: Ahead) -> tuple[Floats, Floats]:
    """Mean and variance of each family's ratio on the day.

    Both are those of a line, level + slope × growth: known where it was read and at the next check,
    and so, with the slope's own variance, in between.
    """
    f = ahead.share[:, None]
    slope_var = explained.deficit_var * (ahead.growth**2)[:, None]
    slope_var += (explained.deficit**2 + explained.deficit_var) * (ahead.growth_sd**2)[:, None]
    mean = explained.now + f * (explained.next - explained.now)
    lean = explained.next_var - explained.now_var - slope_var
    return mean, np.maximum(explained.now_var + f * lean + f * f * slope_var, LEAST_VAR)


@dataclass(frozen=True, slots=True)
class _Fresh:
    """Components of adjusters that failed since the last reading; (n, ways × moments)."""

    weight: Floats
    mean: Floats
    var: Floats


def _fresh_failures(weight: Floats, mean: Floats, var: Floats, ahead: Ahead) -> _Fresh:
    """Stuck, part failed or over-adjusting from some moment since the last reading on."""
    working = weight.sum(axis=1)
    centre, spread = mixed_moments(weight / np.maximum(working, 1e-300)[:, None], mean, var)
    large = 1 - ahead.grabbing
    shares = (large * STUCK_OF_LARGE, large * (1 - STUCK_OF_LARGE), ahead.grabbing)
    growth = (ahead.growth * ahead.share * ahead.may_fail)[:, None]
    since, around = growth * MOMENTS, growth**2 / (12 * len(MOMENTS) ** 2)
    parts = []
    for kind, share in zip(FAILURES, shares, strict=True):
        each = (ahead.failed * working * share / len(MOMENTS))[:, None]
        parts.append(
            (
                np.broadcast_to(each, since.shape),
                centre[:, None] + DEFICIT_MEAN[kind] * since,
                spread[:, None]
                + (DEFICIT_SD[kind] * since) ** 2
                + DEFICIT_MEAN[kind] ** 2 * around,
            )
        )
    return _Fresh(*(np.concatenate(columns, axis=1) for columns in zip(*parts, strict=True)))


def _chance_out(
    explained: Explanations,
    weighed: Weighed,
    band: Band,
    ahead: Ahead,
    line: tuple[Floats, Floats],
    fresh: _Fresh,
) -> Floats:
    """Outside the band on the day: what held outside stays there, what was inside may creep out."""
    mean, var = line
    out = outside(mean, np.sqrt(var), band.low, band.high)
    before = outside(explained.now, np.sqrt(explained.now_var), band.low, band.high)
    creeps = np.clip(out - before, 0.0, None) / np.maximum(1 - before, 1e-9)
    p = weighed.held_in * creeps + weighed.weight * np.where(holds, 1.0, out)
    by_then = np.where(works, p * (1 - ahead.failed)[:, None], p).sum(axis=1)
    failed = outside(fresh.mean, np.sqrt(fresh.var), band.low, band.high)
    return np.asarray(np.clip(by_then + (fresh.weight * failed).sum(axis=1), 0.0, 1.0))
