r"""REML of a two-level mixed model from pseudo-rows: value, gradient and information in one pass.

Model
-----
For block :math:`i` (a lining life) of unit :math:`u`, with running variable :math:`t`,

.. math:: y = X\beta + b_{0i} + b_{1i}\,t + c_u\,t + \varepsilon,\qquad
          (b_0, b_1)\sim N(0, \sigma^2\Gamma),\; c\sim N(0, \sigma^2\tau),\;
          \varepsilon\sim N(0, \sigma^2 W^{-1})

``models.mixed.blocks`` reduces each block to two pseudo-rows :math:`\tilde y = Q^\top y`,
:math:`\tilde X = Q^\top X`, :math:`Q^\top Z = R`, and one pooled left-over cross-product.

Likelihood
----------
Relative to :math:`\sigma^2` the covariance of a block's pseudo-rows is
:math:`M_i = I + R_i\Gamma R_i^\top` (2 x 2) and that of a unit is
:math:`H_u = \mathrm{diag}(M_i) + \tau\, w_u w_u^\top`, where :math:`w` stacks the second column of
the :math:`R_i`. With :math:`A = X^\top H^{-1}X`, :math:`\hat\beta` the generalised least squares
solution, :math:`r` its residuals and N the number of rows, the REML criterion of Patterson and
Thompson is

.. math:: -2\ell = \log|H| + \log|A| + (N-p)\log(2\pi\sigma^2) + r^\top H^{-1}r/\sigma^2

and :math:`\hat\sigma^2 = r^\top H^{-1}r/(N-p)` is put in. The constant is lme4's.

The unit update
---------------
Let :math:`T_i = R_i^\top M_i^{-1}[\tilde X_i,\tilde y_i]` (rows :math:`T_0, T_1`),
:math:`A_i = R_i^\top M_i^{-1}R_i`, :math:`\eta_i` its second column, and over a unit
:math:`g = \sum T_1`, :math:`h = \sum A_{11}`, :math:`\kappa = \tau/(1+\tau h)`. By the
Sherman-Morrison identity

.. math::
   \log|H_u| &= \textstyle\sum\log|M_i| + \log(1+\tau h),\qquad
   [X,y]^\top H_u^{-1}[X,y] = \textstyle\sum[\tilde X,\tilde y]^\top M^{-1}[\tilde X,\tilde y]
       - \kappa\, g g^\top\\
   F_i &= Z_i^\top (H^{-1}[X,y])_i = T_i - \kappa\,\eta_i g^\top,\qquad
   Z_i^\top (H^{-1})_{ii}Z_i = A_i - \kappa\,\eta_i\eta_i^\top\\
   w^\top H^{-1}[X, y] &= g^\top/(1+\tau h),\qquad w^\top H^{-1}w = h/(1+\tau h)

With :math:`B_{kl} = \sum_i F_{ki}^\top F_{li}` and :math:`B_\tau = \sum_u gg^\top/(1+\tau h)^2`
every derivative is a trace or a quadratic form in small matrices: for :math:`v = (-\hat\beta, 1)`,

.. math:: \partial(-2\ell)/\partial\theta_k = \mathrm{tr}(H^{-1}H_k) - \mathrm{tr}(A^{-1}B_k^{XX})
          - v^\top B_k v/\sigma^2

None of them subtracts large numbers, and none needs the readings again. The average-information
matrix :math:`\tfrac12 y^\top P V_k P V_l P y` (Gilmour, Thompson, Cullis 1995, Biometrics 51:1440)
steers Newton's method and gives the variances' own covariance.

Clusters within units
---------------------
Where a share :math:`\rho` of the unit's variance belongs to its clusters (its lives in one duty),
:math:`H_u = \mathrm{diag}(M_i) + \delta\,\mathrm{diag}(w_c w_c^\top) + \tau_1 w_u w_u^\top` with
:math:`\delta = \rho\tau,\ \tau_1 = (1-\rho)\tau`. The identity is used twice, first with
:math:`d_c = 1 + \delta h_c,\ \kappa_c = \delta/d_c` for each cluster, then with
:math:`g_u = \sum g_c/d_c,\ h_u = \sum h_c/d_c` for the unit, so that above
:math:`\kappa g` becomes :math:`P_c = \kappa_c g_c + \kappa_u g_u/d_c` and :math:`\kappa` becomes
:math:`\xi_c = \kappa_c + \kappa_u/d_c^2`. The share is held while the variances are sought.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular

from models.common.arrays import FloatArray, IntArray
from models.mixed.blocks import BlockGroup, Blocks
from models.mixed.whitening import GroupPass, Variances, group_pass


@dataclass(frozen=True, slots=True)
class UnitTerms:
    """What the unit update needs; without a share for clusters, every unit is its own.

    Per cluster (C,): ``g`` = sum of T1 over [X, y] (C, p + 1), ``h`` = sum of A11, ``kappa``,
    ``one_plus`` = d, and what stands for kappa g and kappa once the unit is counted, ``pull``
    (C, p + 1) and ``doubt``. Per unit (U,): ``unit_g``, ``unit_h``, ``unit_kappa``,
    ``unit_one_plus``. ``unit`` is that of each cluster.
    """

    unit: IntArray
    g: FloatArray
    h: FloatArray
    kappa: FloatArray
    one_plus: FloatArray
    unit_g: FloatArray
    unit_h: FloatArray
    unit_kappa: FloatArray
    unit_one_plus: FloatArray
    pull: FloatArray
    doubt: FloatArray

    def per_unit(self, values: FloatArray) -> FloatArray:
        """Sums over the clusters of each unit of ``values`` (..., C)."""
        units = np.arange(len(self.unit_h))
        if np.array_equal(self.unit, units):
            return values
        start = np.searchsorted(self.unit, units)
        padded = np.concatenate([values, np.zeros((*values.shape[:-1], 1))], axis=-1)
        total = np.add.reduceat(padded, start, axis=-1)
        return np.asarray(np.where(np.isin(units, self.unit), total, 0.0))


@dataclass(frozen=True, slots=True)
class RemlPoint:
    """The criterion and its derivatives at one set of variances.

    ``b`` holds the four matrices [X,y]' H^-1 H_k H^-1 [X,y], in the order of ``Variances``;
    ``deviance`` is -2 REML log-likelihood, ``gradient`` its derivative in the relative variances;
    ``information`` is the average information of (relative variances, sigma²), shape (5, 5);
    ``at_floor`` says that sigma² is the least admitted.
    """

    variances: Variances
    deviance: float
    gradient: FloatArray
    information: FloatArray
    beta: FloatArray
    xtx_inverse: FloatArray
    sigma2: float
    at_floor: bool
    b: FloatArray


def _cluster_sums(blocks: Blocks, passes: list[GroupPass]) -> tuple[FloatArray, FloatArray]:
    """g and h of each cluster."""
    n = len(blocks.cluster_unit) if blocks.has_units else 0
    g, h = np.zeros((n, blocks.n_columns + 1)), np.zeros(n)
    if blocks.has_units:
        for group, one in zip(blocks.groups, passes, strict=True):
            place = np.append(group.columns, blocks.n_columns)
            g[group.segment_cluster[:, None], place] += one.segments.g.T
            h[group.segment_cluster] += one.segments.h
    return g, h


def unit_terms(blocks: Blocks, passes: list[GroupPass], tau: float) -> UnitTerms:
    """The sums of one pass per cluster and unit, at the units' relative variance ``tau``."""
    g, h = _cluster_sums(blocks, passes)
    n_units = blocks.n_units if blocks.has_units else 0
    unit = blocks.cluster_unit[: len(h)]
    own, shared = blocks.cluster_share * tau, (1.0 - blocks.cluster_share) * tau
    one_plus = 1.0 + own * h
    kappa = own / one_plus
    none = UnitTerms(
        unit, g, h, kappa, one_plus, g[:0], np.zeros(n_units), h[:0], h[:0], g[:0], h[:0]
    )
    unit_g, unit_h = none.per_unit((g / one_plus[:, None]).T).T, none.per_unit(h / one_plus)
    unit_one_plus = 1.0 + shared * unit_h
    unit_kappa = shared / unit_one_plus
    down = unit_kappa[unit] / one_plus
    return replace(
        none,
        unit_g=unit_g,
        unit_h=unit_h,
        unit_kappa=unit_kappa,
        unit_one_plus=unit_one_plus,
        pull=kappa[:, None] * g + down[:, None] * unit_g[unit],
        doubt=kappa + down / one_plus,
    )


def _group_b(group: BlockGroup, one: GroupPass, units: UnitTerms) -> tuple[FloatArray, FloatArray]:
    """A group's share of B_00, B_01, B_11 over all columns, and of the traces of H^-1 H_k."""
    p1 = units.g.shape[1]
    place = np.append(group.columns, p1 - 1)
    pull, doubt = units.pull[group.segment_cluster], units.doubt[group.segment_cluster]
    eta_t = one.segments.eta_t
    across = (eta_t.reshape(-1, len(doubt)) @ pull).reshape(2, 2, len(place), p1)
    b = (pull.T * one.segments.eta_eta[:, None, :]) @ pull
    b[:, place] -= across[(0, 0, 1), (0, 1, 1)]
    b[:, :, place] -= across[(0, 1, 1), (0, 0, 1)].transpose(0, 2, 1)
    b[:, place[:, None], place] += one.b
    return b, one.trace - one.segments.eta_eta @ doubt


def cluster_scores(units: UnitTerms) -> FloatArray:
    """w_c' H^-1 [X, y] of every cluster, shape (C, p + 1)."""
    down = units.h / units.one_plus * units.unit_kappa[units.unit]
    return np.asarray(units.g / units.one_plus[:, None] - down[:, None] * units.unit_g[units.unit])


def _unit_b(units: UnitTerms, share: float) -> tuple[FloatArray, float]:
    """The same for the variance of units' slopes."""
    scaled = units.unit_g / units.unit_one_plus[:, None]
    b, trace = scaled.T @ scaled, float((units.unit_h / units.unit_one_plus).sum())
    if share == 0.0:
        return b, trace
    scores, down = cluster_scores(units), units.h / units.one_plus
    own = float((down - down**2 * units.unit_kappa[units.unit]).sum())
    return (1.0 - share) * b + share * scores.T @ scores, (1.0 - share) * trace + share * own


def _all_b(
    blocks: Blocks, passes: list[GroupPass], units: UnitTerms
) -> tuple[FloatArray, FloatArray]:
    """[X,y]' H^-1 H_k H^-1 [X,y] and tr(H^-1 H_k) for the four relative variances."""
    p1 = blocks.n_columns + 1
    b, trace = np.zeros((3, p1, p1)), np.zeros(3)
    for group, one in zip(blocks.groups, passes, strict=True):
        if blocks.has_units:
            part, part_trace = _group_b(group, one, units)
            b, trace = b + part, trace + part_trace
        else:
            place = np.append(group.columns, p1 - 1)
            for k in range(3):
                b[k][np.ix_(place, place)] += one.b[k]
            trace = trace + one.trace
    unit_b, unit_trace = _unit_b(units, blocks.cluster_share)
    four = np.stack([b[0], b[1] + b[1].T, b[2], unit_b])
    return four, np.array([trace[0], 2 * trace[1], trace[2], unit_trace])


def _gram(blocks: Blocks, passes: list[GroupPass], units: UnitTerms) -> FloatArray:
    """[X,y]' H^-1 [X,y]."""
    total = blocks.within.copy()
    for group, one in zip(blocks.groups, passes, strict=True):
        place = np.append(group.columns, blocks.n_columns)
        total[np.ix_(place, place)] += one.gram
    if blocks.cluster_share:
        total -= (units.g.T * units.kappa) @ units.g
    return np.asarray(total - (units.unit_g.T * units.unit_kappa) @ units.unit_g)


def _solve_gram(gram: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
    """Coefficients, inverse and log-determinant of X'H^-1X, and the residual sum of squares."""
    diagonal = np.diag(gram)[:-1]
    if (diagonal <= 0.0).any():
        raise np.linalg.LinAlgError("a fixed-effect column is lost in rounding")
    scale = np.sqrt(diagonal)
    factor = np.linalg.cholesky(gram[:-1, :-1] / np.outer(scale, scale))
    inverse_factor = solve_triangular(factor, np.eye(len(scale)), lower=True) / scale
    projected = inverse_factor @ gram[:-1, -1]
    log_det = 2.0 * float(np.log(np.diag(factor)).sum() + np.log(scale).sum())
    residual = float(gram[-1, -1] - projected @ projected)
    return inverse_factor.T @ projected, inverse_factor.T @ inverse_factor, log_det, residual


def _quadratic_forms(phi: FloatArray, a: FloatArray) -> FloatArray:
    """Sum over blocks of (E_k phi)' A (E_l phi) for the three block variances."""
    p0, p1 = phi
    a00, a01, a11 = a
    along0, along1 = a00 * p1 + a01 * p0, a01 * p1 + a11 * p0
    q01, q02, q12 = p0 @ along0, (p0 * p1) @ a01, p1 @ along1
    return np.array(
        [
            [(p0 * p0) @ a00, q01, q02],
            [q01, p1 @ along0 + p0 @ along1, q12],
            [q02, q12, (p1 * p1) @ a11],
        ]
    )


def _cluster_forms(
    blocks: Blocks, group: BlockGroup, phi: FloatArray, eta: FloatArray
) -> FloatArray:
    """Sum over each cluster's blocks of eta' E_k phi, shape (3, C)."""
    e = np.stack([eta[0] * phi[0], eta[0] * phi[1] + eta[1] * phi[0], eta[1] * phi[1]])
    total = np.zeros((3, len(blocks.cluster_unit)))
    total[:, group.segment_cluster] = np.add.reduceat(e, group.segment_start, axis=1)
    return total


def _unit_pulls(units: UnitTerms, v: FloatArray, share: float) -> FloatArray:
    """What the units' variance multiplies each block's unit column by in H_k H^-1 r, (C,)."""
    whole = (units.unit_g @ v / units.unit_one_plus)[units.unit]
    if share == 0.0:
        return np.asarray(whole)
    return np.asarray((1.0 - share) * whole + share * (cluster_scores(units) @ v))


def _working_forms(
    blocks: Blocks, passes: list[GroupPass], units: UnitTerms, v: FloatArray
) -> FloatArray:
    """q_k' H^-1 q_l with q_k = H_k H^-1 r, for the four relative variances."""
    forms = np.zeros((4, 4))
    s = np.zeros((4, len(units.h)))
    pull = units.pull @ v
    for group, one in zip(blocks.groups, passes, strict=True):
        phi = one.t_residual
        if blocks.has_units:
            eta = one.a[1:] * group.unit_scale
            phi = phi - eta * np.repeat(pull[group.segment_cluster], group.segment_length)
            s[:3] += _cluster_forms(blocks, group, phi, eta)
        forms[:3, :3] += _quadratic_forms(phi, one.a)
    m = _unit_pulls(units, v, blocks.cluster_share)
    s[3] = m * units.h
    forms[:3, 3] = forms[3, :3] = s[:3] @ m
    forms[3, 3] = s[3] @ m
    across = units.per_unit(s / units.one_plus)
    return np.asarray(forms - (s * units.kappa) @ s.T - (across * units.unit_kappa) @ across.T)


def _information(
    forms: FloatArray,
    b: FloatArray,
    residual_forms: FloatArray,
    v: FloatArray,
    xtx_inverse: FloatArray,
    sigma2: float,
    df: int,
) -> FloatArray:
    """Average information of the four relative variances and sigma², shape (5, 5)."""
    pull = b[:, :-1, :] @ v
    information = np.zeros((5, 5))
    information[:4, :4] = (forms - pull @ xtx_inverse @ pull.T) / sigma2 / 2.0
    information[:4, 4] = information[4, :4] = residual_forms / sigma2**2 / 2.0
    information[4, 4] = df / sigma2**2 / 2.0
    return information


def normal_equations(blocks: Blocks, variances: Variances) -> FloatArray:
    """[X,y]' H^-1 [X,y] at given relative variances; the columns may be linearly dependent."""
    none = np.zeros(blocks.n_columns + 1)
    passes = [
        group_pass(g, variances, none[: len(g.columns) + 1], blocks.has_units)
        for g in blocks.groups
    ]
    return _gram(blocks, passes, unit_terms(blocks, passes, variances.tau))


def reml_point(
    blocks: Blocks, variances: Variances, beta: FloatArray | None = None, floor: float = 0.0
) -> RemlPoint:
    """The REML criterion, its gradient and average information at given relative variances.

    ``beta`` is the last known solution (only the information uses it); ``floor`` is the least
    error variance admitted.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the fixed-effect columns are linearly dependent.
    """
    p = blocks.n_columns
    v = np.append(-beta if beta is not None else np.zeros(p), 1.0)
    passes = [
        group_pass(group, variances, v[np.append(group.columns, p)], blocks.has_units)
        for group in blocks.groups
    ]
    units = unit_terms(blocks, passes, variances.tau)
    solution, inverse, log_det_x, rss = _solve_gram(_gram(blocks, passes, units))
    df = blocks.n_rows - p
    sigma2 = max(rss / df, floor)
    b, traces = _all_b(blocks, passes, units)
    new_v = np.append(-solution, 1.0)
    residual_forms = np.einsum("i,kij,j->k", new_v, b, new_v)
    log_det = sum(one.log_det for one in passes) + float(
        np.log(units.one_plus).sum() + np.log(units.unit_one_plus).sum()
    )
    fixed = np.einsum("ij,kij->k", inverse, b[:, :-1, :-1])
    return RemlPoint(
        variances=variances,
        deviance=log_det
        + log_det_x
        + df * np.log(2 * np.pi * sigma2)
        + rss / sigma2
        + blocks.constant,
        gradient=traces - fixed - residual_forms / sigma2,
        information=_information(
            _working_forms(blocks, passes, units, v), b, residual_forms, new_v, inverse, sigma2, df
        ),
        beta=solution,
        xtx_inverse=inverse,
        sigma2=sigma2,
        at_floor=rss / df < floor,
        b=b,
    )
