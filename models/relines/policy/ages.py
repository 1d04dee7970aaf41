r"""Relines by the lining's age: a cause of its own, beside what was read.

At a visit a lining fitted a days before is relined for its age, whatever its thickness, with chance

.. math:: c(a) = \kappa\,\Phi\big((a - A_g)/\tau\big)

A the age at which linings of group g are relined, :math:`\tau` how that varies from case to case,
:math:`\kappa` how often the rule is kept at a visit. A decision is made by the reading or by the
age: the two chances to be left on are multiplied (``models.relines.policy.likelihood``).

Of a lining that was in service when records began only a bound b of its age is known. It tells
nothing of the rule, and is left out where that is fitted: which linings these are was settled
before any decision on record. In forecasts its age is taken as evenly likely between b and
:math:`A_g + \Delta`, with :math:`\Delta` the days since the visit at which it was left on; from
there on it is b. (Ages of a fleet that relines by age are evenly spread: a renewal process in its
steady state, Cox 1962, *Renewal Theory*, 5.2.)
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import sums_by
from models.relines.policy.decisions import AxleDecisions

AGE_SHAPE = ("log_age_spread", "age_kept")
"""Parameters beside the groups' log A: log of the spread in days, logit of kappa."""
NO_LINING = -1e6
"""Age of a lining that is not there, which is never relined for it."""
BOUND_POINTS: FloatArray = np.linspace(0.0625, 0.9375, 8)
"""Equally likely places of an age between its bound and where it would have been relined."""


@dataclass(frozen=True, slots=True)
class AgeRule:
    """One fleet's rule: A (G,) and its spread [days], and the chance that it is kept."""

    days: FloatArray
    spread_days: float
    kept: float

    def chance(self, age_days: FloatArray, group: IntArray) -> FloatArray:
        """Chance that linings so old (…, n) of groups (n,) are relined for it at a visit."""
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
        return np.asarray(age_days + np.where(is_known, 0.0, room) * place)

    def chance_at_visit(
        self, age_days: FloatArray, is_known: BoolArray, usual_days: FloatArray, group: IntArray
    ) -> FloatArray:
        """The chance of linings (n,) whose age may only be bounded, so long after a visit."""
        points = BOUND_POINTS[:, None]
        ages = self.ages(age_days, is_known, usual_days, group, points)
        return np.asarray(self.chance(ages, group).mean(axis=0))


def age_rule(shape: FloatArray, log_days: FloatArray) -> AgeRule:
    """The rule that parameters stand for: ``AGE_SHAPE`` and the groups' log A (G,)."""
    return AgeRule(np.exp(log_days), float(np.exp(shape[0])), float(special.expit(shape[1])))


@dataclass(frozen=True, slots=True)
class AgeSums:
    """What the likelihood needs of ages.

    Ages that occur (A,): their ``group``, ``days``, and how many linings so old were ``left`` on at
    visits at which nothing was relined. Places in them of the ``low`` and ``high`` ends of rows
    with a reline (R,), and of the oldest ``beside`` each of what else was seen of a unit (V,).
    """

    group: IntArray
    days: FloatArray
    left: FloatArray
    low: IntArray
    high: IntArray
    beside: IntArray


def coded_ages(decisions: AxleDecisions) -> tuple[FloatArray, IntArray, IntArray]:
    """Ages that occur in a group: days and group (A,); and the places of each row's low and high
    end and oldest other lining (3, R)."""
    ages = decisions.ages
    high = np.where(decisions.has_high, ages.high_days, NO_LINING)
    other = np.where(decisions.other_ends > 0.0, ages.other_days, NO_LINING)
    values, code = np.unique(np.concatenate([ages.low_days, high, other]), return_inverse=True)
    key = np.tile(decisions.group, 3) * len(values) + code.ravel()
    keys, place = np.unique(key, return_inverse=True)
    many = max(len(values), 1)
    return values[keys % many], np.asarray(keys // many), np.asarray(place.reshape(3, -1))


@dataclass(frozen=True, slots=True)
class AgedChance:
    """c of the ages that occur (A,), and its derivatives in log A, and in ``AGE_SHAPE`` (2, A)."""

    c: FloatArray
    in_log_days: FloatArray
    in_shape: FloatArray

    def gradient(self, by_c: FloatArray, group: IntArray, groups: int) -> FloatArray:
        """Of a sum with slopes ``by_c`` (A,), in ``AGE_SHAPE`` and the groups' log A (2 + G,)."""
        by_group = sums_by(group, by_c * self.in_log_days, groups)
        return np.concatenate([self.in_shape @ by_c, by_group])


def aged_chance(sums: AgeSums, rule: AgeRule) -> AgedChance:
    """The chance to be relined for each age."""
    days, spread, kept = rule.days[sums.group], rule.spread_days, rule.kept
    z = (sums.days - days) / spread
    density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / np.sqrt(2.0 * np.pi)
    chance = special.ndtr(z)
    return AgedChance(
        c=kept * chance,
        in_log_days=-kept * density * days / spread,
        in_shape=np.stack([-kept * density * z, kept * (1.0 - kept) * chance]),
    )
