"""Since when, where and in what a fleet's policy has likeliest been another than before.

Of every quarter it is asked how much likelier decisions would be had the thresholds been others
before it, or one of the chances: that due linings are let go on, that linings are relined for
another reason, or go along (score tests of a change at an unknown time: Andrews 1993,
*Econometrica* 61:821). Cheap beside a fit: what the likelihood's slopes say at the policy that
never changed.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import TypeAlias

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.policy.decisions import AxleDecisions, PolicyGroups
from models.relines.policy.likelihood import SHAPE, decision_sums, slopes_by_group
from models.relines.policy.parameters import Designs, by_group

CHANGE_SCORE = 12.35
"""A million simulated Brownian bridges seen at 13 quarters had more in 4 of 1,000. Of some depots
alone, and of a chance, more is asked, twice the log of how many such sets or chances there are: as
seldom does any have it."""
LEAST_BEFORE, LEAST_SINCE = 0.15, 0.05
"""Share of what is known of thresholds, or of a chance, that lies before a change, and since."""
THRESHOLD = "threshold"
CHANGING = (THRESHOLD, *SHAPE[1:6])
"""What may change: the thresholds, or one of the chances."""
_STEP = 0.05
_OF_CHANCES = 2.0 * math.log(len(CHANGING) - 1)
Slopes: TypeAlias = Callable[[int, float], FloatArray]
"""The log-likelihood's slopes in all that may change, by quarter and depot (…, Q, C), where one of
it is moved by so much."""


@dataclass(frozen=True, slots=True)
class LikelyChange:
    """For how many ``quarters`` the policy has likeliest been another than before, in ``what``
    (of :data:`CHANGING`), at which depots by number (none: everywhere), and the ``score``, less
    what was ``asked`` for its being one of many."""

    quarters: int
    what: tuple[str, ...]
    depots: tuple[int, ...]
    score: float
    asked: float = 0.0

    @property
    def everywhere(self) -> "LikelyChange":
        """The same of all depots."""
        return replace(self, depots=(), asked=_OF_CHANCES * (THRESHOLD not in self.what))

    def places(self, effects: int) -> IntArray:
        """Where in a vector of parameters stands what changes; before ``SHAPE`` are the thresholds'
        mean and so many effects."""
        places = [0 if name == THRESHOLD else 1 + effects + SHAPE.index(name) for name in self.what]
        return np.array(places, np.int64)

    def was_before(self, decisions: AxleDecisions, groups: PolicyGroups) -> BoolArray:
        """Rows made under what was before."""
        before = decisions.quarters_ago >= self.quarters
        if self.depots:
            before &= np.isin(decisions.group % len(groups.depots), self.depots)
        return before


def likely_change(slopes: Slopes) -> LikelyChange:
    """The largest score statistic over all quarters, over all that may change, and of all depots
    together and those that moved most; beyond :data:`CHANGE_SCORE` are about ten in a thousand
    fleets without a change. ``slopes`` at the policy that never did."""
    likely = [_likeliest(k, *slope_and_bend(slopes, k)) for k in range(len(CHANGING))]
    return max(likely, key=lambda each: each.score)


def slope_and_bend(slopes: Slopes, which: int) -> tuple[FloatArray, FloatArray]:
    """Of one thing that may change, by quarter and depot (Q, C): the log-likelihood's slope, and
    how fast it falls."""
    less, more = (slopes(which, move)[which] for move in (-_STEP, _STEP))
    return slopes(0, 0.0)[which], np.asarray((less - more) / (2.0 * _STEP))


def slopes_where_moved(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    at: FloatArray,
    design: Designs,
    *,
    by_age: bool,
    ago: IntArray | None = None,
) -> Slopes:
    """The slopes about the policy ``at``, each worked out once; by quarter, or by so many of
    another time ``ago`` (R,)."""
    ago, n = decisions.quarters_ago if ago is None else ago, groups.n_groups
    last = int(ago.max(initial=0))
    apart = decision_sums(replace(decisions, group=decisions.group + n * ago), by_age=by_age)
    own, shape = by_group(at, design.tiled(last + 1))

    @cache
    def slopes(which: int, move: float) -> FloatArray:
        moved, of_groups = shape.copy(), own.copy()
        if which:
            moved[which] += move
        else:
            of_groups[0] += move
        found = slopes_by_group(apart, of_groups, moved)
        return np.asarray(found.reshape(len(CHANGING), last + 1, -1, len(groups.depots)).sum(2))

    return slopes


def _likeliest(which: int, slope: FloatArray, bend: FloatArray) -> LikelyChange:
    """Of one thing that may change; ``slope``, ``bend`` (Q, C) by quarter and depot."""
    what, asked = (CHANGING[which],), _OF_CHANCES * (which > 0)
    score, variance, told = _moved(slope.sum(axis=1), bend.sum(axis=1))
    gain = np.where(told, score**2 / np.where(told, variance, 1.0), 0.0)
    best = LikelyChange(int(gain.argmax()), what, (), float(gain.max()) - asked, asked)
    depots = slope.shape[1]
    if depots < 2:
        return best
    score, variance, told = _moved(slope, bend)
    moved = np.where(told, score / np.where(told, variance, 1.0), 0.0)
    # By Bonferroni's bound over all such sets.
    sets = [2.0 * math.log((depots - 1) * math.comb(depots, k)) for k in range(1, depots)]
    for quarters, order in enumerate(np.argsort(moved, axis=1, kind="stable")):
        for turned in (order, order[::-1]):
            some = [d for d in turned if told[quarters, d]]
            gains = np.cumsum(score[quarters, some]) ** 2 / np.cumsum(variance[quarters, some])
            for many, (gained, of_sets) in enumerate(zip(gains, sets, strict=False), start=1):
                more = asked + of_sets
                if gained - more > best.score:
                    found = tuple(sorted(int(d) for d in some[:many]))
                    best = LikelyChange(quarters, what, found, float(gained) - more, more)
    return best


def _moved(slope: FloatArray, bend: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """From each quarter on, back to the first: score of a value of its own before it, its variance,
    and whether enough is known on either side; along the first axis."""
    old, old_bend = (np.cumsum(each[::-1], axis=0)[::-1] for each in (slope, bend))
    every, new_bend = np.maximum(old_bend[0], 1e-9), old_bend[0] - old_bend
    score = old - slope.sum(axis=0) * old_bend / every
    # A few decisions at one end of the records tell of luck, not of a policy.
    told = (old_bend > LEAST_BEFORE * every) & (new_bend > LEAST_SINCE * every)
    return score, old_bend * new_bend / every, told
