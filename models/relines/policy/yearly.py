r"""Whether a fleet relines at thicker readings in one part of every year than in the rest.

Who relines in the winter lay-up all that would not last the season, or in April before the yearly
test, does so by another threshold than in the rest of the year. Of every stretch of weeks that
follow each other it is asked how much likelier decisions would be had their thresholds been higher
in it (score tests, as in ``models.relines.policy.changes``), each year by itself, so that what
changed between years is none of it. Believed is what shows without the year that shows it most.

How much a week knows of thresholds is the expected information of its readings under a normal
threshold, :math:`\phi(z)^2 / (\Phi(z) \Phi(-z))` with z = (threshold - reading) / spread, all
together as much as is observed. Week by week the observed one is below nought in the very weeks
that are relined early: what nobody expected bends the likelihood upward.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import sums_by
from models.relines.policy.changes import CHANGING, THRESHOLD, Slopes, slope_and_bend
from models.relines.policy.decisions import (
    OLDEST_DAY,
    QUARTER_DAYS,
    AxleDecisions,
    PolicyGroups,
)

A_YEAR = 4
"""Quarters."""
YEAR_DAYS, YEAR_WEEKS = 365.25, 52
WEEK_DAYS = YEAR_DAYS / YEAR_WEEKS
SHORTEST = 2
"""Weeks of such a time, and of the rest of the year."""
YEARLY_SCORE = 19.1
"""Of a hundred thousand simulated years without such a time (52 normal weeks) 4 in 1,000 had a
stretch of more: the largest of ``_Years.gains`` over all stretches from :data:`SHORTEST` on."""
LEAST_TOLD = 0.02
"""Share of what is known of thresholds that lies in such a time, and in the rest of the year."""
AGAIN = 6.6
"""Chi-square of one exceeds it once in a hundred: what the other years say beside the plainest."""
EACH_AGAIN = 2.7
"""And of either half of it by itself, or each of so many parts of at most a quarter: once in
twenty. Two campaigns one after the other in neighbouring months are no time of the year."""
MOST_Z = 8.0
"""Spreads from a threshold beyond which nothing is known of it."""


@dataclass(frozen=True, slots=True)
class TimeOfYear:
    """A part of every year in which thresholds are higher than in the rest: so many ``days`` that
    follow each other, the ``latest`` so many days before the as-of day (or whole years more)."""

    latest: float
    days: float
    what: tuple[str, ...] = (THRESHOLD,)

    def places(self, effects: int) -> IntArray:
        """Where in a vector of parameters stands what differs."""
        return np.zeros(1, np.int64)

    def was_before(self, decisions: AxleDecisions, groups: PolicyGroups) -> BoolArray:
        """Rows of that time of the year."""
        return self.is_in(decisions.days_ago)

    @property
    def next_days(self) -> tuple[int, int]:
        """First and last day after as-of of the first such time that begins after it."""
        first = int(-(self.latest + self.days) % YEAR_DAYS) + 1
        return first, first + round(self.days) - 1

    def is_in(self, days_ago: IntArray | FloatArray) -> BoolArray:
        return np.asarray((days_ago - self.latest) % YEAR_DAYS < self.days)

    def holds(self, day: FloatArray) -> BoolArray:
        """Whether days after as-of (before it: negative) are of that time of the year."""
        return self.is_in(np.floor(-np.asarray(day)))

    @property
    def parts(self) -> tuple["TimeOfYear", ...]:
        """It in two, or in as many parts as none is longer than a quarter."""
        many = max(2, int(-(-self.days // QUARTER_DAYS)))
        each = self.days / many
        return tuple(TimeOfYear((self.latest + k * each) % YEAR_DAYS, each) for k in range(many))


def of_a_known_time(decisions: AxleDecisions) -> IntArray:
    """Rows whose time of the year is known: not those of the oldest day and all before it."""
    return np.flatnonzero(decisions.days_ago < OLDEST_DAY)


@dataclass(frozen=True, slots=True)
class _Years:
    """By year before as-of and part of it (Y, P): the log-likelihood's ``slope`` in all thresholds,
    and what is ``known`` of them; the parts are so many days long."""

    slope: FloatArray
    known: FloatArray
    part_days: float

    def some(self, kept: TimeOfYear, left_out: TimeOfYear) -> "_Years":
        """Without a time that is left out, but for a part of it that is kept."""
        middle = np.asarray((np.arange(self.slope.shape[1]) + 0.5) * self.part_days, np.float64)
        there = ~left_out.is_in(middle) | kept.is_in(middle)
        return _Years(
            np.where(there, self.slope, 0.0), np.where(there, self.known, 0.0), self.part_days
        )

    def gains(self, parts: int, but: int | None = None) -> FloatArray:
        """Of so many parts of the year from each on (P,): twice the log likelihood that higher
        thresholds would win (nought for lower ones), of all years ``but`` one (None: of all)."""
        slope, known = self.slope, self.known
        if but is not None:
            slope, known = (np.delete(each, but, axis=0) for each in (slope, known))
        every = np.maximum(known.sum(axis=1, keepdims=True), 1e-9)
        own, within = _within(slope, parts), _within(known, parts)
        score = own - slope.sum(axis=1, keepdims=True) * within / every
        total = score.sum(axis=0)
        spread = np.maximum(within * (every - within) / every, 0.0).sum(axis=0)
        counts = (total > 0.0) & (spread > 0.0)
        return np.where(counts, total**2 / np.where(counts, spread, 1.0), 0.0)

    def gain_without(self, when: TimeOfYear) -> float:
        """Of one time of the year, to a part, without the year that wins most."""
        first = round(when.latest / self.part_days) % self.slope.shape[1]
        parts = max(round(when.days / self.part_days), 1)
        return min(float(self.gains(parts, year)[first]) for year in range(len(self.slope)))

    def likeliest(self, near: TimeOfYear | None = None) -> TimeOfYear | None:
        """That which wins most and more than :data:`YEARLY_SCORE`; of all, or of those whose ends
        are a week or less from those of another."""
        many, best, gained = self.slope.shape[1], None, YEARLY_SCORE
        week = round(WEEK_DAYS / self.part_days)
        first, last = SHORTEST * week, many - SHORTEST * week
        starts = np.arange(many)
        if near is not None:
            middle = round(near.days / self.part_days)
            first, last = max(first, middle - 2 * week), min(last, middle + 2 * week)
            starts = (round(near.latest / self.part_days) + np.arange(-week, week + 1)) % many
        for parts in range(first, last + 1):
            share = _within(self.known, parts).sum(axis=0) / max(float(self.known.sum()), 1e-9)
            told = (share > LEAST_TOLD) & (share < 1.0 - LEAST_TOLD)
            found = np.where(told, self.gains(parts), 0.0)[starts]
            if found.max() > gained:
                gained = float(found.max())
                latest = float(starts[found.argmax()])
                best = TimeOfYear(latest * self.part_days, parts * self.part_days)
        return best


def likely_time_of_year(
    slopes: Callable[[IntArray], Slopes], decisions: AxleDecisions, z: FloatArray
) -> TimeOfYear | None:
    """The likeliest, to a day, or None where there is likely none. ``slopes`` at the policy that is
    the same all year round, by any time counted back; ``z`` (R,): how far below that policy's
    thresholds its readings are, in spreads."""
    years = int(min(decisions.days_ago.max(initial=0) + 1, OLDEST_DAY) / YEAR_DAYS)
    if years < 2:
        return None
    z = np.clip(z, -MOST_Z, MOST_Z)
    told = np.exp(-(z**2)) / (special.ndtr(z) * special.ndtr(-z))
    told = decisions.visits * np.nan_to_num(told)
    weekly = _by_part(slopes, decisions, told, WEEK_DAYS, years)
    best = weekly.likeliest()
    if best is None or weekly.gain_without(best) < AGAIN:
        return None
    for part in best.parts:
        if weekly.some(part, best).gain_without(part) < EACH_AGAIN:
            return None
    return _by_part(slopes, decisions, told, 1.0, years).likeliest(best) or best


def _by_part(
    slopes: Callable[[IntArray], Slopes],
    decisions: AxleDecisions,
    told: FloatArray,
    part_days: float,
    years: int,
) -> _Years:
    """By years and parts of so many days, of what decisions have ``told`` in proportion."""
    parts = int(np.ceil(YEAR_DAYS / part_days))
    year, day = np.divmod(decisions.days_ago, YEAR_DAYS)
    ago = (year * parts + day // part_days).astype(np.int64)
    about = slopes(ago)
    slope, bend = (each.sum(axis=1) for each in slope_and_bend(about, CHANGING.index(THRESHOLD)))
    known = sums_by(ago, told, len(slope))
    known *= max(float(bend.sum()), 0.0) / max(float(known.sum()), 1e-9)
    many = years * parts
    slope, known = (np.pad(each, (0, many))[:many].reshape(years, parts) for each in (slope, known))
    return _Years(slope, known, part_days)


def _within(values: FloatArray, parts: int) -> FloatArray:
    """Sums over so many parts from each on, round the year."""
    many = values.shape[1]
    running = np.cumsum(np.hstack([np.zeros((len(values), 1)), values, values]), axis=1)
    return np.asarray(running[:, parts : parts + many] - running[:, :many])
