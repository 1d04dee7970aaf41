"""Workbooks of the kinds .xls and .ods are read as those of XLSX are, or say why not."""

import datetime as dt
from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.errors import UnreadableFileError
from pipeline.lake import old_workbooks
from pipeline.lake.cells import typed_rows
from pipeline.lake.files import read_cells
from pipeline.settings import Settings
from tests.exports.fleet import workbook
from tests.old_workbooks import ods, xls
from tests.pipeline.mapping.test_alike_columns import rows_of

HEAD = ["Véhicule", "Date", "Km", "1L lining mm", "1R lining mm"]
DAY = dt.date(2024, 1, 9)
ROWS = [["T1", DAY, 100_000, 15.5, 12.375], ["T1", DAY.replace(month=4), 109_000, None, 12]]
WRITERS = {".xls": xls, ".ods": ods}


@pytest.mark.parametrize("kind", WRITERS)
def test_what_a_workbook_holds_is_read_but_for_hidden_sheets(tmp_path, capsys, kind):
    sheets = {"Nord": [HEAD, *ROWS], "Alt": [HEAD, ["T2", *ROWS[0][1:]]]}
    (tmp_path / f"a{kind}").write_bytes(WRITERS[kind](sheets, hidden=["Alt"]))
    assert main(["map", str(tmp_path)]) == 0
    assert f"a{kind} [Alt]: left alone: a hidden sheet" in capsys.readouterr().out
    read = rows_of(tmp_path, f"a{kind}").filter(unit_id="T1").sort("side", "inspected_on")
    assert read["lining_mm"].to_list() == [15.5, 12.375, 12]
    assert read["inspected_on"].to_list() == [DAY, DAY, DAY.replace(month=4)]
    assert main(["check", str(tmp_path)]) == 0
    assert "what is struck out in a workbook of this kind is read" in capsys.readouterr().out


@pytest.mark.parametrize("kind", WRITERS)
def test_so_is_one_of_the_lakes_own_form(kind):
    head = ["unit_id", "axle_no", "side", "inspected_on", "odometer_km", "lining_mm"]
    content = WRITERS[kind]({"S": [head, ["T1", 1, "L", DAY, 100_000, 12.375]]})
    cells = read_cells(content, Path(f"a{kind}"))
    assert typed_rows("inspections", cells, Settings()).select(head).rows() == [
        ("T1", 1, "L", DAY, 100_000, 12.375)
    ]
    assert cells.rows["row_no"].to_list() == [2]


def test_the_ending_of_an_old_workbook_on_another_file(tmp_path):
    (tmp_path / "a.xls").write_text(
        "Unit\tDate\tKm\t1L lining mm\t1R lining mm\nT1\t2024-01-09\t90000\t8\t7\n"
    )
    workbook(tmp_path / "b.xlsx", {"S": [HEAD, ["T1", "2024-01-09", 100_000, 15.5, 12]]})
    (tmp_path / "b.xlsx").rename(tmp_path / "b.xls")
    main(["map", str(tmp_path)])
    for name, lining in (("a.xls", [8, 7]), ("b.xls", [15.5, 12])):
        assert rows_of(tmp_path, name)["lining_mm"].to_list() == lining
    for content in (b"<html><table>", b'\xef\xbb\xbf<?xml version="1.0"?>'):
        with pytest.raises(UnreadableFileError, match="a page of the web, or XML"):
            read_cells(content, Path("a.xls"))


@pytest.mark.parametrize("kind", WRITERS)
def test_what_would_take_a_machines_memory_is_refused(monkeypatch, kind):
    whole = WRITERS[kind]({"S": [HEAD, *ROWS]})
    with pytest.raises(UnreadableFileError, match="not a workbook that can be read"):
        read_cells(whole[:1100], Path(f"a{kind}"))
    monkeypatch.setattr(old_workbooks, "MAX_SHEET_CELLS", 14)
    with pytest.raises(UnreadableFileError, match="a sheet of 3 rows and 5 columns"):
        read_cells(whole, Path(f"a{kind}"))


def test_rows_that_count_as_a_million_take_no_more_memory_than_is_given(monkeypatch):
    monkeypatch.setattr(old_workbooks, "MEMORY", 1 << 28)
    content = ods({"S": [HEAD, *ROWS]}, repeated=1_000_000)
    with pytest.raises(UnreadableFileError, match="it takes too much memory or time"):
        read_cells(content, Path("a.ods"))
