r"""Likelihood of a fleet's reline decisions at its check visits.

A reading x mm above the minimum (of an end of group g) makes the workshop want a reline with chance

.. math::
   w(x) = (1-\delta)\,\Phi\!\big((h_g - x)/s\big)\ (x > 0),\qquad
   w(x) = 1-\delta_0\ (x \le 0),\qquad p = 1 - (1-\beta)(1-w)

h the thickness at which it relines, s how that varies from case to case, :math:`\delta` and
:math:`\delta_0` how often it lets a due lining go on (above and at the minimum), :math:`\beta` the
chance per visit of a reline for any other reason. The other end of the axle goes along with chance
:math:`\pi`, the unit's other axles with chance :math:`\upsilon`. Of an axle's two ends with
chances p and q, and :math:`e = \upsilon\,[1 - (1-w(\text{other}))(1-\beta)^n]` from the n wheel
ends of the unit's other axles (of which the thinnest lining decides),

.. math::
   P(\text{none}) &= (1-e)(1-p)(1-q),\quad
   P(\text{one}) = (1-e)(1-\pi)\,p(1-q),\\
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

SHAPE = ("log_spread", "lapse", "lapse_below", "premature", "pair", "unit")
"""Parameters beside the thresholds: log s, and the logits of the five chances."""
_TINY = 1e-12


@dataclass(frozen=True, slots=True)
class _Wish:
    """w and its derivatives in (h, log s, logit lapse, logit lapse below), (4, R)."""

    w: FloatArray
    slope: FloatArray


def _wish(x: FloatArray, threshold: FloatArray, shape: FloatArray) -> _Wish:
    spread, lapse, below = np.exp(shape[0]), special.expit(shape[1]), special.expit(shape[2])
    read = ~np.isnan(x)
    reading = np.where(read, x, 0.0)
    z = (threshold - reading) / spread
    above, at_limit = read & (reading > 0), read & (reading <= 0)
    chance = special.ndtr(z)
    density = np.exp(-0.5 * np.minimum(z * z, 1400.0)) / np.sqrt(2.0 * np.pi)
    w = np.where(above, (1.0 - lapse) * chance, np.where(at_limit, 1.0 - below, 0.0))
    slope = np.stack(
        [
            np.where(above, (1.0 - lapse) * density / spread, 0.0),
            np.where(above, -(1.0 - lapse) * density * z, 0.0),
            np.where(above, -chance * lapse * (1.0 - lapse), 0.0),
            np.where(at_limit, -below * (1.0 - below), 0.0),
        ]
    )
    return _Wish(w, slope)


@dataclass(frozen=True, slots=True)
class _End:
    """Chance that an end is relined on its own account, and its derivatives (5, R) in
    (h, log s, lapse, lapse below, premature)."""

    p: FloatArray
    slope: FloatArray


def _end(wish: _Wish, premature: float, is_there: BoolArray) -> _End:
    p = 1.0 - (1.0 - premature) * (1.0 - wish.w)
    rare = (1.0 - wish.w) * premature * (1.0 - premature)
    slope = np.vstack([wish.slope * (1.0 - premature), rare])
    return _End(np.where(is_there, p, 0.0), np.where(is_there, slope, 0.0))


def _outcome(
    decisions: AxleDecisions, low: _End, high: _End, outside: FloatArray, pair: float
) -> tuple[FloatArray, ...]:
    """Chance of what happened and its derivatives in p, q, e and pi."""
    p, q, e = low.p, high.p, outside
    neither, only_low, only_high = (1 - p) * (1 - q), p * (1 - q), q * (1 - p)
    one = np.where(decisions.has_high, 1.0 - pair, 1.0)
    stays = 1.0 - e
    which = [
        ~decisions.low_relined & ~decisions.high_relined,
        decisions.low_relined & ~decisions.high_relined & decisions.has_high,
        decisions.high_relined & ~decisions.low_relined,
    ]
    inner = neither + one * (only_low + only_high)
    alone = ~decisions.has_high
    # An axle with one end on record: relined is everything but neither.
    inner = np.where(alone, neither, inner)
    value = np.select(
        which,
        [stays * neither, stays * one * only_low, stays * one * only_high],
        1.0 - stays * inner,
    )
    d_p = np.select(
        which,
        [-stays * (1 - q), stays * one * (1 - q), -stays * one * q],
        -stays * np.where(alone, -(1 - q), -(1 - q) + one * ((1 - q) - q)),
    )
    d_q = np.select(
        which,
        [-stays * (1 - p), -stays * one * p, stays * one * (1 - p)],
        -stays * np.where(alone, -(1 - p), -(1 - p) + one * ((1 - p) - p)),
    )
    d_e = np.select(which, [-neither, -one * only_low, -one * only_high], inner)
    d_pair = np.select(
        which,
        [np.zeros_like(p), -stays * only_low, -stays * only_high],
        np.where(alone, 0.0, stays * (only_low + only_high)),
    )
    return value, d_p, d_q, d_e, d_pair


@dataclass(frozen=True, slots=True)
class _Outside:
    """Chance that another axle is relined on its own account, and its derivatives (5, R) in
    (h, log s, lapse, lapse below, premature)."""

    chance: FloatArray
    slope: FloatArray


def _outside(decisions: AxleDecisions, wish: _Wish, premature: float) -> _Outside:
    n = decisions.other_ends
    rest = (1.0 - premature) ** n
    rare = (1.0 - wish.w) * rest * n * premature
    return _Outside(1.0 - (1.0 - wish.w) * rest, np.vstack([wish.slope * rest, rare]))


def habit_loglik(
    decisions: AxleDecisions, threshold: FloatArray, shape: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood and its gradients in the groups' thresholds (G,) and in ``SHAPE`` (6,)."""
    at = threshold[decisions.group]
    premature, pair, unit = special.expit(shape[3:])
    low_wish, high_wish, other_wish = (
        _wish(x, at, shape) for x in (decisions.low, decisions.high, decisions.other)
    )
    low = _end(low_wish, premature, np.ones(len(at), bool))
    high = _end(high_wish, premature, decisions.has_high)
    outside = _outside(decisions, other_wish, premature)
    value, d_p, d_q, d_e, d_pair = _outcome(decisions, low, high, unit * outside.chance, pair)
    per = decisions.visits / np.maximum(value, _TINY)
    rows = np.vstack(
        [
            d_p * low.slope + d_q * high.slope + d_e * unit * outside.slope,
            d_pair * pair * (1.0 - pair),
            d_e * outside.chance * unit * (1.0 - unit),
        ]
    )
    loglik = float((decisions.visits * np.log(np.maximum(value, _TINY))).sum())
    in_threshold = sums_by(decisions.group, per * rows[0], len(threshold))
    return loglik, in_threshold, (rows[1:] * per).sum(axis=1)
