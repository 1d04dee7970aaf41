r"""When this fleet will reline each wheel end: the visit, in closed form up to a sum.

At a unit's visit j the true lining above the minimum is Gaussian, with mean and variance from its
line and the unit's km by then; successive visits are taken as fully correlated (they hang on one
line), the errors of successive readings as independent. With z the wheel end's standing and y what
its axle's other end has of its own, the chance not to have been relined by visit j is

.. math:: S_j = E_{z, y} \prod_{i\le j} (1-p(\xi_i(z)))\,(1-\pi\,p(\xi'_i(z, y)))^{a(\xi_i(z))}\,
          \big(1-\upsilon\,[1 - \textstyle\prod(1-p(\xi''_i(z)))]\big)

summed over 12 equally likely z and 3 Gauss-Hermite points y; p is the policy's hazard, a the share
of linings so thick that go along with the other end, ξ' that end, ξ'' the wheel ends of the unit's
other axles (at the same z). Where linings are relined for their age as well
(``models.relines.policy.ages``), S is multiplied by the chance not to have been for that, own age
or another's: the mean over 8 equally likely ages where only a bound is known. Days of visits and
what the unit runs by them are those of ``models.usage.visits``: quantiles fall on visits, or on a
day after one on which jobs get done.
What the last visit read may have led to a reline that nobody wrote down: with that chance the
lining is a new one, and S is the mixture of both; so it is of use that lasts and of a former use
that comes back, where all units' use changed lately, but that early dates are of the faster.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import polars as pl
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.units import KM_PER_UNIT
from models.relines.forecast.lines import (
    LineMoments,
    WheelEndLines,
    line_moments,
    new_lining_moments,
    some_moments,
)
from models.relines.forecast.minimum import (
    EARLY,
    LONGEST_DAYS,
    PROBABILITIES,
    RENEWED,
    WORDS,
    dates_after,
    forecast_words,
)
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.ages import BOUND_POINTS, AgeRule
from models.relines.policy.fit import (
    PolicyFit,
    RelineTiming,
    ReplacementPolicy,
    mean_policy,
    threshold_variances,
)
from models.relines.policy.hazard import (
    HazardTable,
    grid_index,
    hazard_table,
    replacement_probability,
)
from models.relines.policy.looks import MOST_WAITED
from models.relines.policy.yearly import TimeOfYear
from models.usage.ahead import AwayNow, away_now, km_ahead
from models.usage.fit import UsageFit
from models.usage.visits import POINTS, VisitSlots, visit_classes, visit_slots
from models.wear.shape.scale import WearScale, some_scale

CHUNK = 1_024
"""Wheel ends handled at a time: enough to fill a vector, few enough for a processor's cache."""
FEW_LEFT = 0.8
"""Where a smaller share of courses is not yet through, the rest is left out of what follows."""
ENOUGH = 0.995
"""Visits by which so many are relined hold the last quantile: what comes after is left out."""
MOST_SLOTS = 400
LAGS = 20
"""Equally likely days from a decision to the job that stand for all."""
HALVINGS = 14
WHOLE_UNIT = 0.02
"""Below this chance that a unit's other axles go along, they are left out of the sum."""
NEVER = 1e-6
"""A smaller chance to be relined for the age is none."""
_Z = special.ndtri((np.arange(12) + 0.5) / 12.0)
_Z = _Z / np.sqrt(np.mean(_Z**2))
_Y, _Y_WEIGHT = np.polynomial.hermite_e.hermegauss(3)
_WEIGHT = np.tile(_Y_WEIGHT / _Y_WEIGHT.sum() / len(_Z), len(_Z))


@dataclass(frozen=True, slots=True)
class RelineForecast:
    """Days after as-of at which wheel ends are relined, (k, L); ``visit_days`` (L,): the first
    visit by which it is more likely done than not. Infinite: not within 30 years."""

    days: FloatArray
    visit_days: FloatArray
    word: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Task:
    """Courses (m,) that wheel ends of whole units may take, unit by unit and axle by axle.

    ``end`` (m,) is the wheel end's place among those asked for, ``share`` (m,) the chance of the
    course: one whose last visit's reline may have been done without a word has two, of which the
    second has the lining in place then, and its axle partner's beside it. ``passed_by`` (m,):
    visits since the axle was read. ``stays`` (m, Z x Y):
    chance not to have been relined so far. ``units`` are places in the fleet, ``unit`` (m,) in
    ``units``, and ``twin`` and ``axle`` (m,) number the courses that share a unit, or an axle.
    ``threshold_var`` is doubt about the policy's threshold. ``group`` (m,) is that of the policy,
    ``ages`` and ``partner_ages`` (m, A) what the linings' ages may be on the as-of day, and
    ``young`` (m, A) the chance not to have been relined for them so far.
    """

    end: IntArray
    share: FloatArray
    own: LineMoments
    partner: LineMoments
    minimum_mm: FloatArray
    partner_minimum_mm: FloatArray
    has_partner: BoolArray
    passed_by: IntArray
    place: IntArray
    threshold_var: FloatArray
    units: IntArray
    unit: IntArray
    twin: IntArray
    axle: IntArray
    stays: FloatArray
    group: IntArray
    ages: FloatArray
    partner_ages: FloatArray
    young: FloatArray
    scale: WearScale | None
    partner_scale: WearScale | None

    def some(self, rows: IntArray) -> "_Task":
        """Of some of its courses, of whole units."""
        units, unit = np.unique(self.unit[rows], return_inverse=True)
        moments, scales = ("own", "partner"), ("scale", "partner_scale")
        taken: dict[str, Any] = {
            f.name: getattr(self, f.name)[rows]
            for f in fields(self)
            if f.name not in ("units", "unit", *moments, *scales)
        }
        taken |= {name: some_moments(getattr(self, name), rows) for name in moments}
        taken |= {name: some_scale(getattr(self, name), rows) for name in scales}
        return _Task(**taken, units=self.units[units], unit=unit)


def _left(scale: WearScale | None, even_mm: FloatArray) -> FloatArray:
    """What a gauge reads above the minimum (m, ...)."""
    return even_mm if scale is None else scale.above_mm(even_mm)


@dataclass(frozen=True, slots=True)
class _Setting:
    """What all tasks share. Of units (U,): ``usual`` days between visits, ``number`` of their class
    among those of ``slots``, and ``shift``: days by which an open interval is older than its class.
    ``lag`` (k,) and ``times`` (k,): days from a decision to the job, and how likely. ``pair``,
    ``whole_unit`` (G,): chance that an axle's other end, a unit's other axles go along; ``by_age``:
    None where no lining is relined so; ``looked`` (13, J): chance to be looked at in each slot, by
    visits at which an axle was passed by until now. Behind the table's rows of the policy's
    ``groups`` are those of the time of the year ``when`` thresholds are higher (None: they never
    are)."""

    usage: UsageFit
    away: AwayNow
    table: HazardTable
    whole_unit: FloatArray
    slots: VisitSlots
    usual: FloatArray
    number: IntArray
    shift: FloatArray
    lag: FloatArray
    times: FloatArray
    pair: FloatArray
    by_age: AgeRule | None
    looked: FloatArray
    groups: int
    when: TimeOfYear | None


def _standing(
    moments: LineMoments, minimum_mm: FloatArray, km: FloatArray, km_var: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean above the minimum, its variance, and the part of it the unit's wheel ends share."""
    rate2 = moments.rate**2 + moments.var_rate
    variance = moments.var_now - 2.0 * moments.cov * km + moments.var_rate * km**2 + rate2 * km_var
    shared = moments.shared_now - 2.0 * moments.shared_cov * km + moments.shared_rate * km**2
    return (
        moments.now_mm - minimum_mm - moments.rate * km,
        np.maximum(variance, 1e-12),
        np.maximum(shared, 0.0) + moments.rate**2 * km_var,
    )


def _stays(task: _Task, setting: _Setting, slot: int) -> FloatArray:
    """Chance of not being relined in a slot of visits, (m, Z x Y); for age it goes into ``young``
    of the task."""
    number, usual = setting.number[task.units], setting.usual[task.units]
    days = np.maximum(setting.slots.day[number, slot] * usual - setting.shift[task.units], 1.0)
    ahead = km_ahead(setting.usage, setting.away, task.units, days)
    km = ahead.mean_km / KM_PER_UNIT
    km_var = (km**2 * np.expm1(ahead.log_variance))[task.unit]
    km = km[task.unit]
    mean, variance, shared = _standing(task.own, task.minimum_mm, km, km_var)
    other, other_var, other_shared = _standing(task.partner, task.partner_minimum_mm, km, km_var)
    sd, other_sd = np.sqrt(variance + task.threshold_var), np.sqrt(other_var + task.threshold_var)
    rho = np.clip((np.sqrt(shared * other_shared) + task.threshold_var) / (sd * other_sd), 0.0, 1.0)
    table, place = setting.table, task.place
    if setting.when is not None:
        raised = setting.when.holds(days)[task.unit]
        place = place + table.place(np.asarray(raised * setting.groups))
    here = grid_index(_left(task.scale, mean[:, None] - sd[:, None] * _Z))
    own = table.own.ravel()[place[:, None] + here]
    own_log = own + _others_stay(task, own, setting)
    drift = other[:, None] - (other_sd * rho)[:, None] * _Z
    beside = (other_sd * np.sqrt(1.0 - rho**2))[:, None, None] * _Y
    beside = _left(task.partner_scale, drift[:, :, None] - beside)
    index = place[:, None, None] + grid_index(beside)
    goes = table.goes[here] * task.has_partner[:, None]
    log_stay = table.along.ravel()[index]
    log_stay *= goes[:, :, None]
    log_stay += own_log[:, :, None]
    # Fewer visits than one: a slot in which some are missed.
    looked = setting.looked[task.passed_by, slot]
    expected = (setting.slots.expected[number, slot][task.unit] * looked)[:, None, None]
    _grow_older(task, setting, days, goes.mean(axis=1), expected[:, :, 0])
    log_stay *= np.maximum(expected, 1.0)
    stay = np.exp(log_stay, out=log_stay)
    stay *= np.minimum(expected, 1.0)
    stay += 1.0 - np.minimum(expected, 1.0)
    return np.asarray(stay.reshape(len(stay), -1))


def _grow_older(
    task: _Task, setting: _Setting, days: FloatArray, goes: FloatArray, expected: FloatArray
) -> None:
    """Take the chance out of ``young`` to be relined for an age, its own or that of another lining
    of the axle or unit, so many days (U,) after as-of, in a slot of so many ``expected`` visits
    (m, 1); ``goes`` (m,): share that goes along with the axle's other end."""
    rule = setting.by_age
    if rule is None:
        return
    then, group = days[task.unit][:, None], task.group[:, None]
    own, other = (rule.chance(ages + then, group) for ages in (task.ages, task.partner_ages))
    if max(own.max(), other.max()) < NEVER:
        return
    log_stay = np.log1p(-np.minimum(own, 1.0 - 1e-9))
    log_stay = log_stay + _others_stay(task, log_stay, setting)
    goes = setting.pair[task.group] * goes
    log_stay += np.log1p(-np.minimum(goes[:, None] * other, 1.0 - 1e-9))
    log_stay *= np.maximum(expected, 1.0)
    task.young[:] *= 1.0 + np.minimum(expected, 1.0) * np.expm1(log_stay)


def _others_stay(task: _Task, own: FloatArray, setting: _Setting) -> FloatArray:
    """log chance that no other axle of the unit takes this one along, (m, Z)."""
    if setting.whole_unit.max() < WHOLE_UNIT:
        return np.zeros_like(own)

    def together(number: IntArray) -> FloatArray:
        first = np.flatnonzero(np.diff(number, prepend=-1))
        return np.repeat(np.add.reduceat(own, first), np.diff(first, append=len(number)), axis=0)

    others = together(task.twin) - together(task.axle)
    whole_unit = setting.whole_unit[task.group][:, None]
    return np.asarray(np.log1p(whole_unit * np.expm1(np.minimum(others, 0.0))))


def _done_by_slot(task: _Task, ends: int, setting: _Setting) -> FloatArray:
    """Chance of wheel ends to have been relined by now, and by each slot of visits (J + 1, n)."""
    slots = setting.slots.slots[setting.number]
    done = [_done_by(task, ends)]
    for slot in range(int(slots[task.units].max())):
        task.stays[:] *= _stays(task, setting, slot)
        there = np.bincount(task.end, minlength=ends) > 0
        done.append(np.where(there, np.maximum(_done_by(task, ends), done[-1]), done[-1]))
        waits = (done[-1][task.end] < ENOUGH) & (slot + 1 < slots[task.units])[task.unit]
        goes_on = np.bincount(task.unit[waits], minlength=len(task.units))[task.unit] > 0
        if not goes_on.any():
            break
        if np.mean(goes_on) < FEW_LEFT:
            task = task.some(np.flatnonzero(goes_on))
    return np.array(done)


def _done_by(task: _Task, ends: int) -> FloatArray:
    """Chance to have been relined (n,)."""
    stays = task.stays @ _WEIGHT * task.young.mean(axis=1)
    return np.asarray(np.bincount(task.end, task.share * (1.0 - stays), ends))


def _quantiles(
    by_slot: FloatArray, number: IntArray, slots: VisitSlots, probabilities: FloatArray
) -> FloatArray:
    r"""Quantiles (k, n) of the day of relining, in usual intervals from as-of on.

    ``by_slot`` (J + 1, n): chance by now, and by each slot of visits of the class ``number`` (n,).
    Slots come one after the other, so that the day's distribution is, on the grid,

    .. math:: F(u) = d_j + (d_{j+1} - d_j)\,G_j(u)

    with j the slots that are over and G the share of the next one's visits that has come, read
    backwards: the first point at which it is reached. -1: by now; infinite: never.
    """
    wanted = probabilities[:, None] - 1e-9
    over = np.array([(by_slot < p).sum(axis=0) for p in wanted])
    place, column = np.clip(over - 1, 0, len(by_slot) - 2), np.arange(by_slot.shape[1])
    low, high = by_slot[place, column], by_slot[place + 1, column]
    share = (wanted - low) / np.maximum(high - low, 1e-300)
    day = slots.first_with(number, place + np.clip(share, 0.0, 1.0))
    day = np.where(over < len(by_slot), day, np.inf)
    return np.where(by_slot[0] >= probabilities[:, None], -1.0, day)


@dataclass(frozen=True, slots=True)
class _Decided:
    """Wheel ends (n,) of which visits decide: chance ``by_slot`` (J + 1, n), class ``number``,
    ``usual`` days between visits and ``shift``; chance that a reline is ``pending``, and ``left``
    (n, LAGS): what is left to wait for it."""

    by_slot: FloatArray
    number: IntArray
    usual: FloatArray
    shift: FloatArray
    pending: FloatArray
    left: FloatArray


def _dates(
    decided: _Decided, setting: _Setting, probabilities: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Days at which each chance is reached (k, n), and the day of the middle visit (n,)."""
    by_slot, number, slots = decided.by_slot, decided.number, setting.slots
    usual, shift = decided.usual, decided.shift
    place = _quantiles(by_slot, number, slots, probabilities)
    found = np.where(place < 0.0, 0.0, np.maximum(place * usual - shift, 1.0))
    if setting.lag.any():
        found = _done_later(found, decided, setting, probabilities)
    middle = (by_slot < 0.5).sum(axis=0)
    # The middle slot's own middle day.
    own = slots.first_with(number, np.maximum(middle - 1, 0) + (0.5 - 1e-9))
    own = np.minimum(own, (slots.points - 1.0) / POINTS)
    visit = np.where(middle == 0, 0.0, np.maximum(own * usual - shift, 1.0))
    visit = np.where(middle == len(by_slot), np.inf, visit)
    late = LONGEST_DAYS + usual
    return np.where(found > late, np.inf, found), np.where(visit > late, np.inf, visit)


def _done_later(
    found: FloatArray, decided: _Decided, setting: _Setting, probabilities: FloatArray
) -> FloatArray:
    """Quantiles (k, n) of the day on which what visits decide is done, from those of the days on
    which they do, ``found``: no earlier, and within the longest lag. F is convolved with the lags;
    what the last visit decided has what is left of them to wait."""
    pending, left = decided.pending, decided.left
    longest = np.maximum(setting.lag.max(), left[:, -1])
    low, high = found.copy(), found + longest

    def done_by(day: FloatArray) -> FloatArray:
        by_lag = zip(setting.lag, setting.times, strict=True)
        done = sum(part * _decided_by(day - lag, decided, setting.slots) for lag, part in by_lag)
        level, row = np.nonzero((day < left[:, -1]) & (pending > 0.0))
        waits = np.mean(day[level, row, None] < left[row], axis=1)
        done[level, row] -= pending[row] * waits
        return np.asarray(done)

    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        reached = done_by(middle) >= probabilities[:, None] - 1e-9
        low, high = np.where(reached, low, middle), np.where(reached, middle, high)
    return np.where(np.isfinite(found), high, np.inf)


def _decided_by(day: FloatArray, decided: _Decided, slots: VisitSlots) -> FloatArray:
    """F at days (k, n); before as-of, only what is pending was decided."""
    by_slot = decided.by_slot
    place = (np.maximum(day, -1.0) + decided.shift) / decided.usual * POINTS + 1e-9
    point = np.clip(place, 0.0, slots.points - 1.0).astype(np.int64)
    come = slots.come_by(decided.number, point)
    over = np.minimum(come.astype(np.int64), len(by_slot) - 2)
    part = np.minimum(come - over, 1.0)
    flat, at = by_slot.ravel(), over * by_slot.shape[1] + np.arange(by_slot.shape[1])
    low = flat[at]
    chance = low + (flat[at + by_slot.shape[1]] - low) * part
    return np.where(place >= 0.0, chance, decided.pending)


def chance_decided(ends: WheelEnds, fit: PolicyFit) -> FloatArray:
    """Chance that what was read at the last visit, or the lining's age then, led to a reline that
    is not on record; the axle's other end counts, above all where its own reline is."""
    policy = mean_policy(fit)
    read = np.isfinite(ends.above_mm)
    above = np.where(read, ends.above_mm, 0.0)
    wanted = replacement_probability(policy, above, ends.policy_group)
    if fit.yearly is not None:
        raised = replacement_probability(policy.raised, above, ends.policy_group)
        then = ends.age_at_visit - ends.age_days
        wanted = np.where(fit.yearly.when.holds(then), raised, wanted)
    replaced = np.where(read, wanted, 0.0)
    if policy.by_age is not None:
        usual = np.full(len(ends), fit.usual_days)
        aged = policy.by_age.chance_at_visit(
            ends.age_at_visit, ends.age_known, usual, ends.policy_group
        )
        replaced = 1.0 - (1.0 - replaced) * (1.0 - aged)
    done = ends.just_relined & ~read
    other = np.where(done, 1.0, replaced)[ends.partner]
    beside = np.where(ends.has_partner, other, 0.0)
    goes = np.where(read, policy.goes_along(above), 1.0)
    chance = 1.0 - (1.0 - replaced) * (1.0 - policy.pair[ends.policy_group] * goes * beside)
    return np.asarray(np.where(done, 0.0, chance))


def chance_pending(ends: WheelEnds, fit: PolicyFit, since_visit: FloatArray) -> FloatArray:
    """Chance that a reline was decided at the last visit and is still to be done."""
    timing = fit.timing
    if timing.later_share == 0.0:
        return np.zeros(len(ends))
    decided = chance_decided(ends, fit)
    waiting = 1.0 - np.searchsorted(timing.later_days, since_visit) / len(timing.later_days)
    waiting = waiting * timing.later_share
    return np.asarray(decided * waiting / np.maximum(1.0 - decided * (1.0 - waiting), 1e-9))


def chance_done_unwritten(ends: WheelEnds, fit: PolicyFit) -> FloatArray:
    """Chance that a reline was done at the last visit without a word: the records show the lining
    of before, but it is a new one."""
    decided, unwritten = chance_decided(ends, fit), fit.timing.unwritten_share
    written = decided * (1.0 - unwritten)
    return np.asarray(decided * unwritten / np.maximum(1.0 - written, 1e-9))


def reline_forecast(
    lines: WheelEndLines,
    ends: WheelEnds,
    usage: UsageFit,
    policy: PolicyFit,
    probabilities: Sequence[float] = PROBABILITIES,
) -> RelineForecast:
    """Days until each wheel end is relined, by the fleet's own policy, at given probabilities.

    The unit is taken to stay in service.
    ``probabilities`` increase.
    """
    word = forecast_words(lines, usage)
    days = np.full((len(probabilities), len(lines)), np.inf)
    visit = np.full(len(lines), np.inf)
    now = _now(lines, ends, policy, usage)
    known = np.flatnonzero(word == "")
    setting = _setting(lines, policy, usage, np.unique(ends.unit[known]))
    wanted, returns = np.asarray(probabilities), usage.course.p_returns
    back = replace(setting, usage=usage.if_returned)
    other = _other_policy(policy)
    beside = other and _setting(lines, other, usage, np.unique(ends.unit[known]))
    for rows in _whole_units(known, ends):
        unit = ends.unit[rows]

        def by_slot(of: _Setting, rows: IntArray = rows, by: PolicyFit = policy) -> FloatArray:
            return _done_by_slot(_task(rows, now, lines, ends, by, of), len(rows), of)

        decided = _Decided(
            by_slot=by_slot(setting),
            number=setting.number[unit],
            usual=setting.usual[unit],
            shift=setting.shift[unit],
            pending=now.pending[rows] * (1.0 - now.renewed[rows]),
            left=_lags_left(policy.timing, usage.since_visit[unit]),
        )
        if other and beside and policy.instead:
            decided, _ = _mixed(decided, by_slot(beside, by=other), policy.instead.chance)
        early = decided
        if returns > 0.0:
            decided, early = _mixed(decided, by_slot(back), returns)
        days[:, rows], visit[rows] = _dates(decided, setting, wanted)
        if early is not decided:
            soon = wanted < EARLY
            days[np.ix_(np.flatnonzero(soon), rows)] = _dates(early, setting, wanted[soon])[0]
    open_ended = (word == "") & ~np.isfinite(days).all(axis=0)
    days, visit = (_when_open(each, usage, ends) for each in (days, visit))
    return RelineForecast(days, visit, tuple(np.where(open_ended, "not_in_30_years", word)))


def _other_policy(policy: PolicyFit) -> PolicyFit | None:
    """What may be the policy instead, of the same readings and looks."""
    if policy.instead is None:
        return None
    return replace(policy.instead.policy, read_share=policy.read_share, looks=policy.looks)


def _mixed(decided: _Decided, back: FloatArray, chance: float) -> tuple[_Decided, _Decided]:
    """With the chances by slot of a former use that comes back, or of another policy, by a chance,
    and the larger of both."""
    slots = max(len(decided.by_slot), len(back))
    stays, other = (
        np.concatenate([each, np.repeat(each[-1:], slots - len(each), axis=0)])
        for each in (decided.by_slot, back)
    )
    mixed, early = stays + chance * (other - stays), np.maximum(stays, other)
    return replace(decided, by_slot=mixed), replace(decided, by_slot=early)


def _when_open(days: FloatArray, usage: UsageFit, ends: WheelEnds) -> FloatArray:
    """Days as they are, or if nobody is checked then the first on which somebody is."""
    ever, group = np.isfinite(days), usage.group[ends.unit]
    opened = usage.closings.reopened(np.where(ever, days, 0.0), np.zeros(days.shape), group)
    return np.where(ever, opened, days)


def _setting(lines: WheelEndLines, policy: PolicyFit, usage: UsageFit, units: IntArray) -> _Setting:
    """What the forecasts of some ``units`` share."""
    mean = mean_policy(policy)
    classes, usual = visit_classes(usage), usage.usual_days
    if usage.sooner is not None:
        # Those visits decide that find a lining about as thick as it is relined at.
        usual = usual * usage.sooner.days_over_usual(mean.threshold_mm).mean()
    _, first, number = np.unique(classes.number[units], return_index=True, return_inverse=True)
    shortest = np.full(len(first), np.inf)
    np.minimum.at(shortest, number, usual[units])
    most = np.minimum((LONGEST_DAYS / shortest).astype(np.int64) + 1, MOST_SLOTS)
    calendar, of = usage.interval_distribution.calendar, units[first]
    slots = visit_slots(
        usage.interval_distribution.pools,
        *(classes.pool[of], classes.off_road[of], classes.age[of], most, calendar),
    )
    by_unit = np.zeros(len(usage), np.int64)
    by_unit[units] = number
    # An open interval is a little older than its class.
    older = (usage.age - classes.age / POINTS) * usual
    # Most jobs are done at the visit: lags that are the same count together.
    lag, times = np.unique(_lags(policy.timing), return_counts=True)
    return _Setting(
        usage=usage,
        away=away_now(usage),
        table=_yearly_table(mean, policy, lines.reading_sd),
        whole_unit=mean.unit,
        slots=slots,
        usual=usual,
        number=by_unit,
        shift=np.clip(older, 0.0, usual / POINTS),
        lag=lag,
        times=times / LAGS,
        pair=mean.pair,
        by_age=mean.by_age,
        looked=policy.looks.by_visit(int(most.max(initial=0))),
        groups=len(mean.threshold_mm),
        when=policy.yearly.when if policy.yearly else None,
    )


def _yearly_table(mean: ReplacementPolicy, policy: PolicyFit, reading_sd: float) -> HazardTable:
    """Rows of the policy's groups, and behind them those of raised thresholds, if there are any."""
    if policy.yearly is not None:
        both = np.concatenate([mean.threshold_mm, mean.raised.threshold_mm])
        mean = replace(mean, threshold_mm=both, pair=np.tile(mean.pair, 2))
    return hazard_table(mean, reading_sd, policy.read_share)


@dataclass(frozen=True, slots=True)
class _Now:
    """What the last visits left of all wheel ends (L,): moments of the linings on record, of those
    in place if some were ``renewed`` without a word, that chance, and that of a ``pending``
    reline."""

    moments: LineMoments
    fresh: LineMoments
    renewed: FloatArray
    pending: FloatArray


def _now(lines: WheelEndLines, ends: WheelEnds, policy: PolicyFit, usage: UsageFit) -> _Now:
    moments, chance = line_moments(lines), chance_done_unwritten(ends, policy)
    renewed = np.where(chance > RENEWED, chance, 0.0)
    fresh = moments
    if renewed.any():
        new = new_lining_moments(lines)
        both = ((getattr(new, n), getattr(moments, n)) for n in LineMoments.__slots__)
        fresh = LineMoments(*(np.where(renewed > 0.0, fitted, old) for fitted, old in both))
    pending = chance_pending(ends, policy, usage.since_visit[ends.unit])
    return _Now(moments, fresh, renewed, pending)


def _whole_units(rows: IntArray, ends: WheelEnds) -> list[IntArray]:
    """The rows, unit by unit and axle by axle, cut into pieces of about ``CHUNK``, units whole."""
    ordered = rows[np.lexsort((ends.axle[rows], ends.unit[rows]))]
    starts = np.flatnonzero(np.diff(ends.unit[ordered], prepend=-1))
    cuts = np.unique(starts[np.searchsorted(starts, np.arange(CHUNK, len(ordered), CHUNK)) - 1])
    return [piece for piece in np.split(ordered, cuts) if len(piece)]


def _task(
    rows: IntArray,
    now: _Now,
    lines: WheelEndLines,
    ends: WheelEnds,
    policy: PolicyFit,
    setting: _Setting,
) -> _Task:
    """The courses of some wheel ends of whole units, those of renewed linings last."""
    maybe = np.isin(ends.unit[rows], ends.unit[rows[now.renewed[rows] > 0.0]])
    end = np.concatenate([np.arange(len(rows)), np.flatnonzero(maybe)])
    is_fresh, rows = np.arange(len(end)) >= len(rows), rows[end]
    partner = ends.partner[rows]
    units, unit = np.unique(ends.unit[rows], return_inverse=True)
    stays = np.where(is_fresh, 1.0, 1.0 - now.pending[rows])
    renewed = now.renewed[rows]
    since = setting.usage.since_visit[ends.unit[rows]]
    ages = [_ages(of, ends, since, is_fresh, setting.by_age) for of in (rows, partner)]

    def moments(of: IntArray) -> LineMoments:
        both = (
            (getattr(now.fresh, n)[of], getattr(now.moments, n)[of]) for n in LineMoments.__slots__
        )
        return LineMoments(*(np.where(is_fresh, fitted, old) for fitted, old in both))

    return _Task(
        end=end,
        share=np.where(is_fresh, renewed, 1.0 - renewed),
        own=moments(rows),
        partner=moments(partner),
        minimum_mm=ends.minimum_mm[rows],
        partner_minimum_mm=ends.minimum_mm[partner],
        has_partner=ends.has_partner[rows] & lines.is_known[partner],
        passed_by=np.minimum(ends.unread_visits[rows], MOST_WAITED),
        place=setting.table.place(ends.policy_group[rows]),
        threshold_var=_threshold_var(policy, lines.scale, ends.policy_group, rows),
        units=units,
        unit=unit,
        twin=unit + len(units) * is_fresh,
        axle=ends.axle[rows] + len(ends) * is_fresh,
        stays=np.repeat(stays[:, None], len(_WEIGHT), axis=1),
        group=ends.policy_group[rows],
        ages=ages[0],
        partner_ages=ages[1],
        young=np.ones_like(ages[0]),
        scale=some_scale(lines.scale, rows),
        partner_scale=some_scale(lines.scale, partner),
    )


def _threshold_var(
    policy: PolicyFit, scale: WearScale | None, group: IntArray, rows: IntArray
) -> FloatArray:
    """Doubt about the thresholds of some wheel ends, on their scale."""
    variance = threshold_variances(policy)[group[rows]]
    if scale is None:
        return variance
    threshold = mean_policy(policy).threshold_mm[group[rows]]
    return np.asarray(variance * scale.some(rows).even_per_mm(threshold) ** 2)


def _ages(
    rows: IntArray,
    ends: WheelEnds,
    since_visit: FloatArray,
    is_fresh: BoolArray,
    rule: AgeRule | None,
) -> FloatArray:
    """Equally likely ages of linings on the as-of day (m, A); those that are fresh were fitted at
    the last visit. One each, that means nothing, where none is relined for it."""
    if rule is None:
        return np.zeros((len(rows), 1))
    age, known, group = ends.age_days[rows], ends.age_known[rows], ends.policy_group[rows]
    ages = rule.ages(age, known, since_visit, group, BOUND_POINTS[:, None])
    return np.asarray(np.where(is_fresh, since_visit, ages).T)


def _lags(timing: RelineTiming) -> FloatArray:
    """Equally likely days from a decision to the job (LAGS,)."""
    if not timing.later_share:
        return np.zeros(LAGS)
    level, later = (np.arange(LAGS) + 0.5) / LAGS, timing.later_days
    beyond = np.maximum(level - (1.0 - timing.later_share), 0.0) / timing.later_share
    at = np.minimum((beyond * len(later)).astype(np.int64), len(later) - 1)
    return np.where(level > 1.0 - timing.later_share, later[at], 0.0)


def _lags_left(timing: RelineTiming, since_visit: FloatArray) -> FloatArray:
    """What is left of them (n, LAGS) where one decided so many days ago is still to be done."""
    if not timing.later_share:
        return np.zeros((len(since_visit), LAGS))
    level, later = (np.arange(LAGS) + 0.5) / LAGS, timing.later_days
    first = np.minimum(np.searchsorted(later, since_visit), len(later) - 1)
    place = first[:, None] + (level * (len(later) - first)[:, None]).astype(np.int64)
    return np.asarray(np.maximum(later[place] - since_visit[:, None], 0.0))


def reline_frame(wheel_end_id: pl.Series, forecast: RelineForecast, as_of: dt.date) -> pl.DataFrame:
    """One row per wheel end: reline_on_p10/_p50/_p90, reline_visit_on, reline_word."""
    names = ("p10", "p50", "p90")
    dates = [
        dates_after(as_of, d).alias(f"reline_on_{n}")
        for n, d in zip(names, forecast.days, strict=True)
    ]
    visit = dates_after(as_of, forecast.visit_days).alias("reline_visit_on")
    word = pl.Series("reline_word", [WORDS[w] for w in forecast.word], dtype=pl.String)
    return pl.DataFrame([wheel_end_id.alias("wheel_end_id"), *dates, visit, word])
