"""One pass over a group's pseudo-rows: whitened cross-products and what the unit update needs.

The notation is that of ``models.mixed.reml``.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.mixed.blocks import BlockGroup

CHUNK_BLOCKS = 16_384
"""Blocks handled at a time: what fits a processor's cache."""


@dataclass(frozen=True, slots=True)
class Variances:
    """Covariances relative to the error variance: start, start with slope, slope, unit's slope."""

    g00: float
    g01: float
    g11: float
    tau: float
    determinant: float

    @property
    def gamma(self) -> FloatArray:
        return np.array([[self.g00, self.g01], [self.g01, self.g11]])


@dataclass(frozen=True, slots=True)
class Whitened:
    """Per block: R' M^-1 [X, y] (``t0``, ``t1``), R' M^-1 R, what the unit's slope is multiplied
    by, and the whitened rows."""

    rows1: FloatArray
    rows2: FloatArray
    t0: FloatArray
    t1: FloatArray
    a00: FloatArray
    a01: FloatArray
    a11: FloatArray
    scale: FloatArray
    log_det: float

    @property
    def eta(self) -> tuple[FloatArray, FloatArray]:
        """R' M^-1 w of each block, w being the unit's column."""
        return self.scale * self.a01, self.scale * self.a11


@dataclass(frozen=True, slots=True)
class UnitSums:
    """Sums over each segment (cluster within group) of what the unit update needs."""

    h: FloatArray
    g: FloatArray
    eta_t: FloatArray
    eta_eta: FloatArray


@dataclass(frozen=True, slots=True)
class GroupPass:
    """One group's share: cross-products, traces, segment sums, and per block A and T times v."""

    gram: FloatArray
    b: FloatArray
    trace: FloatArray
    log_det: float
    segments: UnitSums
    a: FloatArray
    t_residual: FloatArray


def whiten(group: BlockGroup, part: slice, variances: Variances) -> Whitened:
    """Whitened pseudo-rows of some blocks and their products with the random design."""
    r11, r12, r22 = group.r11[part], group.r12[part], group.r22[part]
    e01 = variances.g01 * r11 + variances.g11 * r12
    m11 = 1.0 + variances.g00 * r11**2 + (variances.g01 * r11 + e01) * r12
    m12 = r22 * e01
    spread22 = variances.g11 * r22**2
    det = m11 + spread22 + variances.determinant * (r11 * r22) ** 2
    scale1, ratio, scale2 = 1.0 / np.sqrt(m11), m12 / m11, np.sqrt(m11 / det)
    first = group.first[:, part]
    rows1 = first * scale1
    rows2 = (group.second[:, part] - first * ratio) * scale2
    z01, z02 = r11 * scale1, -r11 * ratio * scale2
    z11, z12 = r12 * scale1, (r22 - r12 * ratio) * scale2
    return Whitened(
        rows1=rows1,
        rows2=rows2,
        t0=rows1 * z01 + rows2 * z02,
        t1=rows1 * z11 + rows2 * z12,
        a00=z01**2 + z02**2,
        a01=z01 * z11 + z02 * z12,
        a11=z11**2 + z12**2,
        scale=group.unit_scale[part],
        log_det=float(np.log(det).sum()),
    )


def _segment_sums(white: Whitened, start: IntArray) -> UnitSums:
    first, second = white.eta
    # All in one table of rows: summing many short ones costs more than the sums.
    size = len(white.t1)
    rows = np.empty((5 * size + 4, len(first)))
    for place, (t, by) in enumerate(
        (
            (white.t0, first),
            (white.t0, second),
            (white.t1, first),
            (white.t1, second),
            (white.t1, white.scale),
        )
    ):
        np.multiply(t, by, out=rows[place * size : (place + 1) * size])
    rows[5 * size :] = white.scale * second, first**2, first * second, second**2
    sums = np.add.reduceat(rows, start, axis=1)
    return UnitSums(
        h=sums[5 * size],
        g=sums[4 * size : 5 * size],
        eta_t=sums[: 4 * size].reshape(2, 2, size, -1),
        eta_eta=sums[5 * size + 1 :],
    )


def _no_segment_sums(n_columns: int) -> UnitSums:
    return UnitSums(
        np.zeros(0), np.zeros((n_columns, 0)), np.zeros((2, 2, n_columns, 0)), np.zeros((3, 0))
    )


def _chunks(group: BlockGroup) -> Iterator[tuple[slice, IntArray]]:
    """Slices of blocks that end with a segment, with their segment starts counted from zero."""
    if group.n_blocks <= CHUNK_BLOCKS:
        yield slice(0, group.n_blocks), group.segment_start
        return
    cut = np.searchsorted(group.segment_start, np.arange(0, group.n_blocks, CHUNK_BLOCKS))
    edges = np.unique(np.append(cut, len(group.segment_start)))
    bounds = np.append(group.segment_start, group.n_blocks)
    for low, high in pairwise(edges):
        start = group.segment_start[low:high]
        yield slice(int(bounds[low]), int(bounds[high])), start - start[0]


def _chunk_pass(
    group: BlockGroup, part: slice, start: IntArray, variances: Variances, v: FloatArray
) -> GroupPass:
    white = whiten(group, part, variances)
    return GroupPass(
        gram=white.rows1 @ white.rows1.T + white.rows2 @ white.rows2.T,
        b=np.stack([white.t0 @ white.t0.T, white.t0 @ white.t1.T, white.t1 @ white.t1.T]),
        trace=np.array([white.a00.sum(), white.a01.sum(), white.a11.sum()]),
        log_det=white.log_det,
        segments=_segment_sums(white, start) if len(start) else _no_segment_sums(len(v)),
        a=np.stack([white.a00, white.a01, white.a11]),
        t_residual=np.stack([v @ white.t0, v @ white.t1]),
    )


def _joined(parts: list[GroupPass]) -> GroupPass:
    """Chunks of one group put together."""
    if len(parts) == 1:
        return parts[0]
    segments = UnitSums(
        *(
            np.concatenate([getattr(p.segments, field) for p in parts], axis=-1)
            for field in ("h", "g", "eta_t", "eta_eta")
        )
    )
    return GroupPass(
        gram=np.sum([p.gram for p in parts], axis=0),
        b=np.sum([p.b for p in parts], axis=0),
        trace=np.sum([p.trace for p in parts], axis=0),
        log_det=sum(p.log_det for p in parts),
        segments=segments,
        a=np.concatenate([p.a for p in parts], axis=1),
        t_residual=np.concatenate([p.t_residual for p in parts], axis=1),
    )


def group_pass(
    group: BlockGroup, variances: Variances, v: FloatArray, with_units: bool
) -> GroupPass:
    """One group's sums at given variances; ``v`` weights [X, y] into residuals (local columns)."""
    none = np.zeros(0, np.int64)
    return _joined(
        [
            _chunk_pass(group, part, start if with_units else none, variances, v)
            for part, start in _chunks(group)
        ]
    )
