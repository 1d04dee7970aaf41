"""Lists people work from: the work list and the budget, as CSV and XLSX.

A text cell that a spreadsheet would run as a formula is written with a leading apostrophe in CSV
and as a plain string in XLSX.
"""

import datetime as dt
import io

import polars as pl
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

MAX_WIDTH = 70

WORK_LIST = {
    "depot": "Depot",
    "unit_id": "Unit",
    "wheel_end_id": "Wheel end",
    "axle_type": "Axle type",
    "duty": "Duty",
    "priority": "Priority",
    "state": "State",
    "evidence": "Why",
    "p_out_now": "Chance out of band now",
    "p_out_next_check": "Chance out of band by the next check",
    "stroke_ratio": "Free stroke / arm",
    "take_up": "Take-up",
    "lining_mm": "Lining, mm",
    "min_on_p10": "Minimum, early date",
    "reline_on_p50": "Reline visit expected",
    "last_inspected_on": "Last inspected",
}
BUDGET = {
    "month": "Month",
    "depot": "Depot",
    "axle_type": "Axle type",
    "duty": "Duty",
    "relines_p10": "Relines, low",
    "relines_p50": "Relines, middle",
    "relines_p90": "Relines, high",
    "relines_mean": "Relines, mean",
    "cost_p10": "Cost, low",
    "cost_p50": "Cost, middle",
    "cost_p90": "Cost, high",
    "cost_mean": "Cost, mean",
}
CAUTIONS = (
    "Figures are estimates from records, not an inspection.",
    "A wheel end without a flag is not thereby safe.",
    "Brake work is for qualified people, to the maker's manual and local law.",
    "Level ground, wheels chocked, air and spring brakes made safe before hands go in.",
    "An adjuster that fails its return test is replaced, not re-set.",
    "Lining dust is not blown about.",
)


def work_list(status: pl.DataFrame) -> pl.DataFrame:
    """Flagged wheel ends: by depot and unit, the most urgent unit of each depot first."""
    flagged = status.filter("flagged")
    urgency = pl.col("priority").max().over("depot", "unit_id")
    return flagged.sort(
        pl.col("depot").fill_null(""),
        -urgency,
        "unit_id",
        -pl.col("priority"),
        "wheel_end_id",
    ).select(WORK_LIST.keys())


def safe_csv(frame: pl.DataFrame) -> bytes:
    """UTF-8 with a byte-order mark, so that office software reads it as what it is."""
    safe = frame.with_columns(pl.col(pl.String).str.replace(r"^(\s*[=+\-@\t\r])", "'$1"))
    return safe.write_csv(include_bom=True).encode()


def workbook(sheets: dict[str, tuple[pl.DataFrame, dict[str, str]]], made_on: dt.date) -> bytes:
    """One sheet per frame with its column headings, and a sheet of notes; the same bytes each time.

    ``made_on`` stands as the workbook's creation day.
    """
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(buffer, options) as book:
        created = dt.datetime.combine(made_on, dt.time())
        book.set_properties({"title": "Drumline", "created": created})
        heading = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        for name, (frame, headings) in sheets.items():
            _fill(book.add_worksheet(name), frame, headings, heading, day)
        notes = book.add_worksheet("Notes")
        notes.set_column(0, 0, 90)
        for row, line in enumerate((f"As of {made_on}", *CAUTIONS)):
            notes.write_string(row, 0, line)
    return buffer.getvalue()


def _fill(
    sheet: Worksheet, frame: pl.DataFrame, headings: dict[str, str], heading: Format, day: Format
) -> None:
    shown = frame.select(headings.keys())
    for column, name in enumerate(shown.columns):
        sheet.write_string(0, column, headings[name], heading)
        cells = shown[name].to_list()
        longest = max((len(str(c)) for c in cells if c is not None), default=0)
        width = min(max(longest, len(headings[name]) // 2, 8) + 2, MAX_WIDTH)
        sheet.set_column(column, column, width)
        for row, cell in enumerate(cells, start=1):
            _write(sheet, row, column, cell, day)
    sheet.freeze_panes(1, 0)
    sheet.autofilter(0, 0, max(shown.height, 1), shown.width - 1)
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_footer("&L&A&RPage &P of &N")


def _write(sheet: Worksheet, row: int, column: int, cell: object, day: Format) -> None:
    match cell:
        case None:
            return
        case bool() | str():
            sheet.write_string(row, column, str(cell))
        case dt.date():
            sheet.write_datetime(row, column, dt.datetime.combine(cell, dt.time()), day)
        case int() | float():
            sheet.write_number(row, column, round(cell, 4))
