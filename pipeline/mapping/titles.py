"""What stands once above a table (``Vehicle: T101``, ``Date | 6 Jan 2025``) → a column of its own.

A brake card or a sheet for each vehicle names vehicle, day or odometer at its top and not in every
row. Rows below such a line, until the next one, are of what it names.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.mapping.grids import Grid
from pipeline.mapping.headings import OF_WHEEL_ENDS, Meaning, meanings
from pipeline.mapping.tables import HEAD_ROWS

TITLED = ("unit_id", "date", "odometer")
MOST_ROWS = 50_000
# A name is not a sentence.
LONGEST_VALUE = 24
_PAIR = re.compile(r"([^:=]{1,40})[:=]\s*(.*)")
_LAST = re.compile(r"(\w+)\s+(?:no\.?\s+)?([\w/-]*\d[\w/-]*)")


@dataclass(frozen=True, slots=True)
class _Titled:
    """A concept named in a line above a table: by which word, and its value."""

    concept: str
    word: str
    value: str


def with_titles(grid: Grid) -> Grid:
    """The grid with a column for each of unit, day and odometer that its heading has not and lines
    above the rows name; the grid itself where there are none."""
    index = _heading(grid)
    if index is None or grid.rows.height > MOST_ROWS:
        return grid
    heading = grid.row(index)
    missing = set(TITLED) - {m.concept for m in _meanings(heading)}
    if "date" not in missing:  # one odometer value is not that of several days
        missing -= {"odometer"}
    if not missing:
        return grid
    words: dict[str, str] = {}
    now: dict[str, str] = {}
    columns: dict[str, list[str | None]] = {concept: [] for concept in TITLED if concept in missing}
    only_titles = []
    for row in range(grid.rows.height):
        cells = grid.row(row)
        is_heading = cells == heading
        told = [] if is_heading else [t for t in _titled(cells) if t.concept in missing]
        now |= {t.concept: t.value for t in told}
        words = {t.concept: t.word for t in told} | words
        only_titles.append(bool(told) and row > index)
        for concept, column in columns.items():
            column.append(words.get(concept) if is_heading else now.get(concept))
    found = {concept: column for concept, column in columns.items() if concept in words}
    if not found:
        return grid
    added = {
        f"c{grid.width + i}": pl.Series(c, dtype=pl.String) for i, c in enumerate(found.values())
    }
    rows = grid.rows.with_columns(**added).filter(~pl.Series(only_titles))
    return replace(grid, rows=_above_cleared(rows, index, list(added)))


def _above_cleared(rows: pl.DataFrame, index: int, added: Sequence[str]) -> pl.DataFrame:
    """Nothing in the new columns above the heading, where no row is of the table."""
    above = pl.int_range(pl.len()) < index
    return rows.with_columns(pl.when(~above).then(pl.col(name)).alias(name) for name in added)


def _heading(grid: Grid) -> int | None:
    """The first row that heads readings."""
    for index in range(min(HEAD_ROWS, grid.rows.height - 1)):
        concepts = [m.concept for m in _meanings(grid.row(index)) if m.concept]
        if len(concepts) > 1 and OF_WHEEL_ENDS & set(concepts):
            return index
    return None


def _meanings(cells: Sequence[str | None]) -> list[Meaning]:
    return meanings([cell or "" for cell in cells])


def _titled(cells: Sequence[str | None]) -> Iterator[_Titled]:
    """What a line names: in a cell with a colon, in a word's next cell, or after it in a title."""
    filled = [cell for cell in cells if cell]
    for cell, after in zip(filled, [*filled[1:], ""], strict=True):
        pair = _PAIR.fullmatch(cell)
        if pair is not None:
            word, value = pair.group(1).strip(), pair.group(2).strip() or after
        elif any(c.isdigit() for c in cell) and len(filled) == 1:
            last = list(_LAST.finditer(cell))
            word, value = (last[-1].group(1), last[-1].group(2)) if last else ("", "")
        else:
            word, value = cell, after
        concept = meanings([word])[0].concept if word else None
        if concept in TITLED and _is_value(value):
            yield _Titled(concept, word, value)


def _is_value(text: str) -> bool:
    return any(c.isdigit() for c in text) and len(text) <= LONGEST_VALUE
