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
from models.relines.policy.decisions import AxleDecisions

SHAPE = ("log_spread", "missed", "missed_below", "premature", "pair", "unit", "log_along")
"""Parameters beside the thresholds: log s, the logits of the five chances, and log t."""
ALONG_SPREAD_MM = 1.0
"""How sharply a nearly new lining is told from others: a guess of ours, no source."""
_TINY = 1e-12


@dataclass(frozen=True, slots=True)
class _Replacement:
    """w and its derivatives in (h, log s, logit missed, logit missed below), (4, R)."""

    w: FloatArray
    slope: FloatArray


def _replacement(x: FloatArray, threshold: FloatArray, shape: FloatArray) -> _Replacement:
    spread, missed, below = np.exp(shape[0]), special.expit(shape[1]), special.expit(shape[2])
    read = ~np.isnan(x)
    reading = np.where(read, x, 0.0)
    z = (threshold - reading) / spread
    above, at_limit = read & (reading > 0), read & (reading <= 0)
    chance = special.ndtr(z)
    density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / np.sqrt(2.0 * np.pi)
    w = np.where(above, (1.0 - missed) * chance, np.where(at_limit, 1.0 - below, 0.0))
    slope = np.stack(
        [
            np.where(above, (1.0 - missed) * density / spread, 0.0),
            np.where(above, -(1.0 - missed) * density * z, 0.0),
            np.where(above, -chance * missed * (1.0 - missed), 0.0),
            np.where(at_limit, -below * (1.0 - below), 0.0),
        ]
    )
    return _Replacement(w, slope)


@dataclass(frozen=True, slots=True)
class _End:
    """Chance that an end is relined on its own account, and its derivatives (5, R) in
    (h, log s, missed, missed below, premature)."""

    p: FloatArray
    slope: FloatArray


def _end(replaced: _Replacement, premature: float, is_there: BoolArray) -> _End:
    p = 1.0 - (1.0 - premature) * (1.0 - replaced.w)
    rare = (1.0 - replaced.w) * premature * (1.0 - premature)
    slope = np.vstack([replaced.slope * (1.0 - premature), rare])
    return _End(np.where(is_there, p, 0.0), np.where(is_there, slope, 0.0))


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


def _outcome(
    decisions: AxleDecisions, low: _End, high: _End, outside: FloatArray, along: _Along
) -> tuple[FloatArray, ...]:
    """Chance of what happened and its derivatives in p, q, e, and in each end's going along."""
    p, q, e = low.p, high.p, outside
    neither, only_low, only_high = (1 - p) * (1 - q), p * (1 - q), q * (1 - p)
    low_alone, high_alone = 1.0 - along.high, 1.0 - along.low
    stays = 1.0 - e
    which = [
        ~decisions.low_relined & ~decisions.high_relined,
        decisions.low_relined & ~decisions.high_relined & decisions.has_high,
        decisions.high_relined & ~decisions.low_relined,
    ]
    inner = neither + low_alone * only_low + high_alone * only_high
    alone = ~decisions.has_high
    # An axle with one end on record: relined is everything but neither.
    inner = np.where(alone, neither, inner)
    value = np.select(
        which,
        [stays * neither, stays * low_alone * only_low, stays * high_alone * only_high],
        1.0 - stays * inner,
    )
    d_p = np.select(
        which,
        [-stays * (1 - q), stays * low_alone * (1 - q), -stays * high_alone * q],
        -stays * np.where(alone, q - 1, q - 1 + low_alone * (1 - q) - high_alone * q),
    )
    d_q = np.select(
        which,
        [-stays * (1 - p), -stays * low_alone * p, stays * high_alone * (1 - p)],
        -stays * np.where(alone, p - 1, p - 1 + high_alone * (1 - p) - low_alone * p),
    )
    d_e = np.select(which, [-neither, -low_alone * only_low, -high_alone * only_high], inner)
    none, both = np.zeros_like(p), ~alone * stays
    d_high = np.select(which, [none, -stays * only_low, none], both * only_low)
    d_low = np.select(which, [none, none, -stays * only_high], both * only_high)
    return value, d_p, d_q, d_e, d_low, d_high


@dataclass(frozen=True, slots=True)
class _Outside:
    """Chance that another axle is relined on its own account, and its derivatives (5, R) in
    (h, log s, missed, missed below, premature)."""

    chance: FloatArray
    slope: FloatArray


def _outside(decisions: AxleDecisions, replaced: _Replacement, premature: float) -> _Outside:
    n = decisions.other_ends
    rest = (1.0 - premature) ** n
    rare = (1.0 - replaced.w) * rest * n * premature
    return _Outside(1.0 - (1.0 - replaced.w) * rest, np.vstack([replaced.slope * rest, rare]))


def policy_loglik(
    decisions: AxleDecisions, threshold: FloatArray, shape: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood and its gradients in the groups' thresholds (G,) and in ``SHAPE`` (7,)."""
    at = threshold[decisions.group]
    premature, pair, unit = special.expit(shape[3:6])
    low_wish, high_wish, other_wish = (
        _replacement(x, at, shape) for x in (decisions.low, decisions.high, decisions.other)
    )
    low = _end(low_wish, premature, np.ones(len(at), bool))
    high = _end(high_wish, premature, decisions.has_high)
    outside = _outside(decisions, other_wish, premature)
    along = _along(decisions, pair, np.exp(shape[6]))
    value, d_p, d_q, d_e, d_low, d_high = _outcome(
        decisions, low, high, unit * outside.chance, along
    )
    goes = d_low * along.low_slope + d_high * along.high_slope
    per = decisions.visits / np.maximum(value, _TINY)
    rows = np.vstack(
        [
            d_p * low.slope + d_q * high.slope + d_e * unit * outside.slope,
            goes[0],
            d_e * outside.chance * unit * (1.0 - unit),
            goes[1],
        ]
    )
    loglik = float((decisions.visits * np.log(np.maximum(value, _TINY))).sum())
    in_threshold = sums_by(decisions.group, per * rows[0], len(threshold))
    return loglik, in_threshold, (rows[1:] * per).sum(axis=1)
