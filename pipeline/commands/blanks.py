"""A blank inspections file in the contract's form, its wheel ends filled in: what is written into
it goes straight back into the lake."""

import datetime as dt
import io

import dataframely as dy
import polars as pl
import xlsxwriter
from xlsxwriter.worksheet import Worksheet

from pipeline.contract import FILLED_BEFOREHAND, accepted_values, columns_of, is_required
from pipeline.publish.spreadsheets import A4, NUMBER_FORMATS, Kind, opened, safe_csv, write_rows
from pipeline.settings import Settings

TABLE = "inspections"
KNOWN = FILLED_BEFOREHAND[TABLE]  # everything else is written by hand
HEADING_ROOM = 2
HOW_TO = (
    "One row is one wheel end on one day, as found before any work. Leave empty what was not read.",
    "Read again after work: copy the row below, with as_left set to yes.",
    "Rows of wheel ends that nobody looked at may stay as they are: they are passed over. Save, "
    "and put the file into the lake's inspections folder, under any name.",
)


def headings(settings: Settings) -> dict[str, str]:
    """Contract column → the heading that says the fleet's own unit."""
    spelled = {}
    for name in columns_of(TABLE):
        if name.endswith("_mm") and settings.units.length == "in":
            spelled[name] = name.removesuffix("_mm") + "_in"
        elif name.endswith("_km") and settings.units.distance == "mi":
            spelled[name] = name.removesuffix("_km") + "_mi"
        else:
            spelled[name] = name
    return spelled


def blank_inspections(ends: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """``unit_id``, ``axle_no``, ``side`` of every wheel end, and the contract's other columns
    empty, under the headings of the fleet's units."""
    empty = {
        name: pl.lit(None, dtype=column.dtype)
        for name, column in columns_of(TABLE).items()
        if name not in KNOWN
    }
    rows = ends.select(*KNOWN).with_columns(**empty).select(columns_of(TABLE).keys())
    return rows.rename(headings(settings))


def as_csv(rows: pl.DataFrame, settings: Settings) -> bytes:
    """For office software of a country that writes 12,5 the separator is its own, a semicolon."""
    plain = rows.with_columns(pl.col(pl.Enum).cast(pl.String))
    return safe_csv(plain, ";" if settings.fleet.decimal_comma else ",")


def as_xlsx(rows: pl.DataFrame, settings: Settings, made_on: dt.date) -> bytes:
    """The rows with choices to pick from, and a second sheet that says how to fill them in.

    ``made_on`` stands as the workbook's creation day.
    """
    buffer = io.BytesIO()
    with opened(buffer, "Inspections", made_on) as book:
        _rows_sheet(book, rows)
        _how_to_sheet(book, settings)
    return buffer.getvalue()


def _rows_sheet(book: xlsxwriter.Workbook, rows: pl.DataFrame) -> None:
    sheet = book.add_worksheet("Inspections")
    needed, free = (book.add_format({"bold": True, "bottom": 1, "bg_color": c}) for c in _COLOURS)
    cells, looks = rows.with_columns(pl.col(pl.Enum).cast(pl.String)), []
    columns = zip(rows.columns, columns_of(TABLE).values(), strict=True)
    for at, (heading, column) in enumerate(columns):
        looks.append(book.add_format({"num_format": NUMBER_FORMATS[_kind(column)], "border": 4}))
        longest = max((len(str(c)) for c in cells[heading].drop_nulls()), default=0)
        sheet.write_string(0, at, heading, needed if is_required(column) else free)
        sheet.set_column(at, at, max(len(heading), longest) + HEADING_ROOM)
        _offer(sheet, at, rows.height, column, in_mm=heading.endswith(("_mm", "_km", "_deg")))
    sheet.freeze_panes(1, len(KNOWN))
    sheet.set_landscape()
    sheet.set_paper(A4)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    write_rows(sheet, cells, [looks] * cells.height)


_COLOURS = ("#F1D9C0", "#F4F0E6")  # required, free


def _kind(column: dy.Column) -> Kind:
    match column:
        case dy.Date():
            return "day"
        case dy.Int64():
            return "whole"
        case dy.Float64():
            return "number"
        case _:
            return "text"


def _offer(sheet: Worksheet, at: int, height: int, column: dy.Column, *, in_mm: bool) -> None:
    """A list to pick from, or a range with a warning: loading judges, the sheet only helps."""
    rule: dict[str, object] | None = None
    match column:
        case dy.Enum():
            rule = {"validate": "list", "source": list(column.categories)}
        case dy.Bool():
            rule = {"validate": "list", "source": ["yes", "no"]}
        case dy.Float64() if in_mm:
            rule = _range(column)
    if rule is not None and height:
        title = {"error_title": "Accepted", "error_type": "warning"}
        sheet.data_validation(
            1, at, height, at, rule | title | {"error_message": accepted_values(column)}
        )


def _range(column: dy.Float64) -> dict[str, object]:
    if column.max is None:
        return {"validate": "decimal", "criteria": ">=", "value": column.min or 0}
    limits = {"minimum": column.min or 0, "maximum": column.max}
    return {"validate": "decimal", "criteria": "between", **limits}


def _how_to_sheet(book: xlsxwriter.Workbook, settings: Settings) -> None:
    sheet = book.add_worksheet("How to fill it in")
    bold = book.add_format({"bold": True})
    for row, line in enumerate(HOW_TO):
        sheet.write_string(row, 0, line)
    start = len(HOW_TO) + 1
    for at, (heading, width) in enumerate(_HOW_TO_COLUMNS.items()):
        sheet.write_string(start, at, heading, bold)
        sheet.set_column(at, at, width)
    spelled = headings(settings)
    for row, (name, column) in enumerate(columns_of(TABLE).items(), start=start + 1):
        needed = "yes" if is_required(column) else ""
        cells = (spelled[name], needed, _accepted(name, column, spelled), column.description or "")
        for at, cell in enumerate(cells):
            sheet.write_string(row, at, cell)


_HOW_TO_COLUMNS = {"Column": 22, "Required": 10, "Accepted": 42, "Meaning": 60}


def _accepted(name: str, column: dy.Column, spelled: dict[str, str]) -> str:
    """Ranges are the contract's, in mm and km; in other units only the kind is said."""
    return accepted_values(column) if spelled[name] == name else f"a number, {spelled[name][-2:]}"
