r"""When this fleet will reline each wheel end: the visit, in closed form up to a sum.

At a unit's visit j the true lining above the minimum is Gaussian, with mean and variance from its
line and the unit's km by then; successive visits are taken as fully correlated (they hang on one
line), the errors of successive readings as independent. With z the wheel end's standing and y what
its axle's other end has of its own, the chance not to have been relined by visit j is

.. math:: S_j = E_{z, y} \prod_{i\le j} (1-p(\xi_i(z)))\,(1-\pi\,p(\xi'_i(z, y)))\,
          \big(1-\upsilon\,[1 - \textstyle\prod(1-p(\xi''_i(z)))]\big)

summed over 12 equally likely z and 3 Gauss-Hermite points y; p is the habit's hazard, ξ' the other
end of the axle, ξ'' the wheel ends of the unit's other axles (at the same z). Visits are the unit's
usual ones, attended with the chance the fleet attends them, each on a normally distributed day as
punctual as the fleet's are: quantiles fall on or between visits.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.forecast.lines import (
    KM_PER_UNIT,
    LineMoments,
    WheelEndLines,
    line_moments,
    some_moments,
)
from models.relines.forecast.minimum import (
    LONGEST_DAYS,
    PROBABILITIES,
    WORDS,
    dates_after,
    forecast_words,
)
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.habit import HabitFit, mean_habit, threshold_variances
from models.relines.policy.hazard import HazardTable, grid_index, hazard_table, wish_at
from models.usage.ahead import AwayNow, away_now, km_ahead
from models.usage.fit import UsageFit
from models.usage.interval_distribution import Deck

CHUNK = 4_096
POINTS_A_STEP = 16
"""Points of the grid of days between two visits: about five days apart for a quarter's checks."""
MOST_VISITS = 1_000
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
class VisitGrid:
    """Each unit's visits to come (U,): days to the first, between them, chance to be attended."""

    first: FloatArray
    step: FloatArray
    attended: float


def visit_grid(usage: UsageFit) -> VisitGrid:
    """Visits as the fleet keeps them, given how long each unit has been away."""
    cards = usage.deck.after_road
    away = usage.since_visit / usage.usual_days
    place = (cards.longer_than(away) + len(cards) - 1) // 2
    first = np.maximum(cards.length[place] * usage.usual_days - usage.since_visit, 1.0)
    usual = float(np.median(cards.length))
    return VisitGrid(first, usual * usage.usual_days, min(usual / float(cards.length.mean()), 1.0))


@dataclass(frozen=True, slots=True)
class _Task:
    """Wheel ends of whole units (n,), their axle partners' moments beside their own.

    ``log_stay`` (n, Z, Y) is what is known before the first visit; ``threshold_var`` is doubt about
    the habit's threshold. ``axle`` and ``unit`` are numbers within the task.
    """

    own: LineMoments
    partner: LineMoments
    minimum_mm: FloatArray
    partner_minimum_mm: FloatArray
    has_partner: BoolArray
    fleet_unit: IntArray
    unit: IntArray
    axle: IntArray
    place: IntArray
    threshold_var: FloatArray
    log_stay: FloatArray


@dataclass(frozen=True, slots=True)
class _Setting:
    """What all tasks share."""

    usage: UsageFit
    away: AwayNow
    grid: VisitGrid
    table: HazardTable
    whole_unit: float


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


def _log_stays(task: _Task, setting: _Setting, days: FloatArray) -> FloatArray:
    """log chance of not being relined at one visit, (n, Z, Y)."""
    ahead = km_ahead(setting.usage, setting.away, task.fleet_unit, days)
    km = ahead.mean_km / KM_PER_UNIT
    km_var = km**2 * np.expm1(ahead.log_variance)
    mean, variance, shared = _standing(task.own, task.minimum_mm, km, km_var)
    other, other_var, other_shared = _standing(task.partner, task.partner_minimum_mm, km, km_var)
    sd, other_sd = np.sqrt(variance + task.threshold_var), np.sqrt(other_var + task.threshold_var)
    rho = np.clip((np.sqrt(shared * other_shared) + task.threshold_var) / (sd * other_sd), 0.0, 1.0)
    table = setting.table
    own = table.own.ravel()[task.place[:, None] + grid_index(mean[:, None] - sd[:, None] * _Z)]
    stays = own + _others_stay(task, own, setting.whole_unit)
    drift = other[:, None] - (other_sd * rho)[:, None] * _Z
    beside = (other_sd * np.sqrt(1.0 - rho**2))[:, None, None] * _Y
    index = task.place[:, None, None] + grid_index(drift[:, :, None] - beside)
    along = table.along.ravel()[index] * task.has_partner[:, None, None]
    both = stays[:, :, None] + along
    attended = setting.grid.attended
    return both if attended >= 1.0 else np.asarray(np.log1p(attended * np.expm1(both)))


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
    """Days at which each chance is reached (k, n), and the visit of the middle one (n,)."""
    first, step = setting.grid.first[task.fleet_unit], setting.grid.step[task.fleet_unit]
    log_stay = task.log_stay.copy()
    done = [_done_by(log_stay)]
    days, sd = first.copy(), _visit_sd(setting.usage.deck, MOST_VISITS)
    while len(done) <= MOST_VISITS and np.any(days <= LONGEST_DAYS):
        log_stay += _log_stays(task, setting, days)
        done.append(_done_by(log_stay))
        days = days + step
        # Visits that may come before the last quantile, though planned after it, count too.
        settled = len(done) - 1 - int(np.ceil(4.0 * sd[len(done) - 2]))
        if np.all((done[max(settled, 0)] >= probabilities[-1]) | (days > LONGEST_DAYS)):
            break
    by_visit = np.maximum.accumulate(np.array(done), axis=0)
    place = _mixture_quantiles(by_visit, sd[: len(by_visit) - 1], probabilities)
    found = np.where(
        by_visit[0] >= probabilities[:, None], 0.0, np.maximum(first + place * step, 0.0)
    )
    number = (by_visit < 0.5).sum(axis=0)
    middle = np.where(number == 0, 0.0, first + (number - 1.0) * step)
    middle = np.where(number == len(by_visit), np.inf, middle)
    late = LONGEST_DAYS + step
    return np.where(found > late, np.inf, found), np.where(middle > late, np.inf, middle)


def _visit_sd(deck: Deck, visits: int) -> FloatArray:
    """How closely the days of the visits to come are known, in steps between visits (J,)."""
    later = np.arange(visits)
    growth = 1.0 + later + 2.0 * deck.length_memory * later
    return np.asarray(deck.length_sd * np.sqrt(np.maximum(growth, 1.0)))


def _mixture_quantiles(
    done: FloatArray, visit_sd: FloatArray, probabilities: FloatArray
) -> FloatArray:
    r"""Quantiles (k, n) of the day of relining, in steps after the first visit to come.

    ``done`` (J + 1, n): chance by now, and by each visit; ``visit_sd`` (J,). The day's
    distribution is the mixture

    .. math:: F(u) = d_0 + \sum_j (d_j - d_{j-1})\,\Phi\big((u - j + 1)/s_j\big)

    worked out on a grid that all units share and read backwards between its points, so that
    quantiles are in order whatever the spreads are. Infinite where F never reaches.
    """
    visits = np.arange(len(visit_sd))
    most = max(float(visit_sd[0]), 1.0 / POINTS_A_STEP)
    low, high = -np.ceil(4.0 * most), len(visits) - 1.0 + 4.0 * float(visit_sd[-1])
    grid = low + np.arange(int(np.ceil((high - low) * POINTS_A_STEP)) + 1) / POINTS_A_STEP
    by_then = special.ndtr((grid[:, None] - visits) / np.maximum(visit_sd, 1e-3))
    reached = np.maximum.accumulate(done[0] + by_then @ np.diff(done, axis=0), axis=0)
    return np.array([_crossed(grid, reached, p) for p in probabilities])


def _crossed(grid: FloatArray, reached: FloatArray, probability: float) -> FloatArray:
    """Where each column of a growing table (G, n) reaches a probability, between its rows."""
    row = np.clip((reached < probability).sum(axis=0), 1, len(grid) - 1)
    column = np.arange(reached.shape[1])
    below, above = reached[row - 1, column], reached[row, column]
    share = np.clip((probability - below) / np.maximum(above - below, 1e-300), 0.0, 1.0)
    at = grid[row - 1] + share * (grid[row] - grid[row - 1])
    return np.where(above >= probability, at, np.inf)


def chance_decided(ends: WheelEnds, fit: HabitFit) -> FloatArray:
    """Chance that what was read at the last visit led to a reline; the axle's other end counts."""
    habit = mean_habit(fit)
    read = np.isfinite(ends.above_mm)
    above = np.where(read, ends.above_mm, 0.0)
    wish = np.where(read, wish_at(habit, above, ends.habit_group), 0.0)
    beside = np.where(ends.has_partner, wish[ends.partner], 0.0)
    return np.asarray(1.0 - (1.0 - wish) * (1.0 - habit.pair * beside))


def chance_pending(ends: WheelEnds, fit: HabitFit, since_visit: FloatArray) -> FloatArray:
    """Chance that a reline was decided at the last visit and is still to be done."""
    timing = fit.timing
    if timing.later_share == 0.0:
        return np.zeros(len(ends))
    decided = chance_decided(ends, fit)
    waiting = 1.0 - np.searchsorted(timing.later_days, since_visit) / len(timing.later_days)
    waiting = waiting * timing.later_share
    return np.asarray(decided * waiting / np.maximum(1.0 - decided * (1.0 - waiting), 1e-9))


def chance_done_unwritten(ends: WheelEnds, fit: HabitFit) -> FloatArray:
    """Chance that a reline was done at the last visit without a word: the records show the lining
    of before, but it is a new one."""
    decided, unwritten = chance_decided(ends, fit), fit.timing.unwritten_share
    written = decided * (1.0 - unwritten)
    return np.asarray(decided * unwritten / np.maximum(1.0 - written, 1e-9))


def reline_forecast(
    lines: WheelEndLines,
    ends: WheelEnds,
    usage: UsageFit,
    habit: HabitFit,
    probabilities: Sequence[float] = PROBABILITIES,
) -> RelineForecast:
    """Days until each wheel end is relined, by the fleet's own habit, at given probabilities.

    The unit is taken to stay in service, and the lining to be the one that was read last.
    ``probabilities`` increase.
    """
    setting = _Setting(
        usage=usage,
        away=away_now(usage),
        grid=visit_grid(usage),
        table=hazard_table(mean_habit(habit), lines.reading_sd, habit.read_share),
        whole_unit=mean_habit(habit).unit,
    )
    word = forecast_words(lines, usage)
    days = np.full((len(probabilities), len(lines)), np.inf)
    visit = np.full(len(lines), np.inf)
    moments = line_moments(lines)
    pending = np.log1p(-chance_pending(ends, habit, usage.since_visit[ends.unit]))
    for rows in _whole_units(np.flatnonzero(word == ""), ends.unit):
        task = _task(rows, moments, lines, ends, habit, pending)
        task = replace(task, place=setting.table.place(task.place))
        days[:, rows], visit[rows] = _quantiles(task, setting, np.asarray(probabilities))
    days, visit = days + habit.timing.mean_days, visit + habit.timing.mean_days
    open_ended = (word == "") & ~np.isfinite(days).all(axis=0)
    return RelineForecast(days, visit, tuple(np.where(open_ended, "not_in_30_years", word)))


def _whole_units(rows: IntArray, unit: IntArray) -> list[IntArray]:
    """The rows cut into pieces of about ``CHUNK``, units kept whole."""
    ordered = rows[np.argsort(unit[rows], kind="stable")]
    starts = np.flatnonzero(np.diff(unit[ordered], prepend=-1))
    cuts = np.unique(starts[np.searchsorted(starts, np.arange(CHUNK, len(ordered), CHUNK)) - 1])
    return [piece for piece in np.split(ordered, cuts) if len(piece)]


def _task(
    rows: IntArray,
    moments: LineMoments,
    lines: WheelEndLines,
    ends: WheelEnds,
    habit: HabitFit,
    pending: FloatArray,
) -> _Task:
    partner = ends.partner[rows]
    _, unit = np.unique(ends.unit[rows], return_inverse=True)
    _, axle = np.unique(ends.axle[rows], return_inverse=True)
    variances = threshold_variances(habit)
    return _Task(
        own=some_moments(moments, rows),
        partner=some_moments(moments, partner),
        minimum_mm=ends.minimum_mm[rows],
        partner_minimum_mm=ends.minimum_mm[partner],
        has_partner=ends.has_partner[rows] & lines.is_known[partner],
        fleet_unit=ends.unit[rows],
        unit=unit,
        axle=axle,
        place=ends.habit_group[rows],
        threshold_var=variances[ends.habit_group[rows]],
        log_stay=np.broadcast_to(
            pending[rows][:, None, None], (len(rows), len(_Z), len(_Y))
        ).copy(),
    )


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
