"""A part of a large data set, large enough to find where its REML optimum lies."""

from dataclasses import replace

import numpy as np

from models.common.arrays import BoolArray
from models.mixed.blocks import BlockGroup, Blocks

PILOT_BLOCKS = 1_000
"""Restarts are tried on about this many blocks; the whole data set only polishes the best."""


def _kept_part(group: BlockGroup, keep: BoolArray) -> BlockGroup:
    """The blocks of some clusters."""
    segment = keep[group.segment_cluster]
    chosen = np.repeat(segment, group.segment_length)
    length = group.segment_length[segment]
    return BlockGroup(
        columns=group.columns,
        first=group.first[:, chosen],
        second=group.second[:, chosen],
        r11=group.r11[chosen],
        r12=group.r12[chosen],
        r22=group.r22[chosen],
        unit_scale=group.unit_scale[chosen],
        segment_start=np.concatenate([[0], np.cumsum(length)[:-1]]).astype(np.int64),
        segment_cluster=group.segment_cluster[segment],
        source=group.source[chosen],
        rest_cluster=group.rest_cluster[keep[group.rest_cluster]],
        rest=group.rest[keep[group.rest_cluster]],
    )


def some_units(blocks: Blocks, stride: int) -> tuple[BlockGroup, ...]:
    """The groups with every ``stride``-th unit's blocks."""
    if stride < 2:
        return blocks.groups
    keep = blocks.cluster_unit % stride == 0
    return tuple(_kept_part(g, keep) for g in blocks.groups if keep[g.segment_cluster].any())


def pilot(blocks: Blocks, target: int = PILOT_BLOCKS) -> Blocks:
    """Every k-th unit, so that about ``target`` blocks remain; small data sets are kept whole.

    The left-over cross-product shrinks in proportion; a weak prior at the least-squares fit keeps
    columns estimable that the chosen units do not use.
    """
    stride = blocks.n_blocks // target
    if stride < 2 or blocks.n_units < 20 * stride:
        return blocks
    groups = some_units(blocks, stride)
    n_kept = sum(g.n_blocks for g in groups)
    share = n_kept / blocks.n_blocks
    within = blocks.within * share
    for group in blocks.groups:
        size = (group.first[:-1] ** 2 + group.second[:-1] ** 2).sum(axis=1)
        within[group.columns, group.columns] += 1e-3 * share * size
    return replace(
        blocks,
        groups=groups,
        within=within,
        n_rows=round(blocks.n_rows * share),
        n_blocks=n_kept,
        constant=0.0,
    )
