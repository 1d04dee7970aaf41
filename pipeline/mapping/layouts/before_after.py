"""Readings before and after work in two columns → a row for each, with "as left" in a column.

``Lining before; Lining after`` say of one day what two rows say. The row of after has what tells it
apart, and those readings alone that differ from before: the same again says that nothing was done.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import polars as pl

from pipeline.mapping.grids import Grid
from pipeline.mapping.headings import INSPECTED, meanings
from pipeline.mapping.reading import numbers
from pipeline.mapping.tables import HEAD_ROWS, heading_at
from pipeline.mapping.words import BESIDE_STAGES, STAGES, folded, tokens, unit_called

AS_LEFT = "as left"
KEYS = {"unit_id", "date", "week", "odometer", "axle_no", "side", "position", "fleet"}
MOST_THINNER = 0.05  # of linings, so many may be thinner after work, as slips; our own, no source
_WORD = re.compile(r"[^\W\d_]+")
_EMPTY = re.compile(r"\(\s*\)|\[\s*\]|\s+")


@dataclass(frozen=True, slots=True)
class _Pair:
    """The columns of one reading before and after work, what that of after is called, and what the
    reading is called without its stage."""

    before: int
    after: int
    called: str
    heading: str


def stages_down(grid: Grid) -> Grid:
    """The grid with a row for what was read after work; the grid itself where no two columns of its
    heading are one reading before and after."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        for height in (2,) if _goes_on(grid, index) else (1, 2):
            heading = heading_at(grid, index, height)
            cells = [] if heading is None else [re.sub(r" \(\d\)$", "", c) for c in heading.cells]
            pairs = _pairs(cells)
            if pairs and index + height < grid.rows.height:
                return _with_rows(grid, index, height, cells, pairs)
    return grid


def _goes_on(grid: Grid, index: int) -> bool:
    """Whether a cell that says a stage stands over several columns, as the row below shows."""
    upper, lower = grid.row(index), grid.row(index + 1)
    return any(
        _stage(cell or "") and not beside and below
        for cell, beside, below in zip(upper, upper[1:], lower[1:], strict=False)
    )


def _pairs(cells: Sequence[str]) -> list[_Pair]:
    """Every reading of a heading that it has before and after work; none where one is of another
    stage alone, or is called the same without its stage."""
    stages = {i: stage for i, cell in enumerate(cells) if (stage := _stage(cell))}
    if set(stages.values()) != {"before", "after"} or AS_LEFT in map(folded, cells):
        return []
    plain = [_without_stage(cell) if i in stages else cell for i, cell in enumerate(cells)]
    said = meanings([cell if stages.get(i) != "after" else "" for i, cell in enumerate(plain)])
    of: dict[tuple[str, ...], dict[str, list[int]]] = {}
    for i in range(len(cells)):
        of.setdefault(tokens(plain[i]), {}).setdefault(stages.get(i, ""), []).append(i)
    found = []
    for i in (i for i, stage in stages.items() if stage == "before"):
        alike = of[tokens(plain[i])]
        if said[i].concept not in INSPECTED or alike.keys() != {"before", "after"}:
            return []
        if any(len(columns) > 1 for columns in alike.values()):
            return []
        found.append(_Pair(i, alike["after"][0], cells[alike["after"][0]], plain[i]))
    return found if len(found) * 2 == len(stages) else []


def _stage(heading: str) -> str:
    """Whether a heading says before or after work; empty where it says neither, or both."""
    words = tokens(heading)
    pairs = {" ".join(two) for two in pairwise(words)}
    told = {stage for stage, of in STAGES.items() if of & ({*words} | pairs)}
    return told.pop() if len(told) == 1 else ""


def _without_stage(heading: str) -> str:
    """A heading without its words for before, or after, work."""
    text = heading
    for phrase in ("as found", "as left"):
        text = re.sub(phrase, " ", text, flags=re.I)
    left = frozenset[str]().union(*STAGES.values()) | BESIDE_STAGES
    text = _WORD.sub(lambda word: "" if folded(word[0]) in left else word[0], text)
    return _EMPTY.sub(" ", text).strip(" -/,")


def _with_rows(
    grid: Grid, index: int, height: int, cells: Sequence[str], pairs: Sequence[_Pair]
) -> Grid:
    """The grid with the heading in one row, each pair in one column, and the rows of after."""
    of, after = {pair.before: pair for pair in pairs}, {pair.after for pair in pairs}
    heading = [
        None if i in after else of[i].heading if i in of else cell or None
        for i, cell in enumerate(cells)
    ]
    said = meanings([cell or "" for cell in heading])
    below = grid.rows.slice(index + height)
    if any(said[p.before].concept == "lining" and _is_thinner(below, p) for p in pairs):
        return grid
    differs = {pair.before: _differs(below, pair) for pair in pairs}
    keys = {i for i, meaning in enumerate(said) if meaning.concept in KEYS}
    nothing = pl.lit(None, dtype=pl.String)
    kept = [
        pl.when(differs[i]).then(pl.col(f"c{pair.after}")).alias(f"c{i}")
        if (pair := of.get(i)) else (pl.col(f"c{i}") if i in keys else nothing).alias(f"c{i}")
        for i in range(grid.width)
    ]  # fmt: skip
    last = f"c{grid.width}"
    left = below.with_columns(pl.col("row_no") * 2 + 1, *kept, pl.lit("yes").alias(last))
    left = left.filter(
        pl.DataFrame(list(differs.values())).select(pl.any_horizontal(pl.all())).to_series()
    )
    units = [cell for i in of for cell in below[f"c{i}"].head(1) if cell and unit_called(cell)]
    read = pl.any_horizontal(~pl.col(f"c{i}").is_in(units) for i in of)
    # A heading that is printed again on every page is so here too.
    again = [pl.col(f"c{i}").replace(cells[i], pair.heading) for i, pair in of.items()]
    found = below.with_columns(
        pl.col("row_no") * 2,
        *again,
        *[nothing.alias(f"c{pair.after}") for pair in pairs],
        pl.when(read).then(pl.lit("no")).alias(last),
    )
    top = grid.rows.slice(0, index + 1).with_columns(pl.col("row_no") * 2, nothing.alias(last))
    names = [pl.lit(cell, dtype=pl.String) for cell in (*heading, AS_LEFT)]
    row = top.slice(index).with_columns(name.alias(f"c{i}") for i, name in enumerate(names))
    rows = pl.concat([top.slice(0, index), row, pl.concat([found, left]).sort("row_no")])
    return replace(grid, rows=rows, merged=(), row_parts=2 * grid.row_parts)


def _differs(below: pl.DataFrame, pair: _Pair) -> pl.Series:
    """Rows with something after work that is not what was there before, as 14.0 is 14."""
    before, after = below[f"c{pair.before}"], below[f"c{pair.after}"]
    told = [numbers(cells, "length", "mm", decimal_comma=None) for cells in (before, after)]
    alike = (before == after).fill_null(value=False) | (told[0] == told[1]).fill_null(value=False)
    return (after.is_not_null() & ~alike & (after != pair.called)).alias(after.name)


def _is_thinner(below: pl.DataFrame, pair: _Pair) -> bool:
    """Whether linings are thinner after than before: then it was no work that lay between."""
    before, after = (
        numbers(below[f"c{column}"], "length", "mm", decimal_comma=None)
        for column in (pair.before, pair.after)
    )
    both = int((before.is_not_null() & after.is_not_null()).sum())
    return int((after < before).sum()) > MOST_THINNER * both
