r"""Days of the visits to come: a renewal process of the intervals on record.

With :math:`\ell` the length of an interval over the unit's usual one (empirical, weighted by the
product-limit estimate) and R what is left of the one that is open, the density of visits to come
solves the renewal equation

.. math:: m = r + f * m

(Feller 1971, *An Introduction to Probability Theory* II, ch. XI), r and f being the distributions
of R and :math:`\ell` on a grid of a 32nd of the usual interval. It is cut into slots, one for each
usual interval: the visits expected in a slot (fewer than one where some are missed) and how their
days lie within it. What a unit has run by a slot follows from the calendar, not from how many
visits were kept. Units whose open interval is as old share the slots.

With h what follows a visit at nought (:math:`h = \delta + f * h`), :math:`m = r * h`: for all
classes of a pool at once, by Fourier transform.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import rows_by
from models.usage.drawn.calendar import NO_CALENDAR, Calendar
from models.usage.fit import UsageFit
from models.usage.interval_distribution import KEPT, IntervalSample, Pool

POINTS = 32
"""Points of the grid in a usual interval."""
OLDEST = 4.0
"""Open intervals older than so many usual ones are taken as old as that."""


@dataclass(frozen=True, slots=True)
class VisitClasses:
    """Units whose next visits are alike (U,): ``pool`` of intervals, ``off_road`` when last seen,
    ``age`` of the open interval in points of the grid, and ``number`` of the class."""

    pool: IntArray
    off_road: BoolArray
    age: IntArray
    number: IntArray


def visit_classes(usage: UsageFit) -> VisitClasses:
    """The classes of all units."""
    pool = usage.interval_distribution.pool[usage.group]
    since = np.clip(usage.age, 0.0, OLDEST)
    # Past one usual interval (with its scatter) age tells little: points of an eighth.
    age = np.floor(since * POINTS + 1e-6).astype(np.int64)
    age = np.where(age > 3 * POINTS // 2, age // 4 * 4, age)
    keys = np.column_stack([pool, usage.off_now, age])
    _, number = np.unique(keys, axis=0, return_inverse=True)
    return VisitClasses(pool, usage.off_now, age, number.ravel())


@dataclass(frozen=True, slots=True)
class VisitSlots:
    """Slots of the visits of C classes of units, in usual intervals from as-of on.

    ``slots`` (C,): how many a class has; ``expected`` (C, S): visits in each; ``day`` (C, S): their
    mean day. What has come by each of a class's ``points``: the number of slots that are over and
    the share of the next one's visits. ``line`` (C x points): the same, class by class, each
    ``apart`` from the class before, so that all rise.
    """

    slots: IntArray
    expected: FloatArray
    day: FloatArray
    line: FloatArray

    @property
    def points(self) -> int:
        """Points of a class's grid."""
        return len(self.line) // max(len(self.slots), 1)

    @property
    def apart(self) -> float:
        return float(self.expected.shape[1] + 1)

    def first_with(self, number: IntArray, come: FloatArray) -> FloatArray:
        """Day of the first point of each class ``number`` (n,) by which so much has come
        (..., n); infinite where there is none."""
        place = np.searchsorted(self.line, come + number * self.apart) - number * self.points
        return np.asarray(np.where(place < self.points, place / POINTS, np.inf), np.float64)

    def come_by(self, number: IntArray, point: IntArray) -> FloatArray:
        """What has come by points of the grids of classes ``number`` (n,), (..., n)."""
        return np.asarray(self.line[number * self.points + point] - number * self.apart)


def visit_slots(
    pools: Sequence[Pool],
    pool: IntArray,
    off_road: BoolArray,
    age: IntArray,
    slots: IntArray,
    calendar: Calendar = NO_CALENDAR,
) -> VisitSlots:
    """So many ``slots`` of each of C classes of units, by pool of intervals, off the road or on it
    when last seen, and ``age`` of the open interval in points of the grid (C,).

    Where visits keep a ``calendar``, an interval too long is made up for by the next, and the
    scatter of those to come adds up to no more.
    """
    most = int(slots.max(initial=1))
    usual = np.array([_usual(each.after_road) for each in pools])
    points = int((most + 1) * POINTS * usual[pool].max(initial=1.0)) + 1
    expected, day = np.zeros((2, len(pool), most))
    come = np.zeros((len(pool), points))
    for rows in rows_by(pool):
        of = pools[pool[rows[0]]]
        first = [
            _steady(of.sample_after(o), calendar, calendar.next_variance) for o in (False, True)
        ]
        left = [
            _left_of(first[o], a / POINTS)
            for o, a in zip(off_road[rows].astype(np.int64), age[rows], strict=True)
        ]
        own = usual[pool[rows[0]]]
        later = _steady(of.after_road, calendar, (1.0 - calendar.keeps) ** 2)
        density = visit_density(later, left, points)
        begins = own - age[rows] / POINTS
        for i in np.flatnonzero(begins <= 0.0):
            begins[i] = np.interp(0.5, np.cumsum(left[i][1]), left[i][0])
        density *= np.arange(points) <= ((slots[rows] + 1) * POINTS * own).astype(np.int64)[:, None]
        expected[rows], day[rows], come[rows] = _cut(density, begins, own, slots[rows], most)
    come += np.arange(len(pool))[:, None] * (most + 1.0)
    return VisitSlots(slots, expected, day, come.ravel())


def _usual(sample: IntervalSample) -> float:
    """Mean of the intervals that are near the usual one, in usual ones."""
    near = _is_near(sample)
    return (
        float(np.average(sample.length[near], weights=sample.weight[near])) if near.any() else 1.0
    )


def _is_near(sample: IntervalSample) -> BoolArray:
    return (np.abs(sample.length - 1.0) < KEPT) & (sample.weight > 0.0)


def _steady(sample: IntervalSample, calendar: Calendar, variance: float) -> IntervalSample:
    return replace(sample, length=calendar.steadied(sample.length, variance))


def visit_density(
    sample: IntervalSample, left: Sequence[tuple[FloatArray, FloatArray]], points: int
) -> FloatArray:
    """Visits expected at each point of the grid (C, ``points``), from what may be ``left`` of each
    class's open interval and its probabilities."""
    follows = _on_grid(sample.length, sample.weight)
    on_grid = [_on_grid(*each)[:points] for each in left]
    first = np.zeros((len(left), max(map(len, on_grid))))
    for row, mass in zip(first, on_grid, strict=True):
        row[: len(mass)] = mass
    found = _convolved(first, _renewals(follows[:points], points))[:, :points]
    return np.maximum(found, 0.0)


def _convolved(rows: FloatArray, line: FloatArray) -> FloatArray:
    """Rows (C, n), each convolved with a line (k,): (C, n + k - 1)."""
    size = rows.shape[1] + len(line) - 1
    whole = 1 << (size - 1).bit_length()
    product = np.fft.rfft(rows, whole, axis=1) * np.fft.rfft(line, whole)
    return np.asarray(np.fft.irfft(product, whole, axis=1)[:, :size])


def _renewals(follows: FloatArray, points: int) -> FloatArray:
    """h (``points``,): the power series 1 / (1 - f), by Newton's iteration, which doubles the terms
    that are right at each step (Brent & Kung 1978, *JACM* 25:581)."""
    rest = -follows
    rest[0] = 1.0
    found = np.ones(1)
    while len(found) < points:
        size = min(2 * len(found), points)
        error = _convolved(rest[None, :size], found)[:, :size]
        error[0, 0] -= 2.0
        found = _convolved(-error, found)[0, :size]
    return found


def _cut(
    mass: FloatArray, begins: FloatArray, usual: float, slots: IntArray, most: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slots around the days of calendars that begin so (C,), half a usual interval to either side:
    visits expected and their mean day (C, ``most``), and what has come by each point."""
    days = np.arange(mass.shape[1]) / POINTS
    slot = np.floor((days - begins[:, None]) / usual + 0.5).astype(np.int64)
    slot = np.clip(slot, 0, slots[:, None] - 1)
    place = (slot + np.arange(len(mass))[:, None] * most).ravel()

    def by_slot(values: FloatArray | None) -> FloatArray:
        weights = None if values is None else values.ravel()
        sums = np.bincount(place, weights, len(mass) * most)
        return sums.reshape(len(mass), most).astype(np.float64)

    expected, last = by_slot(mass), np.cumsum(by_slot(None), axis=1).astype(np.int64)
    empty = expected <= 1e-9
    middle = np.maximum(begins[:, None] + np.arange(most) * usual, 0.0)
    day: FloatArray = np.where(empty, middle, by_slot(mass * days) / np.maximum(expected, 1e-300))
    reached = np.cumsum(mass, axis=1)
    row = np.arange(len(mass))[:, None]
    # To be exactly 1 at a slot's end, whatever rounding the sum has gathered by then.
    over = np.where(last > 0, reached[row, np.maximum(last - 1, 0)], 0.0)
    before = np.concatenate([np.zeros((len(mass), 1)), over[:, :-1]], axis=1)
    share = (reached - before[row, slot]) / np.maximum(over - before, 1e-300)[row, slot]
    share = np.where(empty[row, slot], days >= middle[row, slot], np.clip(share, 0.0, 1.0))
    return expected, day, np.asarray(slot + share, np.float64)


def _left_of(sample: IntervalSample, age: float) -> tuple[FloatArray, FloatArray]:
    """What is left of intervals longer than ``age``, sorted, and its probabilities. Where none is
    longer, the unit is back within a usual interval for all one knows."""
    kept = sample.length > age
    if not kept.any():
        return np.asarray((np.arange(8) + 0.5) / 8.0, np.float64), np.full(8, 1.0 / 8.0)
    weight = sample.weight[kept]
    return sample.length[kept] - age, weight / weight.sum()


def _on_grid(length: FloatArray, weight: FloatArray) -> FloatArray:
    """Probabilities on the grid, each split between the points on either side, so that the mean
    stays; nothing at nought, for two visits are not one."""
    at = np.maximum(length * POINTS, 1.0)
    # Intervals to the day stand on the grid, but for rounding.
    low = np.floor(at + 1e-6).astype(np.int64)
    share = np.clip(at - low, 0.0, 1.0)
    size = int(low.max()) + 2
    split = (
        np.bincount(low, weight * (1.0 - share), size),
        np.bincount(low + 1, weight * share, size),
    )
    return np.asarray(split[0] + split[1], np.float64)
