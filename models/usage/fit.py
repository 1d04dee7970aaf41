"""Each unit's km per day, with its uncertainty, from the odometer sightings of the whole fleet."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.course.change import UseChange
from models.usage.course.factor import UseCourse
from models.usage.course.found import as_run_now, use_found
from models.usage.course.stretch import UseStretch
from models.usage.drawn.by_lining import CheckedSooner, checked_sooner
from models.usage.groups import GroupRates, group_rates
from models.usage.holes import UnitHoles, unit_holes
from models.usage.interval_distribution import (
    IntervalDistribution,
    OpenIntervals,
    usage_intervals_seen,
)
from models.usage.intervals import (
    NOWHERE,
    THINNEST,
    UsageGroups,
    UsageIntervals,
    usage_groups,
    usage_intervals,
)
from models.usage.level import UsageLevels, UsageVariances, usage_levels, usage_variances
from models.usage.year.closings import Closings, usage_closings
from models.usage.year.season import no_season
from models.usage.year.seasons import Seasons, usage_seasons

SEASON_ROUNDS, SEASON_SETTLED = 5, 0.02
"""A season is fitted again so often at most, or until no interval's log use moves by more."""


YearThing = Literal["season", "own seasons", "closed", "thresholds"]
YearKnown = frozenset[YearThing]
"""What recurs every year, as far as records could tell it: a swing of use, of duties or depots by
themselves, a time without checks, higher thresholds at relines."""


@dataclass(frozen=True, slots=True)
class UsageFit:
    """Use of U units, in the order they were given.

    ``log_level`` and ``level_variance``: log km per day on the road as of when each was last seen.
    ``off_now``: off the road then. ``stands_still``: has km on record, and none of it was run.
    ``is_known``: its duty has a record of use. ``since_seen``/``since_visit``: days before as-of;
    where a time without checks came since, of the last that was due in it (``models.usage.holes``).
    ``present``: chance that the unit is in the fleet, from how long it had stayed away when any was
    last checked; 0 for one that was never seen. ``change``: since when all units run
    otherwise than before (None: they do not); ``stretch``: when they did for a while; ``course``:
    both by day, over what the levels are of. ``sooner``: how units with thin linings are checked
    sooner (None: they are not), and ``thinnest_mm``: of each unit's linings at its last check,
    above the minimum (NaN: none was read).
    """

    as_of: dt.date
    unit_ids: tuple[str, ...]
    groups: UsageGroups
    rates: GroupRates
    variances: UsageVariances
    season: Seasons
    closings: Closings
    interval_distribution: IntervalDistribution
    group: IntArray
    log_level: FloatArray
    level_variance: FloatArray
    off_now: BoolArray
    stands_still: BoolArray
    is_known: BoolArray
    intervals: IntArray
    since_seen: FloatArray
    since_visit: FloatArray
    present: FloatArray
    thinnest_mm: FloatArray
    change: UseChange | None = None
    sooner: CheckedSooner | None = None
    stretch: UseStretch | None = None
    course: UseCourse = field(default_factory=UseCourse)

    def __len__(self) -> int:
        return len(self.unit_ids)

    @property
    def changed_quarters(self) -> int:
        """For how many quarters, begun ones counted, units run as they do now (0: always)."""
        return 0 if self.change is None else self.change.quarters_ago(self.as_of)

    def mean_use(self, from_day: FloatArray, to_day: FloatArray, group: IntArray) -> FloatArray:
        """Mean of season and course over days, counted from as-of, of units of a group; all
        broadcast. A season is taken as even within each part of the course."""
        season = self.season.mean(from_day, to_day, group)
        return np.asarray(season * self.course.mean(from_day, to_day))

    @property
    def if_returned(self) -> "UsageFit":
        """The same, were the use of before a young change to come back on the as-of day."""
        return replace(self, course=self.course.returned())

    @property
    def year_known(self) -> YearKnown:
        """What is known of how use and checks go over the year."""
        known: dict[YearThing, bool] = {
            "season": self.season.is_known,
            "own seasons": bool(self.season.own),
            "closed": self.closings.is_known,
        }
        return frozenset(thing for thing, is_known in known.items() if is_known)

    @property
    def usual_days(self) -> FloatArray:
        """Usual days between check visits of each unit."""
        return self.interval_distribution.usual_days[self.group] * np.exp(
            self.interval_distribution.pace
        )

    @property
    def usual_days_now(self) -> FloatArray:
        """The same until the next check, by the linings that the last one left on."""
        if self.sooner is None:
            return self.usual_days
        return np.asarray(self.usual_days * self.sooner.days_over_usual(self.thinnest_mm))

    @property
    def age(self) -> FloatArray:
        """How long each unit has been away, in usual intervals from when it was due to be seen."""
        calendar = self.interval_distribution.calendar
        return np.asarray(self.since_visit / self.usual_days_now + calendar.keeps * calendar.late)

    @property
    def due_in(self) -> FloatArray:
        """Days in which each unit is due to be seen next; below nought where it is overdue."""
        return np.asarray((1.0 - self.age) * self.usual_days_now)


def fit_usage(
    units: pl.DataFrame,
    intervals: pl.DataFrame,
    as_of: dt.date,
    check_days: Mapping[str, float] | None = None,
    warm_start: UsageVariances | None = None,
) -> UsageFit:
    """Estimate every unit's use.

    Parameters
    ----------
    units : one row per unit: unit_id, depot (may be null), duty (now), seen_on, visit_on (either
        may be null).
    intervals : rows of ``reduce.unit_usage``.
        Both may have thinnest_mm.
    as_of : the day forecasts start from.
    check_days : days between check visits by duty, used where the records show too few.
    warm_start : variances to start the search from, where some are known to be close.
    """
    groups = usage_groups(units, intervals)
    table = usage_intervals(units, intervals, groups, as_of)
    closings = usage_closings(table, groups)
    # What was run while all units' use was another tells of today's by what it differed by; a part
    # that stands for most of the year does not tell when that was.
    found = use_found(closings.without_own(intervals), as_of)
    course = found.course(as_of)
    table = as_run_now(table, course)
    day_of_year = float(as_of.timetuple().tm_yday)
    rates, season, variances, levels = _fitted(table, groups, day_of_year, closings, warm_start)
    group = groups.index(units["depot"], units["duty"])
    since_seen, days_since_visit = (_days_since(units[c], as_of) for c in ("seen_on", "visit_on"))
    visited = np.flatnonzero(units["visit_on"].is_not_null().to_numpy())
    depot = units["depot"].fill_null(NOWHERE).rank("dense").cast(pl.Int64).to_numpy()
    hole = unit_holes(table, depot, days_since_visit, closings, group)
    since_visit = hole.since_visit
    away, cut = _not_over(table, levels, hole, visited, days_since_visit)
    told = replace(table, to_visit=table.to_visit & ~hole.spanning)
    sooner, by_lining = checked_sooner(intervals), None
    thinnest = _linings_left(units)
    if sooner is not None:
        ended = sooner.days_over_usual(table.thinnest_mm)
        by_lining = ended, sooner.days_over_usual(thinnest)
    interval_distribution = usage_intervals_seen(
        told, levels, variances, groups, check_days or {}, group, away, cut, by_lining
    )
    calendar = interval_distribution.calendar.forgotten(since_visit != days_since_visit)
    interval_distribution = replace(interval_distribution, calendar=calendar)
    never_seen = units["seen_on"].is_null().to_numpy()
    return UsageFit(
        as_of=as_of,
        unit_ids=tuple(units["unit_id"]),
        groups=groups,
        rates=rates,
        variances=variances,
        season=season,
        closings=closings,
        interval_distribution=interval_distribution,
        group=group,
        log_level=rates.log_km_per_day[group] + levels.level,
        level_variance=levels.variance,
        off_now=levels.off_now,
        stands_still=(table.days.sum(axis=1) >= 28) & (table.km.sum(axis=1) <= 0),
        is_known=rates.is_known[group],
        intervals=table.is_informative.sum(axis=1),
        since_seen=since_seen,
        since_visit=since_visit,
        present=np.where(never_seen, 0.0, interval_distribution.leave.present),
        thinnest_mm=thinnest,
        change=found.change,
        stretch=found.stretch,
        course=course,
        sooner=sooner,
    )


def _not_over(
    table: UsageIntervals,
    levels: UsageLevels,
    hole: UnitHoles,
    visited: IntArray,
    days_since_visit: FloatArray,
) -> tuple[OpenIntervals, OpenIntervals]:
    """Intervals that are open, of the units ``visited``; and those that a hole cut."""
    # While nobody is checked, nobody's staying away tells that it has left: records may be missing.
    stayed = hole.stayed_away[visited]
    silent = float(stayed.min()) if len(visited) else 0.0
    watched = np.minimum(hole.watched_days[visited], stayed - silent)
    lasted = days_since_visit[visited] - silent
    away = OpenIntervals(visited, stayed - silent, levels.off_now[visited], watched, lasted)
    # All that is known of an interval that spans a hole is how long it had lasted by then.
    unit, place = np.nonzero(hole.spanning)
    seen, whole = hole.seen_days[unit, place], table.days[unit, place]
    return away, OpenIntervals(unit, seen, levels.off_before[unit, place], seen, whole)


def _linings_left(units: pl.DataFrame) -> FloatArray:
    if THINNEST not in units.columns:
        return np.full(units.height, np.nan)
    return np.asarray(units[THINNEST].cast(pl.Float64).fill_null(np.nan).to_numpy())


def _fitted(
    table: UsageIntervals,
    groups: UsageGroups,
    day_of_year: float,
    closings: Closings,
    warm_start: UsageVariances | None,
) -> tuple[GroupRates, Seasons, UsageVariances, UsageLevels]:
    """Levels without a season, then with it where there is one: until what looked odd without it
    does not change it any more."""
    swing, rates = np.zeros(table.days.shape), group_rates(table, groups)
    variances = usage_variances(table, rates, swing, warm_start)
    levels = usage_levels(table, rates, swing, variances)
    if not table.is_informative.any():
        none = no_season(day_of_year, "No use on record.")
        return rates, Seasons(none), variances, levels
    season = usage_seasons(table, groups, rates, levels, day_of_year, closings)
    for _ in range(SEASON_ROUNDS):
        if not season.is_known:
            break
        before, swing = swing, season.log_mean(table)
        if np.abs(swing - before).max(initial=0.0) < SEASON_SETTLED:
            break
        rates = group_rates(table, groups, swing)
        variances = usage_variances(table, rates, swing, variances)
        levels = usage_levels(table, rates, swing, variances)
        again = usage_seasons(table, groups, rates, levels, day_of_year, closings)
        season = again if again.is_known else season
    return rates, season, variances, levels


def _days_since(day: pl.Series, as_of: dt.date) -> FloatArray:
    days = (pl.lit(as_of, dtype=pl.Date) - pl.col("day")).dt.total_days()
    frame = pl.DataFrame({"day": day.cast(pl.Date)}).select(days.cast(pl.Float64).fill_null(0.0))
    return np.asarray(np.maximum(frame.to_series().to_numpy(), 0.0))


def usage_frame(usage: UsageFit) -> pl.DataFrame:
    """One row per unit: unit_id, depot, duty, km_per_day, km_per_day_sd, intervals, state.

    km_per_day is what the unit runs while on the road, mean and SD of its level (null where its
    duty has no record); state is on_road, off_road, stands_still or not_on_record.
    """
    mean = (
        np.exp(usage.log_level + usage.level_variance / 2.0)
        * usage.interval_distribution.use_on_road
    )
    spread = mean * np.sqrt(np.expm1(usage.level_variance))
    still, known = usage.stands_still, usage.is_known
    state = np.select(
        [still, ~known, usage.off_now], ["stands_still", "not_on_record", "off_road"], "on_road"
    )
    return pl.DataFrame(
        {
            "unit_id": usage.unit_ids,
            "depot": [usage.groups.depot[g] or None for g in usage.group],
            "duty": [usage.groups.duty[g] for g in usage.group],
            "km_per_day": np.where(still, 0.0, np.where(known, mean, np.nan)),
            "km_per_day_sd": np.where(still, 0.0, np.where(known, spread, np.nan)),
            "intervals": usage.intervals,
            "state": state,
            "present": usage.present,
        },
        schema_overrides={"unit_id": pl.String, "depot": pl.String, "duty": pl.String},
    ).with_columns(pl.col("km_per_day", "km_per_day_sd").fill_nan(None))
