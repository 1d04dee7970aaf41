r"""Days lost off the road: on from as-of, absences begin at a rate per day on the road.

After g days on the road, a unit that was on it at as-of has lost a compound Poisson sum of
absences, one that was not what is left of its absence besides:

.. math:: C_g = R * B_g,\qquad \hat B_g(s) = \exp\{\lambda g(\hat D(s) - 1)\}

:math:`\hat B` a Fourier transform, D the absences on record and R what is left of the one that may
be going on, worked out on a grid of weeks. So an event that needs g days on the road comes after g
days and those lost by then.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.usage.fit import UsageFit
from models.usage.interval_distribution import IntervalSample, Pool

WEEK_DAYS, WEEKS = 7.0, 4096
MOST_LEFT = WEEKS // 4
"""Weeks of one absence at the most."""
AGES = 8
"""Classes of the open interval's age in a usual interval."""
OLDEST = 4.0
WEEKS_AT_ONCE = 64
"""Weeks of an absence worked out together: a few megabytes."""
_BEGINS = (np.arange(8) + 0.5) / 8.0


@dataclass(frozen=True, slots=True)
class AbsenceClasses:
    """Units alike in what they may lose (U,): number of the class; and by class, the chance of so
    many days left of an absence that is going on: (days, chances)."""

    number: IntArray
    left: tuple[tuple[FloatArray, FloatArray], ...]


def absence_classes(usage: UsageFit) -> AbsenceClasses:
    """Classes of all units by pool, by standing when last seen, and by how long they are away."""
    interval_distribution = usage.interval_distribution
    pool = interval_distribution.pool[usage.group]
    usual_days = usage.usual_days_now
    age = np.minimum(usage.since_visit / usual_days, OLDEST)
    age = np.where(usage.off_now, 0, np.floor(age * AGES)).astype(np.int64)
    keys, first, number = np.unique(
        np.column_stack([pool, usage.off_now, age]), axis=0, return_index=True, return_inverse=True
    )
    left = tuple(
        _left_standing(interval_distribution.returning, _back(interval_distribution.pools[k]))
        if off
        else _left_away(
            interval_distribution.pools[k].after_road, a / AGES, float(usual_days[unit])
        )
        for (k, off, a), unit in zip(keys, first, strict=True)
    )
    return AbsenceClasses(number.ravel(), left)


def _left_standing(returning: float, back: float) -> tuple[FloatArray, FloatArray]:
    """Of a unit seen off the road: it is ``back`` by that chance, or stands as long as they last,
    whenever that began."""
    days = -np.log1p(-(np.arange(32) + 0.5) / 32.0) / returning
    return np.append(0.0, days), np.append(back, np.full(32, (1.0 - back) / 32.0))


def _back(pool: Pool) -> float:
    """Chance that a visit that found a unit standing put it on the road again."""
    sample = pool.after_standing
    return 0.0 if sample is None else sample.mean((~sample.off_road).astype(float))


def _left_away(
    sample: IntervalSample, age: float, usual_days: float
) -> tuple[FloatArray, FloatArray]:
    """Of a unit that was on the road at its last visit: intervals at least as long as it is away,
    each with its absence beginning anywhere in it."""
    kept = sample.length > age
    if not kept.any():
        return np.zeros(1), np.ones(1)
    length, lost = sample.length[kept], sample.length[kept] * sample.lost[kept]
    weight = sample.weight[kept] / sample.weight[kept].sum()
    begins = _BEGINS[:, None] * (length - lost)
    going_on = (begins <= age) & (age < begins + lost)
    days = np.where(going_on, begins + lost - age, 0.0) * usual_days
    return days.ravel(), np.tile(weight / len(_BEGINS), len(_BEGINS))


@dataclass(frozen=True, slots=True)
class BegunAbsences:
    """Absences that begin before each of G - 1 events, which need between ``days[i]`` and
    ``days[i + 1]`` days on the road (G,).

    ``chance`` (G - 1, weeks): to have lost no more than so many to them. ``event``, ``day`` (E,):
    pairs of an event and a day after it, with the whole weeks ``over`` between them, most first.
    """

    chance: FloatArray
    event: IntArray
    day: IntArray
    over: IntArray


def begun_by(usage: UsageFit, days: FloatArray) -> BegunAbsences:
    """What begins before events on the road."""
    interval_distribution = usage.interval_distribution
    absence = np.fft.rfft(
        _by_week(interval_distribution.off_days, interval_distribution.off_weight)
    )
    lost = np.exp(interval_distribution.leaving * _middle(days)[:, None] * (absence - 1.0))
    chance = np.clip(np.cumsum(np.fft.irfft(lost, WEEKS, axis=1), axis=1), 0.0, 1.0)
    over = np.floor((days - _middle(days)[:, None]) / WEEK_DAYS).astype(np.int64)
    event, day = np.nonzero(over >= 0)
    over = np.minimum(over[event, day], WEEKS - 1)
    most_first = np.argsort(-over, kind="stable")
    return BegunAbsences(chance, event[most_first], day[most_first], over[most_first])


def _middle(days: FloatArray) -> FloatArray:
    return (days[:-1] + days[1:]) / 2.0


def _by_week(days: FloatArray, weight: FloatArray) -> FloatArray:
    week = np.minimum(np.round(days / WEEK_DAYS).astype(np.int64), MOST_LEFT)
    return np.asarray(np.bincount(week, weight, WEEKS), np.float64)


def reached_by(begun: BegunAbsences, left: Sequence[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Chance that each event of :func:`begun_by` has come by each of its days, (C, G - 1, G), with
    such days and chances ``left`` of the absence that is going on, by class (C,)."""
    going_on, over = np.array([_by_week(*each) for each in left]), begun.over
    place, chances = begun.event * begun.chance.shape[1] + over, begun.chance.ravel()
    weeks = np.flatnonzero(going_on.any(axis=0))
    enough = np.searchsorted(-over, -weeks, side="right")
    found = np.zeros((len(left), len(over)))
    # Absences that begin later, of the weeks that the one going on leaves of those over.
    for some in np.array_split(np.arange(len(weeks)), len(weeks) // WEEKS_AT_ONCE + 1):
        lost = np.zeros((len(some), len(over)))
        for row, k in zip(lost, some, strict=True):
            row[: enough[k]] = chances[place[: enough[k]] - weeks[k]]
        found += going_on[:, weeks[some]] @ lost
    events = len(begun.chance)
    by_day = np.zeros((len(left), events, events + 1))
    by_day[:, begun.event, begun.day] = found
    return by_day
