r"""When this fleet will reline each wheel end: the visit, in closed form up to a sum.

At a unit's visit j the true lining above the minimum is Gaussian, with mean and variance from its
line and the unit's km by then; successive visits are taken as fully correlated (they hang on one
line), the errors of successive readings as independent. With z the wheel end's standing and y what
its axle's other end has of its own, the chance not to have been relined by visit j is

.. math:: S_j = E_{z, y} \prod_{i\le j} (1-p(\xi_i(z)))\,(1-\pi\,p(\xi'_i(z, y)))^{a(\xi_i(z))}\,
          \big(1-\upsilon\,[1 - \textstyle\prod(1-p(\xi''_i(z)))]\big)

summed over 12 equally likely z and 3 Gauss-Hermite points y; p is the policy's hazard, a the share
of linings so thick that go along with the other end, ξ' that end, ξ'' the wheel ends of the unit's
other axles (at the same z). Days of visits and what the unit runs by them are those of
``models.usage.visits``: quantiles fall on visits, or on a day after one on which jobs get done.
What the last visit read may have led to a reline that nobody wrote down: with that chance the
lining is a new one, and S is the mixture of both.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import rows_by
from models.common.units import KM_PER_UNIT
from models.relines.forecast.lines import (
    LineMoments,
    WheelEndLines,
    line_moments,
    new_lining_moments,
    some_moments,
)
from models.relines.forecast.minimum import (
    LONGEST_DAYS,
    PROBABILITIES,
    RENEWED,
    WORDS,
    dates_after,
    forecast_words,
)
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.fit import (
    PolicyFit,
    RelineTiming,
    mean_policy,
    threshold_variances,
)
from models.relines.policy.hazard import (
    HazardTable,
    grid_index,
    hazard_table,
    replacement_probability,
)
from models.usage.ahead import AwayNow, away_now, km_ahead
from models.usage.fit import UsageFit
from models.usage.visits import POINTS, VisitSlots, visit_classes, visit_slots

CHUNK = 4_096
ENOUGH = 0.995
"""Visits by which so many are relined hold the last quantile, though some come before earlier."""
MOST_SLOTS = 400
LAGS = 20
"""Equally likely days from a decision to the job that stand for all."""
HALVINGS = 14
WHOLE_UNIT = 0.02
"""Below this chance that a unit's other axles go along, they are left out of the sum."""
_Z = special.ndtri((np.arange(12) + 0.5) / 12.0)
_Z = _Z / np.sqrt(np.mean(_Z**2))
_Y, _Y_WEIGHT = np.polynomial.hermite_e.hermegauss(3)
_Y_WEIGHT = _Y_WEIGHT / _Y_WEIGHT.sum()


@dataclass(frozen=True, slots=True)
class RelineForecast:
    """Days after as-of at which wheel ends are relined, (k, L); ``visit_days`` (L,): the first
    visit by which it is more likely done than not. Infinite: not within 30 years."""

    days: FloatArray
    visit_days: FloatArray
    word: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Task:
    """Wheel ends of whole units (n,), their axle partners' moments beside their own.

    ``log_stay`` (n, Z, Y) is what is known before the first visit; ``threshold_var`` is doubt about
    the policy's threshold; ``lag`` (:data:`LAGS`,): days from a decision to the job, and ``left``
    (n, LAGS) what is left of them where the last visit decided. ``axle`` and ``unit`` are numbers
    within the task. ``renewed`` (n,): chance that the last visit's reline was done without a word;
    then both are as in ``fresh`` (the wheel end's and its partner's moments).
    """

    own: LineMoments
    partner: LineMoments
    fresh: tuple[LineMoments, LineMoments]
    renewed: FloatArray
    minimum_mm: FloatArray
    partner_minimum_mm: FloatArray
    has_partner: BoolArray
    fleet_unit: IntArray
    unit: IntArray
    axle: IntArray
    place: IntArray
    threshold_var: FloatArray
    log_stay: FloatArray
    shift: FloatArray
    lag: FloatArray
    left: FloatArray


@dataclass(frozen=True, slots=True)
class _Setting:
    """What the wheel ends of a task share; ``slots``: of their units' visits."""

    usage: UsageFit
    away: AwayNow
    table: HazardTable
    whole_unit: float
    slots: VisitSlots


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


def _log_stays(task: _Task, setting: _Setting, slot: int) -> FloatArray:
    """log chance of not being relined in a slot of visits, (n, Z, Y)."""
    unit = task.fleet_unit
    days = np.maximum(setting.slots.day[slot] * setting.usage.usual_days[unit] - task.shift, 1.0)
    ahead = km_ahead(setting.usage, setting.away, unit, days)
    km = ahead.mean_km / KM_PER_UNIT
    km_var = km**2 * np.expm1(ahead.log_variance)
    mean, variance, shared = _standing(task.own, task.minimum_mm, km, km_var)
    other, other_var, other_shared = _standing(task.partner, task.partner_minimum_mm, km, km_var)
    sd, other_sd = np.sqrt(variance + task.threshold_var), np.sqrt(other_var + task.threshold_var)
    rho = np.clip((np.sqrt(shared * other_shared) + task.threshold_var) / (sd * other_sd), 0.0, 1.0)
    table = setting.table
    here = grid_index(mean[:, None] - sd[:, None] * _Z)
    own = table.own.ravel()[task.place[:, None] + here]
    stays = own + _others_stay(task, own, setting.whole_unit)
    drift = other[:, None] - (other_sd * rho)[:, None] * _Z
    beside = (other_sd * np.sqrt(1.0 - rho**2))[:, None, None] * _Y
    index = task.place[:, None, None] + grid_index(drift[:, :, None] - beside)
    goes = table.goes[here] * task.has_partner[:, None]
    along = table.along.ravel()[index] * goes[:, :, None]
    both = stays[:, :, None] + along
    expected = float(setting.slots.expected[slot])
    if expected >= 1.0:
        return np.asarray(both * expected)
    return np.asarray(np.log1p(expected * np.expm1(both)))


def _others_stay(task: _Task, own: FloatArray, whole_unit: float) -> FloatArray:
    """log chance that no other axle of the unit takes this one along, (n, Z)."""
    if whole_unit < WHOLE_UNIT:
        return np.zeros_like(own)
    by_unit = np.zeros((int(task.unit.max()) + 1, own.shape[1]))
    by_axle = np.zeros((int(task.axle.max()) + 1, own.shape[1]))
    np.add.at(by_unit, task.unit, own)
    np.add.at(by_axle, task.axle, own)
    others = by_unit[task.unit] - by_axle[task.axle]
    return np.asarray(np.log1p(whole_unit * np.expm1(np.minimum(others, 0.0))))


def _done_by(log_stay: FloatArray) -> FloatArray:
    """Chance to have been relined, (n,)."""
    return np.asarray(1.0 - (np.exp(log_stay) @ _Y_WEIGHT).mean(axis=1))


def _quantiles(
    task: _Task, setting: _Setting, probabilities: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Days at which each chance is reached (k, n), and the day of the middle visit (n,)."""
    usual = setting.usage.usual_days[task.fleet_unit]
    by_slot = _done_by_slot(task, setting)
    grid, by_then = setting.slots.first(len(by_slot) - 1)
    place = _mixture_quantiles(by_slot, grid, by_then, probabilities)
    found = np.where(place < 0.0, 0.0, np.maximum(place * usual - task.shift, 1.0))
    if task.lag.any():
        chance = _chance_by_then(by_slot, by_then)
        found = _done_later(found, chance, grid, usual, task, probabilities)
    number = (by_slot < 0.5).sum(axis=0)
    # The middle slot's own middle day.
    own = grid[(by_then < 0.5 - 1e-9).sum(axis=1).clip(max=len(grid) - 1)]
    middle = np.maximum(own[np.clip(number - 1, 0, len(own) - 1)] * usual - task.shift, 1.0)
    middle = np.where(number == 0, 0.0, np.where(number == len(by_slot), np.inf, middle))
    late = LONGEST_DAYS + usual
    return np.where(found > late, np.inf, found), np.where(middle > late, np.inf, middle)


def _done_by_slot(task: _Task, setting: _Setting) -> FloatArray:
    """Chance to have been relined by now, and by each slot of visits (J + 1, n)."""
    courses = [(1.0 - task.renewed, task, task.log_stay.copy())]
    if task.renewed.any():
        own, partner = task.fresh
        fresh = replace(task, own=own, partner=partner)
        courses.append((task.renewed, fresh, np.zeros_like(task.log_stay)))

    def done_by_now() -> FloatArray:
        shares = [share * _done_by(log_stay) for share, _, log_stay in courses]
        return np.asarray(np.sum(shares, axis=0))

    done = [done_by_now()]
    for slot in range(len(setting.slots.day)):
        for _, course, log_stay in courses:
            log_stay += _log_stays(course, setting, slot)
        done.append(done_by_now())
        if np.all(done[-1] >= ENOUGH):
            break
    return np.maximum.accumulate(np.array(done), axis=0)


def _mixture_quantiles(
    done: FloatArray, grid: FloatArray, reached: FloatArray, probabilities: FloatArray
) -> FloatArray:
    r"""Quantiles (k, n) of the day of relining, in usual intervals from as-of on.

    ``done`` (J + 1, n): chance by now, and by each slot; ``reached`` (J, K): share of each slot's
    visits that has come by each point of the ``grid`` (K,). The day's distribution is the mixture

    .. math:: F(u) = d_0 + \sum_j (d_j - d_{j-1})\,G_j(u)

    read backwards, so that quantiles are in order whatever the visits' spreads are: the first point
    at which it is reached. -1: by now; infinite: never.
    """
    chance = _chance_by_then(done, reached)
    rows = []
    for p in probabilities:
        place = (chance < p - 1e-9).sum(axis=1)
        at = np.where(place < len(grid), grid[np.minimum(place, len(grid) - 1)], np.inf)
        rows.append(np.where(done[0] >= p, -1.0, at))
    return np.array(rows)


def _chance_by_then(done: FloatArray, reached: FloatArray) -> FloatArray:
    """F on the grid, (n, K)."""
    chance = done[0][:, None] + np.diff(done, axis=0).T @ reached
    return np.maximum.accumulate(chance, axis=1)


def _done_later(
    decided: FloatArray,
    chance: FloatArray,
    grid: FloatArray,
    usual: FloatArray,
    task: _Task,
    probabilities: FloatArray,
) -> FloatArray:
    """Quantiles (k, n) of the day on which what visits decide is done, from those of the days they
    ``decided``: no earlier, and within the longest lag. F is convolved with the equally likely lags
    of the task; what the last visit decided has what is left of them to wait."""
    low, high = decided.copy(), decided + max(float(task.lag.max()), float(task.left.max()))
    # Most jobs are done at the visit: lags that are the same count together.
    lag, times = np.unique(task.lag, return_counts=True)
    row = np.arange(len(usual))[:, None]
    pending = -np.expm1(task.log_stay[:, 0, 0]) * (1.0 - task.renewed)
    waiting = np.flatnonzero(pending > 0.0)

    def done_by(day: FloatArray) -> FloatArray:
        visit = np.maximum(day[:, :, None] - lag, -1.0)
        place = np.searchsorted(
            grid, (visit + task.shift[:, None]) / usual[:, None] + 1e-9, "right"
        )
        come = np.where(place > 0, chance[row, np.maximum(place - 1, 0)], pending[:, None])
        done = come @ (times / len(task.lag))
        left = day[:, waiting, None] < task.left[waiting]
        done[:, waiting] -= pending[waiting] * left.mean(axis=2)
        return np.asarray(done)

    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        reached = done_by(middle) >= probabilities[:, None] - 1e-9
        low, high = np.where(reached, low, middle), np.where(reached, middle, high)
    return np.where(np.isfinite(decided), high, np.inf)


def chance_decided(ends: WheelEnds, fit: PolicyFit) -> FloatArray:
    """Chance that what was read at the last visit led to a reline that is not on record; the axle's
    other end counts, above all where its own reline is."""
    policy = mean_policy(fit)
    read = np.isfinite(ends.above_mm)
    above = np.where(read, ends.above_mm, 0.0)
    replaced = np.where(read, replacement_probability(policy, above, ends.policy_group), 0.0)
    done = ends.just_relined & ~read
    other = np.where(done, 1.0, replaced)[ends.partner]
    beside = np.where(ends.has_partner, other, 0.0)
    goes = np.where(read, policy.goes_along(above), 1.0)
    chance = 1.0 - (1.0 - replaced) * (1.0 - policy.pair * goes * beside)
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
    table = hazard_table(mean_policy(policy), lines.reading_sd, policy.read_share)
    whole_unit = mean_policy(policy).unit
    classes, away = visit_classes(usage), away_now(usage)
    word = forecast_words(lines, usage)
    days = np.full((len(probabilities), len(lines)), np.inf)
    visit = np.full(len(lines), np.inf)
    now = _now(lines, ends, policy, usage)
    known = np.flatnonzero(word == "")
    for places in rows_by(classes.number[ends.unit[known]]):
        alike = known[places]
        one = ends.unit[alike[0]]
        age = int(classes.age[one])
        pool = usage.interval_distribution.pools[classes.pool[one]]
        shortest = float(usage.usual_days[ends.unit[alike]].min())
        most = min(int(LONGEST_DAYS / shortest) + 1, MOST_SLOTS)
        slots = visit_slots(
            pool, bool(classes.off_road[one]), age, most, usage.interval_distribution.memory
        )
        setting = _Setting(usage, away, table, whole_unit, slots)
        for rows in _whole_units(alike, ends.unit, now.renewed):
            task = _task(rows, now, lines, ends, policy, usage.since_visit)
            unit = ends.unit[rows]
            # An open interval is a little older than its class.
            usual = usage.usual_days[unit]
            shift = np.clip(usage.since_visit[unit] - age / POINTS * usual, 0.0, usual / POINTS)
            task = replace(task, place=table.place(task.place), shift=shift)
            days[:, rows], visit[rows] = _quantiles(task, setting, np.asarray(probabilities))
    open_ended = (word == "") & ~np.isfinite(days).all(axis=0)
    return RelineForecast(days, visit, tuple(np.where(open_ended, "not_in_30_years", word)))


@dataclass(frozen=True, slots=True)
class _Now:
    """What the last visits left of all wheel ends (L,): moments of the linings on record, of those
    in place if some were ``renewed`` without a word, that chance, and log chance of no ``pending``
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
    pending = np.log1p(-chance_pending(ends, policy, usage.since_visit[ends.unit]))
    return _Now(moments, fresh, renewed, pending)


def _whole_units(rows: IntArray, unit: IntArray, renewed: FloatArray) -> list[IntArray]:
    """The rows cut into pieces of about ``CHUNK``, units kept whole; those apart of which a lining
    may have been renewed, for they take more."""
    maybe = np.isin(unit[rows], unit[renewed > 0.0])
    pieces = []
    for some in (rows[~maybe], rows[maybe]):
        ordered = some[np.argsort(unit[some], kind="stable")]
        starts = np.flatnonzero(np.diff(unit[ordered], prepend=-1))
        cuts = np.unique(starts[np.searchsorted(starts, np.arange(CHUNK, len(ordered), CHUNK)) - 1])
        pieces += [piece for piece in np.split(ordered, cuts) if len(piece)]
    return pieces


def _task(
    rows: IntArray,
    now: _Now,
    lines: WheelEndLines,
    ends: WheelEnds,
    policy: PolicyFit,
    since_visit: FloatArray,
) -> _Task:
    partner = ends.partner[rows]
    _, unit = np.unique(ends.unit[rows], return_inverse=True)
    _, axle = np.unique(ends.axle[rows], return_inverse=True)
    lag, left = _lags(policy.timing, since_visit[ends.unit[rows]])
    variances = threshold_variances(policy)
    return _Task(
        own=some_moments(now.moments, rows),
        partner=some_moments(now.moments, partner),
        fresh=(some_moments(now.fresh, rows), some_moments(now.fresh, partner)),
        renewed=now.renewed[rows],
        minimum_mm=ends.minimum_mm[rows],
        partner_minimum_mm=ends.minimum_mm[partner],
        has_partner=ends.has_partner[rows] & lines.is_known[partner],
        fleet_unit=ends.unit[rows],
        unit=unit,
        axle=axle,
        place=ends.policy_group[rows],
        threshold_var=variances[ends.policy_group[rows]],
        shift=np.zeros(len(rows)),
        lag=lag,
        left=left,
        log_stay=np.broadcast_to(
            now.pending[rows][:, None, None], (len(rows), len(_Z), len(_Y))
        ).copy(),
    )


def _lags(timing: RelineTiming, since_visit: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Equally likely days from a decision to the job (LAGS,), and what is left of them (n, LAGS)
    where one decided so many days ago is still to be done."""
    level = (np.arange(LAGS) + 0.5) / LAGS
    later = timing.later_days
    if not timing.later_share:
        return np.zeros(LAGS), np.zeros((len(since_visit), LAGS))
    beyond = np.maximum(level - (1.0 - timing.later_share), 0.0) / timing.later_share
    at = np.minimum((beyond * len(later)).astype(np.int64), len(later) - 1)
    lag = np.where(level > 1.0 - timing.later_share, later[at], 0.0)
    first = np.minimum(np.searchsorted(later, since_visit), len(later) - 1)
    place = first[:, None] + (level * (len(later) - first)[:, None]).astype(np.int64)
    return lag, np.maximum(later[place] - since_visit[:, None], 0.0)


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
