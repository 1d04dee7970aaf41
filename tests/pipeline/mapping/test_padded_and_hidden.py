"""Texts padded with spaces, sheets that are hidden, files that hold no table: read, or named."""

from pathlib import Path

import pytest
import xlsxwriter

from pipeline.cli import main
from pipeline.mapping.grids import read_grids
from tests.exports.fleet import workbook

WIDTHS = (10, -9, 3, 12, -9, -15, -15, 4, 20)
CELLS = [
    ["UNIT", "TRIP", "", "DATE", "ODO KM", "1L LINING MM", "1R LINING MM", "", "SEEN BY"],
    ["T101", "1", "", "2024-01-11", "126172", "12,5", "13,5", "", "Ann, Bob"],
    ["T101", "2", "", "2024-04-15", "135673", "11,5", "", "", ""],
    ["T102", "12", "", "2024-02-02", "99100", "9,5", "14", "", "Ann"],
]


def padded(rows=CELLS, widths=WIDTHS):
    def cell(text, width):
        return text.ljust(width) if width > 0 else text.rjust(-width)

    return "\n".join("".join(map(cell, row, widths)).rstrip() for row in rows) + "\n"


def grid_of(text):
    (grid,) = read_grids(text.encode(), Path("list.txt"))
    return grid


def test_columns_padded_with_spaces_are_cut_where_all_rows_are_blank():
    kept = [0, 1, 3, 4, 5, 6, 8]
    rows = grid_of(padded()).first_rows(9)
    assert rows == [[row[i] or None for i in kept] for row in CELLS]


def test_titles_rules_and_notes_run_across_and_are_no_cells():
    many = [CELLS[0], *CELLS[1:] * 30]
    note = "All linings were measured at the thinnest point, by hand, with brakes released.\n"
    title = "BRAKE LIST  NORTH  2024\n\n"
    lines = padded(many).splitlines(keepends=True)
    rule = "-" * 80 + "\n"
    grid = grid_of(f"{title}{lines[0]}{rule}{''.join(lines[1:])}\n{note}")
    rows = grid.first_rows(999)
    assert rows[0][:2] == [title.strip(), None]
    assert rows[-1][:2] == [note.strip(), None]
    assert len(rows) == len(many) + 2
    assert grid.rows["row_no"].to_list()[1:3] == [3, 5]  # the lines of the file


@pytest.mark.parametrize(
    "text",
    [
        "a;b\n" + "T1  x  y  z;2\n" * 3,  # a separator parts its heading
        "UNIT AX SIDE DATE\n" + "T1 1 L 2024-01-11\n" * 3,  # one space is no gap
        "One  line  of  words\nand prose below it\nand more of it\n",
    ],
)
def test_other_texts_are_not_cut_by_spaces(text):
    assert [row for row in grid_of(text).first_rows(9) if len(row) > 2] == []


def test_a_padded_text_is_mapped_and_accepted(tmp_path, capsys):
    (tmp_path / "list.txt").write_text(padded())
    assert main(["map", str(tmp_path)]) == 0
    assert "1L LINING MM | 12,5, 11,5, 9,5 | 1L lining_mm" in capsys.readouterr().out
    assert main(["check", str(tmp_path)]) == 0
    assert "3 rows in 1 file: 3 accepted" in capsys.readouterr().out


HEAD = ["Unit", "Date", "Km", "1L lining mm", "1R lining mm"]
ROW = ["T1", "2024-01-11", 126_172, 15, 14]


@pytest.mark.parametrize("hide", ["hide", "very_hidden"])
def test_a_hidden_sheet_is_named_and_not_read(tmp_path, capsys, hide):
    """Nobody sees what is in it: last year's copy would contradict what is seen."""
    with xlsxwriter.Workbook(str(tmp_path / "book.xlsx")) as book:
        for name, lining in (("Checks", 15), ("Old", 17)):
            sheet = book.add_worksheet(name)
            sheet.write_row(0, 0, HEAD)
            sheet.write_row(1, 0, [*ROW[:3], lining, 14])
        getattr(sheet, hide)()
    assert main(["map", str(tmp_path)]) == 0
    line = "book.xlsx [Old]: left alone: a hidden sheet; once the workbook shows it, it is read"
    assert line in capsys.readouterr().out
    assert main(["check", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert line in out
    assert "1 row in 1 file: 1 accepted" in out


@pytest.mark.parametrize(
    "name",
    [
        *("checks.fods", "old book.XLSB", "checks.avro", "units.dbf", "2025.zip", "may.CSV.gz"),
        *("export.xml", "export"),
    ],
)
def test_a_table_in_another_form_is_named(tmp_path, capsys, name):
    (tmp_path / name).write_bytes(b"anything")
    workbook(tmp_path / "book.xlsx", {"S": [HEAD, ROW]})
    (tmp_path / "sheet.pdf").write_bytes(b"anything")
    (tmp_path / "photo.JPG").write_bytes(b"anything")
    assert main(["map", str(tmp_path)]) == 1
    ending = Path(name).suffix.lower()
    unpack = ", unpacked" if ending in {".zip", ".gz"} else ""
    accepted = ".csv, .tsv, .txt, .parquet, .xlsx, .xlsm, .xls, .ods, .jsonl, .ndjson, .json"
    line = f"{name}: not read: found {ending or 'no ending'}; accepted{unpack}: {accepted}"
    assert line in capsys.readouterr().out
    assert main(["check", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    assert line in out
    assert f"sheet.pdf: left alone: found .pdf, a document; accepted: {accepted}" in out
    assert "photo.JPG" not in out


def test_a_document_is_named_and_in_nobodys_way(tmp_path, capsys):
    workbook(tmp_path / "book.xlsx", {"S": [HEAD, ROW]})
    (tmp_path / "sheet.pdf").write_bytes(b"anything")
    assert main(["map", str(tmp_path)]) == 0
    assert "sheet.pdf: left alone: found .pdf, a document" in capsys.readouterr().out
    assert main(["check", str(tmp_path)]) == 0


def test_a_workbook_with_macros_is_read_as_any_other(tmp_path, capsys):
    workbook(tmp_path / "book.xlsx", {"S": [HEAD, ROW]})
    (tmp_path / "book.xlsx").rename(tmp_path / "book.xlsm")
    assert main(["map", str(tmp_path)]) == 0
    assert main(["check", str(tmp_path)]) == 0
    assert "1 row in 1 file: 1 accepted" in capsys.readouterr().out


def test_a_file_without_a_table_is_not_said_to_be_read(tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("nothing\nof a table\n")
    assert main(["map", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    assert "notes.txt: no heading with rows below it is found in it; accepted: cells" in out
    assert "every table" not in out


def test_a_vehicle_named_below_the_heading_alone_is_that_of_the_rows_after_it(tmp_path, capsys):
    text = "Date;Km;Axle;Lining left mm;Lining right mm\n"
    for unit in ("T101", "T102"):
        text += f"Vehicle {unit}\n2024-01-11;126172;1;15;14\n2024-04-15;135673;1;14;13\n"
    (tmp_path / "list.csv").write_text(text)
    assert main(["map", str(tmp_path)]) == 0
    assert "  Vehicle | T101, T102 | unit_id" in capsys.readouterr().out
    assert main(["check", str(tmp_path)]) == 0
    assert "4 rows in 1 file: 4 accepted" in capsys.readouterr().out
