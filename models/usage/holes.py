"""Stretches in which nobody was checked: of the records, not of a unit.

Where no unit was checked for far longer than usual though they ran as ever, records are missing or
the workshop stood still. An interval that spans such a hole tells nothing of how the unit keeps its
dates, and what came in it was not seen. A fleet that stood still itself (a winter) is no hole.
Where the records end long before the as-of day, whether units ran on is not known yet; what came
since was not seen either.
"""

import datetime as dt
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.intervals import UsageIntervals
from models.usage.year.closed import REOPENING_DAYS
from models.usage.year.closings import Closings

LONG = 1.5
"""Usual intervals of a unit without any check that make a hole."""
OF_AN_INTERVAL = 0.5
"""Of one, at least, where checks are spread: a shorter stretch moves dates by little."""
TIMES_OTHERS, MOST_SHORT = 2.0, 2
"""Then so many times any other stretch, but for two: a workshop that checks all its units in one
week has a long stretch before each, some longer than others."""
LEAST_UNITS = 5
"""Units whose intervals span it, or checks that were due since the last of all."""
CHANCE = 0.01
"""That any such stretch comes about in checks that are independent of each other, at most."""
SELDOM = 1.0 / 6.0
"""Of all intervals, at most, that span one of several: more often, it is how the fleet checks."""
RAN = 0.7
"""Of their km per day in other intervals, at least: else they were off the road."""


HARDLY = 0.25
"""Of the checks usual in one interval, at most, in a lull."""


def holes(
    begins: FloatArray,
    ends: FloatArray,
    km: FloatArray,
    unit: IntArray,
    *,
    but_for_few: bool = False,
) -> FloatArray:
    """First and last day (N, 2) of stretches without a check.

    ``begins``, ``ends``, ``km``, ``unit`` (n,): intervals between successive checks of a unit, in
    days. ``but_for_few``: of stretches with hardly any, too.
    """
    interval = float(np.median(ends - begins)) if len(ends) else 0.0
    days = np.unique(np.round(np.concatenate([begins, ends])))
    days = days[_is_usual(days, ends, interval)] if but_for_few else days
    if len(days) < 2:
        return np.zeros((0, 2))
    least = min(LONG * interval, max(OF_AN_INTERVAL * interval, _exceptional(np.diff(days))))
    # Units whose checks are independent have no check in a stretch with a chance of exp(-awaited).
    awaited = np.log(len(days) / CHANCE)
    found, across = [], np.zeros(len(begins), bool)

    def km_per_day(some: BoolArray) -> float:
        return float(km[some].sum()) / max(float((ends - begins)[some].sum()), 1.0)

    for first, last in itertools.pairwise(days):
        if last - first > least:
            spans = (begins < first + 0.5) & (ends > last - 0.5)
            units = len(np.unique(unit[spans]))
            many = units >= max(LEAST_UNITS, awaited * interval / (last - first))
            if many and km_per_day(spans) >= RAN * km_per_day(~spans):
                found.append((first, last))
                across |= spans
    if len(found) > 1 and across.mean() > SELDOM:
        found = []
    return np.array(found, np.float64).reshape(-1, 2)


def _is_usual(days: FloatArray, checks: FloatArray, interval: float) -> BoolArray:
    """Whether more than hardly any check was made within half an ``interval`` of each day."""
    if not len(checks):
        return np.ones(len(days), bool)
    ordered = np.sort(checks)

    def about(when: FloatArray) -> FloatArray:
        after, before = (np.searchsorted(ordered, when + d) for d in (interval / 2, -interval / 2))
        return np.asarray(after - before, np.float64)

    return np.asarray(about(days) >= HARDLY * np.median(about(checks)))


def _exceptional(stretches: FloatArray) -> float:
    """Longer than this a stretch is another thing than the fleet's others."""
    others = np.sort(stretches)[:-MOST_SHORT]
    return TIMES_OTHERS * float(others[-1]) if len(others) else np.inf


Hole = tuple[dt.date, dt.date]
"""Its first and its last day."""


def lulls_of_records(intervals: pl.DataFrame) -> list[Hole]:
    """As :func:`holes_of_records`, of stretches in which hardly anybody was checked: no hole, for
    some were; but what a forecast missed by in one, or soon after it, says nothing of others."""
    return holes_of_records(intervals, but_for_few=True)


def holes_of_records(intervals: pl.DataFrame, *, but_for_few: bool = False) -> list[Hole]:
    """Of the whole fleet, in order; ``intervals`` has unit_id, from_on, days, km and to_visit."""
    rows = intervals.filter("to_visit").select(
        pl.col("from_on").dt.epoch("d").cast(pl.Float64),
        pl.col("days").cast(pl.Float64),
        pl.col("km").cast(pl.Float64),
        pl.col("unit_id").rank("dense").cast(pl.Int64),
    )
    begins, days, km, unit = (rows[name].to_numpy() for name in rows.columns)
    found = holes(begins, begins + days, km, unit, but_for_few=but_for_few)
    return [(_date(first), _date(last)) for first, last in found]


def holes_told(intervals: pl.DataFrame, of_fleet: Sequence[Hole]) -> pl.DataFrame:
    """depot (null: the whole fleet), from_on, until_on (the last check before, the first after)
    and the units that ran on, of every hole; a depot's only where the fleet has none then.

    ``of_fleet``: those of the whole fleet (:func:`holes_of_records`).
    """
    ends = pl.col("from_on") + pl.duration(days="days")
    rows = []
    depots = intervals["depot"].drop_nulls().unique().sort().to_list()
    for depot in (None, *(depots if len(depots) > 1 else [])):
        here = intervals if depot is None else intervals.filter(pl.col("depot") == depot)
        for first, last in of_fleet if depot is None else holes_of_records(here):
            if depot is not None and any(a < last and first < b for a, b in of_fleet):
                continue
            across = here.filter("to_visit", pl.col("from_on") <= first, ends >= last)
            rows.append((depot, first, last, across["unit_id"].n_unique()))
    return pl.DataFrame(rows, schema=HOLES, orient="row")


def silences(intervals: pl.DataFrame, last_visits: pl.DataFrame, as_of: dt.date) -> pl.DataFrame:
    """depot (null: the whole fleet), from_on, until_on (null) and the units awaited, where nobody
    has been checked up to the as-of day for longer than ever before, and many should have been.

    It is not known yet whether they ran on. A depot's only where the fleet has none, and for a
    year: one that closed is not told of for ever.

    intervals : unit_id, depot, from_on, days, to_visit; last_visits : unit_id, depot, visit_on.
    """
    rows = []
    depots = last_visits["depot"].drop_nulls().unique().sort().to_list()
    for depot in (None, *(depots if len(depots) > 1 else [])):
        of_it = pl.lit(value=True) if depot is None else pl.col("depot") == depot
        found = _silent_since(intervals.filter(of_it), last_visits.filter(of_it), as_of)
        if found and (depot is None or (as_of - found[0]).days <= YEAR):
            rows.append((depot, found[0], None, found[1]))
        if depot is None and rows:
            break
    return pl.DataFrame(rows, schema=HOLES, orient="row")


HOLES = {"depot": pl.String, "from_on": pl.Date, "until_on": pl.Date, "units": pl.Int64}


def _silent_since(
    intervals: pl.DataFrame, last_visits: pl.DataFrame, as_of: dt.date
) -> tuple[dt.date, int] | None:
    """The day of the last check of all, and how many units were checked in the year before."""
    told = intervals.filter("to_visit")
    ends = pl.col("from_on") + pl.duration(days="days")
    days = (
        told.select("unit_id", day="from_on"),
        told.select("unit_id", day=ends),
        last_visits.select("unit_id", day="visit_on"),
    )
    checks = pl.concat(each.cast({"day": pl.Date}) for each in days).drop_nulls().unique()
    if checks.is_empty():
        return None
    every = checks["day"].unique().sort()
    last: dt.date = every[-1]
    silent = (as_of - last).days
    lately = checks.filter(pl.col("day") > last - dt.timedelta(days=YEAR))
    begun: dt.date = lately["day"].sort()[0]
    due = lately.height / ((last - begun).days + 1) * silent
    if due < LEAST_UNITS:
        return None
    missing = holes_of_records(intervals)
    gaps = [b - a for a, b in itertools.pairwise(every) if (a, b) not in missing]
    if silent <= max((gap.days for gap in gaps), default=0):
        return None
    return last, lately["unit_id"].n_unique()


YEAR = 365


def _date(day: float) -> dt.date:
    return dt.date(1970, 1, 1) + dt.timedelta(days=int(day))


def watched_until(missing: Sequence[Hole], origin: dt.date, until: dt.date) -> dt.date:
    """The day up to which what came after ``origin`` is on record: ``until``, or the last check
    before a hole (the origin itself if it lies in one)."""
    return min([until, *(max(first, origin) for first, last in missing if last > origin)])


@dataclass(frozen=True, slots=True)
class UnitHoles:
    """``spanning`` (U, T): intervals that span a hole of their depot's, or of the whole fleet's;
    ``seen_days`` (U, T): how long each of these had lasted when the hole began.

    Days before as-of (U,) of each unit's last visit, or where a hole came since: ``since_visit`` of
    the last that was due in it, for units come back to their own dates (of a closed season: of one
    that makes the next due soon after it ends); ``stayed_away`` of its end,
    for until then nobody could be seen, and as much more as the unit had missed before it.
    ``watched_days`` (U,): how long each unit's last interval, if it spans a hole, had lasted when
    that began; of those that a hole cut and a visit ended no more is known either.
    """

    spanning: BoolArray
    seen_days: FloatArray
    since_visit: FloatArray
    stayed_away: FloatArray
    watched_days: FloatArray


def _beside(of_fleet: FloatArray, own: FloatArray) -> FloatArray:
    """Those of the fleet that no hole of a depot's own overlaps, which tells more of it."""
    apart = [all(last <= a or b <= first for a, b in own) for first, last in of_fleet]
    return np.asarray(of_fleet[np.array(apart, bool)])


def unit_holes(
    intervals: UsageIntervals,
    depot: IntArray,
    since_visit: FloatArray,
    closings: Closings,
    group: IntArray,
) -> UnitHoles:
    """Holes as units met them, closed seasons among them; ``depot`` and ``group`` (U,), and days
    before as-of of the last visit (U,)."""
    begins, ends, seen = intervals.begins, intervals.ends, intervals.seen_at_visits
    unit = np.broadcast_to(np.arange(len(begins))[:, None], begins.shape)
    seen_days, since, stayed = np.full(begins.shape, np.inf), since_visit, since_visit
    watched = np.full(len(since_visit), np.inf)
    of_fleet = holes(begins[seen], ends[seen], intervals.km[seen], unit[seen])
    earliest = float(begins[seen].min(initial=0.0))
    of_depots = {}
    for d in np.unique(depot):
        here = seen & (depot == d)[:, None]
        of_depots[d] = holes(begins[here], ends[here], intervals.km[here], unit[here])
    closed = [(each.stretches(earliest), some) for each, some in closings.by_group(group)]
    for (d, own), (every_year, closes) in itertools.product(of_depots.items(), closed):
        some = (depot == d) & closes
        here = seen & some[:, None]
        both = np.concatenate([_beside(of_fleet, every_year), every_year])
        both = np.concatenate([own, _beside(both, own)])
        if not len(both) or not some.any():
            continue
        usual = float(np.median((ends - begins)[here if here.any() else seen]))
        for first, last in both[np.argsort(both[:, 0])]:
            spans = here & (begins < first + 0.5) & (ends > last - 0.5)
            seen_days = np.where(spans, np.minimum(seen_days, first - begins), seen_days)
            due = -since + np.floor((last + since) / usual) * usual
            missed = some & (since > -first - 0.5) & (due > first)
            # After a hole units come back to their own dates; when a fleet opens, soon.
            opened = last + REOPENING_DAYS / 2.0
            since = np.where(missed, usual - opened if first in every_year[:, 0] else -due, since)
            # Whoever had missed visits before it began has missed them still.
            unseen = some & (stayed > -first - 0.5)
            watched = np.where(unseen, np.minimum(watched, first + since_visit), watched)
            before = np.floor((first + stayed) / usual) * usual
            stayed = np.where(unseen, np.minimum(stayed, before - last), stayed)
    spanning = np.isfinite(seen_days)
    seen_days = np.where(spanning, np.maximum(seen_days, 0.0), 0.0)
    return UnitHoles(spanning, seen_days, since, stayed, np.maximum(watched, 0.0))
