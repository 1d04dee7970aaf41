"""Adjusters whose circumstances change as they age: segments of age with one set of covariates.

An adjuster's life is cut where its duty or the state of its maintenance changes; each segment holds
one row of the design. So km run under each duty count under that duty, whichever was the longer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Design:
    """Distinct covariate rows (rows, columns); each column's name and the term it belongs to.

    A factor of L levels is one term of L - 1 columns named `term=level`; its reference level has
    none. A measure (a share, a yes-or-no as 0 or 1) is one column.
    """

    values: FloatArray
    names: tuple[str, ...]
    terms: tuple[str, ...]
    references: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class AdjusterSegments:
    """n adjusters and their s segments.

    entry, left, right: (n,), ages as in `life_data.counts_from_rows`, right = inf when not known to
    have failed; unit: (n,), 0 … units - 1, the unit each runs on. adjuster: (s,), sorted; start,
    end: (s,), the ages a segment covers, (start, end]; row: (s,), its row of the design.

    Segments of an adjuster follow each other without gaps and cover (entry, right], or (entry,
    left] when it did not fail. Before its first segment an adjuster is taken to have run under that
    segment's covariates: nothing else is known of it. Raises ValueError otherwise.
    """

    entry: FloatArray
    left: FloatArray
    right: FloatArray
    unit: IntArray
    adjuster: IntArray
    start: FloatArray
    end: FloatArray
    row: IntArray
    design: Design

    def __post_init__(self) -> None:
        if np.any(self.entry > self.left) or np.any(self.left > self.right):
            raise ValueError("every adjuster needs entry <= left <= right")
        if np.any((self.right == self.left) & (self.entry >= self.right)):
            raise ValueError("a failure seen at the very age of entry carries no time at risk")
        if np.any(np.diff(self.adjuster) < 0) or np.any(self.end <= self.start):
            raise ValueError("segments need start < end, sorted by adjuster")
        self._check_cover()

    def _check_cover(self) -> None:
        firsts = np.searchsorted(self.adjuster, np.arange(self.entry.size), "left")
        lasts = np.searchsorted(self.adjuster, np.arange(self.entry.size), "right") - 1
        if np.any(lasts < firsts):
            raise ValueError("every adjuster needs a segment")
        inner = self.adjuster[1:] == self.adjuster[:-1]
        if np.any(inner & (self.start[1:] != self.end[:-1])):
            raise ValueError("an adjuster's segments must follow each other without gaps")
        last_age = np.where(np.isfinite(self.right), self.right, self.left)
        # Ages may have been added up in another order than the segments' ends.
        if np.any((self.start[firsts] > self.entry) | (self.end[lasts] < last_age * (1 - 1e-9))):
            raise ValueError("segments must cover every adjuster from entry to its last age")

    @property
    def failed(self) -> BoolArray:
        return np.isfinite(self.right)

    @property
    def failures(self) -> int:
        return int(self.failed.sum())


class Pieces(NamedTuple):
    """Segments clipped to a stretch of each adjuster's age: only those of positive length."""

    adjuster: IntArray
    start: FloatArray
    end: FloatArray
    row: IntArray


def pieces_between(segments: AdjusterSegments, low: FloatArray, high: FloatArray) -> Pieces:
    """The parts of segments inside (low, high] of their adjusters; low, high: (n,).

    The first segment of an adjuster reaches back to age 0 and its last one on without end.
    """
    first = np.append(True, segments.adjuster[1:] != segments.adjuster[:-1])
    last = np.append(segments.adjuster[1:] != segments.adjuster[:-1], True)
    start = np.maximum(np.where(first, 0.0, segments.start), low[segments.adjuster])
    end = np.minimum(np.where(last, np.inf, segments.end), high[segments.adjuster])
    kept = end > start
    return Pieces(segments.adjuster[kept], start[kept], end[kept], segments.row[kept])


def row_at(segments: AdjusterSegments, adjusters: IntArray, age: FloatArray) -> IntArray:
    """The design row in force at an age of each given adjuster (its segment with start < age)."""
    low = np.zeros(segments.entry.size)
    high = np.zeros(segments.entry.size)
    high[adjusters] = age
    pieces = pieces_between(segments, low, high)
    last = np.searchsorted(pieces.adjuster, adjusters, "right") - 1
    return np.asarray(pieces.row[last])


def segments_from_frames(
    lives: pl.DataFrame,
    spells: pl.DataFrame,
    *,
    factors: Sequence[str] = (),
    measures: Sequence[str] = (),
    references: Mapping[str, str] | None = None,
) -> AdjusterSegments:
    """Segments from one row per adjuster and one row per spell of unchanged circumstances.

    lives: `adjuster_id`, `unit_id`, `entry_age`, `left_age`, `right_age` (null: not failed);
    spells: `adjuster_id`, `from_age`, `to_age` and the covariates. A factor's reference is the
    level with most age run, unless `references` names another.
    """
    lives = lives.with_row_index("adjuster")
    spells = (
        spells.join(lives.select("adjuster_id", "adjuster"), on="adjuster_id")
        .filter(pl.col("to_age") > pl.col("from_age"))
        .sort("adjuster", "from_age")
    )
    covariates = [*factors, *measures]
    patterns = spells.select(covariates).unique().sort(covariates).with_row_index("row")
    rows = spells.join(patterns, on=covariates, how="left", maintain_order="left", nulls_equal=True)
    chosen = {**_usual_levels(spells, factors), **(references or {})}
    return AdjusterSegments(
        entry=_floats(lives["entry_age"]),
        left=_floats(lives["left_age"]),
        right=_floats(lives["right_age"].fill_null(np.inf)),
        unit=lives["unit_id"].rank("dense").cast(pl.Int64).to_numpy() - 1,
        adjuster=rows["adjuster"].cast(pl.Int64).to_numpy().copy(),
        start=_floats(rows["from_age"]),
        end=_floats(rows["to_age"]),
        row=rows["row"].cast(pl.Int64).to_numpy().copy(),
        design=_design(patterns, factors, measures, chosen),
    )


def _floats(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).to_numpy().copy()


def _usual_levels(spells: pl.DataFrame, factors: Sequence[str]) -> dict[str, str]:
    run = (pl.col("to_age") - pl.col("from_age")).sum().alias("run")
    return {
        factor: str(
            spells.group_by(factor, maintain_order=True)
            .agg(run)
            .sort(["run", factor], descending=[True, False])[factor][0]
        )
        for factor in factors
    }


def _design(
    patterns: pl.DataFrame,
    factors: Sequence[str],
    measures: Sequence[str],
    references: Mapping[str, str],
) -> Design:
    columns, names, terms = [], [], []
    for factor in factors:
        levels = patterns[factor].cast(pl.String)
        if references[factor] not in levels:
            raise ValueError(f"{references[factor]!r} is not a level of {factor!r}")
        for level in levels.unique().sort():
            if level != references[factor]:
                columns.append((levels == level).cast(pl.Float64).to_numpy())
                names.append(f"{factor}={level}")
                terms.append(factor)
    for measure in measures:
        columns.append(_floats(patterns[measure]))
        names.append(measure)
        terms.append(measure)
    values = np.column_stack(columns) if columns else np.empty((patterns.height, 0))
    if not np.all(np.isfinite(values)):
        raise ValueError("covariates must be known: fill or drop nulls before the fit")
    return Design(values, tuple(names), tuple(terms), {f: references[f] for f in factors})
