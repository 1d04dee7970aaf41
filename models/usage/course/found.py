"""How all units' use went, from what they ran: stretches, then what lasts beside them."""

import datetime as dt
from dataclasses import dataclass, replace

import polars as pl

from models.usage.course.change import UseChange, use_change
from models.usage.course.factor import UseCourse, use_course
from models.usage.course.stretch import UseStretch, use_stretch
from models.usage.intervals import UsageIntervals

MOST_SOUGHT = 2
"""A change that lasts, and a stretch before or since: each is found better beside the other."""


@dataclass(frozen=True, slots=True)
class UseFound:
    """``change``: since when all units run otherwise than before; ``stretch``: when they did for a
    while (None: neither)."""

    change: UseChange | None = None
    stretch: UseStretch | None = None

    def course(self, as_of: dt.date) -> UseCourse:
        """Both as a factor by day."""
        lasting = None
        if self.change is not None:
            lasting = float((self.change.since_on - as_of).days), self.change.ratio
        over = [] if self.stretch is None else [(*self.stretch.days(as_of), self.stretch.ratio)]
        return use_course(lasting, over)


def use_found(intervals: pl.DataFrame, as_of: dt.date) -> UseFound:
    """What shows of all units' use having been, or being, another.

    ``intervals``: unit_id, duty, one_duty, from_on, days, km.
    """
    found = UseFound()
    for _ in range(MOST_SOUGHT):
        rows = as_if_even(intervals, found.course(as_of), as_of)
        stretch = None if found.stretch is not None else use_stretch(rows, as_of)
        if stretch is not None and stretch.until_on is None:
            # What goes on for less than half a year and is so far from usual comes first.
            return UseFound(_going_on(stretch), found.stretch)
        if stretch is not None:
            found = replace(found, stretch=stretch)
            rows = as_if_even(intervals, found.course(as_of), as_of)
        if found.change is not None:
            break
        found = replace(found, change=use_change(rows, as_of))
        if found.change is None:
            break
    return found


def _going_on(stretch: UseStretch) -> UseChange:
    limits = stretch.ratio, stretch.ci_low, stretch.ci_high
    return UseChange(stretch.from_on, *limits, stretch.units, stretch.units_same)


def as_if_even(intervals: pl.DataFrame, course: UseCourse, as_of: dt.date) -> pl.DataFrame:
    """The intervals with the km that would have been run in them, had all run as they do now."""
    if not course.edges:
        return intervals
    begins = (intervals["from_on"] - as_of).dt.total_days().cast(pl.Float64).to_numpy()
    days = intervals["days"].cast(pl.Float64).to_numpy()
    factor = course.mean(begins, begins + days)
    return intervals.with_columns(km=pl.col("km") / pl.Series(factor))


def as_run_now(table: UsageIntervals, course: UseCourse) -> UsageIntervals:
    """The same of a table of intervals."""
    return replace(table, km=table.km / course.mean(table.begins, table.ends))
