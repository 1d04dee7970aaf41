r"""Wear rates of two duties of one axle type, as a ratio.

The ratio :math:`\rho = r_a/r_b` gets Fieller's interval: all :math:`\rho` for which
:math:`r_a - \rho r_b = 0` is not refused at the level, the covariance of both rates included. It is
asymmetric, and unbounded when :math:`r_b` is not clearly above zero (then no limits are given).
Linings do not grow, so only the part of it from zero on can be: where few readings leave a rate's
own sign open, the low limit is zero, and a ratio below zero is none. The
test of equal rates is the same statistic at :math:`\rho = 1`; Holm's method adjusts p over all
pairs of the fleet. Both use the degrees of freedom of the contrast (``models.wear.fit``).

The same of several pairs of rates together (:func:`joint_ratio`): with
:math:`y_g = \log(r_{ag}/r_{bg})` over the pairs g and V the covariance of these by the delta
method, :math:`\exp(1'V^{-1}y / 1'V^{-1}1)` (generalised least squares). Its interval is symmetric
on the log scale, by t with Satterthwaite's degrees of freedom of the contrast.

Fieller (1954), J. R. Stat. Soc. B 16:175; Holm (1979), Scand. J. Stat. 6:65.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.common.distributions import t_cdf, t_quantile
from models.common.multiple_tests import holm
from models.mixed.fit import MixedFit
from models.mixed.jackknife import contrast_df
from models.mixed.satterthwaite import satterthwaite_df
from models.wear.result import WearFit

LEAST_UNITS = 2
"""One unit's difference from the rest is not its duty's."""
METHOD = "Fieller interval, t over units, Holm; growth of spread chosen by likelihood before"


@dataclass(frozen=True, slots=True)
class RateRatio:
    """Wear rate in ``duty_a`` over that in ``duty_b``; limits are None where unbounded."""

    axle_type: str
    duty_a: str
    duty_b: str
    ratio: float
    ci_low: float | None
    ci_high: float | None
    df: float
    p: float
    p_adjusted: float


@dataclass(frozen=True, slots=True)
class WearComparisons:
    ratios: tuple[RateRatio, ...]
    notes: tuple[str, ...]


def fieller_limits(
    top: float, bottom: float, covariance: FloatArray, quantile: float
) -> tuple[float, float] | None:
    """Limits of top / bottom, or None where the bottom is not clearly off zero.

    ``covariance`` (2, 2) of (top, bottom); ``quantile`` of the t distribution.

    >>> low, high = fieller_limits(2.0, 1.0, np.diag([0.0, 0.01]), 2.0)
    >>> round(low, 6), round(high, 6)
    (1.666667, 2.5)
    """
    q2 = quantile**2
    a = bottom**2 - q2 * covariance[1, 1]
    if a <= 0.0:
        return None
    b = top * bottom - q2 * covariance[0, 1]
    c = top**2 - q2 * covariance[0, 0]
    root = float(np.sqrt(max(b * b - a * c, 0.0)))
    return float((b - root) / a), float((b + root) / a)


def _difference(
    fit: WearFit, mixed: MixedFit, at: tuple[int, int], rho: float
) -> tuple[float, float]:
    """t statistic and degrees of freedom of r_a - rho r_b."""
    contrast = np.zeros((1, len(fit.columns)))
    contrast[0, list(at)] = 1.0, -rho
    inner = contrast[:, fit.kept]
    df = float(contrast_df(mixed, fit.jackknife, inner, fit.most_df)[0])
    spread = float((inner @ mixed.covariance @ inner.T)[0, 0])
    return float((inner @ mixed.beta)[0]) / np.sqrt(spread), df


def _ratio(fit: WearFit, mixed: MixedFit, axle: int, a: int, b: int, level: float) -> RateRatio:
    at = (fit.columns.position("rate", axle, a), fit.columns.position("rate", axle, b))
    own = [int(fit.kept[:column].sum()) for column in at]
    top, bottom = mixed.beta[own]
    ratio = float(top / bottom) if bottom != 0.0 else float("inf")
    t, df = _difference(fit, mixed, at, 1.0)
    df_ratio = _difference(fit, mixed, at, ratio)[1] if np.isfinite(ratio) else df
    quantile = float(t_quantile(0.5 + level / 2, df_ratio))
    limits = fieller_limits(top, bottom, mixed.covariance[np.ix_(own, own)], quantile)
    p = float(2 * t_cdf(-abs(t), df))
    return RateRatio(
        axle_type=fit.axle_types[axle],
        duty_a=fit.duties[a],
        duty_b=fit.duties[b],
        ratio=ratio,
        ci_low=limits[0] if limits else None,
        ci_high=limits[1] if limits else None,
        df=df,
        p=p,
        p_adjusted=p,
    )


def _adjusted(ratios: list[RateRatio]) -> tuple[RateRatio, ...]:
    p = holm([r.p for r in ratios])
    return tuple(replace(r, p_adjusted=float(q)) for r, q in zip(ratios, p, strict=True))


def compare_duties(fit: WearFit, *, level: float = 0.95) -> WearComparisons:
    """Ratios of wear rates between duties, each by its own readings alone: what leans on the others
    is not compared with them. Duties with a single unit are left out."""
    if fit.mixed is None:
        return WearComparisons((), fit.notes)
    told = [r for r in fit.rates if r.raw_se is not None and r.units >= LEAST_UNITS]
    own = {(r.axle_type, r.duty) for r in told}
    ratios, skipped = [], []
    for axle, name in enumerate(fit.axle_types):
        for a, b in combinations(range(len(fit.duties)), 2):
            if {(name, fit.duties[a]), (name, fit.duties[b])} <= own:
                ratios.append(_ratio(fit, fit.mixed, axle, a, b, level))
            else:
                skipped.append(f"{fit.duties[a]} with {fit.duties[b]} on {name}")
    notes = (f"Too few units to compare {', '.join(skipped)}.",) if skipped else ()
    return WearComparisons(_adjusted(ratios), notes)


@dataclass(frozen=True, slots=True)
class JointRatio:
    """Rates over others, pair by pair, as one ratio."""

    ratio: float
    ci_low: float
    ci_high: float
    p: float


Group = tuple[str, str]


def joint_ratio(
    fit: WearFit, pairs: Sequence[tuple[Group, Group]], *, level: float = 0.95
) -> JointRatio:
    """The ratio of each pair's first rate, named by axle type and duty, to its second."""
    slopes, logs = _log_ratios(fit, pairs)
    precision = np.linalg.pinv(slopes @ fit.covariance @ slopes.T)
    weights = precision.sum(axis=0) / precision.sum()
    estimate, contrast = float(weights @ logs), weights @ slopes
    se = float(np.sqrt(contrast @ fit.covariance @ contrast))
    assert fit.mixed is not None
    df = min(float(satterthwaite_df(fit.mixed, contrast[None, fit.kept])[0]), fit.most_df)
    half = float(t_quantile(0.5 + level / 2, df)) * se
    low, high = np.exp([estimate - half, estimate + half])
    p = float(2.0 * t_cdf(-abs(estimate) / se, df))
    return JointRatio(float(np.exp(estimate)), float(low), float(high), p)


def _log_ratios(
    fit: WearFit, pairs: Sequence[tuple[Group, Group]]
) -> tuple[FloatArray, FloatArray]:
    """Derivatives (G, P) of each pair's log ratio in the fixed effects, and the log ratios."""
    slopes, logs = np.zeros((len(pairs), len(fit.beta))), np.zeros(len(pairs))
    for g, pair in enumerate(pairs):
        for (axle_type, duty), sign in zip(pair, (1.0, -1.0), strict=True):
            axle = fit.axle_types.index(axle_type)
            column = fit.columns.position("rate", axle, fit.duties.index(duty))
            slopes[g, column] = sign / fit.beta[column]
            logs[g] += sign * np.log(max(fit.beta[column], 1e-12))
    return slopes, logs


COMPARISON_SCHEMA = {
    "axle_type": pl.String,
    "measure": pl.String,
    "duty_a": pl.String,
    "duty_b": pl.String,
    "ratio": pl.Float64,
    "ci_low": pl.Float64,
    "ci_high": pl.Float64,
    "p": pl.Float64,
    "p_adjusted": pl.Float64,
    "method": pl.String,
}


def comparisons_frame(comparisons: WearComparisons) -> pl.DataFrame:
    """One row per pair of duties within an axle type; null: no ratio of two rates of wear."""
    constants = {"measure": "wear_rate_ratio", "method": METHOD}
    rows = [
        {n: constants.get(n, getattr(r, n, None)) for n in COMPARISON_SCHEMA}
        for r in comparisons.ratios
    ]
    frame = pl.DataFrame(rows, schema=COMPARISON_SCHEMA)
    is_ratio = pl.col("ratio").is_finite() & (pl.col("ratio") >= 0.0)
    bounded = is_ratio & (pl.col("ci_high") >= 0.0)
    return frame.with_columns(
        ratio=pl.when(is_ratio).then("ratio"),
        ci_low=pl.when(bounded).then(pl.col("ci_low").clip(0.0)),
        ci_high=pl.when(bounded).then("ci_high"),
    )
