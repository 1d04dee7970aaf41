r"""When each lining reaches its minimum: probability by day, and its quantiles, in closed form.

After g days on the road the unit has run K(g) (lognormal, ``models.usage.ahead``) and the lining is
at or below its minimum with probability

.. math:: P(g) = E_K\,\Phi\!\left(\frac{\min - m + rK}{\mathrm{sd}(K)}\right)

The expectation is taken at seven Gauss-Hermite points of log K; given K nothing is approximated.
Days lost off the road come on top (``models.usage.absences``): rare and long, they are mixed in as
they are, not summed up by a variance. Two approximations are left, and are measured against
brute-force simulation in the tests: K is taken as lognormal, and the path of K is summed up by its
value at g, which is exact while wear is positive ("below at g" and "reached by g" are then one).

What the last check read may have led to a reline that nobody wrote down, so that the lining in
place is a new one: with that chance :math:`\nu` the middle and late dates are those of
:math:`(1 - \nu) P + \nu P_\mathrm{new}`. The early date stays that of the lining on record: work
that is not written down is no reason to look later.

Where all units' use changed so lately that it may come back (``models.usage.course.factor``), the
chance by g is the mixture of use that lasts and of the former use from the as-of day on; but early
dates are those of the faster of the two.

A lining whose wear may well be zero never reaches the minimum with high probability: its late
quantiles do not exist, nor does any beyond 30 years. They are null, with a word that says why.
"""

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from models.common.arrays import FloatArray, IntArray
from models.common.group_sums import rows_by
from models.common.units import KM_PER_UNIT
from models.relines.forecast.lines import (
    LineMoments,
    WheelEndLines,
    line_moments,
    new_lining_moments,
    some_moments,
)
from models.usage.absences import (
    AbsenceClasses,
    absence_classes,
    begun_by,
    reached_by,
)
from models.usage.ahead import AwayNow, away_now, km_ahead, km_on_road
from models.usage.fit import UsageFit

PROBABILITIES = (0.1, 0.5, 0.9)
LONGEST_DAYS = 10_957.0
"""Thirty years: no fleet plans further."""
CHUNK = 65_536
LONGEST_KM = 10_000_000.0
ROAD_DAYS = np.geomspace(0.25, LONGEST_DAYS, 128)
MILESTONES = (*range(0, 128, 8), 127)
NEGLIGIBLE = 1e-6
"""Chances so near to nought or one move no quantile between a tenth and nine tenths."""
RENEWED = 0.005
"""A smaller chance that a lining was renewed without a word is left out."""
EARLY = 0.5
"""Dates of a smaller chance than this stay those of the lining on record, at the faster use."""
_KM_STEPS = 24
"""Halvings: to 0.6 km."""
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()

PROBABLY_HERE = 0.5
"""Units less likely than this to come back have no dates; totals count them by their chance."""
WORDS = {
    "": "",
    "no_lining": "No reading and no reline on record for this lining.",
    "no_use": "No km on record for its duty.",
    "stands_still": "The unit's odometer has not moved.",
    "gone": "Not seen for so long that the unit has probably left the fleet.",
    "not_in_30_years": "Not within 30 years at this wear and use.",
}


@dataclass(frozen=True, slots=True)
class MinimumForecast:
    """Days after as-of and km after last seen at which linings reach their minimum, (k, L).

    Infinite where that probability is not reached within 30 years; ``word`` (L,) is a key of
    ``WORDS``, empty where all quantiles exist.
    """

    days: FloatArray
    km: FloatArray
    word: tuple[str, ...]


def chance_below(moments: LineMoments, limit_mm: FloatArray, x: FloatArray) -> FloatArray:
    """Probability that each lining is at or below a limit after x times 10,000 km."""
    mean, variance = moments.at(x)
    return np.asarray(special.ndtr((limit_mm - mean) / np.sqrt(variance)))


def chance_below_by(
    moments: LineMoments,
    limit_mm: FloatArray,
    usage: UsageFit,
    away: AwayNow,
    unit: IntArray,
    days: FloatArray,
) -> FloatArray:
    """Probability that each lining is at or below a limit after ``days`` more on the road, (L,)."""
    ahead = km_on_road(usage, away, unit, days)
    spread = np.sqrt(ahead.log_variance)
    total = np.zeros(len(days))
    for node, weight in zip(_NODES, _WEIGHTS, strict=True):
        km = ahead.mean_km * np.exp(node * spread - ahead.log_variance / 2.0)
        total += weight * chance_below(moments, limit_mm, km / KM_PER_UNIT)
    return total


def first_reaching(
    chance: Callable[[FloatArray], FloatArray],
    probability: float,
    longest: FloatArray,
    steps: int,
) -> FloatArray:
    """Least x from 0 to ``longest`` (L,) with ``chance(x)`` >= probability; infinite if none."""
    low, high = np.zeros(len(longest)), longest.copy()
    reached_at_once = chance(low) >= probability
    reached = chance(high) >= probability
    for _ in range(steps):
        middle = (low + high) / 2.0
        there = chance(middle) >= probability
        high, low = np.where(there, middle, high), np.where(there, low, middle)
    return np.where(reached_at_once, 0.0, np.where(reached, high, np.inf))


def minimum_forecast(
    lines: WheelEndLines,
    minimum_mm: FloatArray,
    usage: UsageFit,
    probabilities: Sequence[float] = PROBABILITIES,
    renewed: FloatArray | None = None,
) -> MinimumForecast:
    """Days and km to each lining's minimum at the given probabilities.

    ``minimum_mm`` (L,); ``lines.unit`` indexes the units of ``usage``; ``renewed`` (L,): chance
    that each was renewed at the last check without a word (None: none was). Units are taken to
    stay in service. ``probabilities`` increase.
    """
    word, wanted = forecast_words(lines, usage), np.asarray(probabilities)
    if lines.scale is not None:
        minimum_mm = lines.scale.even_lining_mm(minimum_mm)
    days = np.full((len(wanted), len(lines)), np.inf)
    km = days.copy()
    classes = absence_classes(usage)
    reached = reached_by(begun_by(usage, ROAD_DAYS), classes.left)
    known = np.flatnonzero(word == "")
    known = known[np.argsort(classes.number[lines.unit[known]], kind="stable")]
    chance = np.zeros(len(lines)) if renewed is None else np.where(renewed > RENEWED, renewed, 0.0)
    on_record = _Task.of(lines, minimum_mm, usage, np.zeros(len(lines)))
    as_it_may_be = _Task.of(lines, minimum_mm, usage, chance) if chance.any() else on_record
    for rows in _chunks(known):
        task = on_record.some(rows)
        days[:, rows] = task.days_until(wanted, classes, reached)
        km[:, rows] = task.km_until(wanted)
    later = np.flatnonzero(wanted >= EARLY)
    for rows in _chunks(known[chance[known] > 0.0]):
        task, place = as_it_may_be.some(rows), np.ix_(later, rows)
        days[place] = task.days_until(wanted[later], classes, reached)
        km[place] = task.km_until(wanted[later])
        # A new lining may be worn sooner than a slow one: no later date comes before the early.
        days[:, rows], km[:, rows] = (np.maximum.accumulate(x[:, rows], axis=0) for x in (days, km))
    open_ended = (word == "") & ~np.isfinite(days).all(axis=0)
    return MinimumForecast(days, km, tuple(np.where(open_ended, "not_in_30_years", word)))


def _chunks(rows: IntArray) -> list[IntArray]:
    return [rows[start : start + CHUNK] for start in range(0, len(rows), CHUNK)]


@dataclass(frozen=True, slots=True)
class _Task:
    """Some wheel ends to find quantiles for; ``fresh``: their linings, were they ``renewed``."""

    moments: LineMoments
    fresh: LineMoments
    renewed: FloatArray
    minimum_mm: FloatArray
    usage: UsageFit
    away: AwayNow
    unit: IntArray

    @classmethod
    def of(
        cls, lines: WheelEndLines, minimum_mm: FloatArray, usage: UsageFit, renewed: FloatArray
    ) -> "_Task":
        moments, away = line_moments(lines), away_now(usage)
        fresh = new_lining_moments(lines) if renewed.any() else moments
        return cls(moments, fresh, renewed, minimum_mm, usage, away, lines.unit)

    def some(self, rows: IntArray) -> "_Task":
        """Of some of its wheel ends."""
        moments, fresh = (some_moments(each, rows) for each in (self.moments, self.fresh))
        own = self.renewed[rows], self.minimum_mm[rows]
        return _Task(moments, fresh, *own, self.usage, self.away, self.unit[rows])

    def mixed(self, chance: Callable[[LineMoments], FloatArray]) -> FloatArray:
        """A chance of the linings on record, with that of new ones by theirs to be there."""
        found = chance(self.moments)
        if not self.renewed.any():
            return found
        return found + self.renewed * (chance(self.fresh) - found)

    def days_until(
        self, probabilities: FloatArray, classes: AbsenceClasses, reached: FloatArray
    ) -> FloatArray:
        """Days at which each probability is reached (k, n): those on the road and those lost;
        ``reached``: by class, of :func:`reached_by`."""
        by_day = early = self._by_day(classes, reached)
        returns = self.usage.course.p_returns
        if returns > 0.0:
            back = replace(self, usage=self.usage.if_returned)._by_day(classes, reached)
            by_day, early = by_day + returns * (back - by_day), np.maximum(by_day, back)
        return np.array([_day_of(early if p < EARLY else by_day, p) for p in probabilities])

    def _by_day(self, classes: AbsenceClasses, reached: FloatArray) -> FloatArray:
        """Chance to be at the minimum by each of ``ROAD_DAYS`` of the calendar (G, n)."""
        chance = np.maximum.accumulate(self._by_road_days(), axis=0)
        by_day = np.empty_like(chance)
        number = classes.number[self.unit]
        for alike in rows_by(number):
            by_then = reached[number[alike[0]]].T
            by_day[:, alike] = chance[0, alike] + by_then @ np.diff(chance[:, alike], axis=0)
        return by_day

    def _by_road_days(self) -> FloatArray:
        """Chance to be at the minimum by each of ``ROAD_DAYS`` (G, n): worked out between the
        milestones where it leaves nought and where it is certain."""
        chance = np.zeros((len(ROAD_DAYS), len(self.unit)))
        every = np.arange(len(self.unit))
        for row in MILESTONES:
            chance[row] = self._below_by(ROAD_DAYS[row], every)
        for first, last in pairwise(MILESTONES):
            certain = chance[first] >= 1.0 - NEGLIGIBLE
            open_yet = np.flatnonzero(~certain & (chance[last] > NEGLIGIBLE))
            for row in range(first + 1, last):
                chance[row, certain] = 1.0
                chance[row, open_yet] = self._below_by(ROAD_DAYS[row], open_yet)
        return chance

    def _below_by(self, days: float, rows: IntArray) -> FloatArray:
        some, on_road = self.some(rows), np.full(len(rows), days)

        def chance(moments: LineMoments) -> FloatArray:
            limit, unit = some.minimum_mm, some.unit
            return chance_below_by(moments, limit, self.usage, self.away, unit, on_road)

        return some.mixed(chance)

    def km_until(self, probabilities: FloatArray) -> FloatArray:
        """Km at which each probability is reached (k, n)."""
        longest = np.full(len(self.unit), LONGEST_KM / KM_PER_UNIT)

        def chance(x: FloatArray) -> FloatArray:
            return self.mixed(lambda moments: chance_below(moments, self.minimum_mm, x))

        found = [first_reaching(chance, p, longest, _KM_STEPS) for p in probabilities]
        return KM_PER_UNIT * np.array(found)


def _day_of(by_day: FloatArray, probability: float) -> FloatArray:
    """The day at which a growing chance (G, n) on ``ROAD_DAYS`` reaches a probability: read along
    the logarithm of days and the normal quantile of the chance, in which it is nearly straight."""
    row = np.clip((by_day < probability).sum(axis=0), 1, len(ROAD_DAYS) - 1)
    column = np.arange(by_day.shape[1])
    below, above = (by_day[r, column] for r in (row - 1, row))
    low, high, wanted = (
        special.ndtri(np.clip(x, 1e-12, 1 - 1e-12)) for x in (below, above, probability)
    )
    share = np.clip((wanted - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    day = ROAD_DAYS[row - 1] * (ROAD_DAYS[row] / ROAD_DAYS[row - 1]) ** share
    day = np.where(by_day[0] >= probability, 0.0, day)
    return np.where(above >= probability, day, np.inf)


def lining_ahead(
    lines: WheelEndLines, usage: UsageFit, days: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and SD of each true lining ``days`` (L,) after as-of [mm]; no error of reading in it."""
    moments = line_moments(lines)
    ahead = km_ahead(usage, away_now(usage), lines.unit, days)
    x = ahead.mean_km / KM_PER_UNIT
    mean, variance = moments.at(x)
    rate2 = moments.rate**2 + moments.var_rate
    sd = np.sqrt(variance + rate2 * x**2 * np.expm1(ahead.log_variance))
    if lines.scale is None:
        return mean, sd
    above = lines.scale.above_mm(mean - lines.scale.minimum_mm)
    return lines.scale.minimum_mm + above, sd / lines.scale.even_per_mm(above)


def forecast_words(lines: WheelEndLines, usage: UsageFit) -> NDArray[np.str_]:
    """Why a wheel end has no forecast: a key of ``WORDS`` each, empty where it has one."""
    unit = lines.unit
    return np.select(
        [
            usage.present[unit] < PROBABLY_HERE,
            ~lines.is_known,
            usage.stands_still[unit],
            ~usage.is_known[unit],
        ],
        ["gone", "no_lining", "stands_still", "no_use"],
        "",
    )


def dates_after(as_of: dt.date, days: FloatArray) -> pl.Series:
    """Calendar days so many days after as-of, rounded; null where infinite."""
    finite = pl.Series(np.where(np.isfinite(days), np.round(days), np.nan)).fill_nan(None)
    return pl.select(
        pl.lit(as_of, dtype=pl.Date) + pl.duration(days=pl.lit(finite.cast(pl.Int64)))
    ).to_series()


def minimum_frame(
    wheel_end_id: pl.Series, seen_km: FloatArray, forecast: MinimumForecast, as_of: dt.date
) -> pl.DataFrame:
    """One row per wheel end: min_on_p10/_p50/_p90, min_km_p10/_p50/_p90, min_word.

    km are the unit's accumulated km (``seen_km`` (L,) when it was last seen); dates and km are null
    where the minimum is not reached with that probability, and min_word says why.
    """
    names = ("p10", "p50", "p90")
    dates = [
        dates_after(as_of, d).alias(f"min_on_{n}")
        for n, d in zip(names, forecast.days, strict=True)
    ]
    km = [
        pl.Series(f"min_km_{n}", np.where(np.isfinite(k), seen_km + k, np.nan)).fill_nan(None)
        for n, k in zip(names, forecast.km, strict=True)
    ]
    word = pl.Series("min_word", [WORDS[w] for w in forecast.word], dtype=pl.String)
    return pl.DataFrame([wheel_end_id.alias("wheel_end_id"), *dates, *km, word])
