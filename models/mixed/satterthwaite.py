r"""Degrees of freedom of a contrast of fixed effects, after Satterthwaite.

The variance of :math:`c^\top\hat\beta`, :math:`v = c^\top\Phi c`, is itself estimated, through the
variance components :math:`\theta`. With W their covariance and g the gradient of v,

.. math:: \nu = 2 v^2 / (g^\top W g),\qquad
          \partial\Phi/\partial\theta_k = \Phi\, X^\top V^{-1} V_k V^{-1} X\, \Phi

which matches the first two moments of a scaled chi-square. Both pieces come from the sums the REML
search already has. W is the inverse average information along the directions in which the
variances could still move: one that sits on its boundary adds nothing.

References
----------
Giesbrecht, Burns (1985), Biometrics 41:477; Fai, Cornelius (1996), J. Stat. Comput. Simul. 54:363.
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray
from models.common.distributions import f_sf
from models.mixed.fit import MixedFit
from models.mixed.optimum import root_jacobian

MOST_DF = 1e6
"""Degrees of freedom are not told apart beyond this."""


def variance_covariance(fit: MixedFit) -> FloatArray:
    """Covariance of (relative start, cross, slope and unit variance, sigma²), shape (5, 5)."""
    inside = np.zeros((5, 5))
    inside[:4, :4] = root_jacobian(fit.root, fit.t_scale) * fit.free
    inside[4, 4] = 1.0
    information = inside.T @ fit.point.information @ inside
    scale = np.sqrt(np.maximum(np.diag(information), 0.0))
    scale[scale <= 1e-10 * scale.max()] = np.inf
    scaled = information / np.outer(scale, scale)
    inverse = np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) / np.outer(scale, scale)
    return np.asarray(inside @ inverse @ inside.T)


def satterthwaite_df(fit: MixedFit, contrasts: FloatArray) -> FloatArray:
    """Degrees of freedom of each contrast, shape (m,), for ``contrasts`` (m, p) of ``fit.beta``."""
    point = fit.point
    inner = contrasts @ fit.back
    spread = inner @ point.xtx_inverse
    unscaled = np.einsum("mi,mi->m", spread, inner)
    slopes = np.einsum("mi,kij,mj->mk", spread, point.b[:, :-1, :-1], spread) * point.sigma2
    gradient = np.column_stack([slopes, unscaled])
    noise = np.einsum("mk,kl,ml->m", gradient, variance_covariance(fit), gradient)
    variance = unscaled * point.sigma2
    df = np.full(len(contrasts), MOST_DF)
    np.divide(2.0 * variance**2, noise, out=df, where=noise > 0.0)
    return np.asarray(np.clip(df, 1.0, MOST_DF))


@dataclass(frozen=True, slots=True)
class WaldTest:
    """F test of several contrasts being zero."""

    f: float
    df1: int
    df2: float
    p: float


def wald_test(fit: MixedFit, contrasts: FloatArray, most_df: float = MOST_DF) -> WaldTest:
    """F test of ``contrasts`` (m, p) of ``fit.beta``, m independent rows.

    The denominator's degrees of freedom match the mean of F to that of its independent parts, each
    with Satterthwaite's (Fai and Cornelius 1996); they are held at ``most_df``.
    """
    covariance = contrasts @ fit.covariance @ contrasts.T
    values, vectors = np.linalg.eigh(covariance)
    parts = vectors.T @ contrasts
    t_squared = (parts @ fit.beta) ** 2 / values
    df = np.minimum(satterthwaite_df(fit, parts), most_df)
    m = len(values)
    if m == 1:
        df2 = float(df[0])
    else:
        excess = float((df[df > 2] / (df[df > 2] - 2)).sum())
        df2 = 2 * excess / (excess - m) if excess > m else 1.0
    f = float(t_squared.mean())
    return WaldTest(f=f, df1=m, df2=df2, p=float(f_sf(f, m, df2)))
