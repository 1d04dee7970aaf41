r"""Depots whose lining readings stepped up or down at once: another gauge, or way to measure.

A gauge that reads a millimetre thick does so on every lining of its depot from one day on. With
:math:`s_{li}(T)` 1 for readings i of a life l from day T on, and 0 before,

.. math:: y_{li} = a_l + b_l\,\text{km}_{li} + \delta\,s_{li}(T) + \gamma\,\text{km run since } T
    + \text{season}_{li} + \varepsilon_{li}

by least squares, every lining with a line of its own; :math:`\gamma` takes what a change of wear
would do, a bend along wear that all linings share (not written) what their thickness does, and a
season is one wave of the year. T is the one of every month with the largest squared t of
:math:`\delta`, whose errors are clustered by unit (Liang & Zeger 1986, *Biometrika* 73:13).
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import t_quantile
from models.common.units import KM_PER_UNIT

STEP_SCORE = 30.0
"""Of the best month's squared t: that of one month has so much once in 20 million."""
LEAST_STEP_MM, MOST_STEP_MM = 0.5, 2.5
"""A smaller step is within what hands and scales differ by; a larger one is no gauge's: linings
that were replaced without a word step up so."""
LEAST_LIVES, LEAST_UNITS, LEAST_READINGS = 20, 10, 4
"""Linings and units read before a step and since; readings of a lining that tells of one."""
MOST_SAME = 0.75
"""Share of units, at least, whose own linings step that way."""
MONTH_DAYS, YEAR_DAYS = 30.0, 365.25
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

    ``readings``: depot (may be null), unit_id, life_id, inspected_on, km and lining_mm as found.
    """
    parts = readings.sort("depot", "life_id", "inspected_on").partition_by(
        "depot", maintain_order=True
    )
    found = (_step(part["depot"][0], _rows(part, as_of), as_of) for part in parts)
    return tuple(step for step in found if step is not None)


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
    """Readings (n,) of lives with several, life by life: ``life`` and ``unit`` numbers, ``day``
    after as-of, ``km`` in 10,000 km and ``mm``; ``a_day``: what each life runs."""

    life: IntArray
    unit: IntArray
    day: FloatArray
    km: FloatArray
    mm: FloatArray
    a_day: FloatArray

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


def _rows(part: pl.DataFrame, as_of: dt.date) -> _Rows:
    since = (pl.col("inspected_on") - pl.lit(as_of, pl.Date)).dt.total_days()
    rows = part.filter(pl.len().over("life_id") >= LEAST_READINGS).with_columns(
        day=since.cast(pl.Float64),
        life=pl.col("life_id").rank("dense") - 1,
        unit=pl.col("unit_id").rank("dense") - 1,
        ten=pl.col("km") / KM_PER_UNIT,
    )
    span = (pl.col("ten").max() - pl.col("ten").min()).over("life")
    days = (pl.col("day").max() - pl.col("day").min()).over("life").clip(1.0)
    rows = rows.with_columns(a_day=span / days)
    life, unit = (rows[n].cast(pl.Int64).to_numpy() for n in ("life", "unit"))
    floats = (rows[n].cast(pl.Float64).to_numpy() for n in ("day", "ten", "lining_mm", "a_day"))
    return _Rows(life, unit, *floats)


def _step(depot: str | None, rows: _Rows, as_of: dt.date) -> GaugeStep | None:
    """The depot's step, if there is one."""
    if len(rows.day) == 0:
        return None
    y = rows.off_lines(rows.mm[:, None])[:, 0]
    year = 2.0 * np.pi * rows.day / YEAR_DAYS
    season = rows.off_lines(np.column_stack([np.sin(year), np.cos(year), rows.run**2]))
    first = max(FIRST_DAY, float(rows.day.min()) + YEAR_DAYS / 2.0)
    days = np.arange(LAST_DAY, first, -MONTH_DAYS)
    tried = [_at(rows, float(day), y, season) for day in days]
    known = [each for each in tried if each is not None]
    if not known:
        return None
    best = max(known, key=lambda each: each.score)
    if best.score < STEP_SCORE or not LEAST_STEP_MM <= abs(best.step) <= MOST_STEP_MM:
        return None
    if best.units < LEAST_UNITS or best.same < MOST_SAME * best.units:
        return None
    half = float(t_quantile(0.5 + LEVEL / 2.0, best.units - 1)) * best.error
    since = as_of + dt.timedelta(days=round(best.day))
    limits = best.step - half, best.step + half
    return GaugeStep(depot, since, best.step, *limits, best.lives, best.units)


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


def _at(rows: _Rows, day: float, y: FloatArray, season: FloatArray) -> _Tried | None:
    """None where too few linings were read on both sides."""
    since = (rows.day >= day).astype(np.float64)
    both = _on_both_sides(rows, since)
    lives = len(np.unique(rows.life[both]))
    if lives < LEAST_LIVES:
        return None
    ran = np.maximum(rows.day - day, 0.0) * rows.a_day
    x = np.column_stack([rows.off_lines(np.column_stack([since, ran])), season])
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
