r"""Rates lean on one another, each by as much as the readings ask.

The logarithm of a rate is taken as

.. math:: \log r_{ad} = \mu + \alpha_a + \delta_d + \epsilon_{ad},\qquad
          \delta\sim N(0, \sigma_\delta^2),\ \epsilon\sim N(0, \omega^2)

with :math:`\mu` free and :math:`\alpha` wide: a duty wears every axle type more or less in one
proportion, and what departs from it is exchangeable. The readings enter as
:math:`-\tfrac12 r^\top I r + b^\top r` (their information, starts and pointers solved out), so
that a group with many units keeps its own estimate, one with few is drawn to what the others say
of it, and one without readings is what they say: on the logarithm its interval cannot reach
through zero. There is no number of units at which this begins.

:math:`\omega` and :math:`\sigma_\delta` are not plugged in but integrated out over a grid: their
weight is the Laplace approximation of the likelihood times half-normal priors, so that few groups
mean a wide answer, not a confident one. Rates that are not clearly above zero but rest on units
enough are left as they are: their sign is a finding. The same on the plain scale (``link`` 0) is
the model of parallel trials.

Efron and Morris (1975), J. Am. Stat. Assoc. 70:311; Tierney, Kadane (1986), J. Am. Stat. Assoc.
81:82; Gelman (2006), Bayesian Analysis 1:515.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import elementwise

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.distributions import t_cdf, t_quantile
from models.wear.blocks import WearColumns

SPREADS = np.geomspace(0.005, 4.0, 60)
"""Grid of a spread, in parts of the typical rate: where one spread is sought."""
COARSE = np.geomspace(0.01, 2.5, 14)
"""The same for each of two."""
AXLE_SPREAD = 1.0
"""Axle types may differ by a factor e in either direction: wide beside any fleet."""
MEAN_SPREAD = 100.0
"""The mean's own prior is this many typical rates wide: flat."""
CLEAR = 2.0
"""A rate this many standard errors above zero is clearly above it."""
OWN_UNITS = 5
"""Units that make a rate near zero a finding of its own."""
LEANING = 0.25
"""A rate whose variance the others lower by this share is said to lean on them."""
STEPS = 40


class NotSeparableError(ValueError):
    """Neither the readings nor other groups fix a rate."""

    def __init__(self) -> None:
        super().__init__("the readings do not tell wear from starting thickness")


@dataclass(frozen=True, slots=True)
class RawRates:
    """Estimates before shrinking, over all P columns.

    ``beta`` (P,) and ``covariance`` (P, P) hold for the columns ``fixed`` by the data alone;
    ``information`` and ``score`` are X'V^-1X and X'V^-1y. ``units`` (P,) count those behind a rate.
    """

    beta: FloatArray
    covariance: FloatArray
    information: FloatArray
    score: FloatArray
    fixed: BoolArray
    units: IntArray


@dataclass(frozen=True, slots=True)
class ShrunkRates:
    """``beta`` (P,) and ``covariance`` (P, P) of all columns; ``leans`` (P,) marks rates that lean
    on others.

    The mixture over the spreads: ``weights`` (S,), and per rate of ``columns`` (K,) ``means`` and
    ``sds`` (S, K) of its logarithm (``is_log``) or itself; ``spread`` is the mean of omega.
    """

    beta: FloatArray
    covariance: FloatArray
    leans: BoolArray
    columns: IntArray
    weights: FloatArray
    means: FloatArray
    sds: FloatArray
    spread: float
    is_log: bool


@dataclass(frozen=True, slots=True)
class _Likelihood:
    """What readings say of K rates: information (K, K) and score (K,)."""

    information: FloatArray
    score: FloatArray
    is_log: bool

    def rates(self, x: FloatArray) -> FloatArray:
        return np.exp(x) if self.is_log else x

    def slopes(self, x: FloatArray) -> FloatArray:
        return np.exp(x) if self.is_log else np.ones_like(x)

    def loss(self, x: FloatArray) -> FloatArray:
        """Of every x (..., K): (...,)."""
        rates = self.rates(x)
        pull = 0.5 * rates @ self.information - self.score
        return np.asarray((rates * pull).sum(axis=-1))

    def gradient(self, x: FloatArray) -> FloatArray:
        pull = self.rates(x) @ self.information - self.score
        return np.asarray(self.slopes(x) * pull)

    def curvature(self, x: FloatArray) -> FloatArray:
        slopes = self.slopes(x)
        return np.asarray(self.information * slopes[..., :, None] * slopes[..., None, :])


def _solved_out(raw: RawRates, rates: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Information and score of the rates with the other columns at their best, and how those
    follow: (others, rates)."""
    rest = np.setdiff1d(np.arange(len(raw.beta)), rates)
    cross = raw.information[np.ix_(rest, rates)]
    inverse = np.linalg.pinv(raw.information[np.ix_(rest, rest)], rcond=1e-12, hermitian=True)
    follow = -inverse @ cross
    information = raw.information[np.ix_(rates, rates)] + cross.T @ follow
    return information, raw.score[rates] + follow.T @ raw.score[rest], follow


def _spreads(columns: WearColumns, rates: IntArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Grids of omega and of the duties' sigma: none where no duty is seen on two axle types."""
    if len(np.unique(columns.axle[rates])) < 2:
        return SPREADS * level, np.zeros(1)
    return COARSE * level, COARSE * level


def _prior_precisions(
    columns: WearColumns, rates: IntArray, omega: float, by_duty: FloatArray, level: float
) -> FloatArray:
    """For each sigma of duties, (D, K, K)."""
    axle, duty = columns.axle[rates], columns.duty[rates]
    covariance = omega**2 * np.eye(len(rates)) + (MEAN_SPREAD * level) ** 2
    covariance = covariance + (AXLE_SPREAD * level) ** 2 * (axle[:, None] == axle)
    shared = by_duty[:, None, None] ** 2 * (duty[:, None] == duty)
    return np.asarray(np.linalg.inv(covariance + shared))


@dataclass(frozen=True, slots=True)
class _Modes:
    """Posterior modes (S, K), their covariances (S, K, K) and logs of the Laplace weights (S,)."""

    mode: FloatArray
    covariance: FloatArray
    log_weight: FloatArray


def _modes(
    likelihood: _Likelihood, precision: FloatArray, start: FloatArray, centre: float
) -> _Modes:
    """For each of some priors (S, K, K), found together; ``start`` (S, K)."""
    x = start.copy()

    def loss(x: FloatArray) -> FloatArray:
        away = x - centre
        prior = 0.5 * np.einsum("si,sij,sj->s", away, precision, away)
        return np.asarray(likelihood.loss(x) + prior)

    at = loss(x)
    for _ in range(STEPS):
        hessian = likelihood.curvature(x) + precision
        gradient = likelihood.gradient(x) + np.einsum("sij,sj->si", precision, x - centre)
        step = -np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0]
        if likelihood.is_log:
            step /= np.maximum(1.0, np.abs(step).max(axis=1, keepdims=True))
        while True:
            worse = (loss(x + step) > at + 1e-12 * np.abs(at)) & (np.abs(step).max(axis=1) > 1e-12)
            if not worse.any():
                break
            step = np.where(worse[:, None], step / 2.0, step)
        x, at = x + step, loss(x + step)
        if (np.abs(step).max(axis=1) < 1e-10 * (1.0 + np.abs(x).max(axis=1))).all():
            break
    hessian = likelihood.curvature(x) + precision
    logdets = np.linalg.slogdet(precision)[1] - np.linalg.slogdet(hessian)[1]
    return _Modes(x, np.asarray(np.linalg.inv(hessian), np.float64), 0.5 * logdets - at)


def leaning_rates(raw: RawRates, columns: WearColumns) -> IntArray:
    """Rates that lean on one another: all but those near zero that rest on units enough, or that
    have no clear one to lean on."""
    rates = columns.where("rate")
    se = np.sqrt(np.diag(raw.covariance)[rates])
    unclear = raw.fixed[rates] & (raw.beta[rates] <= CLEAR * se)
    is_own = raw.units[rates] >= OWN_UNITS
    if not (raw.fixed[rates] & ~unclear).any():
        is_own = np.ones(len(rates), bool)
    return rates[~(unclear & is_own)]


def _typical_rate(information: FloatArray, score: FloatArray) -> float:
    rough = np.linalg.lstsq(information, score, rcond=1e-9)[0]
    told = np.diag(information) > 0.0
    return float(np.median(rough[told])) if told.any() else 0.0


def shrink_rates(
    raw: RawRates, columns: WearColumns, *, is_log: bool = True, level: float | None = None
) -> ShrunkRates:
    """All rates combined with what the others say of them.

    ``level``: the typical size that spreads are counted in, on the plain scale.

    Raises
    ------
    NotSeparableError
        If nothing says how large a rate is.
    """
    rates = leaning_rates(raw, columns) if is_log else columns.where("rate")
    information, score, follow = _solved_out(raw, rates)
    typical = _typical_rate(information, score)
    if (is_log and typical <= 0.0) or not information.any():
        raise NotSeparableError
    scale, centre = (1.0, float(np.log(typical))) if is_log else (level or abs(typical), 0.0)
    likelihood = _Likelihood(information, score, is_log)
    omegas, by_duty = _spreads(columns, rates, scale)
    precision = np.concatenate(
        [_prior_precisions(columns, rates, float(omega), by_duty, scale) for omega in omegas]
    )
    found = _modes(likelihood, precision, np.full((len(precision), len(rates)), centre), centre)
    log_prior = (np.log(omegas) - 0.5 * (omegas / scale) ** 2)[:, None]
    if by_duty.any():
        log_prior = log_prior + np.log(by_duty) - 0.5 * (by_duty / scale) ** 2
    found = replace(found, log_weight=found.log_weight + log_prior.ravel())
    return _mixture(raw, rates, follow, likelihood, found, np.repeat(omegas, len(by_duty)))


def _mixture(
    raw: RawRates,
    rates: IntArray,
    follow: FloatArray,
    likelihood: _Likelihood,
    parts: _Modes,
    omegas: FloatArray,
) -> ShrunkRates:
    """The spreads averaged over, and the other columns brought along."""
    weights = np.exp(parts.log_weight - parts.log_weight.max())
    weights /= weights.sum()
    means, covariances = parts.mode, parts.covariance
    mean = weights @ means
    gap = means - mean
    covariance = np.einsum("s,sij->ij", weights, covariances) + (gap.T * weights) @ gap
    slope = likelihood.slopes(mean)
    beta, whole = _all_columns(
        raw, rates, follow, likelihood.rates(mean), covariance * np.outer(slope, slope)
    )
    leans = np.zeros(len(beta), bool)
    before = np.diag(raw.covariance)[rates]
    own = raw.fixed[rates] & (np.diag(whole)[rates] > (1.0 - LEANING) * before)
    leans[rates[~own]] = True
    return ShrunkRates(
        beta=beta,
        covariance=whole,
        leans=leans,
        columns=rates,
        weights=weights,
        means=means,
        sds=np.sqrt(np.einsum("sii->si", covariances)),
        spread=float(weights @ omegas),
        is_log=likelihood.is_log,
    )


def _all_columns(
    raw: RawRates, rates: IntArray, follow: FloatArray, values: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Coefficients and covariance of all columns, given the rates'."""
    size = len(raw.beta)
    rest = np.setdiff1d(np.arange(size), rates)
    inverse = np.linalg.pinv(raw.information[np.ix_(rest, rest)], rcond=1e-12, hermitian=True)
    beta, whole = np.zeros(size), np.zeros((size, size))
    beta[rates], beta[rest] = values, inverse @ raw.score[rest] + follow @ values
    whole[np.ix_(rates, rates)] = covariance
    whole[np.ix_(rest, rates)] = follow @ covariance
    whole[np.ix_(rates, rest)] = covariance @ follow.T
    whole[np.ix_(rest, rest)] = inverse + follow @ covariance @ follow.T
    return beta, whole


def mixture_limits(
    shrunk: ShrunkRates, df: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Central intervals of the shrunk rates, low ends (K,) and high ones: quantiles of mixtures of
    t distributions with ``df`` (K,) degrees of freedom."""
    tail = 0.5 - level / 2
    counts = shrunk.weights > 1e-13  # what the others hold is beyond the limits' last digit
    weights, means, sds = shrunk.weights[counts], shrunk.means[counts], shrunk.sds[counts]
    far = -t_quantile(tail / 2, df) * sds.max(axis=0)

    def excess(value: FloatArray, rate: IntArray, probability: FloatArray) -> FloatArray:
        z = (value - means[:, rate]) / sds[:, rate]
        return np.tensordot(weights, t_cdf(z, df[rate]), axes=1) - probability

    found = elementwise.find_root(
        excess,
        (means.min(axis=0) - far, means.max(axis=0) + far),
        args=(np.arange(len(df)), np.array([[tail], [1.0 - tail]])),
    )
    low, high = np.exp(found.x) if shrunk.is_log else found.x
    return low, high
