r"""Blocks of a two-level mixed model, each reduced to two pseudo-rows.

A block is one lining life, or one subject of a published study. Write its running variable (km,
days, age) as :math:`t`, its fixed-effect columns as :math:`X`, its measurements as :math:`y` and
:math:`Z = [1, t]`. Weighted by :math:`W` (all ones unless two instruments differ in precision), an
orthonormal basis of the span of :math:`Z` is

.. math::
   Q = [\,1/\sqrt{n},\ (t - \bar t)/\sqrt{s_{tt}}\,],\qquad
   Z = QR,\quad R = \begin{pmatrix}\sqrt n & \sqrt n\,\bar t\\ 0 & \sqrt{s_{tt}}\end{pmatrix}

with :math:`n = \sum w`, :math:`s_{tt} = \sum w (t-\bar t)^2`. The random effects live in that span,
so :math:`Q^\top y` and :math:`Q^\top X` (two rows per block) carry all that depends on the
variances between blocks, and what is left over, :math:`(I - QQ^\top)[X, y]`, has covariance
:math:`\sigma^2 I` and enters through one pooled cross-product for the whole data set. Everything is
formed from sums centred within the block, so an odometer offset cancels before it is squared.

Two cases need no special treatment later:

- a block with one row, or with all rows at one :math:`t`: the second pseudo-row is zero. Its
  variance :math:`\sigma^2` is paid back by the degrees of freedom of the left-over part;
- a *free start* (the level of the block is unknown, as in a life whose reline is older than the
  records): one fixed effect of its own would absorb the first pseudo-row, so that row is zero and
  the row count is one less. The REML likelihood then equals that of the model with one indicator
  column per such block, apart from the constant :math:`\tfrac12\log n` per block, which is kept.

A unit's slope may act on a block more or less than the block's own: ``unit_scale`` multiplies it.
Blocks of one unit may fall into *clusters* (its lives in one duty), of which each may have a part
of the unit's slope to itself; without them every unit is its own cluster.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from models.common.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class BlockGroup:
    """Blocks that share one set of fixed-effect columns (an axle type), sorted by unit.

    ``first`` and ``second`` hold the two pseudo-rows, shape (columns + 1, blocks), the measurement
    last. ``r11``, ``r12``, ``r22`` are the entries of R, ``unit_scale`` multiplies the unit's
    slope. Segments are the runs of one cluster. ``rest`` (m, columns + 1, columns + 1) are the
    left-over cross-products known block by block, ``rest_cluster`` (m,) the clusters they are in.
    """

    columns: IntArray
    first: FloatArray
    second: FloatArray
    r11: FloatArray
    r12: FloatArray
    r22: FloatArray
    unit_scale: FloatArray
    segment_start: IntArray
    segment_cluster: IntArray
    source: IntArray
    rest_cluster: IntArray
    rest: FloatArray

    @property
    def n_blocks(self) -> int:
        return len(self.r11)

    @property
    def segment_length(self) -> IntArray:
        return np.diff(np.append(self.segment_start, self.n_blocks))

    @property
    def cluster(self) -> IntArray:
        """Cluster of each block."""
        return np.repeat(self.segment_cluster, self.segment_length)


@dataclass(frozen=True, slots=True)
class Blocks:
    """A whole data set as pseudo-rows: what the REML engine reads.

    ``within`` is the pooled cross-product of [X, y] left over within blocks. ``offset`` is a
    coefficient vector already taken out of the measurements. ``back`` maps the engine's
    coefficients to the caller's, ``pivot`` is the value of t that the engine counts from.
    ``constant`` completes -2 log-likelihood; ``mean_square`` of the measurements is their scale,
    ``reference`` (columns,) that of each column about its origin: rounding is judged by it.
    ``cluster_unit`` (clusters,) is the unit of each cluster, in order; ``cluster_share`` the share
    of the variance of units' slopes that clusters have to themselves.
    """

    groups: tuple[BlockGroup, ...]
    names: tuple[str, ...]
    within: FloatArray
    offset: FloatArray
    back: FloatArray
    pivot: float
    n_rows: int
    n_units: int
    n_blocks: int
    has_units: bool
    constant: float
    mean_square: float
    reference: FloatArray
    cluster_unit: IntArray
    cluster_share: float = 0.0

    @property
    def n_columns(self) -> int:
        return len(self.names)


@dataclass(frozen=True, slots=True)
class BlockMoments:
    """Weighted, centred moments of blocks that share their columns.

    Shapes: (blocks,) and, for ``mean_x`` and ``s_tx``, (columns, blocks). ``level`` says which
    columns are constant within a block by construction. ``within`` is the pooled left-over
    cross-product of [X, y]. ``rows`` counts measurements, ``log_weight`` sums their log weights.
    ``cluster`` (blocks,) numbers clusters over the whole data set, sorted by unit (None: units);
    ``unit_scale`` (blocks,) multiplies the unit's slope (None: 1). ``rest`` (m, columns + 1,
    columns + 1) is the left-over cross-product of each of the blocks ``rest_block`` (m,), those
    whose columns vary beyond the line.
    """

    columns: IntArray
    unit: IntArray
    source: IntArray
    unknown_intercept: BoolArray
    rows: IntArray
    weight: FloatArray
    mean_t: FloatArray
    mean_y: FloatArray
    mean_x: FloatArray
    s_tt: FloatArray
    s_ty: FloatArray
    s_tx: FloatArray
    within: FloatArray
    log_weight: float = 0.0
    cluster: IntArray | None = None
    unit_scale: FloatArray | None = None
    rest_block: IntArray | None = None
    rest: FloatArray | None = None


def _safe_root(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Square root and its inverse, the inverse of zero being zero."""
    root = np.sqrt(np.maximum(values, 0.0))
    inverse = np.zeros_like(root)
    np.divide(1.0, root, out=inverse, where=root > 0.0)
    return root, inverse


def _segments(cluster: IntArray) -> tuple[IntArray, IntArray]:
    """Start and cluster of each run of equal clusters in a sorted array."""
    start = np.flatnonzero(np.concatenate([[True], cluster[1:] != cluster[:-1]]))
    return start.astype(np.int64), cluster[start]


def block_group(moments: BlockMoments) -> BlockGroup:
    """The two pseudo-rows of each block, sorted by cluster."""
    cluster = moments.unit if moments.cluster is None else moments.cluster
    scale = np.ones(len(cluster)) if moments.unit_scale is None else moments.unit_scale
    order = np.argsort(cluster, kind="stable")
    root_n = np.sqrt(moments.weight) * ~moments.unknown_intercept
    root_s, inverse_s = _safe_root(moments.s_tt)
    first = np.vstack([moments.mean_x, moments.mean_y]) * root_n
    second = np.vstack([moments.s_tx, moments.s_ty]) * inverse_s
    start, segment_cluster = _segments(cluster[order])
    return BlockGroup(
        columns=moments.columns,
        first=np.ascontiguousarray(first[:, order]),
        second=np.ascontiguousarray(second[:, order]),
        r11=root_n[order],
        r12=(root_n * moments.mean_t)[order],
        r22=root_s[order],
        unit_scale=scale[order],
        segment_start=start,
        segment_cluster=segment_cluster,
        source=moments.source[order],
        rest_cluster=cluster[moments.rest_block] if moments.rest_block is not None else order[:0],
        rest=np.zeros((0, len(first), len(first))) if moments.rest is None else moments.rest,
    )


def _scatter(total: FloatArray, columns: IntArray, part: FloatArray) -> None:
    """Add a group's cross-product of [X, y] to the data set's."""
    place = np.append(columns, len(total) - 1)
    total[np.ix_(place, place)] += part


def pooled_gram(groups: Sequence[BlockGroup], within: FloatArray) -> FloatArray:
    """Cross-product of [X, y] over all rows (the level of a free start taken out)."""
    total = within.copy()
    for group in groups:
        _scatter(total, group.columns, group.first @ group.first.T + group.second @ group.second.T)
    return total


def _least_squares(gram: FloatArray) -> FloatArray:
    """Ordinary least-squares coefficients from the cross-product of [X, y]."""
    diagonal = np.diag(gram)[:-1]
    scale = np.sqrt(np.where(diagonal > 0.0, diagonal, 1.0))
    scaled = gram[:-1, :-1] / np.outer(scale, scale)
    solution = np.linalg.lstsq(scaled, gram[:-1, -1] / scale, rcond=1e-12)[0]
    return np.asarray(solution / scale)


def _take_out(rows: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Pseudo-rows with the fitted part removed from the measurement."""
    return np.vstack([rows[:-1], rows[-1] - coefficients @ rows[:-1]])


def _residual_group(group: BlockGroup, offset: FloatArray) -> BlockGroup:
    part = offset[group.columns]
    shift = np.eye(len(part) + 1)
    shift[:-1, -1] = -part
    return replace(
        group,
        first=_take_out(group.first, part),
        second=_take_out(group.second, part),
        rest=shift.T @ group.rest @ shift,
    )


def _unknown_intercept_constant(moments: BlockMoments) -> float:
    free = moments.unknown_intercept & (moments.weight > 0)
    return float(np.log(moments.weight[free]).sum()) - moments.log_weight


def _reference(moments: Sequence[BlockMoments], n_columns: int) -> FloatArray:
    """Sum of squared means of each column, free starts included."""
    total = np.zeros(n_columns)
    for part in moments:
        total[part.columns] += part.mean_x**2 @ part.weight
    return total


def assemble_blocks(
    moments: Sequence[BlockMoments],
    names: Sequence[str],
    *,
    n_units: int,
    has_units: bool,
    back: FloatArray | None = None,
    pivot: float = 0.0,
    cluster_unit: IntArray | None = None,
    cluster_share: float = 0.0,
) -> Blocks:
    """Blocks of every group, with a first least-squares fit taken out of the measurements.

    Taking it out keeps later differences small beside what they are taken from.
    """
    p = len(names)
    groups = tuple(block_group(part) for part in moments)
    within = np.zeros((p + 1, p + 1))
    for part in moments:
        _scatter(within, part.columns, part.within)
    gram = pooled_gram(groups, within)
    offset = _least_squares(gram) if p else np.zeros(0)
    n_rows = int(sum(part.rows.sum() - part.unknown_intercept.sum() for part in moments))
    shift = np.eye(p + 1)
    shift[:p, p] = -offset
    return Blocks(
        groups=tuple(_residual_group(group, offset) for group in groups),
        names=tuple(names),
        within=shift.T @ within @ shift,
        offset=offset,
        back=np.eye(p) if back is None else back,
        pivot=pivot,
        n_rows=n_rows,
        n_units=n_units,
        n_blocks=int(sum(len(part.rows) for part in moments)),
        has_units=has_units,
        constant=sum(_unknown_intercept_constant(part) for part in moments),
        mean_square=float(gram[-1, -1]) / max(n_rows, 1),
        reference=_reference(moments, p),
        cluster_unit=np.arange(n_units) if cluster_unit is None else cluster_unit,
        cluster_share=cluster_share,
    )


def _recentred(x: FloatArray, t: FloatArray) -> tuple[FloatArray, FloatArray, float, FloatArray]:
    """Columns and t counted from their means, where a column of ones allows it.

    Returns x, t, the pivot and the matrix that maps coefficients back.
    """
    back = np.eye(x.shape[1])
    ones = np.flatnonzero((x == 1.0).all(axis=0))
    if len(ones) == 0:
        return x, t, 0.0, back
    means = x.mean(axis=0)
    means[ones[0]] = 0.0
    back[ones[0]] -= means
    pivot = float(t.mean())
    return x - means, t - pivot, pivot, back


def _sums(block: IntArray, values: FloatArray) -> FloatArray:
    """Sum of ``values`` (rows,) over each block."""
    return np.asarray(np.bincount(block, values), np.float64)


def _block_means(values: FloatArray, block: IntArray, weight: FloatArray) -> FloatArray:
    """Weighted means per block of each row of ``values`` (columns, rows)."""
    means = np.vstack([_sums(block, weight * row) for row in values]) / _sums(block, weight)
    return np.asarray(means)


def _moments_from_rows(
    aug: FloatArray, t: FloatArray, block: IntArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Means, s_tt, s_t[X,y] per block and the pooled left-over cross-product."""
    means = _block_means(np.vstack([aug, t]), block, weight)
    centred = aug - means[:-1, block]
    t_centred = t - means[-1, block]
    s_tt = _sums(block, weight * t_centred**2)
    s_t = np.vstack([_sums(block, weight * t_centred * row) for row in centred])
    inverse = np.zeros_like(s_tt)
    np.divide(1.0, s_tt, out=inverse, where=s_tt > 0)
    left_over = centred - (s_t * inverse)[:, block] * t_centred
    within = np.asarray((left_over * weight) @ left_over.T)
    return means[:-1], means[-1], s_tt, s_t, within


@dataclass(frozen=True, slots=True)
class _Rows:
    """Checked measurements, ready to be summed per block."""

    y: FloatArray
    x: FloatArray
    t: FloatArray
    block: IntArray
    unit: IntArray
    unknown_intercept: BoolArray
    weight: FloatArray


def _checked_rows(
    y: ArrayLike,
    x: ArrayLike,
    t: ArrayLike,
    block: ArrayLike,
    unit: ArrayLike | None,
    unknown_intercept: ArrayLike | None,
    weight: ArrayLike | None,
) -> _Rows:
    y, t, block = np.asarray(y, float), np.asarray(t, float), np.asarray(block, np.int64)
    if len(y) == 0 or not len(y) == len(t) == len(block):
        raise ValueError(f"need rows of equal length, found {len(y)}, {len(t)}, {len(block)}")
    return _Rows(
        y=y,
        x=np.asarray(x, float).reshape(len(y), -1),
        t=t,
        block=block,
        unit=block if unit is None else np.asarray(unit, np.int64),
        unknown_intercept=np.zeros(len(y), bool)
        if unknown_intercept is None
        else np.asarray(unknown_intercept, bool),
        weight=np.ones_like(y) if weight is None else np.asarray(weight, float),
    )


def _row_moments(rows: _Rows) -> BlockMoments:
    means, mean_t, s_tt, s_t, within = _moments_from_rows(
        np.vstack([rows.x.T, rows.y]), rows.t, rows.block, rows.weight
    )
    first = np.unique(rows.block, return_index=True)[1]
    return BlockMoments(
        columns=np.arange(rows.x.shape[1]),
        unit=rows.unit[first],
        source=np.arange(len(first)),
        unknown_intercept=rows.unknown_intercept[first],
        rows=np.bincount(rows.block),
        weight=_sums(rows.block, rows.weight),
        mean_t=mean_t,
        mean_y=means[-1],
        mean_x=means[:-1],
        s_tt=s_tt,
        s_ty=s_t[-1],
        s_tx=s_t[:-1],
        within=within,
        log_weight=float(np.log(rows.weight).sum()),
    )


def blocks_from_rows(
    y: ArrayLike,
    x: ArrayLike,
    t: ArrayLike,
    block: ArrayLike,
    *,
    unit: ArrayLike | None = None,
    unknown_intercept: ArrayLike | None = None,
    weight: ArrayLike | None = None,
    names: Sequence[str] | None = None,
    keep_origin: bool = False,
) -> Blocks:
    """Blocks from single measurements.

    Parameters
    ----------
    y : (n,) measurements.
    x : (n, p) fixed-effect columns. A column of ones lets the others be centred.
    t : (n,) running variable of the random start and slope.
    block : (n,) integers 0..N-1, every one of them used.
    unit : (n,) integers, one per block; a unit's own random slope on t. None: no unit level.
    unknown_intercept : (n,) bool, true where the block has a level of its own (a fixed effect).
    weight : (n,) relative precision of each measurement (error variance is sigma² / weight).
    keep_origin : count t from its own zero, which an uncorrelated start and slope needs.

    Raises
    ------
    ValueError
        If there are no rows or their lengths differ.
    """
    rows = _checked_rows(y, x, t, block, unit, unknown_intercept, weight)
    n_columns = rows.x.shape[1]
    back, pivot = np.eye(n_columns), 0.0
    if unit is None and unknown_intercept is None and not keep_origin:
        centred_x, centred_t, pivot, back = _recentred(rows.x, rows.t)
        rows = replace(rows, x=centred_x, t=centred_t)
    return assemble_blocks(
        [_row_moments(rows)],
        tuple(names) if names is not None else tuple(f"x{j}" for j in range(n_columns)),
        n_units=int(rows.unit.max()) + 1,
        has_units=unit is not None,
        back=back,
        pivot=pivot,
    )
