r"""Relines by the lining's age: a cause of its own, beside what was read.

At a visit a lining fitted a days before is relined for its age, whatever its thickness, with chance

.. math:: c(a) = \kappa\,\Phi\big((a - A_g)/\tau\big)

A the age at which linings of group g are relined, :math:`\tau` how that varies from case to case,
:math:`\kappa` how often the rule is kept at a visit. A decision is made by the reading or by the
age: the two chances to be left on are multiplied (``models.relines.policy.likelihood``).

Of a lining that was in service when records began only a bound b of its age is known. It was still
on at the visit before, so that a fleet that relines by age alone has it at an age evenly likely
between b and :math:`A_g + \Delta`, with :math:`\Delta` the days since that visit (a renewal process
in its steady state, Cox 1962, *Renewal Theory*, 5.2). Where most are relined by their reading before,
those that are left on are younger: with chance :math:`1 - \rho` the age is b itself,

.. math:: c_b = (1-\rho)\,c(b) + \rho\,E\,c\big(b + U\,(A_g + \Delta - b)^+\big),\qquad
   U \sim \text{uniform}(0, 1)
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import sums_by
from models.relines.policy.decisions import AxleDecisions, LiningAges

AGE_SHAPE = ("log_age_spread", "age_kept", "age_steady")
"""Parameters beside the groups' log A: log of the spread in days, logits of kappa and rho."""
NO_LINING = -1e6
"""Age of a lining that is not there, which is never relined for it."""
BOUND_POINTS = (np.arange(8) + 0.5) / 8.0
"""Equally likely places of an age between its bound and where it would have been relined."""
_LEAST = 1e-12


@dataclass(frozen=True, slots=True)
class AgeRule:
    """One fleet's rule: A (G,) and its spread [days], the chance that it is kept, and that of an
    age that is not known to be spread out beyond its bound."""

    days: FloatArray
    spread_days: float
    kept: float
    steady: float

    def chance(self, age_days: FloatArray, group: IntArray) -> FloatArray:
        """Chance that linings so old (…, n) are relined for their age at a visit; ``group`` (n,)."""
        z = (age_days - self.days[group]) / self.spread_days
        return np.asarray(self.kept * special.ndtr(z))

    def ages(
        self,
        age_days: FloatArray,
        is_known: BoolArray,
        since_visit: FloatArray,
        group: IntArray,
        place: FloatArray,
    ) -> FloatArray:
        """Ages of linings (n,) at ``place`` (0 to 1; …, n) of what they may be, ``since_visit``
        days after the visit at which they were left on."""
        room = np.maximum(self.days[group] + since_visit - age_days, 0.0)
        beyond = np.maximum(place - (1.0 - self.steady), 0.0) / max(self.steady, _LEAST)
        return np.asarray(age_days + np.where(is_known, 0.0, room) * beyond)

    def chance_at_visit(
        self, age_days: FloatArray, is_known: BoolArray, usual_days: FloatArray, group: IntArray
    ) -> FloatArray:
        """The chance of linings (n,) whose age may only be bounded, so long after a visit."""
        points = BOUND_POINTS[:, None]
        ages = self.ages(age_days, is_known, usual_days, group, points)
        return np.asarray(self.chance(ages, group).mean(axis=0))


def age_rule(shape: FloatArray, log_days: FloatArray) -> AgeRule:
    """The rule that parameters stand for: ``AGE_SHAPE`` and the groups' log A (G,)."""
    kept, steady = special.expit(shape[1:])
    return AgeRule(np.exp(log_days), float(np.exp(shape[0])), float(kept), float(steady))


@dataclass(frozen=True, slots=True)
class AgeSums:
    """What the likelihood needs of ages.

    Ages that occur (A,): their ``group``, ``days`` and whether these are no mere bound, and how
    many linings so old were ``left`` on at visits at which nothing was relined. Places in them of
    the ``low`` and ``high`` ends of rows with a reline (R,), and of the oldest lining ``beside``
    each of what else was seen of a unit (V,). ``usual_days`` between visits.
    """

    group: IntArray
    days: FloatArray
    is_known: BoolArray
    left: FloatArray
    low: IntArray
    high: IntArray
    beside: IntArray
    usual_days: float


def coded_ages(decisions: AxleDecisions) -> tuple[FloatArray, BoolArray, IntArray, IntArray]:
    """Ages that occur in a group: days, whether known, group (A,); and the places of each row's low
    and high end and oldest other lining (3, R)."""
    ages = decisions.ages or LiningAges.unknown(len(decisions.low))
    high = np.where(decisions.has_high, ages.high_days, NO_LINING)
    other = np.where(decisions.other_ends > 0.0, ages.other_days, NO_LINING)
    days = np.concatenate([ages.low_days, high, other])
    known = np.concatenate(
        [ages.low_known, ages.high_known | ~decisions.has_high, np.ones(len(other), bool)]
    )
    values, code = np.unique(days, return_inverse=True)
    key = (np.tile(decisions.group, 3) * len(values) + code.ravel()) * 2 + known
    keys, place = np.unique(key, return_inverse=True)
    of = keys // 2
    return (
        values[of % max(len(values), 1)],
        np.asarray(keys % 2 == 1),
        np.asarray(of // max(len(values), 1)),
        np.asarray(place.reshape(3, -1)),
    )


@dataclass(frozen=True, slots=True)
class AgedChance:
    """c of the ages that occur (A,), and its derivatives in log A, and in ``AGE_SHAPE`` (3, A)."""

    c: FloatArray
    in_log_days: FloatArray
    in_shape: FloatArray

    def gradient(self, by_c: FloatArray, group: IntArray, groups: int) -> FloatArray:
        """Of a sum with slopes ``by_c`` (A,), in ``AGE_SHAPE`` and the groups' log A (3 + G,)."""
        by_group = sums_by(group, by_c * self.in_log_days, groups)
        return np.concatenate([self.in_shape @ by_c, by_group])


def aged_chance(sums: AgeSums, rule: AgeRule) -> AgedChance:
    """The chance to be relined for each age, bounds averaged over what they may stand for."""
    days, spread, kept, steady = rule.days[sums.group], rule.spread_days, rule.kept, rule.steady
    weight = np.append(1.0 - steady, np.full(len(BOUND_POINTS), steady / len(BOUND_POINTS)))
    point = np.where(sums.is_known, 0.0, np.append(0.0, BOUND_POINTS)[:, None])
    room = days + sums.usual_days - sums.days
    z = (sums.days + np.maximum(room, 0.0) * point - days) / spread
    moves = (np.where(room > 0.0, point, 0.0) - 1.0) * days / spread
    density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / np.sqrt(2.0 * np.pi)
    by_point = special.ndtr(z)
    chance = weight @ by_point
    spread_out = by_point[1:].mean(axis=0) - by_point[0]
    return AgedChance(
        c=kept * chance,
        in_log_days=kept * (weight @ (density * moves)),
        in_shape=np.stack(
            [
                -kept * (weight @ (density * z)),
                kept * (1.0 - kept) * chance,
                kept * steady * (1.0 - steady) * spread_out,
            ]
        ),
    )
