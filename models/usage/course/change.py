r"""Since when all units run otherwise than before.

For unit u in interval i, :math:`s(T)` the share of its days after day T,

.. math:: \log(\text{km}/d)_{ui} = a_u + \delta\,s_{ui}(T) + \text{season}_{ui} + \varepsilon_{ui}

by least squares within a unit's duty, weighted by days; a season is two waves of the year. T is
where the squares are least, of every 30 days. As for a season, the errors of :math:`\delta` are
clustered by unit and again by calendar quarter, and the larger counts.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.common.distributions import t_quantile
from models.usage.course.seen import RoadUse, road_use
from models.usage.groups import STANDING_SHARE
from models.usage.level import YEAR_DAYS
from models.usage.year.season import QUARTER_DAYS, clustered_covariance, within_units

LEAST_CHANGE = 0.1
"""A smaller change of all units' use is not told."""
CHANGE_SCORE = 20.0
"""Of the best day's squared t: as in ``models.wear.generations.scan``."""
MOST_SAME = 2.0 / 3.0
"""Of units, at least, whose own use moved that way: else it is not the fleet's."""
LEAST_UNITS = 10
"""That were seen before a change and since."""
STEP_DAYS = 30.0
FIRST_DAY, LAST_DAY = -3.0 * YEAR_DAYS, -QUARTER_DAYS
"""Between which a change is sought, in days before as-of (negative)."""
LEAST_YEARS = 2.0
"""Of records, one of them before the change: less cannot tell a change from a season."""


@dataclass(frozen=True, slots=True)
class UseChange:
    """km per day of a unit since a day, over what it was before, with 95 % limits; ``units``: seen
    on both sides, ``units_same``: that moved the same way."""

    since_on: dt.date
    ratio: float
    ci_low: float
    ci_high: float
    units: int
    units_same: int

    def quarters_ago(self, as_of: dt.date) -> int:
        """Quarters since, begun ones counted."""
        return int(np.ceil((as_of - self.since_on).days / QUARTER_DAYS))


def use_change(intervals: pl.DataFrame, as_of: dt.date) -> UseChange | None:
    """Since when all units run more or less than before; None where no such change shows.

    ``intervals``: unit_id, duty, one_duty, from_on, days, km. A change that did not last into the
    last quarter is none.
    """
    use = road_use(intervals, as_of, STANDING_SHARE)
    if not len(use.days) or -use.begins.min() < LEAST_YEARS * YEAR_DAYS:
        return None
    first = max(FIRST_DAY, float(use.begins.min()) + YEAR_DAYS)
    days = np.arange(LAST_DAY, first, -STEP_DAYS)
    steps = [_stepped(use, use.after(day)[:, None]) for day in days]
    best = int(np.argmin([step.squares for step in steps]))
    return _told(use, steps[best], float(days[best]), as_of)


@dataclass(frozen=True, slots=True)
class _Step:
    """Log of use over that before, of each stretch, and the ``squares`` left; ``left`` of each
    interval (n,) by the waves alone; scores (n, p) and the inverse (p, p) of what is known."""

    log_ratio: FloatArray
    squares: float
    left: FloatArray
    scores: FloatArray
    inverse: FloatArray

    def variance(self, use: RoadUse) -> FloatArray:
        """Of each stretch's log ratio."""
        quarter = np.floor((use.begins + use.ends) / 2.0 / QUARTER_DAYS).astype(np.int64)
        by_unit, by_quarter = (
            np.diag(clustered_covariance(self.inverse, self.scores, by)[0])
            for by in (use.unit, quarter)
        )
        return np.asarray(np.maximum(by_unit, by_quarter)[: len(self.log_ratio)])


def _stepped(use: RoadUse, after: FloatArray) -> _Step:
    """Fit shares (n, k) of stretches; infinite squares where they cannot be told apart."""
    table = within_units(np.column_stack([after, use.waves, use.log_km]), use.spell, use.days)
    x, y, k = table[:, :-1], table[:, -1], after.shape[1]
    weighted = x * use.days[:, None]
    gram = weighted.T @ x
    if np.linalg.cond(gram) > 1e10:
        return _Step(np.zeros(k), np.inf, y, x, np.zeros_like(gram))
    beta = np.asarray(np.linalg.solve(gram, weighted.T @ y))
    left = y - x @ beta
    inverse = np.asarray(np.linalg.inv(gram), np.float64)
    # What the waves alone leave is the residual beside which each unit's own step is looked for.
    own = y - x[:, k:] @ beta[k:]
    return _Step(beta[:k], float(use.days @ left**2), own, weighted * left[:, None], inverse)


def _told(use: RoadUse, step: _Step, day: float, as_of: dt.date) -> UseChange | None:
    log_ratio = float(step.log_ratio[0])
    if not np.isfinite(step.squares) or not _large(log_ratio):
        return None
    variance = float(step.variance(use)[0])
    if log_ratio**2 < CHANGE_SCORE * variance:
        return None
    units, same = _own_steps(use, step.left, day, np.sign(log_ratio))
    recent, old = use.after(LAST_DAY), use.after(day)
    lasting = _stepped(use, np.column_stack([old - recent, recent])) if day < LAST_DAY else step
    lasts = float(lasting.log_ratio[-1]) * np.sign(log_ratio)
    if units < LEAST_UNITS or same < MOST_SAME * units or lasts < abs(log_ratio) / 2.0:
        return None
    half = float(t_quantile(0.975, max(units - 1, 1))) * np.sqrt(variance)
    low, ratio, high = np.exp([log_ratio - half, log_ratio, log_ratio + half])
    since = as_of + dt.timedelta(days=round(day))
    return UseChange(since, float(ratio), float(low), float(high), units, same)


def _large(log_ratio: float) -> bool:
    return bool(abs(np.expm1(log_ratio)) >= LEAST_CHANGE)


def _own_steps(use: RoadUse, left: FloatArray, day: float, sign: float) -> tuple[int, int]:
    """Units seen both before a day and since, season apart, and those of them that moved so."""
    since = use.begins + use.days / 2.0 > day
    sides = [
        np.bincount(use.unit, use.days * which, minlength=use.unit.max() + 1)
        for which in (~since, since)
    ]
    sums = [
        np.bincount(use.unit, use.days * left * which, minlength=use.unit.max() + 1)
        for which in (~since, since)
    ]
    both = (sides[0] > 0) & (sides[1] > 0)
    step = sums[1][both] / sides[1][both] - sums[0][both] / sides[0][both]
    return int(both.sum()), int((sign * step > 0).sum())
