r"""Likelihood of a fleet's reline decisions at its check visits.

A reading x mm above the minimum (of an end of group g) makes the workshop want a reline with chance

.. math::
   w(x) = (1-\delta)\,\Phi\!\big((h_g - x)/s\big)\ (x > 0),\qquad
   w(x) = 1-\delta_0\ (x \le 0),\qquad p = 1 - (1-\beta)(1-w)

h the thickness at which it relines, s how that varies from case to case, :math:`\delta` and
:math:`\delta_0` how often it lets a due lining go on (above and at the minimum), :math:`\beta` the
chance per visit of a reline for any other reason. The other end of the axle, read y mm above its
minimum, goes along with chance

.. math:: \pi(y) = \pi\,\Phi\big((t - y)/1\,\text{mm}\big)

as a lining that is nearly new is left on (read of none: :math:`\pi`); the unit's other axles with
chance :math:`\upsilon`. Of an axle's two ends with readings x and y, chances p and q, and
:math:`e = \upsilon\,[1 - (1-w(\text{other}))(1-\beta)^n]` from the n wheel ends of the unit's other
axles (of which the thinnest lining decides),

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
from models.relines.policy.decisions import AxleDecisions, some_decisions

SHAPE = ("log_spread", "missed", "missed_below", "premature", "pair", "unit", "log_along")
"""Parameters beside the thresholds: log s, the logits of the five chances, and log t."""
ALONG_SPREAD_MM = 1.0
"""How sharply a nearly new lining is told from others: a guess of ours, no source."""
_TINY = 1e-12


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
        spread, missed, below = _chances(self.shape)
        by_z = weight * self.density * (1.0 - missed)
        by_shape = [
            -(by_z @ self.z),
            -(weight @ self.chance) * missed * (1.0 - missed),
            -weight[self.at_limit].sum() * below * (1.0 - below),
        ]
        return by_z / spread, np.array(by_shape)


def _chances(shape: FloatArray) -> tuple[float, float, float]:
    return float(np.exp(shape[0])), *special.expit(shape[1:3])


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


def _along(decisions: AxleDecisions, pair: float, below_mm: float) -> _Along:
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
    them. What else was seen of a unit (V,): the ``other`` reading's place, ``other_ends``, and
    visits at which it was ``other_left``. Rows with a reline (R,) one by one: ``relined``, and the
    places of their ``low``, ``high`` and ``beside``.
    """

    group: IntArray
    x: FloatArray
    left: FloatArray
    ends_left: float
    other: IntArray
    other_ends: FloatArray
    other_left: FloatArray
    relined: AxleDecisions
    low: IntArray
    high: IntArray
    beside: IntArray


def decision_sums(decisions: AxleDecisions) -> DecisionSums:
    """Visits at which nothing was relined summed up: log P(none) falls into a sum of one term of
    each end, and one of the unit's other axles."""
    high = np.where(decisions.has_high, decisions.high, np.nan)
    values, code = np.unique(
        np.concatenate([decisions.low, high, decisions.other]), return_inverse=True
    )
    keys, place = np.unique(
        np.tile(decisions.group, 3) * len(values) + code.ravel(), return_inverse=True
    )
    low, high_place, other = place.reshape(3, -1)
    ends, code = np.unique(decisions.other_ends, return_inverse=True)
    both, beside = np.unique(other * len(ends) + code.ravel(), return_inverse=True)
    done = decisions.low_relined | decisions.high_relined
    left, some = np.where(done, 0.0, decisions.visits), np.flatnonzero(done)
    return DecisionSums(
        group=keys // max(len(values), 1),
        x=values[keys % max(len(values), 1)],
        left=sums_by(low, left, len(keys)) + sums_by(high_place, left, len(keys)),
        ends_left=float(left @ (1.0 + decisions.has_high)),
        other=both // max(len(ends), 1),
        other_ends=ends[both % max(len(ends), 1)],
        other_left=sums_by(beside.ravel(), left, len(both)),
        relined=some_decisions(decisions, some),
        low=low[some],
        high=high_place[some],
        beside=beside.ravel()[some],
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
    which = [
        ~decisions.high_relined & decisions.has_high,
        decisions.high_relined & ~decisions.low_relined,
    ]
    alone = ~decisions.has_high
    # An axle with one end on record: relined is everything but neither.
    inner = neither + np.where(alone, 0.0, low_alone * only_low + high_alone * only_high)
    chance = np.select(
        which, [stays * low_alone * only_low, stays * high_alone * only_high], 1.0 - stays * inner
    )
    d_p = np.select(
        which,
        [stays * low_alone * (1 - q), -stays * high_alone * q],
        -stays * np.where(alone, q - 1, q - 1 + low_alone * (1 - q) - high_alone * q),
    )
    d_q = np.select(
        which,
        [-stays * low_alone * p, stays * high_alone * (1 - p)],
        -stays * np.where(alone, p - 1, p - 1 + high_alone * (1 - p) - low_alone * p),
    )
    d_e = np.select(which, [-low_alone * only_low, -high_alone * only_high], inner)
    none, both = np.zeros_like(p), ~alone * stays
    d_high = np.select(which, [-stays * only_low, none], both * only_low)
    d_low = np.select(which, [none, -stays * only_high], both * only_high)
    return _Relined(chance, np.stack([d_p, d_q, d_e]), d_low, d_high)


def policy_loglik(
    sums: DecisionSums, threshold: FloatArray, shape: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood and its gradients in the groups' thresholds (G,) and in ``SHAPE`` (7,)."""
    premature, pair, unit = special.expit(shape[3:6])
    replaced = _replacement(sums.x, threshold[sums.group], shape)
    leaves, goes_on = 1.0 - replaced.w, np.maximum(1.0 - replaced.w, _TINY)
    rest = (1.0 - premature) ** sums.other_ends
    outside = 1.0 - leaves[sums.other] * rest
    e = unit * outside
    alone = np.maximum(1.0 - e, _TINY)
    # Visits with a reline.
    theirs = sums.relined
    rare = premature * theirs.has_high
    p = 1.0 - (1.0 - premature) * leaves[sums.low]
    q = 1.0 - (1.0 - rare) * leaves[sums.high]
    along = _along(theirs, pair, float(np.exp(shape[6])))
    done = _relined(theirs, p, q, e[sums.beside], along)
    chance = np.maximum(done.chance, _TINY)
    weight = theirs.visits / chance
    by_p, by_q, by_e = done.slope * weight
    in_pair, in_along = (done.in_low * along.low_slope + done.in_high * along.high_slope) @ weight
    by_e = sums_by(sums.beside, by_e, len(e)) - sums.other_left / alone
    by_reading = (
        sums_by(sums.low, by_p * (1.0 - premature), len(leaves))
        + sums_by(sums.high, by_q * (1.0 - rare), len(leaves))
        + sums_by(sums.other, by_e * unit * rest, len(leaves))
        - sums.left / goes_on
    )
    by_row, in_shape = replaced.gradient(by_reading)
    in_premature = (
        by_p @ leaves[sums.low]
        + by_q @ (leaves[sums.high] * theirs.has_high)
        + by_e @ (leaves[sums.other] * rest * sums.other_ends) * unit / (1.0 - premature)
    ) * (premature * (1.0 - premature)) - sums.ends_left * premature
    in_unit = by_e @ outside * unit * (1.0 - unit)
    loglik = (
        sums.ends_left * np.log1p(-premature)
        + sums.left @ np.log(goes_on)
        + sums.other_left @ np.log(alone)
        + theirs.visits @ np.log(chance)
    )
    in_threshold = sums_by(sums.group, by_row, len(threshold))
    all_shape = np.array([*in_shape, in_premature, in_pair, in_unit, in_along])
    return float(loglik), in_threshold, all_shape
