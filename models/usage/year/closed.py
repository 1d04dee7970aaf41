"""A part of the year in which nobody is checked: a winter in which a workshop or a fleet rests.

Days of checks of all years are laid over one year; where the longest stretch with hardly one is far
longer than a usual interval between two checks of a unit, has come every year that is on record,
and would not be without a check by chance, the fleet is closed then. A fleet that checks all its
units in two months of the year has long stretches without a check too, but no longer than its
intervals.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import FloatArray
from models.usage.level import YEAR_DAYS

LONG = 1.5
"""Usual intervals of a unit: a stretch as long makes a hole of records too (``holes``)."""
OF_AN_INTERVAL, WAITING = 0.5, 1.25
"""Or of one, where half of the intervals across it are so many times the usual one: between weeks
in which all units are checked no unit waits."""
LEAST_YEARS = 2
"""So many times, at least, it has been closed: once may be anything."""
CHANCE = 0.001
"""That no check falls into such a stretch where checks are spread over the year, at most."""
STRAYS = 0.01
"""Of all checks, at most, that are made all the same: of units that have just come."""
REOPENING_DAYS = 28.0
"""In which whoever was due meanwhile is checked: a guess of ours, no source."""


@dataclass(frozen=True, slots=True)
class ClosedSeason:
    """From day ``first`` on, counted from as-of, and every year so: ``days`` of it (0: none)."""

    first: float = 0.0
    days: float = 0.0

    def reopened(self, day: FloatArray, number: FloatArray) -> FloatArray:
        """The day itself, or if it is closed one soon after, by a uniform number."""
        if self.days == 0.0:
            return day
        into = np.mod(day - self.first, YEAR_DAYS)
        return np.where(into < self.days, day - into + self.days + REOPENING_DAYS * number, day)

    def swing(self, from_day: FloatArray, to_day: FloatArray) -> FloatArray:
        """Share of the days between that is closed, less that of the whole year; equal days give
        the day's own."""
        into = np.mod(from_day - self.first, YEAR_DAYS)
        days = np.asarray(to_day - from_day, np.float64)
        end = into + days
        years = np.floor(end / YEAR_DAYS)
        closed = years * self.days + np.minimum(end - years * YEAR_DAYS, self.days)
        closed = closed - np.minimum(into, self.days)
        share = np.where(days > 0.0, closed / np.where(days > 0.0, days, 1.0), into < self.days)
        return np.asarray(share - self.days / YEAR_DAYS)

    def stretches(self, earliest: float) -> FloatArray:
        """First and last day (N, 2) of every one between ``earliest`` and as-of."""
        if self.days == 0.0:
            return np.zeros((0, 2))
        years = np.arange(np.floor((earliest - self.first) / YEAR_DAYS), 1.0)
        first = self.first + YEAR_DAYS * years
        found = np.column_stack([first, np.minimum(first + self.days, 0.0)])
        return found[(first >= earliest) & (first < 0.0)]


NOT_CLOSED = ClosedSeason()


def closed_season(begins: FloatArray, ends: FloatArray) -> ClosedSeason:
    """Of checks that begin and end intervals (n,), in days before as-of (negative)."""
    checks = np.concatenate([begins, ends])
    if len(checks) == 0:
        return ClosedSeason()
    phase = np.sort(np.mod(checks, YEAR_DAYS))
    strays = 1 + int(STRAYS * len(phase))
    stretch = np.append(phase, phase[:strays] + YEAR_DAYS)
    stretch = stretch[strays:] - stretch[:-strays]
    longest = int(stretch.argmax())
    found = ClosedSeason(phase[longest] - YEAR_DAYS + 1.0, float(stretch[longest]) - 2.0)
    if found.days <= 0.0:
        return ClosedSeason()
    first, last = found.stretches(float(checks.min())).T
    spans = ((begins[:, None] <= first + 1.0) & (ends[:, None] >= last - 1.0)).any(axis=1)
    if spans.all() or not spans.any():
        return ClosedSeason()
    days = ends - begins
    usual, across = float(np.median(days[~spans])), float(np.median(days[spans]))
    expected = len(checks) * found.days / YEAR_DAYS
    is_long = found.days > LONG * usual and special.pdtr(strays, expected) < CHANCE
    # A shorter one tells as much where it keeps units waiting. Each check was counted twice.
    chance = float(special.pdtr(strays, expected / 2.0)) * len(phase)
    waits = found.days > OF_AN_INTERVAL * usual and across > WAITING * usual and chance < CHANCE
    return found if (is_long or waits) and len(first) >= LEAST_YEARS else ClosedSeason()
