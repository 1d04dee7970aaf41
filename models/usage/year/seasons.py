"""Seasons of use: the fleet's, and those of duties or depots that have another.

Who grits roads runs in winter, who brings in the harvest in summer: together they may have no
season. So it is tested in every duty, and in every depot, whether use beside the fleet's season
still swings (the test of a season itself, by Bonferroni's bound for so many tests); where it does,
that part has its own, and the others have theirs together.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.groups import GroupRates
from models.usage.intervals import UsageGroups, UsageIntervals
from models.usage.level import PILOT_UNITS, UsageLevels
from models.usage.year.closed import ClosedSeason
from models.usage.year.closings import Closings
from models.usage.year.parts import LEAST_UNITS, SPLITS, Part, Split, parts
from models.usage.year.season import (
    LEAST_QUARTERS,
    LEVEL,
    Season,
    SeenUse,
    first_wave,
    intervals_that_tell,
    season_in,
    seen_use,
    usage_season,
)


@dataclass(frozen=True, slots=True)
class OwnSeason:
    """``season`` of the groups (G,) of one duty or depot: ``name`` of which ``of``."""

    season: Season
    groups: BoolArray
    of: Split
    name: str


@dataclass(frozen=True, slots=True)
class Seasons:
    """``of_fleet``: of all units but those of duties or depots that have their ``own``."""

    of_fleet: Season
    own: tuple[OwnSeason, ...] = ()

    @property
    def is_known(self) -> bool:
        """Whether the records show one."""
        return self.of_fleet.is_known or any(each.season.is_known for each in self.own)

    def mean(self, from_day: FloatArray, to_day: FloatArray, group: IntArray) -> FloatArray:
        """Mean factor over days (counted from as-of) of units of a group; all broadcast."""
        found = self.of_fleet.mean(from_day, to_day)
        for each in self.own:
            found = np.where(each.groups[group], each.season.mean(from_day, to_day), found)
        return found

    def log_mean(self, intervals: UsageIntervals) -> FloatArray:
        """Log of the mean factor in every interval, shape (U, T)."""
        return np.log(self.mean(intervals.begins, intervals.ends, intervals.group))


def usage_seasons(
    intervals: UsageIntervals,
    groups: UsageGroups,
    rates: GroupRates,
    levels: UsageLevels,
    day_of_year: float,
    closings: Closings,
) -> Seasons:
    """The fleet's season, if there is one, and those of its parts that have another."""
    of_fleet = usage_season(intervals, rates, levels, day_of_year, closings.of_fleet)
    usual, every = intervals_that_tell(intervals, levels)
    # Where a part is closed, what spans that is odd to what was known, and tells most.
    for keep in (every,) if closings.own else (usual, every):
        seen = seen_use(keep, intervals, rates, day_of_year)
        apart = _apart(seen, of_fleet, groups, closings)
        if apart:

            def season(some: BoolArray, closed: ClosedSeason, seen: SeenUse = seen) -> Season:
                return season_in(seen.some(some[seen.group]), day_of_year, closed)

            own = tuple(
                OwnSeason(
                    season(each.groups, closings.of_part(each)), each.groups, each.of, each.name
                )
                for each in apart
            )
            others = ~np.any([part.groups for part in apart], axis=0)
            return Seasons(season(others, closings.of_fleet), own)
    return Seasons(of_fleet)


def _apart(seen: SeenUse, of_fleet: Season, groups: UsageGroups, closings: Closings) -> list[Part]:
    """Duties whose use swings beside the fleet's season, or depots, whichever show it most; and
    those that are closed at a time of their own."""
    closed = {part.name for part, _ in closings.own}
    stride = int(seen.unit.max(initial=0)) // PILOT_UNITS + 1
    seen = seen.some(seen.unit % stride == 0)
    swing = of_fleet.mean(seen.begins, seen.ends)
    left = seen.beside(np.log(swing))
    found: list[list[tuple[float, Part]]] = []
    for of in closings.splits:
        tested = [
            (0.0 if part.name in closed else _p(left.some(part.groups[seen.group])), part)
            for part in parts(groups, of)
        ]
        bound = LEVEL / max(len(tested), 1) / len(SPLITS)
        found.append([(p, part) for p, part in tested if p < bound])
    most = min(found, key=lambda some: min((p for p, _ in some), default=1.0))
    return [part for _, part in most]


def _p(seen: SeenUse) -> float:
    """Of use of a part of the fleet not swinging over the year; 1 where there is too little."""
    few = len(np.unique(seen.unit)) < LEAST_UNITS
    wave = None if few or len(np.unique(seen.quarter)) < LEAST_QUARTERS else first_wave(seen)
    return 1.0 if wave is None else wave[1]
