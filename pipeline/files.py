"""Bytes of a lake file → rows of cells, whatever the fleet's office software made of them.

A CSV is comma, semicolon or tab separated, UTF-8 (with or without byte-order mark), UTF-16 or
Windows-1252. A row that has more or fewer cells than the heading is kept with its problem, so that
nothing a person typed disappears. Parquet and XLSX cells keep their own types.
"""

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

import fastexcel
import polars as pl

DELIMITERS = (",", ";", "\t")
SUFFIXES = {".csv": "csv", ".tsv": "csv", ".txt": "csv", ".parquet": "parquet", ".xlsx": "xlsx"}
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f]")


class UnreadableFileError(Exception):
    """A file that yields no rows at all; the message says what was found and what is accepted."""


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
    return {"csv": _csv_cells, "parquet": _parquet_cells, "xlsx": _xlsx_cells}[kind](content)


def _csv_cells(content: bytes) -> Cells:
    text = _decoded(content)
    delimiter = _delimiter(text)
    records = _quoted_records(text, delimiter) if '"' in text else None
    if records is None:
        return _cells_of_lines(text, delimiter)
    return _cells_of_records(records)


def _decoded(content: bytes) -> str:
    for bom, encoding in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if content.startswith(bom):
            return _text(content, encoding)
    try:
        return _text(content, "utf-8")
    except UnicodeDecodeError:
        return _text(content, "cp1252")


def _text(content: bytes, encoding: str) -> str:
    text = content.decode(encoding, errors="strict" if encoding == "utf-8" else "replace")
    if _CONTROL.search(text):
        raise UnreadableFileError("binary bytes; accepted: text in UTF-8, UTF-16 or Windows-1252")
    return text


def _delimiter(text: str) -> str:
    """The separator that the heading uses most, outside quotes."""
    heading = re.sub(r'"[^"]*"', "", _first_line(text))
    return max(DELIMITERS, key=heading.count)


def _first_line(text: str) -> str:
    return next((line for line in text.splitlines() if line.strip()), "")


def _quoted_records(text: str, delimiter: str) -> list[list[str]] | None:
    """Every record of a CSV with quotes; None when a quote never closes.

    A quote that never closes would swallow the rest of the file as one cell; such a file is read
    line by line instead, its quotes being just characters.
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    csv.field_size_limit(max(len(text), 1))
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
    columns = {
        f"c{i}": pl.Series([r[i] if i < len(r) else None for _, r in body], dtype=pl.String)
        for i in range(width)
    }
    sizes = pl.Series([len(r) for _, r in body], dtype=pl.UInt32)
    row_no = pl.Series([no for no, _ in body], dtype=pl.Int64)
    return _text_cells(headings, pl.DataFrame({"row_no": row_no, "cells": sizes, **columns}))


def _cells_of_lines(text: str, delimiter: str) -> Cells:
    lines = pl.Series("line", [text]).str.replace_all("\r\n|\r", "\n").str.split("\n").explode()
    numbered = pl.DataFrame({"row_no": pl.int_range(1, len(lines) + 1, eager=True), "line": lines})
    blank = pl.col("line").str.replace_all(delimiter, "", literal=True).str.strip_chars() == ""
    kept = numbered.filter(~blank)
    if kept.is_empty():
        raise UnreadableFileError("no heading; accepted: a heading and rows")
    kept = kept.with_columns(_without_outer_quotes(delimiter)) if '"' in text else kept
    headings = kept["line"][0].split(delimiter)
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
    try:
        frame = pl.read_parquet(io.BytesIO(content))
    except (pl.exceptions.PolarsError, OSError) as error:
        raise UnreadableFileError(f"not a Parquet file ({_one_line(error)})") from None
    return _typed_cells(frame, is_text=False)


def _xlsx_cells(content: bytes) -> Cells:
    """The first sheet, every cell as text: one column may mix dates, numbers and words."""
    try:
        sheet = fastexcel.read_excel(content).load_sheet(0, dtypes="string")
        frame = sheet.to_polars()
    except (fastexcel.FastExcelError, pl.exceptions.PolarsError, OSError, ValueError) as error:
        raise UnreadableFileError(f"not an XLSX workbook ({_one_line(error)})") from None
    return _typed_cells(frame, is_text=False)


def _typed_cells(frame: pl.DataFrame, *, is_text: bool) -> Cells:
    if not frame.columns:
        raise UnreadableFileError("no heading; accepted: a heading and rows")
    headings = tuple(name.strip() for name in frame.columns)
    rows = frame.rename({name: f"c{i}" for i, name in enumerate(frame.columns)})
    rows = rows.with_row_index("row_no", offset=2).with_columns(
        pl.col("row_no").cast(pl.Int64), shape_problem=pl.lit(None, dtype=pl.String)
    )
    filled = pl.any_horizontal(pl.all().exclude("row_no", "shape_problem").is_not_null())
    return Cells(headings, rows.filter(filled), is_text=is_text)


def _one_line(error: Exception) -> str:
    return str(error).splitlines()[0][:120] if str(error) else type(error).__name__
