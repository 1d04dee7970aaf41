r"""Each block's own start and slope, given its readings and its unit's.

With the notation of ``models.mixed.reml``, :math:`\varphi_i = F_i v` and
:math:`S_i = A_i - \kappa\,\eta_i\eta_i^\top` (where clusters have a share, :math:`\xi_c` stands for
:math:`\kappa = \tau/(1+\tau h)`, and "the unit's slope" includes that of the block's cluster):

.. math::
   E(b_i) &= \Gamma\varphi_i,\quad E(c_u) = \tau\,\rho_u/(1+\tau h_u)\\
   \mathrm{var}(b_i) &= \sigma^2(\Gamma - \Gamma S_i\Gamma),\quad
   \mathrm{cov}(b_i, c_u) = -\sigma^2\,\tau\,\Gamma\eta_i/(1+\tau h_u),\quad
   \mathrm{var}(c_u) = \sigma^2\tau/(1+\tau h_u)

given the fixed effects; how the expectations move with those is returned beside them,
:math:`\partial b_i/\partial\beta = -\Gamma F_i^X` and
:math:`\partial c_u/\partial\beta = -\tau g_u^X/(1+\tau h_u)`, so that their uncertainty can be
shared by every block (Henderson 1975, Biometrics 31:423; Robinson 1991, Statistical Science 6:15).
"""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.mixed.blocks import BlockGroup, Blocks
from models.mixed.reml import UnitTerms, unit_terms
from models.mixed.whitening import Variances, Whitened, group_pass, whiten


@dataclass(frozen=True, slots=True)
class BlockEffects:
    """Per block, in the caller's order: expected deviation of start and slope (the unit's slope
    included), their covariances given the fixed effects (N,), those with the unit's slope and its
    variance, and the gradients (N, p). Given fixed effects and unit's slope, blocks are
    independent."""

    start: FloatArray
    slope: FloatArray
    var_start: FloatArray
    cov_start_slope: FloatArray
    var_slope: FloatArray
    cov_start_unit: FloatArray
    cov_slope_unit: FloatArray
    var_unit: FloatArray
    start_gradient: FloatArray
    slope_gradient: FloatArray


def _own_terms(
    group: BlockGroup, white: Whitened, units: UnitTerms
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """F over [X, y] (2, blocks, p + 1), eta (2, blocks), and the unit's pull (blocks, p + 1)."""
    p1 = units.g.shape[1]
    place = np.append(group.columns, p1 - 1)
    f = np.zeros((2, group.n_blocks, p1))
    f[0][:, place], f[1][:, place] = white.t0.T, white.t1.T
    eta = np.stack(white.eta)
    if len(units.h) == 0:
        return f, eta, np.zeros((group.n_blocks, p1))
    pull = units.pull[group.cluster]
    return f - eta[:, :, None] * pull, eta, pull


def _group_effects(
    group: BlockGroup,
    variances: Variances,
    sigma2: float,
    v: FloatArray,
    units: UnitTerms,
) -> BlockEffects:
    white = whiten(group, slice(None), variances)
    f, eta, pull = _own_terms(group, white, units)
    gamma, scale = variances.gamma, group.unit_scale
    doubt = units.doubt[group.cluster] if len(units.h) else np.zeros(group.n_blocks)
    b = np.einsum("kl,lnj->knj", gamma, f)
    s = np.stack([white.a00, white.a01, white.a11]) - doubt * np.stack(
        [eta[0] ** 2, eta[0] * eta[1], eta[1] ** 2]
    )
    inner = np.array([[s[0], s[1]], [s[1], s[2]]])
    cov = gamma[:, :, None] - np.einsum("ij,jkn,kl->iln", gamma, inner, gamma)
    shared = -doubt * (gamma @ eta)
    slope = b[1] + scale[:, None] * pull
    return BlockEffects(
        start=b[0] @ v,
        slope=slope @ v,
        var_start=sigma2 * cov[0, 0],
        cov_start_slope=sigma2 * (cov[0, 1] + scale * shared[0]),
        var_slope=sigma2 * (cov[1, 1] + 2.0 * scale * shared[1] + scale**2 * doubt),
        cov_start_unit=sigma2 * shared[0],
        cov_slope_unit=sigma2 * (shared[1] + scale * doubt),
        var_unit=sigma2 * doubt,
        start_gradient=-b[0][:, :-1],
        slope_gradient=-slope[:, :-1],
    )


@dataclass(frozen=True, slots=True)
class UnitEffects:
    """Slope of each cluster of a unit (C,): expected value, variance given the fixed effects, and
    gradient in them (C, p); ``unit`` is the cluster's. ``unit_*`` (U,): the same for what all
    clusters of a unit share, a cluster not seen before adding ``own_variance``."""

    unit: IntArray
    slope: FloatArray
    variance: FloatArray
    gradient: FloatArray
    unit_slope: FloatArray
    unit_variance: FloatArray
    unit_gradient: FloatArray
    own_variance: float


def _passed(blocks: Blocks, variances: Variances, beta: FloatArray) -> tuple[FloatArray, UnitTerms]:
    """The weights of [X, y] that make residuals, and what is summed per unit."""
    v = np.append(-(beta - blocks.offset), 1.0)
    passes = [
        group_pass(g, variances, v[np.append(g.columns, -1)], blocks.has_units)
        for g in blocks.groups
    ]
    return v, unit_terms(blocks, passes, variances.tau)


def unit_effects(
    blocks: Blocks, variances: Variances, sigma2: float, beta: FloatArray
) -> UnitEffects:
    """Slopes of units and of their clusters, given variances and fixed effects."""
    v, units = _passed(blocks, variances, beta)
    per_unit = units.unit_kappa[:, None] * units.unit_g
    return UnitEffects(
        unit=units.unit,
        slope=units.pull @ v,
        variance=sigma2 * units.doubt,
        gradient=-units.pull[:, :-1],
        unit_slope=per_unit @ v,
        unit_variance=sigma2 * units.unit_kappa,
        unit_gradient=-per_unit[:, :-1],
        own_variance=sigma2 * blocks.cluster_share * variances.tau,
    )


def block_effects(
    blocks: Blocks, variances: Variances, sigma2: float, beta: FloatArray
) -> BlockEffects:
    """Start and slope of every block, given variances and fixed effects (on the blocks' scale).

    Blocks are in the order of their ``source`` numbers, which must run from 0.
    """
    v, units = _passed(blocks, variances, beta)
    parts = [_group_effects(g, variances, sigma2, v, units) for g in blocks.groups]
    order = np.argsort(np.concatenate([g.source for g in blocks.groups]), kind="stable")
    return BlockEffects(
        *(
            np.concatenate([getattr(part, name) for part in parts])[order]
            for name in BlockEffects.__slots__
        )
    )
