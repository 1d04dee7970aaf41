r"""Likelihood of a fleet's reline decisions at its check visits.

A reading x mm above the minimum (of an end of group g) makes the workshop want a reline with chance

.. math::
   w(x) = (1-\delta)\,\Phi\!\big((h_g - x)/s\big)\ (x > 0),\qquad
   w(x) = 1-\delta_0\ (x \le 0),\qquad p = 1 - (1-\beta)(1-w)(1-c)

h the thickness at which it relines, s how that varies from case to case, :math:`\delta` and
:math:`\delta_0` how often it lets a due lining go on (above and at the minimum), :math:`\beta` the
chance per visit of a reline for any other reason, c that of one for the lining's age
(``models.relines.policy.ages``; nought unless asked for). The other end of the axle, read y mm
above its minimum, goes along with chance

.. math:: \pi(y) = \pi\,\Phi\big((t - y)/1\,\text{mm}\big)

as a lining that is nearly new is left on (read of none: :math:`\pi`); the unit's other axles with
chance :math:`\upsilon`; on the scale of logits either may have a part of the group's own. Of an
axle's two ends with readings x and y, chances p and q, and
:math:`e = \upsilon\,[1 - (1-w(\text{other}))(1-c(\text{oldest}))(1-\beta)^n]` from the n wheel ends
of the unit's other axles (of which the thinnest lining and the oldest decide),

.. math::
   P(\text{none}) &= (1-e)(1-p)(1-q),\quad
   P(\text{one}) = (1-e)(1-\pi(y))\,p(1-q),\\
   P(\text{both}) &= 1 - P(\text{none}) - P(\text{one}) - P(\text{other one})

So linings that were never relined count as fully as those that were: each visit at which a lining
was left on is a trial that did not end in a reline (a discrete-time hazard; Allison 1982,
*Sociological Methodology* 13:61).
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import sums_by
from models.relines.policy.ages import (
    AGE_SHAPE,
    AgedChance,
    AgeSums,
    age_rule,
    aged_chance,
    coded_ages,
)
from models.relines.policy.decisions import AxleDecisions, some_decisions

SHAPE = ("log_spread", "missed", "missed_below", "premature", "pair", "unit", "log_along")
"""Parameters beside the thresholds: log s, the logits of the five chances, and log t."""
ALONG = ("pair", "unit")
"""Those of what goes along, which groups may add to."""
ALONG_SPREAD_MM = 1.0
"""How sharply a nearly new lining is told from others: a guess of ours, no source."""
_TINY = 1e-12
MOST_LOGIT = 30.0
"""A search may try larger ones, of chances that are not told from 1."""


@dataclass(frozen=True, slots=True)
class _Replacement:
    """w of R readings, and what its derivatives are made of.

    ``z``, ``chance`` and ``density``: the normal's, noughts where no reading is above the minimum.
    """

    w: FloatArray
    z: FloatArray
    chance: FloatArray
    density: FloatArray
    at_limit: BoolArray
    shape: FloatArray

    def gradient(self, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Of the sum of ``weight`` w (R,): by h in each row (R,), and by (log s, missed, missed
        below), (3,)."""
        by_h, missed, below = self.by_reading(weight)
        # Of h over the spread, which may be beyond all numbers.
        by_z = weight * self.density * (1.0 - _chances(self.shape)[1])
        return by_h, np.array([-(by_z @ self.z), missed.sum(), below.sum()])

    def by_reading(self, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The same of each row: by h, and by the logits of both chances to be let go on."""
        spread, missed, below = _chances(self.shape)
        return (
            weight * self.density * (1.0 - missed) / spread,
            -weight * self.chance * (missed * (1.0 - missed)),
            -weight * self.at_limit * (below * (1.0 - below)),
        )


def _chances(shape: FloatArray) -> tuple[float, float, float]:
    # A search may try a spread beyond all numbers.
    return float(np.exp(min(shape[0], 700.0))), *special.expit(shape[1:3])


def _replacement(x: FloatArray, threshold: FloatArray, shape: FloatArray) -> _Replacement:
    spread, missed, below = _chances(shape)
    above, at_limit = x > 0.0, x <= 0.0
    z = np.where(above, (threshold - x) / spread, 0.0)
    chance = special.ndtr(z) * above
    density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) * above / np.sqrt(2.0 * np.pi)
    w = (1.0 - missed) * chance + (1.0 - below) * at_limit
    return _Replacement(w, z, chance, density, at_limit, shape)


def along_share(
    above_mm: FloatArray, below_mm: FloatArray | float, reading_sd: float = 0.0
) -> FloatArray:
    """Share of :math:`\\pi` left at a reading, or at a true lining read with such an error."""
    return np.asarray(special.ndtr((below_mm - above_mm) / np.hypot(ALONG_SPREAD_MM, reading_sd)))


@dataclass(frozen=True, slots=True)
class _Along:
    """Chance that the axle's low and high end each go along with the other, and its derivatives
    (2, R) in (logit pi, log t)."""

    low: FloatArray
    high: FloatArray
    low_slope: FloatArray
    high_slope: FloatArray


def _along(decisions: AxleDecisions, pair: FloatArray, below_mm: float) -> _Along:
    """``pair`` (R,)."""

    def end(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        z = np.where(np.isnan(x), np.inf, (below_mm - x) / ALONG_SPREAD_MM)
        goes = special.ndtr(z)
        density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / np.sqrt(2.0 * np.pi)
        in_log = pair * density * below_mm / ALONG_SPREAD_MM
        return pair * goes, np.stack([pair * (1.0 - pair) * goes, in_log])

    (low, low_slope), (high, high_slope) = end(decisions.low), end(decisions.high)
    return _Along(low, high, low_slope, high_slope)


@dataclass(frozen=True, slots=True)
class DecisionSums:
    """What the likelihood needs of decisions.

    Readings that occur (U,), NaN among them: their ``group``, mm above the minimum ``x``, and how
    many ends read so were ``left`` on at visits at which nothing was relined; ``ends_left``, all of
    them by group (up to G,). What else was seen of a unit (V,): the ``other`` reading's place,
    ``other_ends``, and visits at which it was ``other_left``. Rows with a reline (R,) one by one:
    ``relined``, and the places of their ``low``, ``high`` and ``beside``. ``ages``: None where they
    do not count.
    """

    group: IntArray
    x: FloatArray
    left: FloatArray
    ends_left: FloatArray
    other: IntArray
    other_ends: FloatArray
    other_left: FloatArray
    relined: AxleDecisions
    low: IntArray
    high: IntArray
    beside: IntArray
    ages: AgeSums | None = None


def decision_sums(decisions: AxleDecisions, *, by_age: bool = False) -> DecisionSums:
    """Visits at which nothing was relined summed up: log P(none) falls into a sum of one term of
    each end, and one of the unit's other axles. ``by_age``: ages count."""
    high = np.where(decisions.has_high, decisions.high, np.nan)
    values, code = np.unique(
        np.concatenate([decisions.low, high, decisions.other]), return_inverse=True
    )
    keys, place = np.unique(
        np.tile(decisions.group, 3) * len(values) + code.ravel(), return_inverse=True
    )
    low, high_place, other = place.reshape(3, -1)
    ends, code = np.unique(decisions.other_ends, return_inverse=True)
    both = other * len(ends) + code.ravel()
    done = decisions.low_relined | decisions.high_relined
    left, some = np.where(done, 0.0, decisions.visits), np.flatnonzero(done)
    ages = None
    if by_age:
        days, group, (low_age, high_age, eldest) = coded_ages(decisions)
        # What else was seen of a unit is its thinnest lining and its oldest.
        many = int(both.max(initial=0)) + 1
        aged, beside = np.unique(eldest * many + both, return_inverse=True)
        aged_left = sums_by(low_age, left, len(days)) + sums_by(high_age, left, len(days))
        both, eldest = aged % many, aged // many
        ages = AgeSums(group, days, aged_left, low_age[some], high_age[some], eldest)
    else:
        both, beside = np.unique(both, return_inverse=True)
    return DecisionSums(
        group=keys // max(len(values), 1),
        x=values[keys % max(len(values), 1)],
        left=sums_by(low, left, len(keys)) + sums_by(high_place, left, len(keys)),
        ends_left=sums_by(decisions.group, left * (1.0 + decisions.has_high), 0),
        other=both // max(len(ends), 1),
        other_ends=ends[both % max(len(ends), 1)],
        other_left=sums_by(beside.ravel(), left, len(both)),
        relined=some_decisions(decisions, some),
        low=low[some],
        high=high_place[some],
        beside=beside.ravel()[some],
        ages=ages,
    )


@dataclass(frozen=True, slots=True)
class _Relined:
    """Chance of what happened at visits with a reline (R,), its derivatives in p, q and e (3, R),
    and in each end's going along, the low one's first."""

    chance: FloatArray
    slope: FloatArray
    in_low: FloatArray
    in_high: FloatArray


def _relined(
    decisions: AxleDecisions, p: FloatArray, q: FloatArray, e: FloatArray, along: _Along
) -> _Relined:
    neither, only_low, only_high = (1 - p) * (1 - q), p * (1 - q), q * (1 - p)
    low_alone, high_alone = 1.0 - along.high, 1.0 - along.low
    stays = 1.0 - e
    low_went = ~decisions.high_relined & decisions.has_high
    high_went = decisions.high_relined & ~decisions.low_relined

    def chosen(if_low: FloatArray, if_high: FloatArray, otherwise: FloatArray) -> FloatArray:
        return np.where(low_went, if_low, np.where(high_went, if_high, otherwise))

    alone = ~decisions.has_high
    # An axle with one end on record: relined is everything but neither.
    inner = neither + np.where(alone, 0.0, low_alone * only_low + high_alone * only_high)
    chance = chosen(
        stays * low_alone * only_low, stays * high_alone * only_high, 1.0 - stays * inner
    )
    d_p = chosen(
        stays * low_alone * (1 - q),
        -stays * high_alone * q,
        -stays * np.where(alone, q - 1, q - 1 + low_alone * (1 - q) - high_alone * q),
    )
    d_q = chosen(
        -stays * low_alone * p,
        stays * high_alone * (1 - p),
        -stays * np.where(alone, p - 1, p - 1 + high_alone * (1 - p) - low_alone * p),
    )
    d_e = chosen(-low_alone * only_low, -high_alone * only_high, inner)
    none, both = np.zeros_like(p), ~alone * stays
    d_high = chosen(-stays * only_low, none, both * only_low)
    d_low = chosen(none, -stays * only_high, both * only_high)
    return _Relined(chance, np.stack([d_p, d_q, d_e]), d_low, d_high)


@dataclass(frozen=True, slots=True)
class _Stays:
    """Chance to be left on for age of each age that occurs (A,), of the low and high ends of rows
    with a reline (R,), and of the oldest beside them (V,); one where ages do not count."""

    every: FloatArray
    low: FloatArray | float = 1.0
    high: FloatArray | float = 1.0
    beside: FloatArray | float = 1.0


def _stays(ages: AgeSums | None, c: FloatArray) -> _Stays:
    if ages is None:
        return _Stays(c)
    every = 1.0 - c
    return _Stays(every, every[ages.low], every[ages.high], every[ages.beside])


@dataclass(frozen=True, slots=True)
class _Seen:
    """The likelihood's pieces at some parameters. Chance to be left on by the reading (U,), and for
    age; ``rest`` (V,): that no other wheel end of the unit is relined otherwise; ``outside`` (V,):
    e over ``unit`` (V,), the chance to go along. Slopes of the log-likelihood in p, q and e of rows
    with a reline (3, R), each row's visits counted; ``rare`` (R,): beta of the high end."""

    replaced: _Replacement
    leaves: FloatArray
    stays: _Stays
    rest: FloatArray
    outside: FloatArray
    unit: FloatArray
    e: FloatArray
    rare: FloatArray
    along: _Along
    done: _Relined
    chance: FloatArray


def _own(groups: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Thresholds (G,) and what is added to the logits of ``ALONG`` (2, G)."""
    return (groups[0], groups[1:]) if groups.ndim > 1 else (groups, np.zeros((2, len(groups))))


def _seen(sums: DecisionSums, groups: FloatArray, shape: FloatArray, aged: FloatArray) -> _Seen:
    """``aged`` (A,): c of the ages that occur."""
    threshold, along_too = _own(groups)
    premature = float(special.expit(min(shape[3], MOST_LOGIT)))
    pairs, units = special.expit(np.minimum(shape[4:6, None] + along_too, MOST_LOGIT))
    unit = units[sums.group[sums.other]]
    replaced = _replacement(sums.x, threshold[sums.group], shape)
    leaves, stays = 1.0 - replaced.w, _stays(sums.ages, aged)
    rest = (1.0 - premature) ** sums.other_ends
    outside = 1.0 - leaves[sums.other] * rest * stays.beside
    e = unit * outside
    theirs = sums.relined
    rare = np.where(theirs.has_high, premature, 0.0)
    p = 1.0 - (1.0 - premature) * leaves[sums.low] * stays.low
    q = 1.0 - (1.0 - rare) * leaves[sums.high] * stays.high
    along = _along(theirs, pairs[theirs.group], float(np.exp(shape[6])))
    done = _relined(theirs, p, q, e[sums.beside], along)
    chance = np.maximum(done.chance, _TINY)
    return _Seen(replaced, leaves, stays, rest, outside, unit, e, rare, along, done, chance)


@dataclass(frozen=True, slots=True)
class _Slopes:
    """Slopes of the log-likelihood in p and q of rows with a reline (R,), in e (V,), and in the
    chance to be left on by each reading that occurs (U,)."""

    p: FloatArray
    q: FloatArray
    e: FloatArray
    reading: FloatArray


def _slopes(sums: DecisionSums, seen: _Seen, shape: FloatArray) -> _Slopes:
    premature = float(special.expit(min(shape[3], MOST_LOGIT)))
    leaves, stays, unit = seen.leaves, seen.stays, seen.unit
    p, q, by_e = seen.done.slope * (sums.relined.visits / seen.chance)
    alone = np.maximum(1.0 - seen.e, _TINY)
    e = sums_by(sums.beside, by_e, len(alone)) - sums.other_left / alone
    reading = (
        sums_by(sums.low, p * (1.0 - premature) * stays.low, len(leaves))
        + sums_by(sums.high, q * (1.0 - seen.rare) * stays.high, len(leaves))
        + sums_by(sums.other, e * unit * seen.rest * stays.beside, len(leaves))
        - sums.left / np.maximum(leaves, _TINY)
    )
    return _Slopes(p, q, e, reading)


def _in_other_chances(
    sums: DecisionSums, seen: _Seen, slopes: _Slopes, shape: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Slopes in (logit beta, logit pi, log t) of rows with a reline (3, R), and in (logit beta,
    logit upsilon) of what else was seen (2, V); the ends left on are not among them."""
    premature, unit = float(special.expit(min(shape[3], MOST_LOGIT))), seen.unit
    theirs, along, done = sums.relined, seen.along, seen.done
    low, high = seen.leaves[sums.low] * seen.stays.low, seen.leaves[sums.high] * seen.stays.high
    beside = seen.leaves[sums.other] * seen.rest * seen.stays.beside
    in_along = (done.in_low * along.low_slope + done.in_high * along.high_slope) * (
        theirs.visits / seen.chance
    )
    rare = premature * (1.0 - premature)
    own = rare * (slopes.p * low + slopes.q * (high * theirs.has_high))
    theirs_too = rare * slopes.e * (beside * sums.other_ends) * unit / (1.0 - premature)
    in_unit = slopes.e * seen.outside * unit * (1.0 - unit)
    return np.stack([own, *in_along]), np.stack([theirs_too, in_unit])


def policy_loglik(
    sums: DecisionSums, groups: FloatArray, shape: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood and its gradients in what ``groups`` have of their own, thresholds (G,), or
    beside them what is added to the logits of ``ALONG`` (3, G); and in ``shape``: ``SHAPE`` (7,),
    where ages count followed by ``AGE_SHAPE`` and the groups' log A (2 + G,)."""
    ages, aged, many = sums.ages, _aged(sums, shape), groups.shape[-1]
    premature = float(special.expit(min(shape[3], MOST_LOGIT)))
    seen = _seen(sums, groups, shape, np.zeros(0) if aged is None else aged.c)
    slopes = _slopes(sums, seen, shape)
    by_chance = _in_other_chances(sums, seen, slopes, shape)
    rows, beside = (each.sum(axis=1) for each in by_chance)
    by_row, in_shape = seen.replaced.gradient(slopes.reading)
    loglik = (
        sums.ends_left.sum() * np.log1p(-premature)
        + sums.left @ np.log(np.maximum(seen.leaves, _TINY))
        + sums.other_left @ np.log(np.maximum(1.0 - seen.e, _TINY))
        + sums.relined.visits @ np.log(seen.chance)
    )
    in_groups = sums_by(sums.group, by_row, many)
    if groups.ndim > 1:
        in_groups = np.stack([in_groups, *_along_by_group(sums, *by_chance, many)])
    in_premature = rows[0] + beside[0] - sums.ends_left.sum() * premature
    all_shape = np.array([*in_shape, in_premature, rows[1], beside[1], rows[2]])
    if ages is not None and aged is not None:
        loglik += ages.left @ np.log(np.maximum(seen.stays.every, _TINY))
        by_c = _slope_by_age(sums, ages, seen, shape, slopes)
        in_ages = aged.gradient(by_c, ages.group, many)
        all_shape = np.concatenate([all_shape, in_ages])
    return float(loglik), in_groups, all_shape


def _along_by_group(
    sums: DecisionSums, rows: FloatArray, beside: FloatArray, many: int
) -> tuple[FloatArray, FloatArray]:
    """Slopes in each group's own logits of ``ALONG`` (G,), of what :func:`_in_other_chances`
    says."""
    of_beside = sums.group[sums.other]
    return sums_by(sums.relined.group, rows[1], many), sums_by(of_beside, beside[1], many)


def _aged(sums: DecisionSums, shape: FloatArray) -> AgedChance | None:
    """c of the ages that occur, where they count."""
    if sums.ages is None:
        return None
    own, log_days = np.split(shape[len(SHAPE) :], [len(AGE_SHAPE)])
    return aged_chance(sums.ages, age_rule(own, log_days))


def slopes_by_group(sums: DecisionSums, groups: FloatArray, shape: FloatArray) -> FloatArray:
    """Slopes of the log-likelihood in each group's own threshold, and in own logits of the five
    chances of ``SHAPE``: (6, G); ``groups`` as for :func:`policy_loglik`."""
    aged, many = _aged(sums, shape), groups.shape[-1]
    seen = _seen(sums, groups, shape, np.zeros(0) if aged is None else aged.c)
    slopes = _slopes(sums, seen, shape)
    rows, beside = _in_other_chances(sums, seen, slopes, shape)
    by_reading = seen.replaced.by_reading(slopes.reading)
    premature = float(special.expit(min(shape[3], MOST_LOGIT)))

    def grouped(place: IntArray | None, slope: FloatArray) -> FloatArray:
        group = sums.group if place is None else sums.group[place]
        return sums_by(group, slope, many)

    left = np.zeros(many)
    left[: len(sums.ends_left)] = sums.ends_left
    return np.stack(
        [
            *(grouped(None, each) for each in by_reading),
            grouped(sums.low, rows[0]) + grouped(sums.other, beside[0]) - left * premature,
            *_along_by_group(sums, rows, beside, many),
        ]
    )


def _slope_by_age(
    sums: DecisionSums,
    ages: AgeSums,
    seen: _Seen,
    shape: FloatArray,
    slopes: _Slopes,
) -> FloatArray:
    """Slope of the log-likelihood in c of the ages that occur (A,)."""
    premature = float(special.expit(min(shape[3], MOST_LOGIT)))
    low, high, other = (seen.leaves[place] for place in (sums.low, sums.high, sums.other))
    many = len(ages.left)
    return np.asarray(
        sums_by(ages.low, slopes.p * (1.0 - premature) * low, many)
        + sums_by(ages.high, slopes.q * (1.0 - seen.rare) * high, many)
        + sums_by(ages.beside, slopes.e * seen.unit * other * seen.rest, many)
        - ages.left / np.maximum(seen.stays.every, _TINY)
    )


def age_slopes(
    sums: DecisionSums, groups: FloatArray, shape: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Slope of the log-likelihood of each row with a reline, per visit, in the chance c of its low
    and its high end to be relined for its age (R,), where neither would be."""
    premature = float(special.expit(min(shape[3], MOST_LOGIT)))
    seen = _seen(sums, groups, shape, np.zeros(0))
    by_p, by_q, _ = seen.done.slope / seen.chance
    low = by_p * (1.0 - premature) * seen.leaves[sums.low]
    return low, by_q * (1.0 - seen.rare) * seen.leaves[sums.high]


def relines_by_age(sums: DecisionSums, groups: FloatArray, shape: FloatArray) -> float:
    """Relines of wheel ends that were decided by the lining's age, and would not have been
    otherwise: each by its chance; nought where ages do not count."""
    ages, theirs, found = sums.ages, sums.relined, 0.0
    aged = _aged(sums, shape)
    if ages is None or aged is None:
        return found
    seen = _seen(sums, groups, shape, aged.c)
    stays_on = 1.0 - float(special.expit(min(shape[3], MOST_LOGIT)))
    for relined, reading, age in (
        (theirs.low_relined, sums.low, ages.low),
        (theirs.high_relined, sums.high, ages.high),
    ):
        otherwise = stays_on * seen.leaves[reading]
        chance = np.maximum(1.0 - otherwise * seen.stays.every[age], _TINY)
        share = otherwise * (1.0 - seen.stays.every[age]) / chance
        found += float((theirs.visits * relined) @ share)
    return found
