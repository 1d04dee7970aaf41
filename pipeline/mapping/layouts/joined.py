"""What a workbook has on two sheets → one table: a head for each check, and what each code says.

``Check no; Unit; Date; Km`` on one sheet, ``Check no; Axle; Side; Lining`` on another: a row of the
second is of the unit, day and odometer that the first has for its number. ``Job code`` beside jobs,
and what it says on a sheet of its own, gives jobs their words. A number must stand once there, and
(nearly) all that the rows point at must be there. Sheets of one file alone: files are not joined.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.mapping.grids import Grid
from pipeline.mapping.headings import OF_WHEEL_ENDS, meanings
from pipeline.mapping.tables import HEAD_ROWS, key_of

SHARED = ("unit_id", "date", "odometer")
MOST_SHEETS = 40
FOUND = 0.95  # of the rows, so many must find theirs; our own, no source
MOST_CODES = 5_000
FEWEST = 2  # different numbers or codes


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A grid, where its heading stands, and what each cell of it says."""

    grid: Grid
    index: int
    cells: tuple[str, ...]
    concepts: tuple[str | None, ...]

    def below(self, column: int) -> pl.Series:
        return self.grid.rows[f"c{column}"].slice(self.index + 1)


def joined(grids: Sequence[Grid]) -> list[Grid]:
    """The grids, those with columns of another's that their rows point at; as they are elsewhere.
    A sheet that is not shown lends nothing."""
    shown = [grid for grid in grids if not grid.is_hidden]
    if not 1 < len(shown) <= MOST_SHEETS:
        return list(grids)
    sheets = [sheet for grid in shown if (sheet := _sheet(grid)) is not None]
    return [_joined(grid, sheets) for grid in grids]


def _sheet(grid: Grid) -> _Sheet | None:
    """The sheet by the first of its rows that say most; where none says anything, of several cells;
    None of a sheet of one column or row."""
    rows = [[cell or "" for cell in row] for row in grid.first_rows(HEAD_ROWS)]
    said = [tuple(m.concept for m in meanings(row)) for row in rows]
    score = [len(of) - of.count(None) for of in said]
    several = (i for i, row in enumerate(rows) if sum(map(bool, row)) > 1)
    most = max(score, default=0)
    index = score.index(most) if most else next(several, None)
    if index is None or grid.rows.height < FEWEST:
        return None
    return _Sheet(grid, index, tuple(rows[index]), said[index])


def _joined(grid: Grid, sheets: Sequence[_Sheet]) -> Grid:
    mine = next((sheet for sheet in sheets if sheet.grid is grid), None)
    if mine is None:
        return grid
    others = [sheet for sheet in sheets if sheet is not mine]
    found = [*_heads(mine, others), *_codes(mine, others)]
    if len(found) != 1:  # of two that would do nobody knows which is meant
        return grid
    sheet, key, other_key, columns = found[0]
    return _with_columns(mine, sheet, key, other_key, columns)


_Found = tuple[_Sheet, int, int, list[int]]  # a sheet, the two keys, and the columns it lends


def _heads(mine: _Sheet, others: Sequence[_Sheet]) -> Iterator[_Found]:
    """Sheets with unit, day or odometer of what this one's rows are numbered by, and they lack."""
    has = set(mine.concepts)
    lacking = [concept for concept in SHARED if concept not in has]
    if not lacking or not has & {*OF_WHEEL_ENDS, "job"}:
        return
    for sheet in others:
        lent = [i for i, concept in enumerate(sheet.concepts) if concept in lacking]
        once = len({sheet.concepts[i] for i in lent}) == len(lent)
        if "unit_id" not in lacking and "unit_id" in sheet.concepts:
            continue  # rows of their own
        for key, other in _keys(mine, sheet):
            if lent and once and _points_at(mine.below(key), sheet.below(other)):
                yield sheet, key, other, lent


def _keys(mine: _Sheet, sheet: _Sheet) -> Iterator[tuple[int, int]]:
    """Columns of the same heading that name nothing else that is known."""
    places = {key_of(cell): i for i, cell in enumerate(sheet.cells) if cell}
    for i, (cell, concept) in enumerate(zip(mine.cells, mine.concepts, strict=True)):
        if cell and concept is None and key_of(cell) in places:
            yield i, places[key_of(cell)]


def _codes(mine: _Sheet, others: Sequence[_Sheet]) -> Iterator[_Found]:
    """Sheets that say in words what this one's only column of jobs has in codes."""
    jobs = [i for i, concept in enumerate(mine.concepts) if concept == "job"]
    if len(jobs) != 1 or "unit_id" not in mine.concepts:
        return
    cells = mine.below(jobs[0])
    for sheet in others:
        if {"unit_id", "date"} & set(sheet.concepts):
            continue
        filled = [i for i, cell in enumerate(sheet.cells) if cell]
        keys = [i for i in filled if _points_at(cells, sheet.below(i))]
        words = [i for i in filled if i not in keys and _are_words(sheet.below(i))]
        named = [i for i in words if sheet.concepts[i] == "job"] or words
        if len(keys) == 1 and len(named) == 1 and not _are_words(cells):
            yield sheet, jobs[0], keys[0], named


def _points_at(cells: pl.Series, keys: pl.Series) -> bool:
    """Whether (nearly) all filled cells are one of some keys, of which each stands once."""
    known, told = keys.drop_nulls(), cells.drop_nulls()
    if known.len() < FEWEST or known.n_unique() < known.len() or told.n_unique() < FEWEST:
        return False
    return int(told.is_in(known.implode()).sum()) >= FOUND * told.len()


def _are_words(cells: pl.Series) -> bool:
    """Whether most cells are a word of some length, or several."""
    told = cells.drop_nulls().unique().head(MOST_CODES)
    return told.len() > 0 and int(told.str.contains(r"\p{L}{4}").sum()) * 2 > told.len()


def _with_columns(mine: _Sheet, sheet: _Sheet, key: int, other: int, columns: list[int]) -> Grid:
    """The grid with columns of another, each beside the row that points at it."""
    grid = mine.grid
    lent = pl.DataFrame({"key": sheet.below(other), **{f"{i}": sheet.below(i) for i in columns}})
    lent = lent.filter(pl.col("key").is_not_null())
    rows = grid.rows.with_row_index("at").with_columns(key=pl.col(f"c{key}"))
    named = [_name(mine, sheet, i, key) for i in columns]
    told = rows.join(lent, on="key", how="left", maintain_order="left")
    added = []
    for k, i in enumerate(columns):
        heading = pl.when(pl.col("at") == mine.index).then(pl.lit(named[k]))
        below = heading.when(pl.col("at") > mine.index).then(pl.col(f"{i}"))
        added.append(below.alias(f"c{grid.width + k}"))
    own = {f"c{grid.width + k}" for k, i in enumerate(columns) if f"c{i}" in sheet.grid.own_numbers}
    return replace(
        grid,
        rows=told.with_columns(added).drop("at", "key", *(f"{i}" for i in columns)),
        own_numbers=grid.own_numbers | own,
    )


def _name(mine: _Sheet, sheet: _Sheet, column: int, key: int) -> str:
    """A heading for what another sheet lends: of codes, one that is understood as jobs are."""
    return f"{mine.cells[key]} text" if mine.concepts[key] == "job" else sheet.cells[column]
