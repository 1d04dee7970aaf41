r"""Rates of thin groups lean on the other duties of their axle type.

Rates of one axle type in different duties are taken as exchangeable,
:math:`r_{ad} = \mu_a + \delta_{ad}`, :math:`\delta\sim N(0, \omega^2)`. Groups with units enough
(K) keep their own estimate. For the thin ones (T) the likelihood, in information form, is combined
with what the others say of them:

.. math:: T\,|\,K,\omega \sim N\big(A^{-1}(b_T - (I_{TK} + \Pi_{TK})K),\; A^{-1}\big),\qquad
          A = I_{TT} + \Pi_{TT}

with :math:`I = X^\top V^{-1}X`, :math:`b = X^\top V^{-1}y` and :math:`\Pi(\omega)` the precision of
the exchangeable prior. A rate that its own data do not fix at all (a duty that never ran, or always
ran mixed with another in one proportion) is then still proper. :math:`\omega` is not plugged in but
integrated out: its weight is the REML likelihood of the estimable rates times a half-normal prior
as wide as the rates are large, so that few groups mean a wide answer, not a confident one.
Efron and Morris (1975), J. Am. Stat. Assoc. 70:311; Gelman (2006), Bayesian Analysis 1:515.
"""

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import t_below, t_quantile
from models.wear.blocks import WearColumns

SPREADS = np.geomspace(0.005, 4.0, 60)
"""Grid of the spread between duties, in parts of the typical rate."""


class NotSeparableError(ValueError):
    """Neither the readings nor other groups fix a rate."""

    def __init__(self) -> None:
        super().__init__("the readings do not tell wear from starting thickness")


@dataclass(frozen=True, slots=True)
class RawRates:
    """Estimates before shrinking, over all P columns.

    ``beta`` (P,) and ``covariance`` (P, P) hold for the columns ``fixed`` by the data alone;
    ``information`` and ``score`` are X'V^-1X and X'V^-1y. ``keep`` marks columns that stay as they
    are, ``with_data`` those that some life ran in.
    """

    beta: FloatArray
    covariance: FloatArray
    information: FloatArray
    score: FloatArray
    fixed: BoolArray
    keep: BoolArray
    with_data: BoolArray


@dataclass(frozen=True, slots=True)
class ShrunkRates:
    """``beta`` (P,), ``covariance`` (P, P) and the mixture over the spread between duties:
    ``weights`` (S,), ``means`` and ``sds`` (S, P)."""

    beta: FloatArray
    covariance: FloatArray
    weights: FloatArray
    means: FloatArray
    sds: FloatArray
    spread: float


def _axle_indicators(axle: IntArray) -> FloatArray:
    return np.asarray(axle[:, None] == np.unique(axle), np.float64)


def _log_reml(rates: FloatArray, covariance: FloatArray, design: FloatArray) -> float:
    """REML log-likelihood of rates with known covariance about means per axle type."""
    inverse = np.linalg.inv(covariance)
    a = design.T @ inverse @ design
    residual = rates - design @ np.linalg.solve(a, design.T @ inverse @ rates)
    log_det = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(a)[1]
    return float(-0.5 * (log_det + residual @ inverse @ residual))


def _spread_weights(raw: RawRates, columns: WearColumns, level: float) -> FloatArray:
    """Posterior weight of each spread on the grid."""
    rates = np.array([i for i in columns.where("rate") if raw.fixed[i]], np.int64)
    spreads = SPREADS * level
    log_weight = np.log(spreads) - 0.5 * SPREADS**2
    design = _axle_indicators(columns.axle[rates])
    if len(rates) > design.shape[1]:
        noise = raw.covariance[np.ix_(rates, rates)]
        log_weight = log_weight + [
            _log_reml(raw.beta[rates], noise + s * s * np.eye(len(rates)), design) for s in spreads
        ]
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def _contrast_precision(size: int, thin: IntArray, strong: IntArray, spread: float) -> FloatArray:
    """Precision of thin rates about the mean of strong ones, over all columns."""
    k, m = len(strong), len(thin)
    if k == 0:
        raise NotSeparableError
    rows = np.zeros((m, size))
    rows[np.arange(m), thin] = 1.0
    rows[:, strong] = -1.0 / k
    covariance = spread**2 * (np.eye(m) + 1.0 / k)
    return np.asarray(rows.T @ np.linalg.solve(covariance, rows))


def _prior_precision(raw: RawRates, columns: WearColumns, spread: float, wide: float) -> FloatArray:
    """Precision of the exchangeable prior on the thin rates, over all columns."""
    size = len(columns)
    precision = np.zeros((size, size))
    rates = columns.where("rate")
    anywhere = rates[raw.keep[rates]] if raw.keep[rates].any() else rates[raw.with_data[rates]]
    for axle in np.unique(columns.axle[rates]):
        mine = rates[columns.axle[rates] == axle]
        thin, strong = mine[~raw.keep[mine]], mine[raw.keep[mine]]
        if len(thin) == 0:
            continue
        if len(strong):
            precision += _contrast_precision(size, thin, strong, spread)
        elif raw.with_data[thin].any():
            centring = np.eye(len(thin)) - 1.0 / len(thin)
            precision[np.ix_(thin, thin)] += centring / spread**2
        else:
            precision += _contrast_precision(size, thin, anywhere, wide)
    return precision


def _proper_inverse(precision: FloatArray) -> FloatArray:
    scale = np.sqrt(np.maximum(np.diag(precision), np.finfo(float).tiny))
    scaled = precision / np.outer(scale, scale)
    if np.linalg.eigvalsh(scaled)[0] < 1e-11:
        raise NotSeparableError
    return np.asarray(np.linalg.inv(scaled) / np.outer(scale, scale))


def _given_spread(raw: RawRates, precision: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and covariance of all columns for one spread."""
    keep, thin = np.flatnonzero(raw.keep), np.flatnonzero(~raw.keep)
    total = raw.information + precision
    inverse = _proper_inverse(total[np.ix_(thin, thin)])
    lean = -inverse @ total[np.ix_(thin, keep)]
    mean, covariance = raw.beta.copy(), np.zeros_like(raw.covariance)
    kept = raw.covariance[np.ix_(keep, keep)]
    mean[thin] = inverse @ raw.score[thin] + lean @ raw.beta[keep]
    covariance[np.ix_(keep, keep)] = kept
    covariance[np.ix_(thin, keep)] = lean @ kept
    covariance[np.ix_(keep, thin)] = kept @ lean.T
    covariance[np.ix_(thin, thin)] = inverse + lean @ kept @ lean.T
    return mean, covariance


def _typical_rate(raw: RawRates, columns: WearColumns) -> float:
    rates = [i for i in columns.where("rate") if raw.fixed[i]]
    sizes = np.abs(raw.beta[rates]) + np.sqrt(np.diag(raw.covariance)[rates])
    return float(np.median(sizes)) if rates else 1.0


def _between_axles(raw: RawRates, columns: WearColumns, level: float) -> float:
    """Spread between axle types' mean rates: at least half the typical rate."""
    rates = np.array([i for i in columns.where("rate") if raw.fixed[i]], np.int64)
    axles = columns.axle[rates]
    means = [raw.beta[rates[axles == a]].mean() for a in np.unique(axles)]
    return max(float(np.std(means, ddof=1)) if len(means) > 1 else level, 0.5 * level)


def shrink_rates(raw: RawRates, columns: WearColumns) -> ShrunkRates:
    """Thin rates combined with the other duties of their axle type; the rest unchanged."""
    level = _typical_rate(raw, columns)
    weights = _spread_weights(raw, columns, level)
    wide = _between_axles(raw, columns, level)
    parts = [
        _given_spread(raw, _prior_precision(raw, columns, s, float(np.hypot(s, wide))))
        for s in SPREADS * level
    ]
    means = np.array([mean for mean, _ in parts])
    covariances = np.array([covariance for _, covariance in parts])
    beta = weights @ means
    gap = means - beta
    return ShrunkRates(
        beta=beta,
        covariance=np.einsum("s,sij->ij", weights, covariances) + (gap.T * weights) @ gap,
        weights=weights,
        means=means,
        sds=np.sqrt(np.einsum("sii->si", covariances)),
        spread=float(weights @ (SPREADS * level)),
    )


def mixture_limits(
    shrunk: ShrunkRates, column: int, df: float, level: float
) -> tuple[float, float]:
    """Central interval of one shrunk rate: quantiles of the mixture of t distributions."""
    means, sds = shrunk.means[:, column], shrunk.sds[:, column]

    def excess(value: float, probability: float) -> float:
        return float(shrunk.weights @ t_below((value - means) / sds, df)) - probability

    tail = 0.5 - level / 2
    far = -float(t_quantile(tail / 2, df)) * sds.max()
    low, high = means.min() - far, means.max() + far
    return (
        float(optimize.brentq(excess, low, high, args=(tail,))),
        float(optimize.brentq(excess, low, high, args=(1 - tail,))),
    )
