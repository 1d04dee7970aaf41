"""A file's bytes → grids of text, one a sheet, with nothing supposed about headings.

What a workbook holds as a number or a day is written so that it reads as that in every dialect.
"""

import io
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl
from python_calamine import CalamineWorkbook, SheetVisibleEnum

from pipeline.errors import UnreadableFileError
from pipeline.lake import files
from pipeline.lake.old_workbooks import read_old_workbook, true_kind
from pipeline.lake.records import Records, read_document, read_records
from pipeline.lake.struck import STRUCK, Place, counts_from_1904, looked_at
from pipeline.lake.workbooks import read_parquet, require_columns, require_workbook

DELIMITERS = (";", "\t", ",", "|")
FIRST_LINES = 60
# Where columns are padded: the rows that show where they are, and the share of these, titles and
# notes, that may run across.
LOOKED_AT, MOST_ACROSS = 5_000, 0.05
_RUN_TOGETHER = re.compile(r"(?<=[a-z\d])(?=[A-Z][a-z])|(?<=[a-z])(?=[A-Z])")
_BLANK = " \u00a0"
_RULE = re.compile(r"[\s=_+-]*")
HIDDEN = "left alone: a hidden sheet; once the workbook shows it, it is read"


@dataclass(frozen=True, slots=True)
class Grid:
    """The cells of a sheet: ``row_no`` (the first is 1), ``width`` (cells written in the row) and
    ``c0``, ``c1``, … (text; null where nothing is written). ``name`` is empty but in workbooks,
    ``merged`` the first and last ``row_no`` and the column of cells merged down, ``across`` the
    ``row_no`` and columns of cells merged across (the first holds what they say), ``is_hidden`` a
    sheet that its workbook does not show, ``own_numbers`` the columns with numbers that are no text
    there: how these are written here says nothing of how its people write; ``unstored`` those with
    formulas whose results the workbook does not hold. ``row_parts``: numbers that ``row_no`` has
    for each row of the sheet, where one became several; ``from_1904``: its days are counted from
    then."""

    name: str
    rows: pl.DataFrame
    is_text: bool
    merged: tuple[tuple[int, int, int], ...] = ()
    across: tuple[tuple[int, range], ...] = ()
    is_hidden: bool = False
    own_numbers: frozenset[str] = frozenset()
    unstored: frozenset[str] = frozenset()
    row_parts: int = 1
    from_1904: bool = False

    @property
    def hidden_table(self) -> bool:
        """Whether there may be a table on a sheet that its workbook does not show."""
        return self.is_hidden and self.rows.height > 1 and self.width > 1

    @property
    def width(self) -> int:
        return self.rows.width - 2

    def row(self, index: int) -> list[str | None]:
        """The cells of a row, by its place from 0."""
        return list(self.rows.row(index)[2:])

    def first_rows(self, count: int) -> list[list[str | None]]:
        return [list(row[2:]) for row in self.rows.head(count).iter_rows()]


def read_grids(content: bytes, path: Path) -> list[Grid]:
    """The grids of a file.

    Raises
    ------
    UnreadableFileError
        The bytes are not what the file's ending says.
    """
    kind = files.SUFFIXES.get(path.suffix.lower())
    if kind is None:
        accepted = ", ".join(files.SUFFIXES)
        raise UnreadableFileError(f"{path.suffix or 'no ending'}; accepted: {accepted}")
    if not content:
        raise UnreadableFileError("the file is empty; accepted: a heading and rows")
    readers: dict[str, Callable[[bytes], list[Grid]]]
    readers = {"csv": _text_grid, "parquet": _parquet_grid, "xlsx": _workbook_grids,
               "old": _old_grids,
               "jsonl": partial(_json_grid, read_records),
               "json": partial(_json_grid, read_document)}  # fmt: skip
    return [grid for grid in readers[true_kind(kind, content)](content) if grid.rows.height]


def _text_grid(content: bytes) -> list[Grid]:
    files.require_lines(content)
    text = files.decoded(content)
    padded = _padded_grid(text)
    if padded is not None:
        return [padded]
    delimiter = delimiter_of(text)
    lines = files.lines_of(text)
    if '"' in text:
        quoted = lines.filter(lines.str.contains('"', literal=True))
        if not quoted.str.contains(files.plain_quotes(delimiter)).all():
            records = files.quoted_records(text, delimiter)
            if records is not None:
                return [_grid("", records, is_text=True)]
        else:
            lines = lines.str.replace_all('"', "", literal=True)
    return [_grid_of_lines(lines, delimiter)]


def _padded_grid(text: str) -> Grid | None:
    """A text whose columns are padded with spaces, as its heading shows; else None."""
    heading = _padded_heading(_plain_lines(text[:200_000])[:FIRST_LINES])
    if heading is None:
        return None
    lines = _plain_lines(text)
    cuts = _gaps([line for line in lines[heading : heading + LOOKED_AT] if line.strip()])
    if len(cuts) < 2:
        return None
    starts, ends = [0, *[b for _, b in cuts]], [*[a for a, _ in cuts], None]
    records = [
        [line]  # a title or a note, across columns
        if any(line[a:b].strip() for a, b in cuts)
        else [line[a:b] for a, b in zip(starts, ends, strict=True)]
        for line in lines
    ]
    return _grid("", records, is_text=True)


def _plain_lines(text: str) -> list[str]:
    """The lines of a text, with nothing in those that only rule it."""
    return ["" if _RULE.fullmatch(line) else line for line in files.lines_of(text).to_list()]


def _gaps(lines: Sequence[str]) -> list[tuple[int, int]]:
    """Where all lines are blank but for a few, and the first, the heading, has several spaces."""
    filled = np.zeros(max(map(len, lines)), dtype=np.int64)
    for line in lines:
        filled[: len(line)] += np.array([c not in _BLANK for c in line], dtype=np.int64)
    heading = lines[0].ljust(len(filled))
    blank = (filled <= MOST_ACROSS * len(lines)) & [c in _BLANK for c in heading]
    marks = "".join(" " if b else "x" for b in blank)
    wide = {i for gap in re.finditer(r"\s{2,}", heading) for i in range(*gap.span())}
    gaps = [gap.span() for gap in re.finditer(r"\s+", marks)]
    return [(a, b) for a, b in gaps if a > 0 and b < len(marks) and wide & set(range(a, b))]


def _padded_heading(lines: Sequence[str]) -> int | None:
    """The first line of words parted by more than one space each and by nothing else, above others
    that are parted alike."""
    parts = [re.split(r"\s{2,}", line.strip()) for line in lines]
    filled = [i for i, line in enumerate(lines) if line.strip()]
    for i, *below in zip(filled, filled[1:], filled[2:], strict=False):
        words = not any(part.replace(".", "").isdigit() for part in parts[i])
        plain = not any(mark in lines[i] for mark in DELIMITERS)
        if words and plain and len(parts[i]) > 3 and all(len(parts[n]) > 2 for n in below):
            return i
    return None


def delimiter_of(text: str) -> str:
    """What splits most of the first lines into the same number of cells."""
    head = [re.sub(r'"[^"]*"', "", line) for line in text[:200_000].splitlines()[:FIRST_LINES]]

    def told(delimiter: str) -> tuple[int, int]:
        counts = [line.count(delimiter) for line in head if line.strip()]
        usual = max(set(counts), key=lambda n: (counts.count(n) * (n > 0), n)) if counts else 0
        return counts.count(usual) * (usual > 0), usual

    return max(DELIMITERS, key=told)


def _grid_of_lines(lines: pl.Series, delimiter: str) -> Grid:
    cells = lines.str.count_matches(delimiter, literal=True) + 1
    width = int(cells.max() or 1)  # type: ignore[arg-type]
    require_columns(width)
    split = lines.str.split_exact(delimiter, width - 1).struct.unnest()
    split.columns = [f"c{i}" for i in range(width)]
    return Grid("", _numbered(split, cells.cast(pl.Int64)), is_text=True)


def _numbered(cells: pl.DataFrame, width: pl.Series) -> pl.DataFrame:
    """Stripped cells with their rows' numbers; rows with nothing in them are left out."""
    stripped = pl.all().str.strip_chars(" \t\r\n\u00a0'")
    rows = cells.select(stripped).select(pl.when(pl.all() != "").then(pl.all()))
    rows = rows.with_row_index("row_no", offset=1).with_columns(pl.col("row_no").cast(pl.Int64))
    rows.insert_column(1, width.alias("width"))
    return rows.filter(pl.any_horizontal(pl.all().exclude("row_no", "width").is_not_null()))


def _grid(name: str, records: Sequence[Sequence[str | None]], *, is_text: bool) -> Grid:
    width = max((len(record) for record in records), default=0)
    require_columns(width)
    columns = {
        f"c{i}": pl.Series([r[i] if i < len(r) else None for r in records], dtype=pl.String)
        for i in range(width)
    }
    sizes = pl.Series([len(record) for record in records], dtype=pl.Int64)
    return Grid(name, _numbered(pl.DataFrame(columns), sizes), is_text=is_text)


def _workbook_grids(content: bytes) -> list[Grid]:
    require_workbook(content)
    with files.failing_as("an XLSX workbook"):
        book = CalamineWorkbook.from_filelike(io.BytesIO(content))
        unstored, struck = looked_at(content)
        from_1904 = counts_from_1904(content)
        return [
            replace(
                _sheet(
                    sheet.name,
                    (of := book.get_sheet_by_name(sheet.name)).to_python(skip_empty_area=False),
                    of.merged_cell_ranges or (),
                    struck.get(sheet.name, ()),
                ),
                is_hidden=sheet.visible != SheetVisibleEnum.Visible,
                unstored=unstored.get(sheet.name, frozenset()),
                from_1904=from_1904,
            )
            for sheet in book.sheets_metadata
        ]


def _old_grids(content: bytes) -> list[Grid]:
    return [
        replace(_sheet(of.name, of.rows, of.merged, ()), is_hidden=of.is_hidden)
        for of in read_old_workbook(content)
    ]


def _sheet(
    name: str,
    cells: Sequence[Sequence[object]],
    merged: Sequence[tuple[Place, Place]],
    struck: Iterable[Place],
) -> Grid:
    records = [_own_row(row) for row in cells]
    for row, column in struck:
        cell = records[row][column] if row < len(records) and column < len(records[row]) else None
        if cell and cell.strip():
            records[row][column] = f"{cell}{STRUCK}"
    own = {f"c{i}" for row in cells for i, cell in enumerate(row) if _is_broken(cell)}
    down = tuple(
        (first + 1, last + 1, column) for (first, column), (last, _) in merged if last > first
    )
    across = tuple(
        (first + 1, range(left, right + 1))
        for (first, left), (last, right) in merged
        if right > left and first == last
    )
    grid = _grid(name, records, is_text=False)
    return replace(grid, merged=down, across=across, own_numbers=frozenset(own))


def _is_broken(cell: object) -> bool:
    """A workbook's own number with something after its point."""
    return isinstance(cell, float) and not cell.is_integer()


def _parquet_grid(content: bytes) -> list[Grid]:
    table = read_parquet(content)
    with files.failing_as("a Parquet file"):
        frame = pl.DataFrame(table)
        texts = [_own_texts(column) for column in frame]
    require_columns(len(texts))
    heading = pl.DataFrame({f"c{i}": [name] for i, name in enumerate(frame.columns)})
    cells = pl.DataFrame([text.alias(f"c{i}") for i, text in enumerate(texts)])
    rows = pl.concat([heading, cells])
    own = frozenset(f"c{i}" for i, column in enumerate(frame) if _is_broken_type(column.dtype))
    widths = pl.repeat(len(texts), rows.height, eager=True)
    return [Grid("", _numbered(rows, widths), is_text=False, own_numbers=own)]


def _json_grid(read: Callable[[str], Records], content: bytes) -> list[Grid]:
    """Names stand above the records, words run together apart; a record's row is its line."""
    if read is read_records:
        files.require_lines(content)
    found = read(files.decoded(content))
    records = [values for _, values in found.rows]
    names = [_RUN_TOGETHER.sub(" ", name) for name in found.names]
    grid = _grid("", [names, *map(_own_row, records)], is_text=False)
    lines = pl.Series([0, *[no for no, _ in found.rows]], dtype=pl.Int64)
    rows = grid.rows.with_columns(row_no=lines.gather(grid.rows["row_no"] - 1))
    own = {f"c{i}" for row in records for i, cell in enumerate(row) if _is_broken(cell)}
    return [replace(grid, rows=rows, own_numbers=frozenset(own))]


def _own_row(cells: Sequence[object]) -> list[str | None]:
    return [None if cell is None else files.own_text(cell) for cell in cells]


def _is_broken_type(dtype: pl.DataType) -> bool:
    return dtype.is_float() or dtype.is_decimal()


def _own_texts(column: pl.Series) -> pl.Series:
    if _is_broken_type(column.dtype):
        text = column.cast(pl.String).str.replace(r"\.0+$", "")
        three = text.str.contains(r"^-?\d{1,3}\.\d{3}$").fill_null(value=False)
        return text.zip_with(~three, text + "0")
    if isinstance(column.dtype, pl.Datetime):
        return column.dt.date().cast(pl.String)
    if column.dtype == pl.Binary or column.dtype.is_nested():
        return pl.Series([f"a {column.dtype}"]).new_from_index(0, len(column))
    return column.cast(pl.String)
