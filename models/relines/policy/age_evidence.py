"""What decisions say of relines by age before any is fitted: whether, and from which age on.

Cheap beside a fit: one evaluation of the likelihood of a policy that knows only readings.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import sums_by
from models.relines.policy.decisions import AxleDecisions
from models.relines.policy.likelihood import DecisionSums, age_slopes

MAYBE_AGE_SCORE, MAYBE_A_RELINE = 10.0, 0.03
"""Below this gain (twice the log-likelihood), and so much for each reline on record, no reline by
age is looked for any further: a rule for half of the fleet gains five times as much."""
CHANCES = (0.03, 0.1, 0.3, 0.6, 0.9)
"""Of which the likeliest is taken."""
LEAST_AGED = 10.0
"""Decisions about linings of an age, or older, that tell of it; and relines for it."""
FAR = 3.0
"""A group that leaves linings on at that age is begun at so many times it."""


@dataclass(frozen=True, slots=True)
class AgeEvidence:
    """Of n kinds of decisions about linings whose day of fitting is on record, made so many
    ``times``: age, policy ``group``, and the ``slope`` of the log-likelihood of each in the chance
    c to be relined for its age, at c = 0."""

    age_days: FloatArray
    slope: FloatArray
    times: FloatArray
    group: IntArray

    def some(self, groups: BoolArray) -> "AgeEvidence":
        """Of some of the groups (G,)."""
        rows = groups[self.group]
        return AgeEvidence(
            self.age_days[rows], self.slope[rows], self.times[rows], self.group[rows]
        )

    def best(self) -> tuple[float, float]:
        """The age from which on more linings are relined than their readings explain, and by how
        much decisions are likelier for it: twice the log-likelihood gained by one chance c for all
        older ones and for none else, all that readings say left as it is. The likelihood of a
        decision grows with c as 1 + slope c."""
        values, code = np.unique(self.age_days, return_inverse=True)
        if len(values) == 0:
            return 0.0, 0.0

        def older(weight: FloatArray) -> FloatArray:
            by_age = sums_by(code.ravel(), weight, len(values))
            return np.asarray(np.cumsum(by_age[::-1])[::-1])

        gains = [older(self.times * np.log1p(c * self.slope)) for c in CHANCES]
        gain = np.where(older(self.times) >= LEAST_AGED, np.max(gains, axis=0), 0.0)
        best = int(gain.argmax())
        return float(values[best]), 2.0 * max(float(gain[best]), 0.0)

    def begins(self, cells: IntArray) -> tuple[FloatArray, float]:
        """The age of each group (G,) to begin a fit with, and the largest gain of a cell,
        where groups of one cell (G,) have an age of their own and those of others another."""
        own = [self.some(cells == cell) for cell in np.unique(cells)]
        told = [each.best() for each in own]
        common, _ = max(told, key=lambda found: found[1])
        days = [
            best if gain > MAYBE_AGE_SCORE / 2.0 else common * each.times_from(common)
            for each, (best, gain) in zip(own, told, strict=True)
        ]
        _, place = np.unique(cells, return_inverse=True)
        return np.array(days)[place.ravel()], max(gain for _, gain in told)

    def times_from(self, age_days: float) -> float:
        """1, or ``FAR`` where linings are left on from an age on."""
        older = self.age_days >= age_days
        return FAR if self.times[older] @ self.slope[older] < 0.0 else 1.0


def age_evidence(
    decisions: AxleDecisions, sums: DecisionSums, groups: FloatArray, shape: FloatArray
) -> AgeEvidence:
    """From decisions, their ``sums``, and a policy without relines by age; ``groups`` as for
    ``policy_loglik``."""
    ages = decisions.ages
    done = decisions.low_relined | decisions.high_relined
    slopes = np.full((2, len(done)), -1.0)
    slopes[:, done] = age_slopes(sums, groups, shape)
    known = np.concatenate([ages.low_known, ages.high_known & decisions.has_high])
    return AgeEvidence(
        age_days=np.concatenate([ages.low_days, ages.high_days])[known],
        slope=slopes.ravel()[known],
        times=np.tile(decisions.visits, 2)[known],
        group=np.tile(decisions.group, 2)[known],
    )
