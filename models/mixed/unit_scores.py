r"""Covariance of the variances from units as they differ, beside the likelihood's own.

The inverse information is right where random effects are normal. Where a hard driver's linings also
differ more among themselves, or a few units are far out, estimates of the variances move more from
fleet to fleet than it says. With :math:`s_u` the share of unit u in the score (the gradient of the
log-likelihood in the variances) and I the information, the covariance is

.. math:: I^{-1}\Big(\tfrac{m}{m-1}\textstyle\sum_u s_u s_u^\top\Big) I^{-1}

over m units, whatever the effects' distribution (Huber 1967; White 1982, Econometrica 50:1; for
variances of mixed models: Verbeke, Lesaffre 1997, Comput. Stat. Data Anal. 23:541). The score of
the error variance is not known unit by unit, its part stays the likelihood's.
"""

from dataclasses import replace

import numpy as np

from models.common.arrays import FloatArray
from models.mixed.blocks import BlockGroup, Blocks
from models.mixed.fit import MixedFit
from models.mixed.pilot import some_units
from models.mixed.reml import UnitTerms, cluster_scores, unit_terms
from models.mixed.satterthwaite import variance_covariance
from models.mixed.whitening import GroupPass, group_pass

MOST_UNITS = 20_000
"""In a larger fleet every k-th unit stands for k."""


def unit_scores(blocks: Blocks, fit: MixedFit) -> FloatArray:
    """Score of every unit in the relative variances (start, cross, slope, unit), (units, 4).

    Less their mean: what the fixed effects' estimation takes from the scores is shared alike.
    """
    p, v = blocks.n_columns, np.append(-fit.point.beta, 1.0)
    passes = [
        group_pass(g, fit.point.variances, v[np.append(g.columns, p)], blocks.has_units)
        for g in blocks.groups
    ]
    units = unit_terms(blocks, passes, fit.point.variances.tau)
    found = np.zeros((blocks.n_units, 4))
    for group, one in zip(blocks.groups, passes, strict=True):
        each = _block_scores(group, one, units, v, fit.sigma2)
        parts = np.add.reduceat(each, group.segment_start, axis=1)
        unit = blocks.cluster_unit[group.segment_cluster]
        found[:, :3] += np.stack([np.bincount(unit, part, blocks.n_units) for part in parts], 1)
    found[:, 3] = _own_scores(units, v, fit.sigma2, blocks.cluster_share)
    told = found.any(axis=1)
    return np.asarray((found[told] - found[told].mean(axis=0)) / 2.0)


def _block_scores(
    group: BlockGroup, one: GroupPass, units: UnitTerms, v: FloatArray, sigma2: float
) -> FloatArray:
    """Twice what each block adds to the scores of the three block variances, (3, blocks)."""
    at = np.repeat(group.segment_cluster, group.segment_length)
    eta = one.a[1:] * group.unit_scale
    phi = one.t_residual - eta * (units.pull @ v)[at]
    seen = np.stack([phi[0] ** 2, 2.0 * phi[0] * phi[1], phi[1] ** 2]) / sigma2
    taken = np.stack([eta[0] ** 2, eta[0] * eta[1], eta[1] ** 2]) * units.doubt[at]
    expected = one.a - taken
    expected[1] *= 2.0
    return np.asarray(seen - expected)


def _own_scores(units: UnitTerms, v: FloatArray, sigma2: float, share: float) -> FloatArray:
    """Twice the score of each unit in the variance of units' slopes, (units,)."""
    whole = (units.unit_g @ v / units.unit_one_plus) ** 2 / sigma2
    whole = whole - units.unit_h / units.unit_one_plus
    if share == 0.0:
        return np.asarray(whole)
    down = units.h / units.one_plus
    own = (cluster_scores(units) @ v) ** 2 / sigma2
    own = own - down + down**2 * units.unit_kappa[units.unit]
    return np.asarray((1.0 - share) * whole + share * units.per_unit(own))


def robust_variance_covariance(blocks: Blocks, fit: MixedFit) -> FloatArray:
    """Covariance of (relative start, cross, slope and unit variance, sigma²), shape (5, 5); the
    likelihood's own where blocks belong to no units."""
    own = variance_covariance(fit)
    if not blocks.has_units:
        return own
    stride = max(1, blocks.n_units // MOST_UNITS)
    scores = unit_scores(replace(blocks, groups=some_units(blocks, stride)), fit)
    middle = fit.point.information.copy()
    m = len(scores)
    middle[:4, :4] = stride * m / max(m - 1.0, 1.0) * scores.T @ scores
    return np.asarray(own @ middle @ own)
