r"""Whether visits keep to a calendar: a late one is followed by a short interval.

With :math:`e_n` by how much of a usual interval a unit's n-th visit is early or late by itself, an
interval in which k visits were due is

.. math:: \ell_n = k + \mu + e_n - \theta\,e_{n-1},

a moving average of order one (Box & Jenkins 1970, *Time Series Analysis*): of checks on fixed days
:math:`\theta` is 1, of checks counted from visit to visit 0. Innovations :math:`\ell_n -
\hat\ell_n` of variance :math:`\sigma^2 v_n` come by the recursion

.. math:: \hat\ell_n = k + \mu - \frac{\theta}{v_{n-1}} (\ell_{n-1} - \hat\ell_{n-1}),\qquad
    v_n = 1 + \theta^2 - \theta^2 / v_{n-1}

(Brockwell & Davis 1991, *Time Series: Theory and Methods*, section 5.2), which begins anew with
:math:`v = 1 + \theta^2` after whatever was no such interval; :math:`\theta` is that of the largest
likelihood. What is known of the last visit is that it was late by :math:`(\ell_n - \hat\ell_n) /
v_n`, of variance :math:`\sigma^2 (1 - 1 / v_n)`.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.intervals import FEW_INTERVALS, UsageIntervals

PRIOR_KEEPS = 0.25
"""What is held of visits then: rather counted from visit to visit than by fixed days."""
KEEPS = np.linspace(0.0, 0.95, 20)
"""Not to 1: where a usual interval is known but to a part, calendars drift away from it."""
SURE = 6.6
"""Twice the log likelihood that a calendar has to win: chance has so much once in a hundred."""
MOST_UNITS = 2_000
MOST_DUE = 4
"""Intervals in which more visits were due than so tell nothing of a calendar."""


@dataclass(frozen=True, slots=True)
class Calendar:
    """``keeps``: the moving average's theta. ``late``, ``late_variance`` (U,): by how much each
    unit's last visit was late, in usual intervals. ``mean``: what an interval has over the visits
    that were due in it. ``next_variance``: of an interval to come over sigma squared."""

    keeps: float
    late: FloatArray
    late_variance: FloatArray
    mean: float
    next_variance: float

    def some(self, units: IntArray) -> "Calendar":
        return replace(self, late=self.late[units], late_variance=self.late_variance[units])

    def forgotten(self, units: BoolArray) -> "Calendar":
        """Nothing known of the last visits of some units."""
        known = ~units
        variance = np.where(known, self.late_variance, self.late_variance.max(initial=0.0))
        return replace(self, late=self.late * known, late_variance=variance)

    def steadied(self, length: FloatArray, variance: float = 1.0) -> FloatArray:
        """Intervals (n,) as if their scatter had such a variance, over sigma squared, of the
        1 + theta squared that it has; those that tell nothing of a calendar as they are."""
        due = visits_due(length)
        scatter = np.sqrt(variance / (1.0 + self.keeps**2))
        return np.where(due > 0, due + self.mean + scatter * (length - due - self.mean), length)

    def unsteadied(self, length: FloatArray) -> FloatArray:
        """The interval (n,) that is :meth:`steadied` to each length, of those in which as many
        visits are due."""
        due = visits_due(length)
        off = self.mean + np.sqrt(1.0 + self.keeps**2) * (length - due - self.mean)
        return np.where(due > 0, due + np.clip(off, -0.5, 0.5), length)


NO_CALENDAR = Calendar(0.0, np.zeros(0), np.zeros(0), 0.0, 1.0)
"""Visits counted from one to the next."""


def visits_due(length: FloatArray) -> IntArray:
    """Visits that were due in intervals, in usual ones, the one that ends it counted; 0 where they
    are too short to tell of a calendar, or too long."""
    due = np.floor(length + 0.5).astype(np.int64)
    return np.asarray(np.where(due <= MOST_DUE, due, 0))


class _Scanned(NamedTuple):
    """The recursion's end: innovations over sigma's root of v (units, T), and of each unit's last
    interval innovation and v; sums of squares and of logs of v, for the likelihood."""

    surprise: FloatArray
    innovation: FloatArray
    variance: FloatArray
    square: float
    log: float


def calendar_kept(intervals: UsageIntervals, length: FloatArray) -> tuple[Calendar, FloatArray]:
    """The calendar, and how long each interval was against what those before let expect (U, T), in
    standard deviations; NaN where it says nothing. ``length``: over each unit's usual one (U, T).
    """
    due = visits_due(length)
    told = intervals.seen_at_visits & (due > 0)
    n = int(told.sum())
    off = np.where(told, length - due, 0.0)
    mean = float(off.sum() / n) if n else 0.0
    off = np.where(told, off - mean, 0.0)
    # After a unit's last visit comes what has not ended in one: it changes nothing.
    passed = ~intervals.is_there | (~intervals.to_visit & _is_last(intervals.is_there))
    keeps = _best(off, told, passed, n) if n >= FEW_INTERVALS else PRIOR_KEEPS
    found = _scanned(keeps, off, told, passed)
    variance = found.square / max(n, 1)
    late = found.innovation / found.variance
    doubt = variance * (1.0 - 1.0 / found.variance)
    coming = 1.0 + keeps**2 - keeps**2 / found.variance
    next_variance = float(coming.mean()) if len(coming) else 1.0
    surprise = np.where(told, found.surprise, np.nan)
    return Calendar(keeps, late, doubt, mean, next_variance), surprise


def _is_last(there: BoolArray) -> BoolArray:
    last = np.zeros(there.shape, bool)
    last[:, -1:] = True
    return last & there


def _best(off: FloatArray, told: BoolArray, passed: BoolArray, n: int) -> float:
    """Theta of the largest likelihood, by some of the units where they are many."""
    some = slice(None, None, len(off) // MOST_UNITS + 1)
    many = max(int(told[some].sum()), 1)
    deviance = []
    for keeps in KEEPS:
        found = _scanned(float(keeps), off[some], told[some], passed[some])
        deviance.append(many * np.log(max(found.square / many, 1e-12)) + found.log)
    best = int(np.argmin(deviance))
    return float(KEEPS[best]) if deviance[best] < deviance[0] - SURE else 0.0


def _scanned(keeps: float, off: FloatArray, told: BoolArray, passed: BoolArray) -> _Scanned:
    whole = 1.0 + keeps**2
    units = len(off)
    innovation, variance = np.zeros(units), np.full(units, whole)
    begun = np.zeros(units, bool)
    surprise, square, log = np.zeros(off.shape), 0.0, 0.0
    for t in range(off.shape[1]):
        here, gone = told[:, t], passed[:, t]
        coming = np.where(begun, whole - keeps**2 / variance, whole)
        new = off[:, t] + np.where(begun, keeps / variance * innovation, 0.0)
        surprise[:, t] = new / np.sqrt(coming)
        square += float((surprise[here, t] ** 2).sum())
        log += float(np.log(coming[here]).sum())
        innovation = np.where(here, new, np.where(gone, innovation, 0.0))
        variance = np.where(here, coming, np.where(gone, variance, whole))
        begun = here | (begun & gone)
    # Of a last visit of which nothing is known, e has the variance of all: as if v were infinite.
    return _Scanned(surprise, innovation, np.where(begun, variance, np.inf), square, log)
