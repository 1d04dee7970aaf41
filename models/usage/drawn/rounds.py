r"""What the intervals of a depot's units have in common: rounds of checks that come early or late.

Of intervals in which no visit was missed, the normal scores :math:`s` of what they were against
what a unit's earlier ones let expect (``models.usage.drawn.calendar``), less their depot's mean and
of variance 1 over the fleet, are compared between units of one depot that set out within four weeks
of one another:

.. math:: c = \frac{1}{\text{pairs}} \sum_{\text{pairs}} s_i s_j

(the intraclass correlation by pairs: Fisher 1925, *Statistical Methods for Research Workers*, VII).
Were intervals independent, the sum of products would have a variance of its number of pairs, so
that it says itself whether units go together at all.

Most go closely together, and some are late by themselves. So a unit follows its round with a
chance f, with a correlation :math:`\rho` to the round, and else goes its own way: :math:`c = f^2
\rho`, and the median difference of two such units tells one from the other.

Drawn, a unit's own chance says how many visits it misses, and how long an interval is among those
that miss as many is :math:`\Phi(\sqrt\rho z + \sqrt{1 - \rho}\,\epsilon)` where it follows, z
common to who is due on about the same day.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.intervals import UsageGroups, UsageIntervals

WEEK = 7.0
SHOWN = 4.0
"""Rounds are believed in where the products' sum is so many standard deviations from nought."""
LEAST = 0.1
"""A smaller correlation is left aside: chance that units set out together makes as much of it."""
FLEET_ROUNDS = 10.0
"""A depot's own rounds speak for it, against its own variance, beside the fleet's for so many."""
MOST_SHARE = 0.98
MOST_APART, OF_USUAL = 28.0, 3.0
"""Units that set out within so many days, or within a third of the shortest usual interval, belong
to one round; a depot's course has a knot as often."""
KNOTS = 64
"""A course begins anew after so many: years that nobody forecasts."""


@dataclass(frozen=True, slots=True)
class Rounds:
    """``depot`` (G,): number of the depot of each group; ``follows`` (D,): chance that a depot's
    unit goes along with its round; ``share``: correlation of its interval with the round's where it
    does; ``apart``: days within which units set out together."""

    depot: IntArray
    follows: FloatArray
    share: float
    apart: float

    @property
    def are_kept(self) -> bool:
        """Whether any depot has rounds."""
        return bool((self.follows > 0.0).any())


def rounds_kept(
    intervals: UsageIntervals,
    surprise: FloatArray,
    kept: BoolArray,
    groups: UsageGroups,
    usual_days: FloatArray,
) -> Rounds:
    """``surprise`` (U, T): how long intervals were against what was to be expected, of groups with
    such ``usual_days`` (G,); ``kept``: no visit was missed."""
    names, depot = np.unique(np.array(groups.depot, dtype=object), return_inverse=True)
    apart = float(np.clip(usual_days.min(initial=np.inf) / OF_USUAL, WEEK, MOST_APART))
    none = Rounds(depot, np.zeros(len(names)), 0.0, apart)
    of, begins, scores = depot[intervals.group[kept]], intervals.begins[kept], surprise[kept]
    order = np.lexsort((begins, of))
    of, begins, scores = of[order], begins[order], _normal_scores(scores[order])
    many = np.maximum(np.bincount(of, minlength=len(names)), 1)
    scores = scores - (np.bincount(of, scores, len(names)) / many)[of]
    spread = float(np.sqrt(np.mean(scores**2))) if len(scores) else 0.0
    if spread <= 0.0:
        return none
    scores = scores / spread
    line = begins + of * (np.ptp(begins) + 2.0 * MOST_APART)
    others = np.searchsorted(line, line + apart, side="right") - np.arange(1, len(line) + 1)
    total = np.concatenate([[0.0], np.cumsum(scores)])
    first = np.arange(1, len(line) + 1)
    products = scores * (total[first + others] - total[first])
    least = max(LEAST * others.sum(), SHOWN * np.sqrt(others.sum()))
    if products.sum() <= least:
        return none
    fleet = float(products.sum() / others.sum())
    in_round = np.unique(np.column_stack([of, begins // apart])[others > 0], axis=0)[:, 0]
    rounds = np.bincount(in_round.astype(np.int64), minlength=len(names))
    variance = np.bincount(of, scores**2, len(names)) / many
    own = np.bincount(of, products, len(names)) / np.maximum(
        np.bincount(of, others, len(names)) * variance, 1e-12
    )
    common = np.maximum(rounds * own + FLEET_ROUNDS * fleet, 0.0) / (rounds + FLEET_ROUNDS)
    share = _share(fleet, _median_difference(scores, others))
    follows = np.minimum(np.sqrt(common / share), 1.0)
    return Rounds(depot, follows, share, apart)


def _normal_scores(values: FloatArray) -> FloatArray:
    """Normal quantiles of ranks; equal values share their mean rank."""
    _, place, many = np.unique(values, return_inverse=True, return_counts=True)
    rank = np.cumsum(many) - (many - 1) / 2.0
    return np.asarray(special.ndtri(rank[place.ravel()] / (len(values) + 1.0)))


def _median_difference(scores: FloatArray, others: IntArray) -> float:
    """Median of abs(s_i - s_j), each taken with three of the ``others`` that set out after it."""
    some = np.flatnonzero(others > 0)
    steps = [1 + (others[some] * part).astype(np.int64) for part in (0.25, 0.5, 0.75)]
    return float(np.median([np.abs(scores[some] - scores[some + step]) for step in steps]))


def _share(common: float, difference: float) -> float:
    """The correlation of those that follow, so that half of the pairs differ by no more."""
    share = np.linspace(min(common, MOST_SHARE), MOST_SHARE, 200)
    both = np.minimum(common / share, 1.0)
    less = both * _within(difference / np.sqrt(2.0 * (1.0 - share)))
    less += (1.0 - both) * _within(difference / np.sqrt(2.0))
    return float(share[np.argmin(np.abs(less - 0.5))])


def _within(sd: FloatArray | float) -> FloatArray:
    """Chance of a normal number to be within so many standard deviations."""
    return np.asarray(2.0 * special.ndtr(sd) - 1.0)


@dataclass(frozen=True, slots=True)
class DrawnRounds:
    """Courses of the depots' rounds in B copies of a fleet (B, D, knots)."""

    rounds: Rounds
    course: FloatArray

    def moved(
        self, copy: IntArray, group: IntArray, due_day: FloatArray, own: FloatArray
    ) -> FloatArray:
        """Uniform numbers of units that are due on a day, each one's ``own`` (n,) moved by what its
        depot's round has in common."""
        share, depot = self.rounds.share, self.rounds.depot[group]
        common, chance = self._on(copy, depot, due_day), self.rounds.follows[depot]
        alone = (own - chance) / np.maximum(1.0 - chance, 1e-12)
        normal = special.ndtri(np.clip(own / np.maximum(chance, 1e-12), 1e-12, 1.0 - 1e-12))
        together = special.ndtr(np.sqrt(share) * common + np.sqrt(1.0 - share) * normal)
        return np.where(own < chance, together, alone)

    def _on(self, copy: IntArray, depot: IntArray, day: FloatArray) -> FloatArray:
        """The course on a day, of variance 1 between knots as at them."""
        at = day / self.rounds.apart
        knot = np.floor(at).astype(np.int64)
        share = at - knot
        one, other = (self.course[copy, depot, k % KNOTS] for k in (knot, knot + 1))
        spread = np.sqrt((1.0 - share) ** 2 + share**2)
        return np.asarray(((1.0 - share) * one + share * other) / spread)


def drawn_rounds(rounds: Rounds, copies: int, rng: np.random.Generator) -> DrawnRounds | None:
    """None where no depot has rounds."""
    if not rounds.are_kept:
        return None
    return DrawnRounds(rounds, rng.standard_normal((copies, len(rounds.follows), KNOTS)))
