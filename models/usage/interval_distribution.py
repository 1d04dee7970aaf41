r"""How a fleet's intervals between check visits really turn out: their empirical distribution.

Each entry is one interval of the record: how long it was against what is usual for its duty (missed
visits are the long ones), how much of its usual km the unit ran in it, and whether it stood off the
road. Length and use come from one interval, so that a unit that stayed away because it stood still
does not run while it is away. Two pools: intervals that followed an interval on the road, and
intervals that followed one off it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.drawn.calendar import Calendar, calendar_kept
from models.usage.drawn.rounds import Rounds, rounds_kept
from models.usage.intervals import FEW_INTERVALS, UsageGroups, UsageIntervals
from models.usage.leaving import LEAVING_DAYS, LEAVING_SHAPE, Leaving, LeftAtOnce
from models.usage.level import ODD, YEAR_DAYS, UsageLevels, UsageVariances

OWN_CARDS = 200
"""A duty with as many intervals on record speaks for itself alone."""
MOST_CARDS = 20_000
"""A pool of more is thinned evenly: its distribution is known to half a per cent."""
ABSENCE_SHAPE, ABSENCE_DAYS, RETURNING_DAYS = 0.5, 3652.0, 182.0
"""Prior of going off the road: half an absence in ten unit-years; they last half a year."""
TAIL_CARDS = 0.5
MISSED_CARDS = 4.0
OWN_INTERVALS = 3
"""More than so many tell whether a unit is checked at every second date."""
SLOT = 0.5
"""Usual intervals after a visit that was due until it is missed."""
EM_STEPS = 25
YOUNG = 1.5
"""Records of fewer usual intervals."""
CHANGED_CHECKS, CHANGED_SD = 0.14, 5.0
"""By how much, in logs, and how surely a duty's intervals of the last year differ from those before
where it is checked at others than it was."""
KEPT = 0.5
"""An interval this close to the usual one, in usual ones, is a visit kept; others were missed."""
WILD_LENGTH = float(np.log(4.0))
"""Logs of lengths are cut so far from a unit's median before they tell of its usual one."""
WILDEST = 6.0
"""Prediction errors above this many standard deviations are not believed in full."""


@dataclass(frozen=True, slots=True)
class IntervalSample:
    """Intervals sorted by length, each with its probability.

    ``length`` over the unit's usual one, ``use`` over the usual km of such a length, ``lost``: the
    share of it spent off the road; ``off_road``: all of it; ``days`` it lasted. ``weight`` sums to
    1: the product-limit estimate, to which intervals that are still open have given theirs.
    ``stands_for``: so many intervals on record each. ``beyond``: of the last one's weight, what is
    longer than any that is over, by those that were cut while their units were there.
    """

    length: FloatArray
    use: FloatArray
    lost: FloatArray
    off_road: BoolArray
    days: FloatArray
    weight: FloatArray
    stands_for: float = 1.0
    beyond: float = 0.0

    def __len__(self) -> int:
        return len(self.length)

    @property
    def on_record(self) -> float:
        """Intervals that it was taken from."""
        return len(self) * self.stands_for

    @property
    def before(self) -> FloatArray:
        """Probability of all shorter intervals."""
        return np.concatenate([[0.0], np.cumsum(self.weight)[:-1]])

    def longer_than(self, length: FloatArray) -> IntArray:
        """Position of the first interval longer than each length; the last interval if none is."""
        return np.minimum(np.searchsorted(self.length, length, side="right"), len(self) - 1)

    def mean(self, values: FloatArray) -> float:
        return float(self.weight @ values)

    def mean_of_longer(self, values: FloatArray) -> FloatArray:
        """Mean of values over the intervals from each position on."""
        tail = np.cumsum(self.weight[::-1])[::-1]
        return np.cumsum((self.weight * values)[::-1])[::-1] / np.maximum(tail, 1e-300)

    def drawn(self, number: FloatArray, first: IntArray) -> IntArray:
        """Cards from position ``first`` on, by uniform numbers."""
        start = self.before[first]
        reached = start + number * (1.0 - start)
        place = np.searchsorted(np.cumsum(self.weight), reached, side="right")
        return np.clip(place, first, len(self) - 1)


@dataclass(frozen=True, slots=True)
class Pool:
    """Cards by what went before: an interval on the road, or one off it; ``after_standing`` None:
    too few of those, so that the first serve for both."""

    after_road: IntervalSample
    after_standing: IntervalSample | None = None

    def sample_after(self, off_road: bool) -> IntervalSample:
        own = self.after_standing if off_road else None
        return self.after_road if own is None else own


_ONE = np.ones(1)
ONE_CARD = IntervalSample(_ONE, _ONE, np.zeros(1), np.zeros(1, bool), np.full(1, 84.0), _ONE)
"""Where nothing is on record: visits as usual."""


@dataclass(frozen=True, slots=True)
class IntervalDistribution:
    """Cards, the usual days between visits by group, and how it goes on.

    ``pools``: those of all duties together, then those of duties with enough of their own;
    ``pool`` (G,): which one speaks for a group.

    ``pace`` and ``pace_variance`` (U,): log of each unit's usual days over its group's. ``leave``:
    how units leave the fleet. ``calendar``: how far visits keep to one; ``rounds``: what the
    intervals of a depot's units have in common. ``off_days``: how long absences
    last, sorted, and ``off_weight`` their probabilities. ``use_on_road``/``use_off_road``: mean
    use, by days. ``noise_days``: the
    variance of use on the road times days, by its central part. ``leaving``/``returning``: chance
    per day of going off the road, and back.
    """

    pools: tuple[Pool, ...]
    pool: IntArray
    usual_days: FloatArray
    pace: FloatArray
    pace_variance: FloatArray
    leave: Leaving
    calendar: Calendar
    rounds: Rounds
    off_days: FloatArray
    off_weight: FloatArray
    use_on_road: float
    use_off_road: float
    noise_days: float
    leaving: float
    returning: float

    @property
    def after_road(self) -> IntervalSample:
        """Of all duties together."""
        return self.pools[0].after_road


@dataclass(frozen=True, slots=True)
class OpenIntervals:
    """Intervals that have not ended: whose, how many days they have lasted, whether the unit was
    off the road when they began. ``days`` that nobody could have seen the unit do not count; of all
    since its last visit, in which it may have left, there were ``lasted``. Of these the first
    ``watched`` tell how long intervals last: not those since a hole, for the like that are over by
    now do not."""

    unit: IntArray
    days: FloatArray
    off_road: BoolArray
    watched: FloatArray
    lasted: FloatArray


_NO_DAYS = np.zeros(0)
NONE_OPEN = OpenIntervals(
    np.zeros(0, np.int64), _NO_DAYS, np.zeros(0, bool), watched=_NO_DAYS, lasted=_NO_DAYS
)


@dataclass(frozen=True, slots=True)
class _Played:
    """Ended intervals, as flat arrays."""

    unit: IntArray
    group: IntArray
    days: FloatArray
    length: FloatArray
    use: FloatArray
    lost: FloatArray
    off_road: BoolArray
    off_before: BoolArray


def usage_intervals_seen(
    intervals: UsageIntervals,
    levels: UsageLevels,
    variances: UsageVariances,
    groups: UsageGroups,
    check_days: Mapping[str, float],
    group: IntArray,
    away: OpenIntervals,
    cut: OpenIntervals | None = None,
    by_lining: tuple[FloatArray, FloatArray] | None = None,
) -> IntervalDistribution:
    """Cards from every interval between two visits; ``check_days`` by duty where few are seen.

    ``by_lining``: what thin linings make of each interval (U, T), and of those that are open (U,):
    so many times the usual days. ``group`` (U,) is each unit's group now; ``away`` the intervals
    that are not over yet; ``cut`` those that ended unseen, of units that were there until then.
    Left out, they would be missed: the longer an interval, the likelier something cuts it.
    """
    ended, lasting = by_lining or (np.ones(intervals.days.shape), np.ones(len(group)))
    usual, then = _usual_days(replace(intervals, days=intervals.days / ended), groups, check_days)
    then = then * ended
    pace, variance = _paces(intervals, then, len(usual))
    played = _played(intervals, levels, variances, then, pace)
    own_days = usual[group] * np.exp(pace) * lasting
    pool = _pools_of(groups, played)
    seen = played, away, cut or NONE_OPEN, own_days, pool, group
    pools, leave = _fitted_pools(*seen)
    watched = _watched(intervals, away, own_days)
    if len(own_days) and watched[0].max() < YOUNG * np.median(own_days):
        # Records too short for two visits of most units cannot tell who has left.
        leave = Leaving(LEAVING_SHAPE, LEAVING_DAYS, np.ones(len(own_days)))
    once = leave.at_once_among(*watched, own_days)
    if once is not None:
        pools, leave = _fitted_pools(*seen, leave, once)
    course = *_absences(pools[0].after_road), *_on_and_off(played, pools[0].after_road)
    length = intervals.days / (then * np.exp(pace)[:, None])
    calendar, surprise = calendar_kept(intervals, length)
    kept = np.isfinite(surprise) & (np.abs(length - 1.0) < KEPT)
    rounds = rounds_kept(intervals, surprise, kept, groups, usual)
    return IntervalDistribution(
        pools, pool, usual, pace, variance, leave, calendar, rounds, *course
    )


def _watched(
    intervals: UsageIntervals, away: OpenIntervals, usual_days: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Days before as-of of each unit's first visit and its last, 0 of one without, and days since
    that in which it may have left (U,)."""
    begins = np.where(intervals.seen_at_visits, intervals.begins, 0.0)
    begun = -begins.min(axis=1, initial=0.0)
    last, unseen = np.zeros(len(begun)), usual_days.copy()
    last[away.unit] = away.lasted
    unseen[away.unit] += away.lasted - away.days
    return np.maximum(begun, last), last, unseen


def _pools_of(groups: UsageGroups, played: _Played) -> IntArray:
    """The pool that speaks for each group (G,): its duty's own, if that has enough intervals.

    Lengths are told in usual intervals, absences last for days: where duties are checked at
    different intervals, one's absences are not the other's.
    """
    duty = np.array(groups.duty, dtype=object)
    found = np.zeros(len(groups), np.int64)
    if len(set(duty)) > 1:
        counts = np.bincount(played.group, minlength=len(groups))
        enough = [d for d in sorted(set(duty)) if counts[duty == d].sum() >= OWN_CARDS]
        for number, name in enumerate(enough, start=1):
            found[duty == name] = number
    return found


def _paces(
    intervals: UsageIntervals, usual: FloatArray, groups: int
) -> tuple[FloatArray, FloatArray]:
    """Log of each unit's usual days over its group's (U,), and its variance.

    A unit leans on its depot and duty, those on the fleet: means of log lengths, shrunk by the
    moments of a nested layout (Searle, Casella, McCulloch 1992, ch. 3). An interval in which visits
    were missed counts as so many kept ones: in the same time a unit that missed some has fewer
    intervals, and longer ones, which is no habit of its own.
    """
    kept = intervals.is_there & intervals.to_visit
    n = kept.sum(axis=1)
    units = len(n)
    if int(n.sum()) < FEW_INTERVALS:
        return np.zeros(units), np.zeros(units)
    length = np.where(kept, intervals.days, 1.0) / usual
    log_length = np.log(length / _visits_due(length, kept, intervals.group))
    middle = _own_medians(log_length, kept)
    wild = np.where(n > OWN_INTERVALS, middle, 0.0)[:, None]
    log_length = np.clip(log_length, wild - WILD_LENGTH, wild + WILD_LENGTH)
    # Less what means are above medians: the usual days are a median.
    about = np.where(kept, log_length - (log_length - middle[:, None])[kept].mean(), 0.0)
    mean = about.sum(axis=1) / np.maximum(n, 1)
    within = float(((about - mean[:, None]) ** 2)[kept].sum()) / max(
        float((n - 1)[n > 0].sum()), 1.0
    )
    own = intervals.group[:, -1]
    group_mean = _shrunk_group_means(mean, n, own, within, groups)
    off = (mean - group_mean[own])[n > 0]
    between = max(float((off**2).mean() - (within / n[n > 0]).mean()), 0.0)
    shrink = n * between / np.maximum(n * between + within, 1e-12)
    variance = np.where(n > 0, (1.0 - shrink) * between, between)
    return group_mean[own] + shrink * (mean - group_mean[own]), variance


def _own_medians(values: FloatArray, kept: BoolArray) -> FloatArray:
    """Median of each unit's kept values (U,); nought where none is kept."""
    left_out = np.where(kept.any(axis=1), np.nan, 0.0)[:, None]
    return np.asarray(np.nanmedian(np.where(kept, values, left_out), axis=1), np.float64)


def _visits_due(length: FloatArray, kept: BoolArray, group: IntArray) -> FloatArray:
    """Visits that were due in each interval (U, T), the one that ends it counted: of those that are
    usual in its group, or twice or three times as far apart where that is how the unit, in three
    of four, is checked."""
    usual, of = np.ones(int(group.max(initial=0)) + 1), group[kept]
    order = np.argsort(of, kind="stable")
    groups, first = np.unique(of[order], return_index=True)
    for g, own_length in zip(groups, np.split(length[kept][order], first[1:]), strict=True):
        usual[g] = np.median(own_length) if len(own_length) >= FEW_INTERVALS else 1.0
    times = length / usual[group]
    n = kept.sum(axis=1)
    ordered = np.sort(np.where(kept, times, np.inf), axis=1)
    quarter = ordered[np.arange(len(n)), np.maximum(n - 1, 0) // 4]
    own = np.where(n > OWN_INTERVALS, np.maximum(np.rint(quarter), 1.0), 1.0)
    return np.maximum(np.rint(times / own[:, None]), 1.0)


def _shrunk_group_means(
    mean: FloatArray, n: IntArray, group: IntArray, within: float, groups: int
) -> FloatArray:
    """Means of the units' means by depot and duty, drawn toward nought."""
    there = n > 0
    units = np.bincount(group[there], minlength=groups)
    found = np.bincount(group[there], mean[there], minlength=groups) / np.maximum(units, 1)
    spread = float(((mean - found[group])[there] ** 2).sum()) / max(int(there.sum()) - groups, 1)
    error = max(spread, within / max(float(n[there].mean()), 1.0)) / np.maximum(units, 1)
    some = units > 0
    between = max(float((found[some] ** 2 - error[some]).mean()), 0.0)
    return np.where(some, between / np.maximum(between + error, 1e-12) * found, 0.0)


def _fitted_pools(
    played: _Played,
    away: OpenIntervals,
    cut: OpenIntervals,
    usual_days: FloatArray,
    pool: IntArray,
    group: IntArray,
    before: Leaving | None = None,
    once: LeftAtOnce | None = None,
) -> tuple[tuple[Pool, ...], Leaving]:
    """Cards weighted by the product-limit estimate, and how units leave for good.

    A unit not seen again may be in an interval that is not over, or have left at its last visit
    (with hazard h a day, over its usual interval): a cure model whose lengths have no form of their
    own (Maller, Zhou 1996, *Survival Analysis with Long-Term Survivors*), fitted by EM. An open
    interval counts as censored by the unit's chance to be there still.

    ``once``: units that left at once, as found ``before`` of a hazard that counted them; it leaves
    them out here.
    """
    age, own = away.days / usual_days[away.unit], pool[group[away.unit]]
    watched = away.watched / usual_days[away.unit]
    cut_age, cut_own = cut.watched / usual_days[cut.unit], pool[group[cut.unit]]
    number = range(int(pool.max(initial=0)) + 1)
    pools = [_sample(played, _speaks(k, pool[played.group])) for k in number]
    present = np.ones(len(age)) if before is None else before.present[away.unit]
    alone = np.ones(len(age), bool) if once is None else ~once.are_among(away.lasted)
    closed_days = float(played.days.sum() + cut.lasted.sum())
    # Of a unit that left, within a usual interval of its last visit; or while none could be seen.
    unseen = usual_days[away.unit] + away.lasted - away.days
    shape, days = LEAVING_SHAPE, LEAVING_DAYS
    for _ in range(EM_STEPS):
        stays = np.exp(-shape / days * unseen)
        longer = np.ones(len(age))
        for k in number:
            here, too = _speaks(k, own), _speaks(k, cut_own)
            seen = _Censored(
                np.concatenate([watched[here], cut_age[too]]),
                np.concatenate([present[here], np.ones(too.sum())]),
                np.concatenate([away.off_road[here], cut.off_road[too]]),
                np.concatenate([np.zeros(here.sum(), bool), np.ones(too.sum(), bool)]),
            )
            pools[k] = _censored(pools[k], seen)
            longer[own == k] = _chance_away(pools[k], age[own == k], away.off_road[own == k])
        chance = longer * stays / np.maximum(longer * stays + 1.0 - stays, 1e-300)
        present = np.where(alone, chance, present)
        shape = LEAVING_SHAPE + float((1.0 - present)[alone].sum())
        # Who left did so half-way through the days in which that was possible, in the mean.
        ran = present * away.lasted + (1.0 - present) * unseen / 2.0
        days = LEAVING_DAYS + closed_days + float(ran.sum())
    every = np.ones(len(usual_days))
    every[away.unit] = present
    whole = [
        Pool(
            _with_longer(p.after_road),
            None if p.after_standing is None else _with_longer(p.after_standing),
        )
        for p in pools
    ]
    return tuple(whole), Leaving(shape, days, every, once)


def _speaks(pool: int, own: IntArray) -> BoolArray:
    """Intervals that a pool is of: the first of all, the others of their duty's (n,)."""
    return np.asarray(own == pool) if pool else np.ones(len(own), bool)


@dataclass(frozen=True, slots=True)
class _Censored:
    """Intervals that are known to be longer than ``age`` (n,), by the ``chance`` that their unit
    was there; ``off_road`` when they began; ``cut``: a visit after it says that it was."""

    age: FloatArray
    chance: FloatArray
    off_road: BoolArray
    cut: BoolArray

    def some(self, which: BoolArray) -> "_Censored":
        return _Censored(self.age[which], self.chance[which], self.off_road[which], self.cut[which])


def _censored(pool: Pool, seen: _Censored) -> Pool:
    """The pool with intervals counted of which only a part was seen."""
    if pool.after_standing is None:
        return Pool(_weighted(pool.after_road, seen))
    return Pool(
        _weighted(pool.after_road, seen.some(~seen.off_road)),
        _weighted(pool.after_standing, seen.some(seen.off_road)),
    )


def _chance_away(pool: Pool, age: FloatArray, off_road: BoolArray) -> FloatArray:
    """Chance that an interval lasts longer than it has."""
    after_road, standing = (_chance_longer(pool.sample_after(off), age) for off in (False, True))
    return np.where(off_road, standing, after_road)


def _weighted(sample: IntervalSample, seen: _Censored) -> IntervalSample:
    """Cards with the product-limit weights (Kaplan, Meier 1958), other intervals counted by their
    chance; what the last interval leaves over is its own.

    Of that, what cut intervals say is longer is told apart: an open one may be none, its unit gone.
    """
    order = np.argsort(seen.age)
    gone = np.concatenate([[0.0], np.cumsum(seen.chance[order])])
    open_still = gone[-1] - gone[np.searchsorted(seen.age[order], sample.length, side="left")]
    open_still = open_still / sample.stands_for
    closed_still = len(sample) - np.arange(len(sample))
    hazard = 1.0 / (closed_still + open_still)
    cut_still = int((seen.cut & (seen.age >= sample.length[-1])).sum()) / sample.stands_for
    left, hazard[-1] = cut_still * hazard[-1], 1.0
    survival = np.concatenate([[1.0], np.cumprod(1.0 - hazard)[:-1]])
    return replace(sample, weight=survival * hazard, beyond=float(survival[-1] * left))


def _chance_longer(sample: IntervalSample, age: FloatArray) -> FloatArray:
    """Chance that an interval is longer, with half an interval of a long tail for what no record
    shows: intervals beyond every one seen.

    Few have missed two visits, or three. Whether they miss the next is told by those few, and by
    :data:`MISSED_CARDS` that do so as often, and after as long, as all miss their first. Where the
    records are too short to hold such intervals, those that a hole cut tell.
    """
    before = np.concatenate([[0.0], np.cumsum(sample.weight)])

    def seen_longer(length: FloatArray) -> FloatArray:
        place = np.searchsorted(sample.length, length, side="right")
        return np.asarray(np.maximum(1.0 - before[place], sample.beyond))

    n, missed = sample.on_record, np.maximum(np.ceil(age - SLOT) - 1.0, 0.0)
    longer = seen_longer(np.minimum(age, 1.0 + SLOT))
    first = max(float(seen_longer(np.array([SLOT]))[0]), 1e-300)
    for k in range(1, int(missed.max(initial=0.0)) + 1):
        still = np.flatnonzero(missed >= k)
        after = float(seen_longer(np.array([k + SLOT]))[0])
        at = np.minimum(age[still], k + 1.0 + SLOT)
        own, usual = seen_longer(at) / max(after, 1e-300), seen_longer(at - k) / first
        told = _told_of(sample, k + SLOT, after)
        longer[still] *= (told * own + MISSED_CARDS * usual) / (told + MISSED_CARDS)
    tail = np.exp(-np.maximum(age - 1.0, 0.0))
    return np.asarray((n * longer + TAIL_CARDS * tail) / (n + TAIL_CARDS))


def _told_of(sample: IntervalSample, length: float, after: float) -> float:
    """How many intervals tell how much longer than so they last: those that are over, and beside
    them those that were cut when longer than all of these."""
    over = len(sample) - int(np.searchsorted(sample.length, length, side="right"))
    return over * sample.stands_for * after / max(after - sample.beyond, 1e-300)


def _with_longer(sample: IntervalSample) -> IntervalSample:
    """What is longer than any interval that is over ends, for all one knows, one visit later than
    the longest of them."""
    if sample.beyond <= 0.0:
        return sample
    weight, last = sample.weight.copy(), max(float(sample.length[-1]), 1e-9)
    weight[-1] -= sample.beyond
    return IntervalSample(
        length=np.append(sample.length, last + 1.0),
        use=np.append(sample.use, sample.mean(sample.use)),
        lost=np.append(sample.lost, 0.0),
        off_road=np.append(sample.off_road, False),
        days=np.append(sample.days, sample.days[-1] * (1.0 + 1.0 / last)),
        weight=np.append(weight, sample.beyond),
        stands_for=sample.stands_for,
    )


def _absences(sample: IntervalSample) -> tuple[FloatArray, FloatArray]:
    """Days off the road of absences, sorted, and their probabilities: long ones, more of which are
    not over yet, count by the weight of their intervals."""
    away = sample.lost > 0.0
    days, weight = (sample.days * sample.lost)[away], sample.weight[away]
    if len(days) == 0:
        return np.array([RETURNING_DAYS]), np.ones(1)
    order = np.argsort(days, kind="stable")
    return days[order], weight[order] / weight.sum()


def _usual_days(
    intervals: UsageIntervals, groups: UsageGroups, check_days: Mapping[str, float]
) -> tuple[FloatArray, FloatArray]:
    """Median days between visits by group's duty now (G,), the stated ones where few are on record;
    and those that were usual when each interval ended (U, T): where a duty is checked more often or
    less than it was, year by year."""
    duty_of = np.array(groups.duty, dtype=object)
    now = np.array([check_days.get(name, 84.0) for name in groups.duty])
    then = now[intervals.group] if len(groups) else np.ones(intervals.days.shape)
    visits = intervals.seen_at_visits
    year = np.maximum(np.floor(-intervals.ends / YEAR_DAYS), 0.0)
    for name in sorted(set(groups.duty)):
        its = np.isin(intervals.group, np.flatnonzero(duty_of == name))
        seen = visits & its
        if int(seen.sum()) < FEW_INTERVALS:
            continue
        overall = float(np.median(intervals.days[seen]))
        now[duty_of == name] = then[its] = overall
        for y in np.unique(year[seen]) if _has_changed(intervals.days, year, seen) else ():
            of_year = seen & (year == y)
            if int(of_year.sum()) >= FEW_INTERVALS:
                then[its & (year == y)] = float(np.median(intervals.days[of_year]))
        latest = then[its & (year == 0)]
        now[duty_of == name] = latest[0] if len(latest) else overall
    return now, then


def _has_changed(days: FloatArray, year: FloatArray, seen: BoolArray) -> bool:
    """Whether the latest year's intervals are others than those before."""
    length = np.clip(
        np.log(np.maximum(days, 1.0) / np.median(days[seen])), -WILD_LENGTH, WILD_LENGTH
    )
    late, early = length[seen & (year == 0)], length[seen & (year > 0)]
    if min(len(late), len(early)) < FEW_INTERVALS:
        return False
    error = np.sqrt(late.var() / len(late) + early.var() / len(early))
    by_median = abs(float(np.median(late) - np.median(early)))
    by_mean = abs(float(late.mean() - early.mean()))
    return by_median > CHANGED_CHECKS and by_mean > CHANGED_SD * max(float(error), 1e-9)


def _played(
    intervals: UsageIntervals,
    levels: UsageLevels,
    variances: UsageVariances,
    usual: FloatArray,
    pace: FloatArray,
) -> _Played:
    learned = np.isfinite(levels.error)
    plays = intervals.to_visit & (learned | (levels.off_road & intervals.is_informative))
    days, unit = intervals.days[plays], np.nonzero(plays)[0]
    error = np.minimum(np.where(learned, levels.error, 0.0)[plays], WILDEST)
    # Errors include doubt about the level, which a forecast adds by itself: scaled back to noise.
    ran = np.exp(error * np.sqrt(variances.noise(days)))
    stood = intervals.km[plays] / np.maximum(levels.usual_km[plays], 1e-9)
    off = levels.off_road[plays]
    # An interval with far less km than the unit's noise explains was spent partly off the road.
    absent = off | (error < -ODD)
    return _Played(
        unit=unit,
        group=intervals.group[plays],
        days=days,
        length=days / (usual[plays] * np.exp(pace[unit])),
        use=np.where(absent, stood, ran),
        lost=np.where(absent, np.clip(1.0 - stood, 0.0, 1.0), 0.0),
        off_road=off,
        off_before=levels.off_before[plays],
    )


def _sample(played: _Played, chosen: BoolArray) -> Pool:
    on = _cards(played, chosen & ~played.off_before)
    on = on if len(on) else ONE_CARD
    off = _cards(played, chosen & played.off_before)
    return Pool(on, off if len(off) >= FEW_INTERVALS else None)


def _cards(played: _Played, chosen: BoolArray) -> IntervalSample:
    order = np.argsort(played.length[chosen], kind="stable")
    many = len(order)
    every = many // MOST_CARDS + 1
    order = order[every // 2 :: every] if every > 1 else order
    length, use, lost, days = (
        x[chosen][order] for x in (played.length, played.use, played.lost, played.days)
    )
    weight = np.full(len(order), 1.0 / max(len(order), 1))
    off_road, stands_for = played.off_road[chosen][order], max(many, 1) / max(len(order), 1)
    return IntervalSample(length, use, lost, off_road, days, weight, stands_for)


def _on_and_off(
    played: _Played, sample: IntervalSample
) -> tuple[float, float, float, float, float]:
    """Use on and off the road, its noise, and the daily chances of leaving and returning.

    Days of an interval count as on the road but for the part that was lost.
    """
    on, away = ~played.off_road, played.lost > 0.0
    road_days = played.days * (1.0 - played.lost)
    ran = played.use * played.days
    off = played.off_road
    use_on = float(ran[on].sum()) / float(road_days[on].sum()) if on.any() else 1.0
    use_off = float(ran[off].sum()) / float(played.days[off].sum()) if off.any() else 0.0
    steady = on & ~away
    noise = _central_variance(((played.use - use_on) * np.sqrt(played.days))[steady])
    n, was = sample.on_record, sample.lost > 0.0
    left = n * sample.mean(was.astype(float))
    leaving = (left + ABSENCE_SHAPE) / (
        n * sample.mean(sample.days * (1.0 - sample.lost)) + ABSENCE_DAYS
    )
    back = n * sample.mean((was & ~sample.off_road).astype(float))
    back += float((played.off_before & on).sum())
    off_days = n * sample.mean(sample.days * sample.lost)
    off_days += float((played.days * played.lost)[played.off_before].sum())
    returning = (back + 1.0) / (off_days + RETURNING_DAYS)
    return use_on, use_off, noise, leaving, returning


def _central_variance(noise: FloatArray) -> float:
    """Variance of a normal with the same 10 % and 90 % points: months off the road, which are rare
    and long, belong to the mean of use but would make every unit's spread too wide."""
    if len(noise) < FEW_INTERVALS:
        return 1.0
    low, high = np.quantile(noise, [0.1, 0.9])
    return float(((high - low) / 2.5631) ** 2)
