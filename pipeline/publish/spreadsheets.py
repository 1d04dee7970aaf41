"""Frames as workbooks and CSV that office software opens safely, and prints well.

A text cell that a spreadsheet would run as a formula is written with a leading apostrophe in CSV
(loading takes it off again) and as a plain string in XLSX.
"""

import datetime as dt
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

import polars as pl
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

A4 = 9  # its number in the XLSX standard (ECMA-376, paperSize)
LEAST_WIDTH, MOST_WIDTH, WRAPPED_WIDTH = 8, 28, 56  # in characters
NOTE_WIDTH = 72  # A4 upright has room for it in the widest of the fonts that may stand in
LINE_HEIGHT = 15  # points, of the standard font at its standard size
HEIGHT_ROOM = 3
HAIR = 7  # the thinnest border there is
# Days are numbers from here on, good from March 1900 (ECMA-376, 1900 date base system).
FIRST_DAY = dt.date(1899, 12, 30)
INDENT = 1.5  # characters that an indented cell loses
BOLDER = 1.15  # bold letters are about so much wider

Kind = Literal["text", "long", "whole", "number", "mean", "inch", "money", "share", "day", "month"]
NUMBER_FORMATS: dict[Kind, str] = {
    "text": "@",
    "long": "@",
    "whole": "#,##0",
    "number": "#,##0.0##",
    "mean": "#,##0.0",
    "inch": "#,##0.00",
    "money": "#,##0",
    "share": "0%",
    "day": "yyyy-mm-dd",
    "month": "mmm yyyy",
}


@dataclass(frozen=True, slots=True)
class Column:
    """A column's heading and how its cells are written."""

    heading: str
    kind: Kind = "text"
    width: int | None = None  # in characters; else that of the longest cell, within reason

    def named(self, **units: str) -> "Column":
        """The column with the units in its heading filled in."""
        return replace(self, heading=self.heading.format(**units))


@dataclass(frozen=True, slots=True)
class Page:
    """One sheet: a frame and its columns, in order.

    ``groups`` are columns whose change of value is ruled off, the first of them more heavily; with
    ``apart`` it also starts a new page in print. Columns after ``last_on_paper`` are not printed.
    """

    name: str
    frame: pl.DataFrame
    columns: Mapping[str, Column]
    groups: Sequence[str] = ()
    apart: bool = False
    last_on_paper: str = ""


class Book(NamedTuple):
    """What :func:`workbook` is given."""

    pages: Sequence[Page]
    notes: Sequence[tuple[str, Sequence[str]]]
    title: str
    made_on: dt.date


@dataclass(slots=True)
class _Formats:
    """The formats of one workbook, each made once."""

    book: xlsxwriter.Workbook
    made: dict[tuple[str, int], Format] = field(default_factory=dict)

    def cell(self, kind: Kind, ruled: int = 0) -> Format:
        key = (kind, ruled)
        if key not in self.made:
            look = {"num_format": NUMBER_FORMATS[kind], "valign": "top", "top": ruled}
            # Ruled finely, to be followed across by hand; text stands off the number before it.
            # Some programs indent only what says that it stands to the left.
            text = {"text_wrap": True, "align": "left", "indent": 1}
            more = text if kind in ("text", "long") else {}
            self.made[key] = self.book.add_format(look | more | {"bottom": HAIR})
        return self.made[key]

    def heading(self) -> Format:
        return self.book.add_format(
            {"bold": True, "text_wrap": True, "valign": "top", "bottom": 1, "bg_color": "#F4F0E6"}
        )


def safe_csv(frame: pl.DataFrame, separator: str = ",") -> bytes:
    """UTF-8 with a byte-order mark, so that office software reads it as what it is."""
    safe = frame.with_columns(pl.col(pl.String).str.replace(r"^(\s*[=+\-@\t\r])", "'$1"))
    return safe.write_csv(include_bom=True, separator=separator).encode()


def workbook(
    pages: Sequence[Page], notes: Sequence[tuple[str, Sequence[str]]], title: str, made_on: dt.date
) -> bytes:
    """One sheet per page and one of notes (heading, lines); the same bytes each time.

    ``made_on`` stands as the workbook's creation day.
    """
    buffer = io.BytesIO()
    with opened(buffer, title, made_on) as book:
        formats = _Formats(book)
        for page in pages:
            _fill(book.add_worksheet(page.name), page, formats)
        if notes:
            _note(book.add_worksheet("Notes"), notes, book)
    return buffer.getvalue()


def opened(buffer: io.BytesIO, title: str, made_on: dt.date) -> xlsxwriter.Workbook:
    """An empty workbook in which no text is ever taken for a formula or a link.

    Its rows go to a file as they are written, from the top down: half a million of them would take
    gigabytes.
    """
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(buffer, options)
    book.set_properties({"title": title, "created": dt.datetime.combine(made_on, dt.time())})
    return book


def _fill(sheet: Worksheet, page: Page, formats: _Formats) -> None:
    shown = page.frame.select(page.columns.keys())
    columns = list(page.columns.values())
    widths = [_width(column, shown[name]) for name, column in page.columns.items()]
    for at, width in enumerate(widths):
        sheet.set_column(at, at, width)
    _set_up(sheet, shown, page)
    _set_height(sheet, 0, [column.heading for column in columns], widths, BOLDER)
    texts = {name: w - INDENT for name, w in zip(page.columns, widths, strict=True)}
    _set_heights(sheet, shown.select(pl.col(pl.String)), texts)
    heading = formats.heading()
    for at, column in enumerate(columns):
        sheet.write_string(0, at, column.heading, heading)
    ruled = _ruled(shown, page.groups)
    looks = {r: [formats.cell(c.kind, r) for c in columns] for r in dict.fromkeys(ruled)}
    write_rows(sheet, shown, (looks[rule] for rule in ruled))


def write_rows(sheet: Worksheet, cells: pl.DataFrame, looks: Iterable[Sequence[Format]]) -> None:
    """The rows below the heading, each with its cells' looks; empty cells keep theirs."""
    puts = [
        sheet.write_number if dtype == pl.Date or dtype.is_numeric() else sheet.write_string
        for dtype in cells.dtypes
    ]
    rows = (row for part in cells.iter_slices() for row in _as_written(part).iter_rows())
    for at, (values, formats) in enumerate(zip(rows, looks, strict=True), start=1):
        for column, (value, put, look) in enumerate(zip(values, puts, formats, strict=True)):
            if value is None:
                sheet.write_blank(at, column, None, look)
            else:
                put(at, column, value, look)


def _as_written(cells: pl.DataFrame) -> pl.DataFrame:
    """Cells as a workbook holds them: numbers, days as numbers, and texts."""
    yes = pl.col(pl.Boolean)
    return cells.with_columns(
        (pl.col(pl.Date) - FIRST_DAY).dt.total_days(),
        pl.when(yes).then(pl.lit("yes")).when(~yes).then(pl.lit("no")).name.keep(),
        pl.col(pl.Float64, pl.Float32).round(4),
    )


def _set_heights(sheet: Worksheet, texts: pl.DataFrame, widths: Mapping[str, float]) -> None:
    """Room for texts that take more than a line: those longer than their cells are wide."""
    long = pl.any_horizontal(
        pl.lit(value=False),
        *(pl.col(name).str.len_chars() > widths[name] for name in texts.columns),
    )
    some = texts.with_row_index(offset=1).filter(long)
    for row, *cells in some.iter_rows():
        words = [cell or "" for cell in cells]
        _set_height(sheet, row, words, [widths[name] for name in texts.columns])


def lines_of(text: str, width: float) -> int:
    """Lines that a text takes in a cell so many characters wide, broken at spaces where it can be.

    >>> lines_of("three words here", 11), lines_of("", 10), lines_of("abcdefghijkl", 5)
    (2, 1, 3)
    """
    lines, room = 1, width
    for word in text.split():
        if len(word) <= room:
            room -= len(word) + 1
            continue
        lines += room < width
        further = max(0, math.ceil(len(word) / width) - 1)
        lines += further
        room = width - (len(word) - further * width) - 1
    return lines


def _set_height(
    sheet: Worksheet, row: int, texts: Sequence[str], widths: Sequence[float], bolder: float = 1.0
) -> None:
    """Room for the cell that takes most lines: a program that does not measure would overprint."""
    most = max((lines_of(t, w / bolder) for t, w in zip(texts, widths, strict=True)), default=1)
    if most > 1 or row == 0:
        sheet.set_row(row, LINE_HEIGHT * most + HEIGHT_ROOM)


def _ruled(shown: pl.DataFrame, groups: Sequence[str]) -> list[int]:
    """The border above each row: medium (2) where the first group changes, thin (1) where another
    does, none (0) elsewhere."""
    if not groups or shown.is_empty():
        return [0] * shown.height
    changes = [pl.col(g).ne_missing(pl.col(g).shift()).alias(g) for g in groups]
    flags = shown.select(*changes)
    outer, inner = flags[groups[0]], flags.select(pl.any_horizontal(pl.all())).to_series()
    return [
        0 if row == 0 else 2 if new_page else int(new_line)
        for row, (new_page, new_line) in enumerate(zip(outer, inner, strict=True))
    ]


def _width(column: Column, cells: pl.Series) -> int:
    """Room for the longest cell, within reason; long text wraps instead."""
    if column.width is not None:
        return column.width
    if column.kind == "long":
        return WRAPPED_WIDTH
    if column.kind in ("day", "month"):
        longest = 10
    elif cells.dtype.is_numeric():
        ends = cells.drop_nulls().sort().gather([0, -1]) if cells.count() else cells.clear()
        longest = max((len(f"{v:,.0f}") + 2 for v in ends), default=0)
    else:
        lengths = cells.cast(pl.String).str.len_chars()
        longest = max(lengths.drop_nulls(), default=0)
    words = max(map(len, column.heading.split()))
    return min(max(longest, words, LEAST_WIDTH) + 3, MOST_WIDTH)


def _set_up(sheet: Worksheet, shown: pl.DataFrame, page: Page) -> None:
    """Frozen heading, filters, and paper: A4 across, one page wide, heading on every page."""
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, max(shown.height, 1), shown.width - 1)
    sheet.set_landscape()
    sheet.set_paper(A4)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)  # inches
    sheet.set_footer("&L&A&RPage &P of &N")
    if page.last_on_paper:
        last = list(page.columns).index(page.last_on_paper)
        sheet.print_area(0, 0, max(shown.height, 1), last)
    if page.apart:
        new_page = [row + 1 for row, rule in enumerate(_ruled(shown, page.groups)) if rule == 2]
        sheet.set_h_pagebreaks(new_page)


def _note(
    sheet: Worksheet, notes: Sequence[tuple[str, Sequence[str]]], book: xlsxwriter.Workbook
) -> None:
    bold = book.add_format({"bold": True})
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, NOTE_WIDTH)
    row = 0
    for heading, lines in notes:
        sheet.write_string(row, 0, heading, bold)
        for line in lines:
            row += 1
            _set_height(sheet, row, [line], [NOTE_WIDTH])
            sheet.write_string(row, 0, line, wrapped)
        row += 2
    sheet.set_portrait()
    sheet.set_paper(A4)
    sheet.fit_to_pages(1, 0)
