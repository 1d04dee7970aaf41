"""Bytes of a lake file → rows of cells, whatever the fleet's office software made of them.

A CSV is comma, semicolon or tab separated, UTF-8 (with or without byte-order mark), UTF-16 or
in a code page (``pipeline.lake.encodings``). A row that has more or fewer cells than the heading is
kept with its problem, so that nothing a person typed disappears. Parquet, XLSX and JSON cells keep
their own types.
"""

import csv
import datetime as dt
import io
import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from threading import Lock

import fastexcel
import polars as pl
from python_calamine import CalamineWorkbook

from pipeline.errors import UnreadableFileError
from pipeline.lake.encodings import code_page, wide_encoding
from pipeline.lake.old_workbooks import read_old_workbook, true_kind
from pipeline.lake.records import Records, read_document, read_records
from pipeline.lake.struck import STRUCK, Place, looked_at
from pipeline.lake.workbooks import MAX_CELLS, read_parquet, require_columns, require_workbook

DELIMITERS = (",", ";", "\t")
SUFFIXES = {".csv": "csv", ".tsv": "csv", ".txt": "csv", ".parquet": "parquet", ".xlsx": "xlsx",
            ".xlsm": "xlsx", ".xls": "old", ".ods": "old", ".jsonl": "jsonl", ".ndjson": "jsonl",
            ".json": "json"}  # fmt: skip
# Days from 1970 to the end of the year 9999.
_LAST_DAY = 2_932_896
# What one file may hold, so that none can take the machine's memory, by mistake or on purpose. Text
# takes some five times its size to read, a cell some 16 bytes and its text.
MAX_BYTES = 1 << 30
MAX_LINE_BYTES = 1 << 20
MAX_QUOTED_CELLS = 20_000_000
csv.field_size_limit(MAX_BYTES)
# Standard error is one for all threads.
_TELLING = Lock()
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f]")


@dataclass(frozen=True, slots=True)
class Cells:
    """The rows of one file.

    ``rows`` has ``row_no`` (the heading is row 1), ``shape_problem`` (null when the row fits the
    heading) and one column per heading: ``c0``, ``c1``, …
    """

    headings: tuple[str, ...]
    rows: pl.DataFrame
    is_text: bool


def read_cells(content: bytes, path: Path) -> Cells:
    """Cells of a lake file.

    Raises
    ------
    UnreadableFileError
        The bytes are not what the file's ending says, or there is no heading.
    """
    kind = SUFFIXES.get(path.suffix.lower())
    if kind is None:
        raise UnreadableFileError(f"{path.suffix or 'no ending'}; accepted: {', '.join(SUFFIXES)}")
    if not content:
        raise UnreadableFileError("the file is empty; accepted: a heading and rows")
    readers: dict[str, Callable[[bytes], Cells]]
    readers = {"csv": _csv_cells, "parquet": _parquet_cells, "xlsx": _xlsx_cells, "old": _old_cells,
               "jsonl": partial(_json_cells, read_records),
               "json": partial(_json_cells, read_document)}  # fmt: skip
    return readers[true_kind(kind, content)](content)


def _require_cells(cells: int, most: int = MAX_CELLS) -> None:
    if cells > most:
        raise UnreadableFileError(f"{cells:,} cells; accepted: up to {most:,} in a file")


def _csv_cells(content: bytes) -> Cells:
    require_lines(content)
    text = decoded(content)
    delimiter = _delimiter(text)
    if '"' in text:
        lines = lines_of(text)
        if (
            lines.filter(lines.str.contains('"', literal=True))
            .str.contains(plain_quotes(delimiter))
            .all()
        ):
            return _cells_of_lines(lines.str.replace_all('"', "", literal=True), delimiter)
        records = quoted_records(text, delimiter)
        return _cells_of_lines(lines, delimiter) if records is None else _cells_of_records(records)
    return _cells_of_lines(lines_of(text), delimiter)


def lines_of(text: str) -> pl.Series:
    return pl.Series("line", [text]).str.replace_all("\r\n|\r", "\n").str.split("\n").explode()


def plain_quotes(delimiter: str) -> str:
    """A line whose quotes only go round whole cells, with nothing in them that needs quotes."""
    cell = rf'(?:"[^"{delimiter}]*"|[^"{delimiter}]*)'
    return rf"^{cell}(?:{delimiter}{cell})*$"


def require_lines(content: bytes) -> None:
    """Every stretch of a megabyte has the end of a line in it."""
    for start in range(0, len(content) - MAX_LINE_BYTES, MAX_LINE_BYTES):
        stretch = content[start : start + MAX_LINE_BYTES]
        if b"\n" not in stretch and b"\r" not in stretch:
            raise UnreadableFileError(
                f"a line of {MAX_LINE_BYTES:,} bytes or more; accepted: rows, each on a line"
            )


def decoded(content: bytes) -> str:
    for bom, encoding in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if content.startswith(bom):
            return _text(content, encoding)
    wide = wide_encoding(content)
    if wide is not None:
        return _text(content, wide)
    try:
        return _text(content, "utf-8")
    except UnicodeDecodeError:
        return _text(content, code_page(content))


def _text(content: bytes, encoding: str) -> str:
    text = content.decode(encoding, errors="strict" if encoding == "utf-8" else "replace")
    if _CONTROL.search(text):
        raise UnreadableFileError("binary bytes; accepted: text in UTF-8, UTF-16 or a code page")
    return text


def _delimiter(text: str) -> str:
    """The separator that the heading uses most, outside quotes."""
    heading = re.sub(r'"[^"]*"', "", _first_line(text))
    return max(DELIMITERS, key=heading.count)


def _first_line(text: str) -> str:
    return next((line for line in text.splitlines() if line.strip()), "")


def quoted_records(text: str, delimiter: str) -> list[list[str]] | None:
    """Every record of a CSV with quotes; None when a quote never closes.

    A quote that never closes would swallow the rest of the file as one cell; such a file is read
    line by line instead, its quotes being just characters.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    _require_cells(text.count(delimiter), MAX_QUOTED_CELLS)
    try:
        return list(reader)
    except csv.Error:
        return None


def _cells_of_records(records: list[list[str]]) -> Cells:
    numbered = [(no, r) for no, r in enumerate(records, start=1) if any(c.strip() for c in r)]
    if not numbered:
        raise UnreadableFileError("no heading; accepted: a heading and rows")
    (_, headings), *body = numbered
    width = len(headings)
    require_columns(width)
    _require_cells(width * len(body))
    columns = {
        f"c{i}": pl.Series([r[i] if i < len(r) else None for _, r in body], dtype=pl.String)
        for i in range(width)
    }
    sizes = pl.Series([len(r) for _, r in body], dtype=pl.UInt32)
    row_no = pl.Series([no for no, _ in body], dtype=pl.Int64)
    return _text_cells(headings, pl.DataFrame({"row_no": row_no, "cells": sizes, **columns}))


def _cells_of_lines(lines: pl.Series, delimiter: str) -> Cells:
    numbered = pl.DataFrame({"row_no": pl.int_range(1, len(lines) + 1, eager=True), "line": lines})
    blank = pl.col("line").str.replace_all(delimiter, "", literal=True).str.strip_chars() == ""
    kept = numbered.filter(~blank)
    if kept.is_empty():
        raise UnreadableFileError("no heading; accepted: a heading and rows")
    if kept["line"].str.contains('"', literal=True).any():
        kept = kept.with_columns(_without_outer_quotes(delimiter))
    headings = kept["line"][0].split(delimiter)
    require_columns(len(headings))
    _require_cells(len(headings) * kept.height)
    cells = pl.col("line").str.split_exact(delimiter, len(headings) - 1)
    fields = cells.struct.rename_fields([f"c{i}" for i in range(len(headings))])
    rows = kept[1:].select(
        "row_no",
        cells=pl.col("line").str.count_matches(delimiter, literal=True) + 1,
        fields=fields,
    )
    return _text_cells(headings, rows.unnest("fields"))


def _without_outer_quotes(delimiter: str) -> pl.Expr:
    """Cells that are quoted whole lose their quotes; a stray quote stays."""
    cell = rf'(^|{delimiter})"([^"{delimiter}]*)"({delimiter}|$)'
    # Twice: neighbouring cells share a delimiter, so one pass takes every other cell.
    return pl.col("line").str.replace_all(cell, "$1$2$3").str.replace_all(cell, "$1$2$3")


def _text_cells(headings: list[str], rows: pl.DataFrame) -> Cells:
    width = len(headings)
    problem = pl.when(pl.col("cells") != width).then(
        pl.format(f"found {{}} cells; accepted: {width}, as in the heading", pl.col("cells"))
    )
    return Cells(
        tuple(h.strip() for h in headings),
        rows.with_columns(shape_problem=problem).drop("cells"),
        is_text=True,
    )


def _parquet_cells(content: bytes) -> Cells:
    table = read_parquet(content)
    with failing_as("a Parquet file"):
        return _typed_cells(pl.DataFrame(table), is_text=False)


def _json_cells(read: Callable[[str], Records], content: bytes) -> Cells:
    if read is read_records:
        require_lines(content)
    records = read(decoded(content))
    columns = {f"c{i}": pl.Series([_json_text(values[i]) for _, values in records.rows],
                                  dtype=pl.String) for i in range(len(records.names))}  # fmt: skip
    row_no = pl.Series([no for no, _ in records.rows], dtype=pl.Int64)
    problem = pl.lit(None, dtype=pl.String)
    rows = pl.DataFrame({"row_no": row_no, **columns}).with_columns(shape_problem=problem)
    return Cells(records.names, rows, is_text=False)


def _json_text(value: object) -> str | None:
    return None if value is None or value == "" else str(value)


def _xlsx_cells(content: bytes) -> Cells:
    """The first sheet, every cell as text: one column may mix dates, numbers and words."""
    require_workbook(content)
    with failing_as("an XLSX workbook"):
        sheet = fastexcel.read_excel(content).load_sheet(0, dtypes="string")
        frame = sheet.to_polars()
        if struck := looked_at(content)[1].get(sheet.name):
            frame = _with_struck(frame, struck, _first_cell(content))
    return _typed_cells(frame, is_text=False)


def _old_cells(content: bytes) -> Cells:
    """The first sheet of a workbook of another kind, every cell as text."""
    sheets = read_old_workbook(content)
    numbered = [
        (no, [own_text(cell) for cell in row])
        for no, row in enumerate(sheets[0].rows if sheets else [], start=1)
        if any(cell != "" for cell in row)
    ]
    if not numbered:
        raise UnreadableFileError("no heading; accepted: a heading and rows")
    (_, headings), *body = numbered
    columns = {
        f"c{i}": pl.Series([row[i] or None for _, row in body], dtype=pl.String)
        for i in range(len(headings))
    }
    rows = pl.DataFrame({"row_no": pl.Series([no for no, _ in body], dtype=pl.Int64), **columns})
    rows = rows.with_columns(shape_problem=pl.lit(None, dtype=pl.String))
    return Cells(tuple(heading.strip() for heading in headings), rows, is_text=False)


def own_text(cell: object) -> str:
    """A workbook's own value, as text that means the same in every dialect."""
    match cell:
        case bool():
            return "true" if cell else "false"
        case float():
            return _number_text(cell)
        case dt.datetime():
            return cell.date().isoformat()
        case dt.date():
            return cell.isoformat()
        case _:
            return str(cell)


def _number_text(value: float) -> str:
    """Three digits after a point could group thousands; four cannot."""
    if value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    text = repr(value)
    return f"{text}0" if re.fullmatch(r"-?\d{1,3}\.\d{3}", text) else text


def _first_cell(content: bytes) -> Place:
    """Where the cells of the first sheet begin."""
    return CalamineWorkbook.from_filelike(io.BytesIO(content)).get_sheet_by_index(0).start or (0, 0)


def _with_struck(frame: pl.DataFrame, struck: Sequence[Place], first: Place) -> pl.DataFrame:
    """A sheet, headings and rows, with that behind what is struck out."""
    names = dict(enumerate(frame.columns))
    rows: dict[str, list[int]] = {}
    for row, column in struck:
        name = names.get(column - first[1])
        if name is not None:
            rows.setdefault(name, []).append(row - first[0] - 1)
    marked = pl.int_range(pl.len())
    frame = frame.with_columns(
        pl.when(marked.is_in(of)).then(pl.col(name) + STRUCK).otherwise(name).alias(name)
        for name, of in rows.items()
    )
    return frame.rename({name: f"{name}{STRUCK}" for name, of in rows.items() if -1 in of})


@contextmanager
def failing_as(kind: str) -> Iterator[None]:
    """What a library makes of bytes it cannot read is told as one line, and nowhere else.

    The libraries below are Rust: where one gives up on bytes that it did not foresee, it prints to
    standard error by itself and raises an exception that is nobody's ``Exception``.
    """
    with _TELLING, _standard_error_nowhere():
        try:
            yield
        except BaseException as error:
            if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
                raise
            raise UnreadableFileError(f"not {kind} ({_one_line(error)})") from None


@contextmanager
def _standard_error_nowhere() -> Iterator[None]:
    told = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(told, 2)
        os.close(told)
        os.close(nowhere)


def _typed_cells(frame: pl.DataFrame, *, is_text: bool) -> Cells:
    if not frame.columns:
        raise UnreadableFileError("no heading; accepted: a heading and rows")
    times = (column for column in frame if column.dtype.is_temporal())
    frame = frame.with_columns(_dated(column) for column in times)
    headings = tuple(name.strip() for name in frame.columns)
    rows = frame.rename({name: f"c{i}" for i, name in enumerate(frame.columns)})
    rows = rows.with_row_index("row_no", offset=2).with_columns(
        pl.col("row_no").cast(pl.Int64), shape_problem=pl.lit(None, dtype=pl.String)
    )
    filled = pl.any_horizontal(pl.all().exclude("row_no", "shape_problem").is_not_null())
    return Cells(headings, rows.filter(filled), is_text=is_text)


def _dated(column: pl.Series) -> pl.Series:
    """Days and moments as they are; as text where one lies in no year that can be written.

    Hours and spans of time are text too: no column of the contract holds one.
    """
    if not isinstance(column.dtype, pl.Date | pl.Datetime):
        return column.dt.to_string()
    last = _LAST_DAY * _per_day(column.dtype)
    within = column.to_physical().is_between(-last, last).fill_null(value=True)
    if within.all():
        return column
    written = column.set(~within, None).cast(pl.String)
    told = pl.Series(column.name, ["a date in no year"] * len(column))
    return written.zip_with(within, told)


def _per_day(dtype: pl.DataType) -> int:
    """What a day is in a column's own count."""
    units = {"ms": 10**3, "us": 10**6, "ns": 10**9}
    return 86_400 * units[dtype.time_unit] if isinstance(dtype, pl.Datetime) else 1


def _one_line(error: BaseException) -> str:
    return str(error).splitlines()[0][:120] if str(error) else type(error).__name__
