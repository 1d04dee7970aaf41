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
& McCaffrey 2002, *Survey Methodology* 28:169), each group's apart, by t with Welch's degrees of
freedom. Where no unit stayed as it was only the first
term is left, and whatever else changed then is in it.

The same figure between the two halves of the window before says whether the groups were on one
course: it should be 1.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.common.arrays import BoolArray, FloatArray
from models.common.distributions import t_cdf, t_quantile

FEWEST_UNITS = 3
"""Fewer units in a group cannot say how units differ."""


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
    """A log ratio of rates after over before, its variance and degrees of freedom."""

    value: float
    variance: float
    degrees: float


def effect(windows: Windows, *, level: float = 0.95) -> Effect | None:
    """The change's effect; None where the units that changed are too few or a rate is nought."""
    changed = _log_change(windows, windows.changed)
    if changed is None:
        return None
    still = _log_change(windows, ~windows.changed)
    value, variance = changed.value, changed.variance
    degrees = changed.degrees
    if still is not None:
        value, variance = value - still.value, variance + still.variance
        parts = changed.variance**2 / changed.degrees + still.variance**2 / still.degrees
        degrees = variance**2 / parts if parts > 0.0 else degrees
    se = float(np.sqrt(variance))
    half = float(t_quantile(0.5 + level / 2.0, degrees)) * se
    sums = [float(column[windows.changed & windows.seen].sum()) for column in windows[:4]]
    return Effect(
        ratio=float(np.exp(value)),
        low=float(np.exp(value - half)),
        high=float(np.exp(value + half)),
        p=float(2.0 * t_cdf(-abs(value) / se, degrees)) if se > 0.0 else float(value == 0.0),
        before=sums[0] / sums[1],
        after=sums[2] / sums[3],
        units_changed=int((windows.changed & windows.seen).sum()),
        units_unchanged=int((~windows.changed & windows.seen).sum()),
        controlled=still is not None,
    )


def _log_change(windows: Windows, group: BoolArray) -> _Log | None:
    chosen = group & windows.seen
    units = int(chosen.sum())
    a0, x0, a1, x1 = (column[chosen] for column in windows[:4])
    if units < FEWEST_UNITS or not (a0.sum() > 0.0 and a1.sum() > 0.0):
        return None
    r0, r1 = a0.sum() / x0.sum(), a1.sum() / x1.sum()
    residual = _left_out(a1, x1, r1) - _left_out(a0, x0, r0)
    variance = (units - 1.0) / units * float(np.sum(residual**2))
    return _Log(float(np.log(r1 / r0)), variance, units - 1.0)


def _left_out(amount: FloatArray, distance: FloatArray, rate: float) -> FloatArray:
    """How far each unit, left out, would move the logarithm of the pooled rate, to first order."""
    others = np.maximum(1.0 - distance / distance.sum(), 1.0 / len(distance))
    return np.asarray((amount - rate * distance) / amount.sum() / others)
