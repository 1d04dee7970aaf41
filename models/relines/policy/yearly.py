"""Whether a fleet relines at thicker readings in one part of every year than in the rest.

Who relines in the winter lay-up all that would not last the season does so by another threshold
than in summer. Of every quarter of the year, and of two and three together, it is asked how much
likelier decisions would be had their thresholds been others (score tests, as in
``models.relines.policy.changes``), each year by itself, so that what changed between years is none
of it. Believed is what shows without the year that shows it most.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.policy.changes import (
    CHANGE_SCORE,
    CHANGING,
    THRESHOLD,
    Slopes,
    slope_and_bend,
)
from models.relines.policy.decisions import (
    OLDEST_QUARTER,
    QUARTER_DAYS,
    AxleDecisions,
    PolicyGroups,
)

A_YEAR = 4
"""Quarters."""
SETS = [
    tuple((first + k) % A_YEAR for k in range(length))
    for length in range(1, A_YEAR)
    for first in range(A_YEAR)
]
ASKED = 2.0 * math.log(len(SETS) / 2)
"""Of a set and of the rest of the year the score is the same."""
AGAIN = 6.6
"""Chi-square of one exceeds it once in a hundred: what the other years say beside the plainest."""
EACH_AGAIN = 2.7
"""And of each quarter of several by itself: once in twenty. Two campaigns of neighbouring quarters
are no time of the year."""


@dataclass(frozen=True, slots=True)
class TimeOfYear:
    """``quarters`` of the year that follow each other, counted back from the as-of day (0: the
    latest) and the latest first, in which thresholds are higher than in the rest."""

    quarters: tuple[int, ...]
    what: tuple[str, ...] = (THRESHOLD,)

    def places(self, effects: int) -> IntArray:
        """Where in a vector of parameters stands what differs."""
        return np.zeros(1, np.int64)

    def was_before(self, decisions: AxleDecisions, groups: PolicyGroups) -> BoolArray:
        """Rows of that time of the year."""
        return self.is_in(decisions.quarters_ago)

    @property
    def next_days(self) -> tuple[int, int]:
        """First and last day after as-of of the first such time that begins after it."""
        first = (A_YEAR - 1 - self.quarters[-1]) * QUARTER_DAYS
        return first + 1, first + len(self.quarters) * QUARTER_DAYS

    def is_in(self, quarters_ago: IntArray) -> BoolArray:
        return np.isin(quarters_ago % A_YEAR, self.quarters)

    def holds(self, day: FloatArray) -> BoolArray:
        """Whether days after as-of (before it: negative) are of that time of the year."""
        return self.is_in(np.floor(-np.asarray(day) / QUARTER_DAYS).astype(np.int64))


def of_a_known_time(decisions: AxleDecisions) -> IntArray:
    """Rows whose time of the year is known: not those of the oldest quarter and all before it."""
    return np.flatnonzero(decisions.quarters_ago < OLDEST_QUARTER)


def likely_time_of_year(slopes: Slopes) -> TimeOfYear | None:
    """The likeliest, or None where there is likely none. ``slopes`` at the policy that is the same
    all year round."""
    slope, bend = (each.sum(axis=1) for each in slope_and_bend(slopes, CHANGING.index(THRESHOLD)))
    years = min(len(slope), OLDEST_QUARTER) // A_YEAR
    if years < 2:
        return None
    shape = years, A_YEAR
    slope, bend = (each[: years * A_YEAR].reshape(shape) for each in (slope, bend))
    gained = {each: _gain(slope, bend, each) for each in SETS}
    best = max(gained, key=lambda each: gained[each].whole)
    if gained[best].whole - ASKED < CHANGE_SCORE or gained[best].without < AGAIN:
        return None
    rest = [q for q in range(A_YEAR) if q not in best]
    for quarter in best:
        own = [quarter, *rest]
        if _gain(slope[:, own], bend[:, own], [0]).without < EACH_AGAIN:
            return None
    return TimeOfYear(best)


@dataclass(frozen=True, slots=True)
class _Gain:
    """Of a set of quarters: twice the log likelihood that higher thresholds would win (nought for
    lower ones), of all years, and without the year that wins most."""

    whole: float
    without: float


def _gain(slope: FloatArray, bend: FloatArray, quarters: Sequence[int]) -> _Gain:
    inside = list(quarters)
    every, own = np.maximum(bend.sum(axis=1), 1e-9), bend[:, inside].sum(axis=1)
    score = slope[:, inside].sum(axis=1) - slope.sum(axis=1) * own / every
    variance = np.maximum(own * (every - own) / every, 0.0)

    def gain(some: BoolArray) -> float:
        total, spread = float(score[some].sum()), float(variance[some].sum())
        return total**2 / spread if total > 0.0 and spread > 0.0 else 0.0

    rows = np.arange(len(slope))
    return _Gain(gain(rows >= 0), min(gain(rows != row) for row in rows))
