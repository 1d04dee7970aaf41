r"""A dated change, judged by units that changed against units that did not.

Each unit u has an amount a and a distance x (or a number of chances) before and after the day,
months counted over windows of one length. Rates pooled within the four cells give

.. math:: \log\hat\rho = \log\frac{A_{c1}/X_{c1}}{A_{c0}/X_{c0}}
    - \log\frac{A_{n1}/X_{n1}}{A_{n0}/X_{n0}},

c for units that changed, n for those that did not, 0 before and 1 after: what the change multiplied
the rate by, whatever befell both alike at the time (difference in differences on the log scale;
interrupted series with a control: Lopez Bernal, Cummins & Gasparrini 2018, *Int. J. Epidemiol.*
47:2082). Its variance is that of leaving each unit out in turn, to first order, so that months of
one unit may depend on each other (Bertrand, Duflo & Mullainathan 2004, *Q. J. Econ.* 119:249; Bell
& McCaffrey 2002, *Survey Methodology* 28:169), each group's apart. Where no unit stayed as it was
only the first term is left, and whatever else changed then is in it.

How large :math:`T = (\log\hat\rho - \log\rho)/s` becomes by chance is found, where a group is
small, by dealing out anew which units changed, their amounts after the day divided by rho: exact at
every rho where units are exchangeable, right in large groups where they are not (Chung & Romano
2013, *Ann. Stat.* 41:484). Limits are the rho that this test does not reject at their level. Where
both groups are large, or so small that there are few ways to deal, it is t with Welch's degrees of
freedom.

The same figure between the two halves of the window before says whether the groups were on one
course: it should be 1.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.common.arrays import BoolArray, FloatArray
from models.common.distributions import t_cdf, t_quantile

FEWEST_UNITS = 3
"""Fewer units in a group cannot say how units differ."""
MANY_UNITS, MOST_UNITS = 30, 2_000
"""From so many units in the smaller group on t is as good; in all, dealing takes long."""
DEALS, FEWEST_DEALS = 499, 200
"""How often changes are dealt out anew; with fewer ways to do it the tails are not seen."""
STEPS = 3
WIDEST_LOG = 30.0
"""Turns of the search for a limit; and where chance shows none, t it is."""


class Windows(NamedTuple):
    """Amounts and distances of U units: (U,) each, before and after; ``changed``; ``seen`` in both
    windows: a unit that came or went meanwhile says nothing of a change, and is left out."""

    amount_before: FloatArray
    distance_before: FloatArray
    amount_after: FloatArray
    distance_after: FloatArray
    changed: BoolArray
    seen: BoolArray


@dataclass(frozen=True, slots=True)
class Effect:
    """What a change multiplied a rate by, with limits and two-sided p; ``before`` and ``after``:
    rates of the units that changed. ``controlled``: against units that did not."""

    ratio: float
    low: float
    high: float
    p: float
    before: float
    after: float
    units_changed: int
    units_unchanged: int
    controlled: bool


class _Log(NamedTuple):
    """Log ratios of rates after over before of G groups of units, with their variances; (G,)."""

    value: FloatArray
    variance: FloatArray


class _Limits(NamedTuple):
    """Of a log ratio, with two-sided p."""

    low: float
    high: float
    p: float


def effect(windows: Windows, *, level: float = 0.95) -> Effect | None:
    """The change's effect; None where the units that changed are too few or a rate is nought."""
    seen = Windows._make(column[windows.seen] for column in windows)
    changed, still = seen.changed, ~seen.changed
    if not _tells(seen, changed):
        return None
    controlled = _tells(seen, still)
    groups = np.array([changed, still] if controlled else [changed], bool)
    logs = _log_changes(seen.amount_after, seen.distance_after, groups, _before(seen, groups))
    value = float(logs.value[0] - logs.value[1]) if controlled else float(logs.value[0])
    se = float(np.sqrt(logs.variance.sum()))
    found = _relabelled(seen, value, se, level) if controlled and se > 0.0 else None
    found = found or _by_t(value, logs.variance, groups.sum(axis=1) - 1.0, level)
    sums = [float(column[changed].sum()) for column in seen[:4]]
    return Effect(
        ratio=float(np.exp(value)),
        low=float(np.exp(found.low)),
        high=float(np.exp(found.high)),
        p=found.p,
        before=sums[0] / sums[1],
        after=sums[2] / sums[3],
        units_changed=int(changed.sum()),
        units_unchanged=int(still.sum()),
        controlled=controlled,
    )


def _tells(seen: Windows, group: BoolArray) -> bool:
    counted = seen.amount_before[group].sum() > 0.0 and seen.amount_after[group].sum() > 0.0
    return bool(group.sum() >= FEWEST_UNITS and counted)


def _by_t(value: float, variance: FloatArray, degrees: FloatArray, level: float) -> _Limits:
    se = float(np.sqrt(variance.sum()))
    if se == 0.0:
        return _Limits(value, value, float(value == 0.0))
    both = float(variance.sum() ** 2 / np.sum(variance**2 / degrees))
    half = float(t_quantile(0.5 + level / 2.0, both)) * se
    return _Limits(value - half, value + half, float(2.0 * t_cdf(-abs(value) / se, both)))


def _relabelled(seen: Windows, value: float, se: float, level: float) -> _Limits | None:
    """Limits and p by dealing out anew which units changed; None where t is as good or better."""
    units, few = len(seen.changed), int(min(seen.changed.sum(), (~seen.changed).sum()))
    if few >= MANY_UNITS or units > MOST_UNITS or math.comb(units, few) < FEWEST_DEALS:
        return None
    rng = np.random.default_rng(0)
    dealt = rng.permuted(np.tile(seen.changed, (DEALS, 1)), axis=1)
    place = math.ceil(level * (DEALS + 1)) - 1
    sides = [(groups, _before(seen, groups)) for groups in (dealt, ~dealt)]

    def by_chance(log_ratio: float) -> FloatArray:
        """How large T turned out (DEALS,), had the change multiplied by this."""
        undone = np.where(seen.changed, seen.amount_after / np.exp(log_ratio), seen.amount_after)
        one, other = (_log_changes(undone, seen.distance_after, *side) for side in sides)
        size = np.abs(one.value - other.value) / np.sqrt(one.variance + other.variance)
        return np.sort(np.where(np.isnan(size), np.inf, size))

    ends = []
    for sign in (-1.0, 1.0):
        end = value
        for _ in range(STEPS):  # the limit hardly moves what chance does
            end = value + sign * float(by_chance(end)[place]) * se
            if not abs(end) < WIDEST_LOG:
                return None
        ends.append(end)
    as_large = DEALS - int(np.searchsorted(by_chance(0.0), abs(value) / se * (1.0 - 1e-12)))
    return _Limits(ends[0], ends[1], (1.0 + as_large) / (DEALS + 1.0))


def _before(seen: Windows, groups: BoolArray) -> tuple[FloatArray, FloatArray]:
    return _left_out(seen.amount_before, seen.distance_before, groups)


def _log_changes(
    amount: FloatArray,
    distance: FloatArray,
    groups: BoolArray,
    before: tuple[FloatArray, FloatArray],
) -> _Log:
    """Of each group of units (G, U), from amounts and distances after the day and what the units'
    before come to; infinite or not a number where a rate is nought."""
    (r0, e0), (r1, e1) = before, _left_out(amount, distance, groups)
    units = groups.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = (units - 1.0) / units * np.sum(np.where(groups, e1 - e0, 0.0) ** 2, axis=1)
        return _Log(np.log(r1 / r0), variance)


def _left_out(
    amount: FloatArray, distance: FloatArray, groups: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Pooled rate of each group (G,), and how far each unit, left out, would move its logarithm, to
    first order (G, U)."""
    total, run = (groups @ column for column in (amount, distance))
    with np.errstate(divide="ignore", invalid="ignore"):
        rate, units = total / run, groups.sum(axis=1)
        others = np.maximum(1.0 - distance / run[:, None], 1.0 / units[:, None])
        return rate, (amount - rate[:, None] * distance) / total[:, None] / others
