"""Days that a file holds as plain numbers, counted from 1900 or from 1904."""

import datetime as dt

import pytest
import xlsxwriter

from pipeline.cli import main
from tests.pipeline.mapping.test_alike_columns import rows_of

DAYS = [dt.date(2024, 1, 9), dt.date(2024, 4, 9), dt.date(2024, 7, 9)]


@pytest.mark.parametrize("from_1904", [True, False])
@pytest.mark.parametrize("form", ["dd/mm/yyyy", "0"])
def test_days_of_a_workbook_are_counted_from_where_it_says(tmp_path, from_1904, form):
    book = xlsxwriter.Workbook(str(tmp_path / "a.xlsx"), {"date_1904": from_1904})
    sheet, shown = book.add_worksheet(), book.add_format({"num_format": form})
    sheet.write_row(0, 0, ["Unit", "Date", "Km", "Axle", "Side", "Lining mm"])
    since = dt.date(1904, 1, 1) if from_1904 else dt.date(1899, 12, 30)
    for i, day in enumerate(DAYS, start=1):
        sheet.write_row(i, 0, ["T1", "", 40_000 + 9_000 * i, 1, "L", 15 - i])
        sheet.write_number(i, 1, (day - since).days, shown)
    book.close()
    assert main(["map", str(tmp_path)]) == 0
    rows = rows_of(tmp_path, "a.xlsx")
    assert rows["inspected_on"].to_list() == DAYS
    assert rows["odometer_km"].to_list() == [49_000, 58_000, 67_000]


def test_days_of_a_text_that_are_plain_numbers_are_told_with_the_days_they_became(tmp_path, capsys):
    head = "Unit;Date;Km;Axle;Side;Lining mm\n"
    (tmp_path / "a.csv").write_text(f"{head}T1;45300;100000;1;L;15\nT1;45391;109000;1;L;14\n")
    for command in ("map", "check"):
        assert main([command, str(tmp_path)]) == 0
        told = capsys.readouterr().out
        assert "Date: days that are plain numbers are counted from 1900, 2024-01-09 to" in told
