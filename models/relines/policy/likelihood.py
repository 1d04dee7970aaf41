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

from models.common.arrays import BoolArray, FloatArray
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
class _Outcome:
    """Chance of what happened (R,), and its derivatives in p, q and e, (3, R)."""

    chance: FloatArray
    slope: FloatArray


def _left_alone(p: FloatArray, q: FloatArray, e: FloatArray) -> _Outcome:
    """At visits at which nothing was relined."""
    stays, low, high = 1.0 - e, 1.0 - p, 1.0 - q
    return _Outcome(stays * low * high, np.stack([-stays * high, -stays * low, -low * high]))


def _relined(
    decisions: AxleDecisions, p: FloatArray, q: FloatArray, e: FloatArray, along: _Along
) -> tuple[_Outcome, FloatArray, FloatArray]:
    """At visits with a reline; and derivatives in each end's going along, the low one's first."""
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
    return _Outcome(chance, np.stack([d_p, d_q, d_e])), d_low, d_high


def policy_loglik(
    decisions: AxleDecisions, threshold: FloatArray, shape: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood and its gradients in the groups' thresholds (G,) and in ``SHAPE`` (7,)."""
    at = threshold[decisions.group]
    premature, pair, unit = special.expit(shape[3:6])
    high_read = np.where(decisions.has_high, decisions.high, np.nan)
    low, high, other = (
        _replacement(x, at, shape) for x in (decisions.low, high_read, decisions.other)
    )
    rare = premature * decisions.has_high
    rest = (1.0 - premature) ** decisions.other_ends
    p, q = 1.0 - (1.0 - premature) * (1.0 - low.w), 1.0 - (1.0 - rare) * (1.0 - high.w)
    outside = 1.0 - (1.0 - other.w) * rest
    outcome, (in_pair, in_along) = _left_alone(p, q, unit * outside), np.zeros(2)
    some = np.flatnonzero(decisions.low_relined | decisions.high_relined)
    if len(some):
        theirs = some_decisions(decisions, some)
        along = _along(theirs, pair, np.exp(shape[6]))
        done, d_low, d_high = _relined(theirs, p[some], q[some], unit * outside[some], along)
        outcome.chance[some], outcome.slope[:, some] = done.chance, done.slope
        goes = d_low * along.low_slope + d_high * along.high_slope
        in_pair, in_along = goes @ (theirs.visits / np.maximum(done.chance, _TINY))
    by_p, by_q, by_e = outcome.slope * (decisions.visits / np.maximum(outcome.chance, _TINY))
    gradients = [
        low.gradient(by_p * (1.0 - premature)),
        high.gradient(by_q * (1.0 - rare)),
        other.gradient(by_e * unit * rest),
    ]
    in_premature = (
        by_p @ (1.0 - low.w)
        + by_q @ ((1.0 - high.w) * decisions.has_high)
        + by_e @ ((1.0 - other.w) * rest * decisions.other_ends) * unit / (1.0 - premature)
    ) * (premature * (1.0 - premature))
    in_unit = by_e @ outside * unit * (1.0 - unit)
    by_row = np.sum([of_h for of_h, _ in gradients], axis=0)
    in_shape = np.sum([of_shape for _, of_shape in gradients], axis=0)
    loglik = float(decisions.visits @ np.log(np.maximum(outcome.chance, _TINY)))
    in_threshold = sums_by(decisions.group, by_row, len(threshold))
    return loglik, in_threshold, np.array([*in_shape, in_premature, in_pair, in_unit, in_along])
