"""Cells merged over the rows or columns that they are of, and rows of brakes that are not ours."""

import datetime as dt

import pytest
import xlsxwriter

from pipeline.cli import main
from pipeline.mapping.grids import read_grids
from pipeline.mapping.shapes import numbers_across, shaped_grids

HEAD = ["Vehicle", "Date", "Km", "Axle", "Side", "Lining mm", "Cost"]


def brake_book(path, merged=()):
    """Two vehicles, two axles: what is merged is written in the first of its rows alone."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with xlsxwriter.Workbook(str(path)) as book:
        sheet, day = book.add_worksheet("Checks"), book.add_format({"num_format": "yyyy-mm-dd"})
        sheet.write_row(2, 0, HEAD)
        for i in range(16):
            unit, visit, end = f"T{101 + i // 8}", i // 4 % 2, i % 4
            on = dt.datetime(2025, 3 + 4 * visit, 2 + i // 8)
            row = [unit, on, 100_000 + 20_000 * visit, 1 + end // 2, "LR"[end % 2], 16.0 - visit, 9]
            for column, value in enumerate(row):
                if not any(first < 3 + i <= last for first, last, of in merged if of == column):
                    if isinstance(value, dt.datetime):
                        sheet.write_datetime(3 + i, column, value, day)
                    else:
                        sheet.write(3 + i, column, value)
        for first, last, column in merged:
            kept = sheet.table[first][column]
            sheet.merge_range(first, column, last, column, "")
            sheet.table[first][column] = kept
    return path


UNITS = [(3, 10, 0), (11, 18, 0)]
VISITS = [(3 + 4 * n, 6 + 4 * n, column) for n in range(4) for column in (1, 2)]
AXLES = [(3 + 2 * n, 4 + 2 * n, 3) for n in range(8)]


def accepted(lake, capsys):
    main(["map", str(lake)])
    capsys.readouterr()
    code = main(["check", str(lake)])
    return code, capsys.readouterr().out


@pytest.mark.parametrize("merged", [[], UNITS, [*UNITS, *VISITS], [*UNITS, *VISITS, *AXLES]])
def test_a_cell_merged_down_is_of_all_its_rows(tmp_path, capsys, merged):
    brake_book(tmp_path / "lake" / "book.xlsx", merged)
    code, out = accepted(tmp_path / "lake", capsys)
    assert "16 rows in 1 file: 16 accepted, 0 repeated, 0 set aside" in out, out
    assert "8 wheel ends derived" in out
    assert code == 0


def test_what_was_read_or_paid_is_never_copied(tmp_path):
    path = brake_book(tmp_path / "book.xlsx", [(3, 6, 5), (3, 6, 6), *UNITS])
    [grid] = shaped_grids(path.read_bytes(), path)
    rows = grid.first_rows(20)[1:]
    assert [row[0] for row in rows] == ["T101"] * 8 + ["T102"] * 8
    assert [row[5] for row in rows[:5]] == ["16", None, None, None, "15"]
    assert [row[6] for row in rows[:5]] == ["9", None, None, None, "9"]


def test_a_heading_merged_over_two_rows_stays_one(tmp_path, capsys):
    path = tmp_path / "lake" / "book.xlsx"
    path.parent.mkdir()
    with xlsxwriter.Workbook(str(path)) as book:
        sheet = book.add_worksheet()
        for column, name in enumerate(HEAD[:3]):
            sheet.merge_range(0, column, 1, column, name)
        sheet.merge_range(0, 3, 0, 4, "Lining mm")
        sheet.write_row(1, 3, ["1L", "1R"])
        sheet.write_row(2, 0, ["T1", "2025-03-02", 100_000, 15, 14.5])
        sheet.write_row(3, 0, ["T1", "2025-07-02", 120_000, 14, 13.5])
    code, out = accepted(tmp_path / "lake", capsys)
    assert code == 0, out
    assert "2 rows in 1 file: 2 accepted" in out


DISCS = """\
Unit;Axle;Side;Date;Km;Brake;Lining mm
T1;1;L;2025-03-02;100000;{};11
T1;1;R;2025-03-02;100000;{};11
T1;2;L;2025-03-02;100000;drum;14
T1;2;R;2025-03-02;100000;drum;13
"""


@pytest.mark.parametrize(
    "word", ["disc", "Disc", "Scheibenbremse", "à disques", "Air disc", "диск"]
)
def test_rows_of_disc_brakes_are_set_aside_and_said(tmp_path, capsys, word):
    lake = tmp_path / "lake"
    lake.mkdir()
    said = {"à disques": "Freins à disques"}.get(word, word)
    (lake / "checks.csv").write_text(DISCS.format(said, said), encoding="utf-8")
    code, out = accepted(lake, capsys)
    assert code == 1
    assert "4 rows in 1 file: 2 accepted, 0 repeated, 2 set aside" in out
    line = (
        f'disc brake: 2 rows; checks.csv row 2, checks.csv row 3: Brake: found "{said}"; accepted'
    )
    assert f"{line}: drum brakes" in out


@pytest.mark.parametrize("word", ["", "drum", "S-cam", "disc seen, none", "Discovery"])
def test_other_words_say_nothing_of_discs(tmp_path, capsys, word):
    lake = tmp_path / "lake"
    lake.mkdir()
    (lake / "checks.csv").write_text(DISCS.format(word, word), encoding="utf-8")
    assert accepted(lake, capsys)[0] == 0


@pytest.mark.parametrize(("first", "beside"), [(3, "13"), (2, "13 (merged)")])
def test_a_number_merged_across_is_of_every_column_of_its_reading(tmp_path, first, beside):
    book = xlsxwriter.Workbook(str(tmp_path / "a.xlsx"))
    sheet = book.add_worksheet()
    sheet.merge_range(0, 0, 0, 4, "Brake checks")
    sheet.write_row(1, 0, ["Unit", "Date", "Km", "1L lining mm", "1R lining mm"])
    for i in range(2):
        sheet.write_row(2 + i, 0, ["T1", f"2024-0{1 + i}-09", 100_000 + 9_000 * i, 15, 14])
    sheet.merge_range(3, first, 3, first + 1, 13)
    book.close()
    grid = numbers_across(read_grids((tmp_path / "a.xlsx").read_bytes(), tmp_path / "a.xlsx")[0])
    assert grid.row(3)[first : first + 2] == ["13", beside]
