r"""Stretches in which all units ran otherwise than before, and whether they are over.

For unit u in interval i, s the shares of its days from b to e, and since e,

.. math:: \log(\text{km}/d)_{ui} = a_u + \log\{1 + (r - 1) s_{ui} + (r' - 1) s'_{ui}\}
          + \text{season}_{ui} + \varepsilon_{ui}

so that an interval that holds both uses is a blend of them. b and e are sought together: in use
over the unit's own, in which a blend is straight, every pair of days costs one division once sums
of products are known; the best is refined by Gauss and Newton on the scale of logarithms. e is the
as-of day where use has not come back; it has where r' is nearer to 1 than to r, and far from r by
its error clustered by unit.

Many quarters are unlike their neighbours. So no stretch counts that is not twice as far from usual
use as every other of its length on record is: what comes every year is none.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray
from models.common.distributions import t_quantile
from models.usage.course.change import (
    CHANGE_SCORE,
    FIRST_DAY,
    LEAST_UNITS,
    LEAST_YEARS,
    MOST_SAME,
)
from models.usage.course.factor import SETTLED_DAYS
from models.usage.course.seen import RoadUse, road_use
from models.usage.groups import STANDING_SHARE
from models.usage.level import YEAR_DAYS
from models.usage.year.season import clustered_covariance, within_units

LEAST_STRETCH = 0.2
"""A stretch in which use was nearer to usual is not told."""
SHORTEST, LONGEST = 28.0, YEAR_DAYS
"""Days of a stretch that has ended."""
BEYOND_OTHERS = 2.0
"""Times as far from usual use as any other stretch of its length."""
STEP_DAYS, FINE_DAYS = 14.0, 7.0
MOST_UNITS = 1_000
"""That are asked: they know a ratio to a hundredth."""
STOOD = 0.02
"""Of a unit's usual use: it ran hardly at all by itself, whatever all did."""
HIGHEST = 4.0
"""Times its usual use: an interval with more is an error of records."""
ROUNDS, SETTLED = 12, 1e-4
_LOWEST = 0.02


@dataclass(frozen=True, slots=True)
class UseStretch:
    """km per day of a unit in a stretch over what it is outside, with 95 % limits; ``until_on``
    None: it goes on, for less than half a year so far. ``units``: seen in it and outside,
    ``units_same``: that moved the same way."""

    from_on: dt.date
    until_on: dt.date | None
    ratio: float
    ci_low: float
    ci_high: float
    units: int
    units_same: int

    def days(self, as_of: dt.date) -> tuple[float, float]:
        """First and last day, counted from as-of."""
        last = 0 if self.until_on is None else (self.until_on - as_of).days
        return float((self.from_on - as_of).days), float(last)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Ratios (k,) of use in stretches, their covariance clustered by unit (k, k), the weighted
    ``squares`` left, and what the waves alone leave of each interval (n,)."""

    ratio: FloatArray
    covariance: FloatArray
    squares: float
    left: FloatArray

    @property
    def score(self) -> float:
        """Squared t of the first being one."""
        return float((self.ratio[0] - 1.0) ** 2 / max(self.covariance[0, 0], 1e-12))


def use_stretch(intervals: pl.DataFrame, as_of: dt.date) -> UseStretch | None:
    """The stretch in which all units ran most unlike before and since, or unlike before and until
    now; None where none shows.

    ``intervals``: unit_id, duty, one_duty, from_on, days, km.
    """
    use = road_use(intervals, as_of, STOOD, MOST_UNITS)
    if not len(use.days) or -use.begins.min() < LEAST_YEARS * YEAR_DAYS:
        return None
    first = max(FIRST_DAY, float(use.begins.min()) + YEAR_DAYS)
    scan = _Scan.of(use, np.append(0.0, np.arange(-FINE_DAYS, first, -STEP_DAYS)))
    # What is not surely over may go on.
    for found in (scan.best(over=True), scan.best(over=False)):
        if found is not None:
            told = _told(use, scan, found, first, as_of)
            if told is not None:
                return told
    return None


@dataclass(frozen=True, slots=True)
class _Scan:
    """Of ``days`` (m,), the latest first: sums of products (m, m) of the shares of intervals after
    them, and (m,) with use over the units' own, season apart."""

    days: FloatArray
    gram: FloatArray
    product: FloatArray

    @classmethod
    def of(cls, use: RoadUse, days: FloatArray) -> "_Scan":
        shares = np.column_stack([use.after(day) for day in days])
        ratio = np.exp(use.log_km - _typical(use))
        ratio = np.minimum(ratio, HIGHEST)
        table = within_units(np.column_stack([shares, ratio, use.waves]), use.spell, use.days)
        x, waves = table[:, :-4], table[:, -4:]
        weighted = waves * use.days[:, None]
        beta = np.linalg.lstsq(weighted.T @ waves, weighted.T @ x, rcond=None)[0]
        x = x - waves @ beta
        products = (x * use.days[:, None]).T @ x
        return cls(days, products[:-1, :-1], products[:-1, -1])

    def _pairs(self) -> tuple[FloatArray, FloatArray]:
        """Of stretches from day i (rows) to day j: information, and product with use."""
        own = np.diag(self.gram)
        known = own[:, None] + own - 2.0 * self.gram
        return known, self.product[:, None] - self.product

    def best(self, *, over: bool) -> tuple[float, float] | None:
        """First and last day of the stretch that explains most, of those that are over or of those
        that go on."""
        known, product = self._pairs()
        long = self.days - self.days[:, None]
        possible = (self.days < 0.0) == over
        possible = possible & (long >= SHORTEST) & (long <= (LONGEST if over else SETTLED_DAYS))
        gain = np.where(possible & (known > 0.0), product**2 / np.maximum(known, 1e-9), 0.0)
        i, j = np.unravel_index(int(np.argmax(gain)), gain.shape)
        return (float(self.days[i]), float(self.days[j])) if gain[i, j] > 0.0 else None

    def _place(self, day: float) -> int:
        return int(np.argmin(np.abs(self.days - day)))

    def size(self, begin: float, end: float) -> float:
        """Use in a stretch less that outside, over the units' own."""
        i, j = self._place(begin), self._place(end)
        known, product = (each[i, j] for each in self._pairs())
        return float(product / max(known, 1e-9))

    def largest_other(self, begin: float, end: float) -> float:
        """How far use was from usual in any other stretch as long, beside that one; of those that
        half as much is known of."""
        i, j = self._place(begin), self._place(end)
        own = self.gram[i] - self.gram[j]
        known, product = self._pairs()
        with_it = own[:, None] - own
        size = product[i, j] / max(known[i, j], 1e-9)
        beside = known - with_it**2 / max(known[i, j], 1e-9)
        left = product - with_it * size
        alike = np.abs((self.days - self.days[:, None]) - (end - begin)) <= STEP_DAYS
        apart = (self.days <= begin - STEP_DAYS) | (self.days[:, None] >= end + STEP_DAYS)
        told = alike & apart & (beside >= known[i, j] / 2.0)
        return float(np.abs(np.where(told, left / np.where(told, beside, 1.0), 0.0)).max())


def _typical(use: RoadUse) -> FloatArray:
    """Median log km a day of each interval's spell (n,)."""
    frame = pl.DataFrame({"spell": use.spell, "log_km": use.log_km})
    return frame.select(pl.col("log_km").median().over("spell"))["log_km"].to_numpy()


def _as_blended(use: RoadUse, begin: float, end: float, size: float) -> BoolArray:
    """Intervals in which a unit ran no less than a standing one, of what all ran."""
    expected = np.log(np.maximum(1.0 + size * use.within(begin, end), _LOWEST))
    left = use.log_km - _typical(use) - expected
    return np.asarray((left > np.log(STANDING_SHARE)) & (left < np.log(HIGHEST)))


def _finer(use: RoadUse, begin: float, end: float, first: float) -> tuple[float, float]:
    """The days about a stretch's, in the mean over their likelihood: how long it was and how deep
    are told apart by few intervals, and the best pair of days alone may be an extreme one."""
    around = np.arange(-4.0, 5.0) * FINE_DAYS
    begins = [b for b in begin + around if b >= first]
    ends = [0.0] if end == 0.0 else [e for e in end + around if e < 0.0]
    pairs = np.array([(b, e) for b in begins for e in ends if e - b >= SHORTEST])
    squares = np.array([_fitted(use, use.within(b, e)[:, None]).squares for b, e in pairs])
    if not np.isfinite(squares).any():
        return begin, end
    spare = max(len(use.days) - len(np.unique(use.spell)), 1)
    variance = max(float(squares.min()) / spare, 1e-12)
    likely = np.exp(-(squares - squares.min()) / (2.0 * variance))
    mean = likely @ pairs / likely.sum()
    return float(mean[0]), float(mean[1])


def _fitted(use: RoadUse, shares: FloatArray) -> _Fit:
    """Ratios of stretches by their shares (n, k); infinite squares where they cannot be told
    apart."""
    k, days = shares.shape[1], use.days
    ratio = np.ones(k)
    for _ in range(ROUNDS):
        blend = np.maximum(1.0 + shares @ (ratio - 1.0), _LOWEST)
        columns = [shares / blend[:, None], use.waves, use.log_km - np.log(blend)]
        table = within_units(np.column_stack(columns), use.spell, days)
        x, y = table[:, :-1], table[:, -1]
        weighted = x * days[:, None]
        gram = weighted.T @ x
        if np.linalg.cond(gram) > 1e10:
            return _Fit(ratio, np.eye(k), np.inf, y)
        beta = np.asarray(np.linalg.solve(gram, weighted.T @ y))
        before, ratio = ratio, np.clip(ratio + beta[:k], _LOWEST, HIGHEST)
        if np.abs(ratio - before).max() < SETTLED:
            break
    inverse = np.asarray(np.linalg.inv(gram), np.float64)
    error = weighted * (y - x @ beta)[:, None]
    spread = clustered_covariance(inverse, error, use.unit)[0][:k, :k]
    own = y + within_units(np.log(blend)[:, None], use.spell, days)[:, 0] - x[:, k:] @ beta[k:]
    return _Fit(ratio, spread, float(days @ (y - x @ beta) ** 2), own)


def _told(
    use: RoadUse, scan: _Scan, found: tuple[float, float], first: float, as_of: dt.date
) -> UseStretch | None:
    """A stretch about some days, if it is one."""
    begun_before = found[1] == 0.0 and found[0] <= STEP_DAYS - SETTLED_DAYS
    size = scan.size(*found)
    # At the bound of what is sought it is older: what lasts has a search of its own.
    if begun_before or abs(size) < BEYOND_OTHERS * scan.largest_other(*found):
        return None
    use = use.some(_as_blended(use, *found, size))
    begin, end = _finer(use, *found, first)
    inside = use.within(begin, end)
    fit = _fitted(use, inside[:, None])
    ratio, variance = float(fit.ratio[0]), float(fit.covariance[0, 0])
    if not np.isfinite(fit.squares) or abs(ratio - 1.0) < LEAST_STRETCH:
        return None
    if fit.score < CHANGE_SCORE:
        return None
    units, same = _own_ratios(use, fit.left, inside, ratio)
    if units < LEAST_UNITS or same < MOST_SAME * units:
        return None
    if end < 0.0 and not _came_back(use, begin, end):
        return None
    half = float(t_quantile(0.975, max(units - 1, 1)) * np.sqrt(variance))
    from_on, until_on = (as_of + dt.timedelta(days=round(day)) for day in (begin, end))
    limits = ratio, max(ratio - half, 0.0), ratio + half
    return UseStretch(from_on, until_on if end < 0.0 else None, *limits, units, same)


def _came_back(use: RoadUse, begin: float, end: float) -> bool:
    """Whether use since is nearer to that of before than to that of the stretch, and surely not
    the latter."""
    both = _fitted(use, np.column_stack([use.within(begin, end), use.after(end)]))
    if not np.isfinite(both.squares):
        return False
    inside, since = both.ratio
    variance = both.covariance[0, 0] + both.covariance[1, 1] - 2.0 * both.covariance[0, 1]
    surely = (inside - since) ** 2 >= CHANGE_SCORE * variance
    return bool(surely and abs(since - 1.0) < abs(inside - 1.0) / 2.0)


def _own_ratios(
    use: RoadUse, left: FloatArray, inside: FloatArray, ratio: float
) -> tuple[int, int]:
    """Units seen in a stretch and outside, season apart, and those of them that moved by half as
    much as all did, or by more."""
    most = inside >= min(0.5, float(inside.max()) / 2.0)
    expected = np.log(np.maximum(1.0 + (ratio - 1.0) * inside, _LOWEST))
    days = [np.bincount(use.unit, use.days * which) for which in (~most, most)]
    both = (days[0] > 0) & (days[1] > 0)

    def moved(log_use: FloatArray) -> FloatArray:
        out, within = (
            np.bincount(use.unit, use.days * log_use * which)[both] / of[both]
            for which, of in zip((~most, most), days, strict=True)
        )
        return np.asarray(within - out)

    same = moved(left) * np.sign(ratio - 1.0) >= np.abs(moved(expected)) / 2.0
    return int(both.sum()), int(same.sum())
