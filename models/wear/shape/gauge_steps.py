r"""Depots whose lining readings stepped up or down at once: another gauge, or way to measure.

A gauge that reads a millimetre thick does so on every lining of its depot from one day on. With
:math:`s_{li}(T)` 1 for readings i of a life l from day T on, and 0 before,

.. math:: y_{li} = a_l + b_l\,\text{km}_{li} + \delta\,s_{li}(T) + \gamma_d\,\text{km run since } T
    + \text{seasons}_{li} + \varepsilon_{li}

by least squares, every lining with a line of its own; :math:`\gamma` takes what a change of wear in
its duty d would do, a bend along wear that all linings share (not written) what their thickness
does, and seasons are one wave of the year in what is read, and two in the wear of every duty. T is
the one of every month, and of days about it, with the largest squared t of :math:`\delta`, whose
errors are clustered by unit (Liang & Zeger 1986, *Biometrika* 73:13). Depots are asked one by one,
then all together: of a day that all of them tell of, each is asked what it says itself.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import t_quantile
from models.common.units import KM_PER_UNIT

STEP_SCORE = 40.0
"""Of the best day's squared t: errors clustered by few units have heavy tails."""
LOOKED_ABOUT = 3
"""Of the best months' days, about which others are tried too."""
FLEET_SCORE, OWN_SCORE = 60.0, 12.0
"""Of the whole fleet, whose many linings make much of little; then of a depot on the fleet's day,
which is not sought any more."""
LEAST_STEP_MM, MOST_STEP_MM = 0.5, 2.5
"""A smaller step is within what hands and scales differ by; a larger one is no gauge's: linings
that were replaced without a word step up so."""
LEAST_LIVES, LEAST_UNITS, LEAST_READINGS = 20, 10, 4
"""Linings and units read before a step and since; readings of a lining that tells of one."""
MOST_SAME = 0.75
"""Share of units, at least, whose own linings step that way."""
MONTH_DAYS, YEAR_DAYS = 30.0, 365.25
ABOUT = (-20.0, -15.0, -10.0, -5.0, 5.0, 10.0, 15.0, 20.0)
"""Days beside the best month's that are tried: a step a few days off loses most of its score."""
HARMONICS = 2
FIRST_DAY, LAST_DAY = -3.0 * YEAR_DAYS, -45.0
"""Between which a step is sought, in days after as-of."""
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class GaugeStep:
    """Since when a depot's readings (None: of units without one) are by so many mm above what
    linings' own lines let expect, with limits; ``lives`` read on both sides, of ``units``."""

    depot: str | None
    since_on: dt.date
    step_mm: float
    ci_low: float
    ci_high: float
    lives: int
    units: int


def gauge_steps(readings: pl.DataFrame, as_of: dt.date) -> tuple[GaugeStep, ...]:
    """The step of each depot that has one.

    ``readings``: depot (may be null), unit_id, life_id, duty, inspected_on, km and lining_mm as
    found.
    """
    parts = readings.sort("depot", "life_id", "inspected_on").partition_by(
        "depot", maintain_order=True
    )
    rows = {part["depot"][0]: _Rows.of(part, as_of) for part in parts}
    steps = {depot: _likeliest(own) for depot, own in rows.items()}
    if len(rows) > 1:
        whole = _likeliest(_Rows.of(readings.sort("life_id", "inspected_on"), as_of))
        if whole is not None and whole.score >= FLEET_SCORE:
            for depot, own in rows.items():
                both = [steps[depot], _about(own, whole.day)]
                known = [step for step in both if step is not None]
                steps[depot] = max(known, key=lambda each: each.score, default=None)
    return tuple(_told(depot, step, as_of) for depot, step in steps.items() if step is not None)


def _told(depot: str | None, step: "_Tried", as_of: dt.date) -> GaugeStep:
    half = float(t_quantile(0.5 + LEVEL / 2.0, step.units - 1)) * step.error
    since = as_of + dt.timedelta(days=round(step.day))
    limits = step.step - half, step.step + half
    return GaugeStep(depot, since, step.step, *limits, step.lives, step.units)


def gauge_step_frame(steps: Sequence[GaugeStep]) -> pl.DataFrame:
    """A row each."""
    schema = {
        "depot": pl.String,
        "since_on": pl.Date,
        **dict.fromkeys(("step_mm", "ci_low", "ci_high"), pl.Float64),
        **dict.fromkeys(("lives", "units"), pl.Int64),
    }
    return pl.DataFrame([asdict(step) for step in steps], schema=schema)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Readings (n,) of lives with several, life by life: ``life``, ``unit`` and ``duty`` numbers,
    ``day`` after as-of, ``km`` in 10,000 km and ``mm``; ``a_day``: what each life runs."""

    life: IntArray
    unit: IntArray
    duty: IntArray
    day: FloatArray
    km: FloatArray
    mm: FloatArray
    a_day: FloatArray

    @classmethod
    def of(cls, part: pl.DataFrame, as_of: dt.date) -> "_Rows":
        since = (pl.col("inspected_on") - pl.lit(as_of, pl.Date)).dt.total_days()
        rows = part.filter(pl.len().over("life_id") >= LEAST_READINGS).with_columns(
            day=since.cast(pl.Float64),
            life=pl.col("life_id").rank("dense") - 1,
            unit=pl.col("unit_id").rank("dense") - 1,
            duty=pl.col("duty").fill_null("").rank("dense") - 1,
            ten=pl.col("km") / KM_PER_UNIT,
        )
        span = (pl.col("ten").max() - pl.col("ten").min()).over("life")
        days = (pl.col("day").max() - pl.col("day").min()).over("life").clip(1.0)
        rows = rows.with_columns(a_day=span / days)
        whole = (rows[n].cast(pl.Int64).to_numpy() for n in ("life", "unit", "duty"))
        floats = (rows[n].cast(pl.Float64).to_numpy() for n in ("day", "ten", "lining_mm", "a_day"))
        return cls(*whole, *floats)

    def by_duty(self, columns: FloatArray) -> FloatArray:
        """Columns (n, k) apart for every duty in which enough linings ran, else in one."""
        kinds, many = np.unique(self.duty, return_counts=True)
        own = [self.duty == kind for kind in kinds[many >= LEAST_LIVES * LEAST_READINGS]]
        return np.column_stack([columns * mask[:, None] for mask in own] or [columns])

    @property
    def seasons(self) -> FloatArray:
        """Waves of the year in readings, and in what each life has run in every duty (n, S)."""
        year = 2.0 * np.pi * self.day / YEAR_DAYS
        waves = [wave(k * year) / k for k in range(1, HARMONICS + 1) for wave in (np.sin, np.cos)]
        run = np.column_stack(waves) * self.a_day[:, None] * YEAR_DAYS / (2.0 * np.pi)
        return np.column_stack([np.sin(year), np.cos(year), self.by_duty(run)])

    @property
    def run(self) -> FloatArray:
        """Run since each life's mean reading [10,000 km]."""
        n = int(self.life.max(initial=-1)) + 1
        many = np.maximum(np.bincount(self.life, minlength=n), 1)
        return np.asarray(self.km - (np.bincount(self.life, self.km, n) / many)[self.life])

    def off_lines(self, columns: FloatArray) -> FloatArray:
        """Columns (n, k) less each life's own line in km."""
        n = int(self.life.max(initial=-1)) + 1
        many = np.bincount(self.life, minlength=n)

        def means(values: FloatArray) -> FloatArray:
            return np.asarray((np.bincount(self.life, values, n) / many)[self.life])

        ran = self.run
        square = np.maximum(np.bincount(self.life, ran**2, n), 1e-12)
        centred = np.column_stack([c - means(c) for c in columns.T])
        slope = np.column_stack([np.bincount(self.life, ran * c, n) / square for c in centred.T])
        return np.asarray(centred - slope[self.life] * ran[:, None])


def _likeliest(rows: _Rows) -> "_Tried | None":
    """The likeliest step of all days, if one is clear."""
    if len(rows.day) == 0:
        return None
    first = max(FIRST_DAY, float(rows.day.min()) + YEAR_DAYS / 2.0)
    y, beside = _off_lines(rows)
    tried = _tried(rows, np.arange(LAST_DAY, first, -MONTH_DAYS), y, beside)
    best = max(tried, key=lambda each: each.score, default=None)
    # A step that is no gauge's, where it is the likeliest, may look like a smaller one beside it.
    if best is None or abs(best.step) > MOST_STEP_MM:
        return None
    months = [each for each in tried if each.is_clear(STEP_SCORE / 2.0)]
    if not months:
        return None
    middles = sorted(months, key=lambda each: each.score, reverse=True)[:LOOKED_ABOUT]
    about = [each.day + day for each in middles for day in ABOUT]
    return _best([*middles, *_tried(rows, about, y, beside)], STEP_SCORE)


def _about(rows: _Rows, day: float) -> "_Tried | None":
    """The step about a day that is known, if there is one."""
    if len(rows.day) == 0:
        return None
    return _best(_tried(rows, day + np.array([*ABOUT, 0.0]), *_off_lines(rows)), OWN_SCORE)


def _best(tried: Sequence["_Tried"], beyond: float) -> "_Tried | None":
    clear = [each for each in tried if each.is_clear(beyond)]
    return max(clear, key=lambda each: each.score, default=None)


def _off_lines(rows: _Rows) -> tuple[FloatArray, FloatArray]:
    """What is read (n,), and what may look like a step (n, S), less each lining's own line."""
    y = rows.off_lines(rows.mm[:, None])[:, 0]
    return y, rows.off_lines(np.column_stack([rows.seasons, rows.run**2]))


def _tried(
    rows: _Rows, days: Sequence[float] | FloatArray, y: FloatArray, beside: FloatArray
) -> list["_Tried"]:
    tried = [_at(rows, float(day), y, beside) for day in days if day <= LAST_DAY]
    return [each for each in tried if each is not None]


@dataclass(frozen=True, slots=True)
class _Tried:
    """A step on a day: its size, standard error, and squared t; lives and units on both sides, and
    units whose own linings step the same way."""

    day: float
    step: float
    error: float
    score: float
    lives: int
    units: int
    same: int

    def is_clear(self, beyond: float) -> bool:
        """Whether it is a gauge's, and told by enough units."""
        return (
            self.score >= beyond
            and LEAST_STEP_MM <= abs(self.step) <= MOST_STEP_MM
            and self.units >= LEAST_UNITS
            and self.same >= MOST_SAME * self.units
        )


def _at(rows: _Rows, day: float, y: FloatArray, season: FloatArray) -> _Tried | None:
    """None where too few linings were read on both sides."""
    since = (rows.day >= day).astype(np.float64)
    both = _on_both_sides(rows, since)
    lives = len(np.unique(rows.life[both]))
    if lives < LEAST_LIVES:
        return None
    ran = np.maximum(rows.day - day, 0.0) * rows.a_day
    faster = rows.by_duty(ran[:, None])
    x = np.column_stack([rows.off_lines(np.column_stack([since, faster])), season])
    gram = x.T @ x
    if np.linalg.cond(gram) > 1e12:
        return None
    inverse = np.linalg.inv(gram)
    beta = inverse @ (x.T @ y)
    left = y - x @ beta
    units = int(rows.unit.max()) + 1
    scores = np.column_stack([np.bincount(rows.unit, c * left, units) for c in x.T])
    variance = float((inverse @ (scores.T @ scores) @ inverse)[0, 0])
    if variance <= 0.0:
        return None
    # Each unit's own step, beside what all share.
    beside = x[:, 0] - x[:, 1:] @ np.linalg.lstsq(x[:, 1:], x[:, 0], rcond=None)[0]
    pulls = np.bincount(rows.unit, beside * y, units)
    seen = np.bincount(rows.unit, both.astype(float), units) > 0
    same = int((np.sign(pulls[seen]) == np.sign(beta[0])).sum())
    step, error = float(beta[0]), variance**0.5
    return _Tried(day, step, error, step**2 / variance, lives, int(seen.sum()), same)


def _on_both_sides(rows: _Rows, since: FloatArray) -> BoolArray:
    """Readings of lives that were read before the day and since."""
    n = int(rows.life.max()) + 1
    later, many = np.bincount(rows.life, since, n), np.bincount(rows.life, minlength=n)
    return np.asarray(((later > 0) & (later < many))[rows.life])
