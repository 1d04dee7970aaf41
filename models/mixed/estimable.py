"""Which fixed-effect columns a data set can tell apart."""

from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.mixed.blocks import Blocks, pooled_gram

DEPENDENT = 1e-9
"""A column whose part outside the others is less than this share of its square is dependent."""


@dataclass(frozen=True, slots=True)
class Estimable:
    """``kept``: a largest set of independent columns. ``aliased``: columns (kept or not) whose
    coefficient the data do not fix, because they or a mixture with others never vary."""

    kept: BoolArray
    aliased: BoolArray


ROUNDING = 1e-13
"""A column that varies by less than this share of its square about the origin does not vary."""


def _equilibrated(gram: FloatArray, reference: FloatArray) -> tuple[FloatArray, BoolArray]:
    diagonal = np.diag(gram)
    present = diagonal > ROUNDING * reference
    scale = np.sqrt(np.where(present, diagonal, 1.0))
    return gram / np.outer(scale, scale) * np.outer(present, present), present


def _independent(scaled: FloatArray, order: IntArray) -> list[int]:
    """Columns accepted one after the other while they add something."""
    kept: list[int] = []
    for column in order:
        part = scaled[np.ix_(kept, kept)]
        cross = scaled[kept, column]
        outside = scaled[column, column] - cross @ np.linalg.solve(part, cross)
        if outside > DEPENDENT:
            kept.append(int(column))
    return kept


def estimable_columns(blocks: Blocks, priority: FloatArray) -> Estimable:
    """Judge the columns of ``blocks``; those of higher priority (p,) are kept first."""
    gram = pooled_gram(blocks.groups, blocks.within)[:-1, :-1]
    scaled, present = _equilibrated(gram, blocks.reference)
    order = np.argsort(-priority, kind="stable")
    kept = np.zeros(len(gram), bool)
    kept[_independent(scaled, order[present[order]])] = True
    values, vectors = np.linalg.eigh(scaled)
    null = vectors[:, values < DEPENDENT * max(len(gram), 1)]
    aliased = ~present | (np.abs(null) > 1e-6).any(axis=1)
    return Estimable(kept=kept, aliased=aliased)
