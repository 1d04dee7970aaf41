"""When a fleet is closed, or parts of it.

Who brings in the harvest is not checked in winter, though others of the fleet are. A duty's or a
depot's own closed season is sought, as the fleet's is (``closed``), where the whole fleet has none.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.intervals import NOWHERE, UsageGroups, UsageIntervals
from models.usage.year.closed import NOT_CLOSED, ClosedSeason, closed_season
from models.usage.year.parts import LEAST_UNITS, SPLITS, Part, Split, parts


@dataclass(frozen=True, slots=True)
class Closings:
    """``of_fleet``: of all units but those of duties or depots that have their ``own``."""

    of_fleet: ClosedSeason = NOT_CLOSED
    own: tuple[tuple[Part, ClosedSeason], ...] = ()

    @property
    def is_known(self) -> bool:
        """Whether anybody is ever closed."""
        return self.of_fleet.days > 0.0 or bool(self.own)

    @property
    def splits(self) -> tuple[Split, ...]:
        """What parts of the fleet that have a year of their own may differ by."""
        return (self.own[0][0].of,) if self.own else SPLITS

    def of_part(self, part: Part) -> ClosedSeason:
        """A part's own, or the fleet's."""
        same = (closed for own, closed in self.own if (own.of, own.name) == (part.of, part.name))
        return next(same, self.of_fleet)

    def without_own(self, intervals: pl.DataFrame) -> pl.DataFrame:
        """The rows of parts that are closed when the whole fleet is, or never."""
        if not self.own:
            return intervals
        of = self.own[0][0].of
        names = [part.name for part, _ in self.own]
        return intervals.filter(~pl.col(of).fill_null(NOWHERE).is_in(names))

    def by_group(self, group: IntArray) -> Iterator[tuple[ClosedSeason, BoolArray]]:
        """Each closed season, and which units it is of, by their groups (U,)."""
        others = np.ones(len(group), bool)
        for part, closed in self.own:
            here = part.groups[group]
            others &= ~here
            yield closed, here
        yield self.of_fleet, others

    def reopened(self, day: FloatArray, number: FloatArray, group: IntArray) -> FloatArray:
        """Days (N,) of units of a ``group`` as they are, or if the unit's part of the fleet is
        closed then one soon after, by a uniform number."""
        found = self.of_fleet.reopened(day, number)
        for part, closed in self.own:
            found = np.where(part.groups[group], closed.reopened(day, number), found)
        return found


def usage_closings(intervals: UsageIntervals, groups: UsageGroups) -> Closings:
    """The fleet's closed season; or if it has none, those of its duties or of its depots."""
    at_visits, begins, ends = intervals.seen_at_visits, intervals.begins, intervals.ends

    def closed_in(some: BoolArray) -> ClosedSeason:
        return closed_season(begins[some], ends[some])

    of_fleet = closed_in(at_visits)
    if of_fleet.days:
        return Closings(of_fleet)
    most, found = 0, Closings()
    for of in SPLITS:
        own, seen = [], 0
        for part in parts(groups, of):
            here = at_visits & part.groups[intervals.group]
            closed = closed_in(here) if here.any(axis=1).sum() >= LEAST_UNITS else NOT_CLOSED
            if closed.days:
                own.append((part, closed))
                seen += int(here.sum())
        if seen > most:
            most, found = seen, Closings(own=tuple(own))
    return found
