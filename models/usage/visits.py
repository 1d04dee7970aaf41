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
"""

from dataclasses import dataclass

import numpy as np
import scipy

from models.common.arrays import BoolArray, FloatArray, IntArray
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
    since = np.minimum(usage.since_visit / usage.usual_days, OLDEST)
    # Past one usual interval (with its scatter) age tells little: points of an eighth.
    age = np.floor(since * POINTS + 1e-6).astype(np.int64)
    age = np.where(age > 3 * POINTS // 2, age // 4 * 4, age)
    keys = np.column_stack([pool, usage.off_now, age])
    _, number = np.unique(keys, axis=0, return_inverse=True)
    return VisitClasses(pool, usage.off_now, age, number.ravel())


@dataclass(frozen=True, slots=True)
class VisitSlots:
    """S slots of visits, in usual intervals from as-of on.

    ``expected`` (S,): visits in each; ``day`` (S,): their mean day; ``by_then`` (S, K): share of
    them that has come by each point of the grid ``days`` (K,).
    """

    days: FloatArray
    expected: FloatArray
    day: FloatArray
    by_then: FloatArray

    def first(self, slots: int) -> tuple[FloatArray, FloatArray]:
        """The grid as far as the first slots reach, and ``by_then`` there."""
        # A slot in which no visit is to be expected may lie beyond the grid.
        come = self.by_then[slots - 1] >= 1.0 - 1e-12
        last = int(come.argmax()) + 1 if come.any() else len(self.days)
        return self.days[:last], self.by_then[:slots, :last]


def visit_slots(
    pool: Pool, off_road: bool, age: int, slots: int, memory: float = 0.0
) -> VisitSlots:
    """Slots of units whose open interval is ``age`` points of the grid old.

    ``memory`` is the correlation of successive intervals: where visits keep a calendar, an interval
    too long is made up for by the next, and the scatter of those to come adds up to no more.
    """
    on = pool.after_road
    warm_start = (np.abs(on.length - 1.0) < KEPT) & (on.weight > 0.0)
    usual = (
        float(np.average(on.length[warm_start], weights=on.weight[warm_start]))
        if warm_start.any()
        else 1.0
    )
    scatter = np.sqrt(max(1.0 + 2.0 * memory, 0.0))
    later = np.where(warm_start, usual + scatter * (on.length - usual), on.length)
    left, weight = _left_of(pool.sample_after(off_road), age / POINTS)
    points = int((slots + 1) * POINTS * usual) + 1
    density = renewal_density(_on_grid(left, weight), _on_grid(later, on.weight), points)
    begins = usual - age / POINTS
    if begins <= 0.0:
        begins = float(np.interp(0.5, np.cumsum(weight), left))
    return _cut(density, begins, usual, slots)


def renewal_density(first: FloatArray, later: FloatArray, points: int) -> FloatArray:
    """Visits expected at each point of the grid (``points``,)."""
    impulse = np.zeros(points)
    size = min(points, len(first))
    impulse[:size] = first[:size]
    return np.asarray(scipy.signal.lfilter([1.0], np.concatenate([[1.0], -later[1:]]), impulse))


def _cut(density: FloatArray, begins: float, usual: float, slots: int) -> VisitSlots:
    """Slots around the days of a calendar that begins so, half a usual interval to either side."""
    days = np.arange(len(density)) / POINTS
    slot = np.clip(np.floor((days - begins) / usual + 0.5).astype(np.int64), 0, slots - 1)
    mass = np.maximum(density, 0.0)
    expected = np.asarray(np.bincount(slot, mass, minlength=slots), np.float64)
    first = np.searchsorted(slot, np.arange(slots))
    reached = np.cumsum(mass)
    before = np.concatenate([[0.0], reached])[first]
    middle = np.maximum(begins + np.arange(slots) * usual, 0.0)
    some = np.maximum(expected, 1e-300)
    day = np.where(expected > 1e-9, np.bincount(slot, mass * days, slots) / some, middle)
    # To be exactly 1 at a slot's end, whatever rounding the sum has gathered by then.
    own = np.concatenate([reached[first[1:] - 1], reached[-1:]]) - before
    by_then = (reached - before[:, None]) / np.maximum(own, 1e-300)[:, None]
    empty = expected <= 1e-9
    by_then[empty] = days >= middle[empty, None]
    return VisitSlots(days, expected, day, np.clip(by_then, 0.0, 1.0, out=by_then))


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
