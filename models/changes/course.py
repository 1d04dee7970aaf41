r"""A slow worsening that nobody announced: the fleet's monthly rates under a chart.

Month t has an amount over a distance :math:`x_t`, so that its rate has variance in proportion to
:math:`1/x_t`. It is set against all months before it, whose mean and spread are not known but
estimated: with :math:`\bar r` and :math:`s^2` the weighted mean and variance of t - 1 months,

.. math:: T_t = (r_t - \bar r)\Big/\Big(s\sqrt{1/x_t + 1/\textstyle\sum_{i<t} x_i}\Big)

has Student's t with t - 2 degrees of freedom where nothing changes, and
:math:`\Phi^{-1}(F_{t-2}(T_t))` are independent standard normal numbers (Hawkins 1987, *The
Statistician* 36:299; Quesenberry 1991, *J. Quality Technology* 23:213 for unequal areas). They go
under a one-sided cumulative sum, whose limit has a stated number of months between false alarms.

A rise is over when the months since it began, set against each other in the same way, go down
beyond the same limit. The months between are then left out, and the rest is watched as if they had
not been: a later rise is one above what is usual without them.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import FloatArray
from models.common.control_charts import CusumChart, cusum, cusum_limit
from models.common.distributions import t_cdf

WARM_UP = 6
"""Months before the first that is judged."""
ALLOWANCE = 0.25
"""Half the lasting shift looked for, in standard deviations of a month: small and slow ones."""
FALSE_ALARM_MONTHS = 240.0


@dataclass(frozen=True, slots=True)
class Rise:
    """Months (places): in which it began and the chart signalled, and the first after it (None: it
    lasts)."""

    began: int
    signal: int
    ended: int | None


@dataclass(frozen=True, slots=True)
class Course:
    """Per month (T,): the standardised rate (NaN: not judged) and its cumulative sum upward; the
    limit; rises in order, of which only the last may last."""

    standardised: FloatArray
    rise: FloatArray
    limit: float
    rises: tuple[Rise, ...]


def watched_course(
    amount: FloatArray, distance: FloatArray, *, months_between: float = FALSE_ALARM_MONTHS
) -> Course:
    """Months (T,) in order; those without distance are passed over.

    Raises
    ------
    ValueError
        If the false alarms are wanted closer together than any limit puts them.
    """
    limit = cusum_limit(ALLOWANCE, months_between, two_sided=False)
    values, upward = np.full(len(amount), np.nan), np.zeros(len(amount))
    watched, rises = np.arange(len(amount)), list[Rise]()
    while True:
        values[watched] = standardised(amount[watched], distance[watched])
        upward[watched] = _chart(values[watched], limit).upper
        began, signal = _beyond(upward[watched], limit)
        if signal is None:
            break
        since = watched[began:]
        falling = _chart(standardised(amount[since], distance[since]), limit).lower
        lasted, fallen = _beyond(falling, limit)
        ended = None if fallen is None else int(since[lasted])
        rises.append(Rise(int(watched[began]), int(watched[signal]), ended))
        if ended is None:
            break
        watched = np.delete(watched, np.s_[began : began + lasted])
    return Course(values, upward, limit, tuple(rises))


def _chart(values: FloatArray, limit: float) -> CusumChart:
    return cusum(values, target=0.0, allowance=ALLOWANCE, limit=limit)


def _beyond(sums: FloatArray, limit: float) -> tuple[int, int | None]:
    """Where a cumulative sum last left zero before it was first beyond the limit, and where it
    first was (None: nowhere)."""
    over = np.flatnonzero(sums > limit)
    if len(over) == 0:
        return 0, None
    zero = np.flatnonzero(sums[: over[0] + 1] == 0.0)
    return (int(zero[-1]) + 1 if len(zero) else 0), int(over[0])


def standardised(amount: FloatArray, distance: FloatArray) -> FloatArray:
    """Each month against those before it, as a standard normal number; NaN where it cannot be."""
    found = np.full(len(amount), np.nan)
    weight = mean = squares = 0.0
    months = 0
    for t in np.flatnonzero(distance > 0.0):
        x, rate = float(distance[t]), float(amount[t] / distance[t])
        spread = np.sqrt(squares / (months - 1.0)) if months > 1 else 0.0
        if months >= WARM_UP and spread > 0.0:
            statistic = (rate - mean) / (spread * np.sqrt(1.0 / x + 1.0 / weight))
            below = np.clip(t_cdf(statistic, months - 1.0), 1e-12, 1.0 - 1e-12)
            found[t] = float(special.ndtri(below))
        months, weight = months + 1, weight + x
        step = rate - mean
        mean += step * x / weight
        squares += x * step * (rate - mean)
    return found
