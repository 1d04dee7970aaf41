"""Run by itself, with nothing of the project: a workbook on standard input → its sheets as JSON.

What a workbook of the kinds .xls and .ods takes to unpack cannot be seen beforehand: one cell far
from the others, or one that counts as a million, takes a whole sheet's room. So whoever runs this
says how much memory and time it may take.
"""

import datetime as dt
import io
import json
import resource
import sys

from python_calamine import CalamineSheet, CalamineWorkbook, SheetVisibleEnum


def main(memory: int, seconds: int, columns: int, cells: int, size: int) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
    book = CalamineWorkbook.from_filelike(io.BytesIO(sys.stdin.buffer.read()))
    for of in book.sheets_metadata:
        sheet = book.get_sheet_by_name(of.name)
        height, width = (last + 1 for last in sheet.end or (0, 0))
        if width > columns or height * width > cells:
            sys.exit(f"a sheet of {height:,} rows and {width:,} columns")
        told = sheet_of(sheet) | {"hidden": of.visible != SheetVisibleEnum.Visible}
        size -= sys.stdout.write(json.dumps(told) + "\n")
        if size < 0:
            sys.exit("it holds too much text")


def sheet_of(sheet: CalamineSheet) -> dict[str, object]:
    rows = sheet.to_python(skip_empty_area=False)
    return {
        "name": sheet.name,
        "merged": sheet.merged_cell_ranges or [],
        "rows": [[_plain(cell) for cell in row] for row in rows],
    }


def _plain(cell: object) -> object:
    """Days as objects of their own, since JSON has none."""
    if isinstance(cell, dt.date):
        return {"day": cell.strftime("%Y-%m-%d")}
    return cell if isinstance(cell, bool | int | float | str) else str(cell)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
