"""Cells that somebody struck out in a workbook: nothing of them is read, and each says so."""

from pathlib import Path

import pytest
import xlsxwriter

from pipeline.lake.cells import typed_rows
from pipeline.lake.files import read_cells
from pipeline.mapping.command import map_lake
from pipeline.settings import Settings
from tests.pipeline.mapping.test_alike_columns import rows_of

HEAD = ("Unit", "Date", "Km", "1L lining mm", "1R lining mm")
ROWS = (
    ("T1", "2024-01-09", 100_000, 15, 14),
    ("T1", "2024-04-09", 109_000, 12, 13),
    ("T1", "2024-07-09", 118_000, 14, 12),
    ("T2", "2024-01-09", 100_000, 15, 14),
)


def written(folder, struck, head=HEAD, rows=ROWS):
    """What is read of a workbook of these rows with one cell struck out; of its text all, or only
    the first sign."""
    write(folder / "a.xlsx", struck, head, rows)
    map_lake(folder, None, lambda _: None)
    return rows_of(folder, "a.xlsx")


def write(path, struck, head, rows, first=(0, 0)):
    row, column, whole = struck
    book = xlsxwriter.Workbook(str(path))
    sheet, line = book.add_worksheet("S"), book.add_format({"font_strikeout": True})
    for i, cells in enumerate((head, *rows)):
        for j, cell in enumerate(cells):
            shown = line if (i, j) == (row, column) else None
            sheet.write(first[0] + i, first[1] + j, cell, shown)
    if not whole:
        text = str(rows[row - 1][column])
        sheet.write_rich_string(row, column, line, text[0], text[1:])
    book.close()


def aside(rows):
    return rows.filter(rows["problem"].is_not_null()).select("problem_kind", "problem").rows()


@pytest.mark.parametrize("whole", [True, False], ids=["in whole", "in part"])
def test_a_reading_that_is_struck_out_is_not_read_and_its_neighbours_are(tmp_path, whole):
    rows = written(tmp_path, (2, 3, whole)).sort("side", "row_no")
    assert rows["lining_mm"].to_list() == [15, None, 14, 15, 14, 13, 12, 14]
    ((_, why),) = aside(rows)
    assert '1L lining mm: found "12 (struck out)"' in why


@pytest.mark.parametrize("column", [0, 1, 2], ids=HEAD[:3])
def test_a_row_whose_unit_day_or_odometer_is_struck_out_is_set_aside(tmp_path, column):
    told = aside(written(tmp_path, (2, column, True)))
    assert len(told) == 2  # both sides
    assert all(f'{HEAD[column]}: found "{ROWS[1][column]} (struck out)"' in why for _, why in told)


def test_a_job_that_is_struck_out_was_not_done(tmp_path):
    jobs = [("T1", "2024-07-09", 118_000, f"Relined axle {axle} left") for axle in (1, 2)]
    rows = written(tmp_path, (2, 3, True), ("Unit", "Date", "Km", "Job"), jobs)
    assert rows["action"].to_list() == ["reline", "reline"]
    ((kind, why),) = aside(rows)
    assert kind == "struck out"
    assert 'Job: found "Relined axle 2 left (struck out)"; accepted: what nobody struck out' in why


def test_of_two_readings_in_a_cell_that_is_struck_out_none_is_read(tmp_path):
    head = ("Unit", "Date", "Km", "Axle", "Lining L/R mm")
    readings = [("T1", f"2024-0{m}-09", 100_000 + m, 1, f"{16 - m}/{15 - m}") for m in range(1, 9)]
    rows = written(tmp_path, (3, 4, True), head, readings)
    assert rows["lining_mm"].null_count() == len(aside(rows)) == 2


def test_what_nobody_struck_out_says_nothing(tmp_path):
    assert aside(written(tmp_path, (9, 9, True))) == []


OURS = ("unit_id", "axle_no", "side", "inspected_on", "odometer_km", "lining_mm", "inspector")


@pytest.mark.parametrize("first", [(0, 0), (3, 2)], ids=["at A1", "at C4"])
@pytest.mark.parametrize("column", range(len(OURS)), ids=OURS)
def test_in_a_workbook_of_the_lakes_own_form_too(tmp_path, column, first):
    readings = [("T1", 1, side, "2024-01-09", 100_000, 15, "Obb") for side in "LR"]
    write(tmp_path / "a.xlsx", (2, column, True), OURS, readings, first)
    cells = read_cells((tmp_path / "a.xlsx").read_bytes(), Path("a.xlsx"))
    read = typed_rows("inspections", cells, Settings())
    told = ["(struck out)" in (why or "") for why in read["problem"]]
    assert told == [False, OURS[column] != "inspector"]  # who read it is no figure
