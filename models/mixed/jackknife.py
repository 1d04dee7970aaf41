r"""Covariance of fixed effects from units as they differ: each left out in turn.

The likelihood's own covariance, :math:`\Phi`, is right where the random effects are as the model
has them. Leaving out one unit (all its blocks, at the same variances) moves the coefficients by

.. math:: \hat\beta_{(-u)} - \hat\beta = -(A - A_u)^{-1}\, s_u,\qquad
          A_u = X_u^\top V_u^{-1}X_u,\quad s_u = X_u^\top V_u^{-1}(y_u - X_u\hat\beta)

and :math:`\frac{m-1}{m}\sum_u(\hat\beta_{(-u)} - \hat\beta)(\cdot)^\top` over m units holds
whatever the units' linings have in common (the jackknife over clusters, CR3: Liang, Zeger 1986,
Biometrika 73:13; Bell, McCaffrey 2002, Survey Methodology 28:169). Its degrees of freedom for a
contrast c are those of a sum of independent squares of expected size
:math:`q_u = c^\top\Phi A_u\Phi c`, :math:`\nu = (\sum q_u)^2/\sum q_u^2` (Satterthwaite 1946,
Biometrics Bulletin 2:110): a rate that rests on few units has few, however large the fleet.

The squares that were seen are asked the same, for a unit that the model takes for one of many may
decide a contrast alone; the fewer degrees of freedom count.

Per unit, A and s come from the pseudo-rows, so nothing is read again.
"""

from dataclasses import dataclass, replace

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.mixed.blocks import BlockGroup, Blocks
from models.mixed.fit import MixedFit
from models.mixed.pilot import some_units
from models.mixed.reml import UnitTerms, unit_terms
from models.mixed.satterthwaite import satterthwaite_df
from models.mixed.whitening import group_pass, whiten

MOST_UNITS = 20_000
"""In a larger fleet every k-th unit stands for k: that leaves standard errors known to 0.5 %."""
DEPENDENT = 1e-8
"""A coefficient of which less than this share of its information is left is lost with a unit."""
FEW = 3.0
"""Degrees of freedom below which units left out in turn say too little of a coefficient."""
MOST_WEIGHTS = 2_000
"""Degrees of freedom are counted on about this many units and scaled up."""


@dataclass(frozen=True, slots=True)
class UnitJackknife:
    """``covariance`` (p, p) of the fit's ``beta``; ``weights`` (units, p, p), what each unit adds
    to it under the model, from which a contrast's degrees of freedom follow. Every unit of
    ``weights`` stands for ``stride``."""

    covariance: FloatArray
    weights: FloatArray
    moved: FloatArray
    stride: float

    def df(self, contrasts: FloatArray) -> FloatArray:
        """Degrees of freedom of contrasts (m, p), shape (m,)."""
        q = np.einsum("mi,uij,mj->um", contrasts, self.weights, contrasts, optimize=True)
        q = np.maximum(q, 0.0)
        whole = (q**2).sum(axis=0)
        df = np.ones(len(whole))
        np.divide(self.stride * q.sum(axis=0) ** 2, whole, out=df, where=whole > 0.0)
        return np.minimum(df, self._seen_df(contrasts))

    def _seen_df(self, contrasts: FloatArray) -> FloatArray:
        """The same from how far units did move a contrast, which the model may not foresee: of
        normal moves of one size, fourth powers are three times the square of the squares."""
        moves = (self.moved @ contrasts.T) ** 2
        fourth = (moves**2).sum(axis=0)
        df = np.full(len(contrasts), np.inf)
        squares = 3.0 * self.stride * moves.sum(axis=0) ** 2
        np.divide(squares, fourth, out=df, where=fourth > 0.0)
        return df


def _cluster_products(blocks: Blocks, group: BlockGroup, fit: MixedFit) -> FloatArray:
    """Sum of [X, r]' M^-1 [X, r] over each segment's blocks, (segments, C + 1, C + 1)."""
    white = whiten(group, slice(None), fit.point.variances)
    size = len(group.columns) + 1
    v = _residual_map(blocks, group, fit)
    rows1, rows2 = v @ white.rows1, v @ white.rows2
    total = np.zeros((len(group.segment_start), size, size))
    for i in range(size):
        for j in range(i + 1):
            products = rows1[i] * rows1[j] + rows2[i] * rows2[j]
            total[:, i, j] = total[:, j, i] = np.add.reduceat(products, group.segment_start)
    return total


def _residual_map(blocks: Blocks, group: BlockGroup, fit: MixedFit) -> FloatArray:
    """Turns [X, y] of a group into [X, y - X beta]."""
    v = np.eye(len(group.columns) + 1)
    v[-1, :-1] = -fit.point.beta[group.columns]
    return v


def _add(total: FloatArray, unit: np.ndarray, columns: np.ndarray, part: FloatArray) -> None:
    place = np.append(columns, total.shape[1] - 1)
    np.add.at(total, (unit[:, None, None], place[:, None], place[None, :]), part)


def _unit_products(blocks: Blocks, fit: MixedFit) -> FloatArray:
    """[X, r]' H^-1 [X, r] of every unit, shape (units, p + 1, p + 1)."""
    p = blocks.n_columns
    v = np.append(-fit.point.beta, 1.0)
    passes = [
        group_pass(g, fit.point.variances, v[np.append(g.columns, p)], blocks.has_units)
        for g in blocks.groups
    ]
    units = unit_terms(blocks, passes, fit.point.variances.tau)
    total = np.zeros((blocks.n_units, p + 1, p + 1))
    for group in blocks.groups:
        unit = blocks.cluster_unit[group.segment_cluster]
        _add(total, unit, group.columns, _cluster_products(blocks, group, fit))
        shift = _residual_map(blocks, group, fit)
        _add(
            total,
            blocks.cluster_unit[group.rest_cluster],
            group.columns,
            shift @ group.rest @ shift.T,
        )
    return total - _shared_products(units, v)


def _shared_products(units: UnitTerms, v: FloatArray) -> FloatArray:
    """What the units' shared slopes take from the products."""

    def residual(g: FloatArray) -> FloatArray:
        return np.column_stack([g[:, :-1], g @ v])

    g, unit_g = residual(units.g), residual(units.unit_g)
    shared = units.unit_kappa[:, None, None] * unit_g[:, :, None] * unit_g[:, None, :]
    if units.kappa.any():
        own = units.kappa[:, None, None] * g[:, :, None] * g[:, None, :]
        np.add.at(shared, units.unit, own)
    return np.asarray(shared)


def unit_jackknife(blocks: Blocks, fit: MixedFit) -> UnitJackknife:
    """The jackknife over units; ``blocks`` are those the fit was made from.

    A coefficient that rests on a unit or two cannot be told without them: the model's variance is
    added to what the others say of it.
    """
    stride = max(1, blocks.n_units // MOST_UNITS)
    products = _unit_products(replace(blocks, groups=some_units(blocks, stride)), fit)
    a, s = products[:, :-1, :-1], products[:, :-1, -1]
    whole = np.linalg.inv(fit.point.xtx_inverse)
    used: BoolArray = np.einsum("uii->u", a) > 0.0
    scale = np.sqrt(np.diag(whole))
    left = (whole - a[used]) / np.outer(scale, scale)
    alone = np.linalg.eigvalsh(left)[:, 0] < DEPENDENT
    left[alone] = whole / np.outer(scale, scale)
    moved = np.linalg.solve(left, (s[used] / scale)[:, :, None])[:, :, 0] / scale
    moved = moved - moved.mean(axis=0)
    n, inverse = len(moved), fit.point.xtx_inverse
    thin = max(1, n // MOST_WEIGHTS)
    weights = inverse @ a[used][::thin] @ inverse
    found = UnitJackknife(
        covariance=stride * (n - 1) / n * fit.back @ (moved.T @ moved) @ fit.back.T,
        weights=fit.back @ weights @ fit.back.T,
        moved=moved[::thin] @ fit.back.T,
        stride=float(stride * thin),
    )
    few = np.flatnonzero(found.df(np.eye(len(whole))) < FEW)
    return replace(found, covariance=found.covariance + _told_by_few(fit.covariance, few))


def _told_by_few(covariance: FloatArray, few: IntArray) -> FloatArray:
    """What the model says of coefficients that rest on a unit or two, and so on all others."""
    total = np.zeros_like(covariance)
    for column in few:
        total += np.outer(covariance[:, column], covariance[:, column]) / covariance[column, column]
    return total


def contrast_df(
    fit: MixedFit, jackknife: UnitJackknife | None, contrasts: FloatArray, most: float
) -> FloatArray:
    """Degrees of freedom of contrasts (m, p) of ``fit.beta``: the least of what the variance
    components, the units behind the contrast, and ``most`` allow."""
    df = np.minimum(satterthwaite_df(fit, contrasts), most)
    if jackknife is None:
        return df
    by_unit = jackknife.df(contrasts)
    # What rests on a unit or two has the model's variance, and so its degrees of freedom.
    return np.where(by_unit < FEW, df, np.minimum(df, by_unit))
