"""How each depot writes its files: separators, encodings, words, units and headings."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from io import BytesIO
from types import MappingProxyType

import polars as pl
import xlsxwriter

MM_PER_INCH, KM_PER_MILE = 25.4, 1.609344


@dataclass(frozen=True, slots=True)
class Dialect:
    """One way of writing a table down."""

    separator: str = ","
    encoding: str = "utf-8"
    newline: str = "\n"
    date_format: str = "%Y-%m-%d"
    decimal_comma: bool = False
    words: tuple[str, str] = ("true", "false")
    imperial: bool = False
    """Lengths in inches and distances in miles; the headings say so."""
    inch_decimals: int = 2
    """Three would read as thousands where the fleet writes decimal commas."""
    headings: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    """Contract column → the depot's own heading."""


PLAIN = Dialect()

VELMOOR_HEADINGS = {
    "unit_id": "Wagon",
    "axle_no": "Axle",
    "side": "Side",
    "inspected_on": "Seen on",
    "done_on": "Done on",
    "odometer_km": "Km reading",
    "lining_mm": "Lining left",
    "free_stroke_mm": "Hand stroke",
    "applied_stroke_mm": "Air stroke",
    "wear_indicator_deg": "Pointer",
    "inspector": "Seen by",
    "action": "Job",
    "cost": "Amount",
}
SUDERQUELL_HEADINGS = {
    "unit_id": "Vehicle",
    "axle_no": "Axle no.",
    "inspected_on": "Date seen",
    "done_on": "Date done",
    "inspector": "Fitter",
    "fault": "Remark, if any",
    "odometer_mi": "Clock (miles)",
    "lining_in": "Lining (in)",
}
DIALECTS = (
    Dialect(),
    Dialect(
        separator=";",
        encoding="cp1252",
        newline="\r\n",
        date_format="%d.%m.%Y",
        decimal_comma=True,
        words=("yes", "no"),
        headings=VELMOOR_HEADINGS,
    ),
    Dialect(separator="\t", words=("1", "0"), imperial=True, headings=SUDERQUELL_HEADINGS),
)


def in_own_units(frame: pl.DataFrame, dialect: Dialect) -> pl.DataFrame:
    """Columns in inches and miles, named so, when the dialect is imperial."""
    if not dialect.imperial:
        return frame
    lengths = [name for name in frame.columns if name.endswith("_mm")]
    distances = [name for name in frame.columns if name.endswith("_km")]
    renamed = {name: f"{name[:-3]}_in" for name in lengths}
    renamed |= {name: f"{name[:-3]}_mi" for name in distances}
    return frame.with_columns(
        (pl.col(lengths) / MM_PER_INCH).round(dialect.inch_decimals),
        (pl.col(distances) / KM_PER_MILE).round(0).cast(pl.Int64),
    ).rename(renamed)


def in_words(frame: pl.DataFrame, dialect: Dialect) -> pl.DataFrame:
    """Every cell as the text this dialect writes."""
    yes, no = dialect.words
    texts = []
    for name, kind in frame.schema.items():
        cell = pl.col(name)
        if kind == pl.Boolean:
            cell = pl.when(cell).then(pl.lit(yes)).when(~cell).then(pl.lit(no)).alias(name)
        elif kind == pl.Date:
            cell = cell.dt.strftime(dialect.date_format)
        elif kind.is_float():
            cell = cell.cast(pl.String)
            if dialect.decimal_comma:
                cell = cell.str.replace(".", ",", literal=True)
        texts.append(cell.cast(pl.String))
    return frame.select(texts)


def overwritten(words: pl.DataFrame, marks: pl.DataFrame) -> pl.DataFrame:
    """Cells named by `_column` replaced by `_text`, whatever the unit of their column."""
    column = marks["_column"].str.strip_suffix("_mm")
    return words.with_columns(
        pl.when(column == _stem(name)).then(marks["_text"]).otherwise(pl.col(name)).alias(name)
        for name in words.columns
    )


def with_headings(frame: pl.DataFrame, dialect: Dialect) -> pl.DataFrame:
    """Columns under the depot's own headings."""
    own = {old: new for old, new in dialect.headings.items() if old in frame.columns}
    return frame.rename(own)


def csv_bytes(words: pl.DataFrame, dialect: Dialect, *, header: bool = True) -> bytes:
    """A delimited file in the dialect's encoding."""
    text = words.write_csv(
        separator=dialect.separator, line_terminator=dialect.newline, include_header=header
    )
    return text.encode(dialect.encoding)


def xlsx_bytes(
    frame: pl.DataFrame, marks: pl.DataFrame, dialect: Dialect, *, as_text: bool = False
) -> bytes:
    """A workbook with real dates and numbers; `as_text` keeps whole numbers as text cells.

    `marks` has one row per row of the frame; its `_text` goes into the cell `_column` names.
    """
    target = BytesIO()
    book = xlsxwriter.Workbook(target, {"default_date_format": "dd/mm/yyyy", "in_memory": True})
    book.set_properties({"created": datetime(2026, 7, 1)})
    sheet = book.add_worksheet("Sheet1")
    texts = in_words(frame, PLAIN)
    for position, name in enumerate(frame.columns):
        sheet.write(0, position, dialect.headings.get(name, name))
        column = frame[name].cast(pl.Int64) if frame[name].dtype == pl.Boolean else frame[name]
        wordy = as_text and column.dtype == pl.Int64
        sheet.write_column(1, position, (texts[name] if wordy else column).to_list())
        for row in _marked(marks, name):
            sheet.write_string(row + 1, position, marks["_text"][row])
    book.close()
    return target.getvalue()


def _marked(marks: pl.DataFrame, name: str) -> list[int]:
    """Rows whose overwritten cell is in this column."""
    wanted = marks["_column"].str.strip_suffix("_mm") == _stem(name)
    return [int(row) for row in wanted.arg_true()]


def _stem(name: str) -> str:
    """A column's name without its length unit."""
    return name.removesuffix("_in").removesuffix("_mm")
