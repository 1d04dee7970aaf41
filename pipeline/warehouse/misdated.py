"""Odometer values dated a year off: last year's number, written in January, or the other way round.

Such a value makes an odometer look replaced, or jumps off the line. It is found by three marks: it
lies where it would have to, had its year been one later or earlier, by the unit's own pace; there
is no place for it where it stands; and without it the odometer was replaced less often.

Checks dated long after all others, of hardly a unit, are doubted too: by one date with its day and
month exchanged nobody else would have been seen for months.
"""

import datetime as dt
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

YEAR_DAYS = 365.0
# Days written in one go with a wrong year, and how far apart they lie.
MOST_VALUES = 3
MOST_DAYS = 62.0
# Beyond a unit's first or last value the line is its pace alone, and that for so long.
FARTHEST_DAYS = 120.0
# Off the line by no more than is run in so many days, or in a quarter of the time to the nearest.
NEAR_DAYS = 10.0


@dataclass(frozen=True, slots=True)
class Line:
    """A unit's other values in order of days, and the km it runs a day."""

    days: NDArray[np.float64]
    odometer_km: NDArray[np.float64]
    km_per_day: float

    def fits(self, day: float, odometer_km: float) -> bool:
        """Whether a value lies on the line that day."""
        after = int(np.searchsorted(self.days, day))
        near = [i for i in (after - 1, after) if 0 <= i < len(self.days)]
        gaps = np.abs(self.days[near] - day)
        if not near or not np.isfinite(self.km_per_day):
            return False
        if len(near) == 1 and gaps[0] > FARTHEST_DAYS:
            return False
        km = self.odometer_km[near]
        ahead = np.array([odometer_km - k if i < after else k - odometer_km
                          for i, k in zip(near, km, strict=True)])  # fmt: skip
        if len(near) == 2:
            expected = km[0] + (km[1] - km[0]) * gaps[0] / max(gaps.sum(), 1.0)
        else:
            expected = km[0] + self.km_per_day * (day - self.days[near[0]])
        off = abs(odometer_km - expected)
        return bool((ahead >= 0).all()) and bool(
            off <= self.km_per_day * max(NEAR_DAYS, float(gaps.min()) / 4)
        )


def line_of(days: NDArray[np.float64], odometer_km: NDArray[np.float64]) -> Line:
    """Through values that are judged to belong; its pace is the median of forward steps."""
    gap, step = np.diff(days), np.diff(odometer_km)
    forward = (gap > 0) & (step >= 0)
    pace = float(np.median(step[forward] / gap[forward])) if forward.any() else np.nan
    return Line(days, odometer_km, pace)


def year_off(line: Line, day: float, odometer_km: float) -> int:
    """By how many years the value's day is off, where it would fit then: 1 (it was later), -1, or
    0 where it fits neither."""
    years = (1, -1)
    return next((y for y in years if line.fits(day + y * YEAR_DAYS, odometer_km)), 0)


def candidates(
    days: NDArray[np.float64],
    odometer_km: NDArray[np.float64],
    belongs: NDArray[np.bool_],
    replaced: NDArray[np.bool_],
) -> Iterator[tuple[NDArray[np.int64], int]]:
    """Values beside a replacement that would all fit a year later (1), or all a year earlier (-1):
    the fewest first."""
    members = np.flatnonzero(belongs)
    turns = np.flatnonzero(replaced[members])
    for count in range(1, MOST_VALUES + 1):
        for turn in turns:
            for group in (members[max(turn - count, 0) : turn], members[turn : turn + count]):
                year = _year_off_together(days, odometer_km, members, group)
                if len(group) == count and year:
                    yield group, year


def _year_off_together(
    days: NDArray[np.float64],
    odometer_km: NDArray[np.float64],
    members: NDArray[np.int64],
    group: NDArray[np.int64],
) -> int:
    if not len(group) or days[group[-1]] - days[group[0]] > MOST_DAYS:
        return 0
    others = np.setdiff1d(members, group)
    line = line_of(days[others], odometer_km[others])
    found = {year_off(line, days[i], odometer_km[i]) for i in group}
    return found.pop() if len(found) == 1 else 0


def moved(on: dt.date, years: int) -> dt.date:
    """The same day of another year; 28 February for the 29th.

    >>> moved(dt.date(2024, 2, 29), 1)
    datetime.date(2025, 2, 28)
    """
    day = 28 if (on.month, on.day) == (2, 29) else on.day
    return on.replace(year=on.year + years, day=day)


# Checks of so few units that lie so far after all others say nothing of the day it is.
FEWEST_UNITS, FEWEST_DAYS = 5, 10
STRAY_SHARE, STRAY_UNITS = 0.03, 2
STRAY_GAP_DAYS, TIMES_USUAL_GAP = 42, 3
# So much is on record before a gap that is called unusual, and a time of the year comes back so.
LOOKED_BACK_DAYS, SAME_SEASON_DAYS = 3 * 366, 30
# A unit checked again after so many days has gone on.
AGAIN_DAYS = 14
# A day with checks, and the units checked on it.
Checked = tuple[dt.date, Collection[str]]


def newest_supported(days: Sequence[Checked]) -> dt.date | None:
    """The newest day of checks that the others support: the last before a gap far longer than any
    usual one, behind which one unit or two were checked, once each.

    ``days``: days with checks, in order, with the units checked on each. A gap is unusual from six
    weeks, and three times the second longest of three years before it (the longest, where fewer
    than a hundred days have checks: a single hole of many is none), if there was no gap of about
    its length at its time of another year. Of fewer than five units nothing is doubted.
    """
    behind: set[str] = set()
    first = len(days)
    for place in range(len(days) - 1, 0, -1):
        behind |= set(days[place][1])
        if len(behind) > STRAY_UNITS:
            break
        if _stands_apart(days, place, len(behind)):
            first = place
    supported = [day for day, _ in days[first - 1 : first]]
    return max([*supported, *_gone_on(days[first:])], default=None)


def _stands_apart(days: Sequence[Checked], place: int, units: int) -> bool:
    """Whether a day with checks, and what comes after it of so many units, is far from all before
    it."""
    day, before = days[place][0], days[place - 1][0]
    if (day - before).days < STRAY_GAP_DAYS:
        return False
    year = before - dt.timedelta(days=366)
    fleet = {unit for on, of in days[:place] if on > year for unit in of}
    few = STRAY_UNITS if STRAY_SHARE * len(fleet) >= 1.0 else 1
    if len(fleet) < FEWEST_UNITS or units > few:
        return False
    return _unusual([on for on, _ in days[:place]], day)


def _unusual(before: Sequence[dt.date], day: dt.date) -> bool:
    """Whether checks on a day come far later after those before than these followed each other."""
    first = before[-1] - dt.timedelta(days=LOOKED_BACK_DAYS)
    known = [d for d in before if d >= first]
    if len(known) < FEWEST_DAYS:
        return False
    gaps = sorted(((b - a).days, a) for a, b in pairwise(known))
    own = (day - before[-1]).days
    usual = gaps[-2 if len(known) >= 100 else -1][0]
    yearly = any(
        2 * own <= 3 * gap <= 4.5 * own and _same_season(begun, before[-1]) for gap, begun in gaps
    )
    return own >= TIMES_USUAL_GAP * usual and not yearly


def _same_season(a: dt.date, b: dt.date) -> bool:
    apart = (b - a).days % YEAR_DAYS
    return min(apart, YEAR_DAYS - apart) <= SAME_SEASON_DAYS


def _gone_on(days: Sequence[Checked]) -> list[dt.date]:
    """The last days of units that were checked again."""
    first: dict[str, dt.date] = {}
    last: dict[str, dt.date] = {}
    for day, units in days:
        for unit in units:
            first.setdefault(unit, day)
            last[unit] = day
    return [last[unit] for unit in last if (last[unit] - first[unit]).days >= AGAIN_DAYS]


def exchanged(day: dt.date) -> dt.date | None:
    """The day with its day and month exchanged; None where that is no other day."""
    if day.day > 12 or day.day == day.month:
        return None
    return day.replace(month=day.day, day=day.month)
