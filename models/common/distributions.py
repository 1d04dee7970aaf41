"""Quantiles and tails of the common distributions, from ``scipy.special``.

``scipy.stats`` has them too, and the tests hold these against it; but it costs every run a third of
a second to import, and each call ten times as long.
"""

from typing import TypeAlias

import numpy as np
from scipy import special

from models.common.arrays import FloatArray, IntArray

Numbers: TypeAlias = float | FloatArray
MAD_TO_SD = 1.4826
"""Standard deviations of a normal in its median absolute deviation."""


def normal_quantile(p: Numbers) -> FloatArray:
    return np.asarray(special.ndtri(p))


def two_sided_z(level: float) -> float:
    """How many standard errors either way hold so much: 1.96 for 0.95."""
    return float(special.ndtri(0.5 + 0.5 * level))


def normal_cdf(z: Numbers) -> FloatArray:
    return np.asarray(special.ndtr(z))


def normal_pdf(x: FloatArray, sd: Numbers) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (x / sd) ** 2) / (np.asarray(sd) * np.sqrt(2.0 * np.pi)))


def square_root(covariance: FloatArray) -> FloatArray:
    """The symmetric R with R R = covariance, which may be singular; of all roots this one moves no
    more than the covariance does, so that draws made with it do not either."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)


def chi2_quantile(p: Numbers, df: Numbers) -> FloatArray:
    return np.asarray(2.0 * special.gammaincinv(np.asarray(df) / 2.0, p))


def profile_cutoff(level: float) -> float:
    """How far below its top a log-likelihood stands at the profile limits of one parameter."""
    return 0.5 * float(chi2_quantile(level, 1))


def chi2_sf(x: Numbers, df: Numbers) -> FloatArray:
    """Chance of more than x; 1 below nought."""
    return np.asarray(special.chdtrc(df, np.maximum(x, 0.0)))


def f_sf(x: Numbers, df1: Numbers, df2: Numbers) -> FloatArray:
    """Chance of more than x; 1 below nought."""
    return np.asarray(special.fdtrc(df1, df2, np.maximum(x, 0.0)))


def f_quantile(p: Numbers, df1: Numbers, df2: Numbers) -> FloatArray:
    return np.asarray(special.fdtri(df1, df2, p))


def t_quantile(p: Numbers, df: Numbers) -> FloatArray:
    return np.asarray(special.stdtrit(df, p))


def t_cdf(x: Numbers, df: Numbers) -> FloatArray:
    return np.asarray(special.stdtr(df, x))


def gamma_quantile(p: Numbers, shape: Numbers) -> FloatArray:
    """Of a gamma law of scale 1."""
    return np.asarray(special.gammaincinv(shape, p))


def binomial_cdf(k: Numbers, n: Numbers, share: Numbers) -> FloatArray:
    """Chance of k or fewer of n; nought for fewer than none."""
    chance = special.bdtr(np.maximum(k, 0.0), _whole(n), share)
    return np.asarray(np.where(np.asarray(k) < 0, 0.0, chance))


def binomial_sf(k: Numbers, n: Numbers, share: Numbers) -> FloatArray:
    """Chance of more than k of n."""
    chance = special.bdtrc(np.maximum(k, 0.0), _whole(n), share)
    return np.asarray(np.where(np.asarray(k) < 0, 1.0, chance))


def binomial_quantile(p: Numbers, n: Numbers, share: Numbers) -> FloatArray:
    """The least k that at least p of the chance lies at or below."""
    above = np.ceil(special.bdtrik(p, n, share))
    below = np.maximum(above - 1.0, 0.0)
    return np.asarray(np.where(special.bdtr(below, _whole(n), share) >= p, below, above))


def _whole(n: Numbers) -> IntArray:
    return np.asarray(n).astype(np.int64)
