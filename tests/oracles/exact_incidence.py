"""Cumulative incidence of each way an adjuster's time can end, for ages seen exactly.

A check of the one for ages found at inspections.

An adjuster ends by one of several causes: it sticks, over-adjusts, is damaged, or is replaced
before any of that. F_k(t) is the probability of having ended by cause k by age t, the others being
at work (Aalen & Johansen 1978, *Scand. J. Stat.* 5:141):

    F_k(t) = sum_{s <= t} S(s-) ends_k(s) / watched(s),     S + sum_k F_k = 1.

Planned replacement is a cause like the others here: F_planned is the share replaced in good order.
It is not a failure, and the question "how long would adjusters live if nobody replaced them" is
another one: the latent life of `life_data.counts_from_frames`, where planned replacement only ends
the watching. One minus a product-limit curve of a single cause overstates its incidence.

The standard error is the infinitesimal jackknife, the root of the summed squared influence of each
cluster of adjusters. With one adjuster per cluster and no delayed entry it equals the
Greenwood-type formula.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.lives.causes.interval_incidence import CumulativeIncidence, incidence_limits


@dataclass(frozen=True, slots=True)
class EndedAdjusters:
    """One row per adjuster, or per identical adjusters of a cluster.

    entry, end: (n,), watched over ages (entry, end]; cause: (n,), 1 … K, 0 still going at `end`;
    cluster: (n,), 0 … clusters - 1 (a unit, or each adjuster its own); names: of the K causes.
    Raises ValueError unless entry < end and causes are named.
    """

    entry: FloatArray
    end: FloatArray
    cause: IntArray
    cluster: IntArray
    names: tuple[str, ...]

    def __post_init__(self) -> None:
        if np.any(self.entry >= self.end):
            raise ValueError("every adjuster needs entry < end")
        if np.any((self.cause < 0) | (self.cause > len(self.names))):
            raise ValueError("a cause is 0 for none, or the number of one of the names")


class _EndTable(NamedTuple):
    """At each distinct age of an end: watched, ends of all causes and by cause, S just before."""

    ages: FloatArray
    watched: FloatArray
    ends: FloatArray
    by_cause: FloatArray
    before: FloatArray


def cumulative_incidence(
    ended: EndedAdjusters, ages: FloatArray | None = None, level: float = 0.95
) -> list[CumulativeIncidence]:
    """The incidence of every cause at `ages`; without them, at every age of an end."""
    table = _end_table(ended)
    at = table.ages if ages is None else np.asarray(ages, float)
    return [
        _incidence_of(ended, table, cause, at, level) for cause in range(1, len(ended.names) + 1)
    ]


def event_free(ended: EndedAdjusters, ages: FloatArray) -> FloatArray:
    """The share still going at `ages`: the product-limit curve of all causes together."""
    table = _end_table(ended)
    after = np.append(1.0, table.before * (1.0 - table.ends / table.watched))
    return np.asarray(after[np.searchsorted(table.ages, ages, "right")])


def _end_table(ended: EndedAdjusters) -> _EndTable:
    seen = ended.cause > 0
    ages, place = np.unique(ended.end[seen], return_inverse=True)
    by_cause = np.zeros((len(ended.names), ages.size))
    np.add.at(by_cause, (ended.cause[seen] - 1, place), 1.0)
    entered = np.searchsorted(np.sort(ended.entry), ages, "left")
    gone = np.searchsorted(np.sort(ended.end), ages, "left")
    watched, ends = (entered - gone).astype(float), by_cause.sum(axis=0)
    going = np.cumprod(1.0 - ends / watched)
    return _EndTable(ages, watched, ends, by_cause, np.append(1.0, going)[:-1])


def _incidence_of(
    ended: EndedAdjusters, table: _EndTable, cause: int, at: FloatArray, level: float
) -> CumulativeIncidence:
    rises = table.before * table.by_cause[cause - 1] / table.watched
    total = np.append(0.0, np.cumsum(rises))
    incidence = np.asarray(total[np.searchsorted(table.ages, at, "right")])
    se = np.array([_jackknife_error(ended, table, cause, float(age)) for age in at])
    low, high = incidence_limits(incidence, se, level)
    count = int(np.sum(ended.cause == cause))
    return CumulativeIncidence(ended.names[cause - 1], at, incidence, se, low, high, count, level)


def _jackknife_error(ended: EndedAdjusters, table: _EndTable, cause: int, age: float) -> float:
    """Root of the summed squares of every cluster's influence on F at one age.

    An adjuster's influence is what its own end adds, minus what its being watched dilutes, minus
    the change it makes to S on the way; the latter two are differences of running sums.
    """
    ends_k = table.by_cause[cause - 1]
    left = table.watched - table.ends
    spare = np.where(left > 0.0, 1.0 / np.maximum(left, 1.0), 0.0)  # S is 0 thereafter
    rises = np.cumsum(table.before * ends_k / table.watched)
    reached = float(np.append(0.0, rises)[np.searchsorted(table.ages, age, "right")])
    diluted = _running(table.before * ends_k / table.watched**2)
    thinned = _running((reached - rises) * table.ends * spare / table.watched)
    first = np.searchsorted(table.ages, np.minimum(ended.entry, age), "right")
    last = np.searchsorted(table.ages, np.minimum(ended.end, age), "right")
    influence = thinned[last] - thinned[first] - (diluted[last] - diluted[first])
    own = (ended.cause > 0) & (ended.end <= age)
    place = np.searchsorted(table.ages, ended.end[own])
    gained = np.where(ended.cause[own] == cause, table.before[place] / table.watched[place], 0.0)
    influence[own] += gained - (reached - rises[place]) * spare[place]
    clustered = np.bincount(ended.cluster, weights=influence)
    return float(np.sqrt(np.sum(clustered**2)))


def _running(steps: FloatArray) -> FloatArray:
    return np.append(0.0, np.cumsum(steps))
