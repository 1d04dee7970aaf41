"""What a workbook has on two sheets is read together: heads of checks, and what codes say."""

import pytest
import xlsxwriter

from pipeline.mapping.applying import typed_table
from pipeline.mapping.command import map_lake
from pipeline.mapping.shapes import shaped_grids
from pipeline.mapping.tables import tables_in
from pipeline.settings import load_settings
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

HEADS = [["Check no", "Unit", "Date", "Km"],
         [501, "T1", "2024-01-11", 126172], [502, "T2", "2024-01-12", 98172]]  # fmt: skip
LINES = [["Check no", "Axle", "Side", "Lining mm"],
         [502, 1, "L", 14], [501, 1, "L", 15.5], [501, 1, "R", 15]]  # fmt: skip
JOBS = [["Unit", "Date", "Km", "Axle", "Side", "Job code"],
        ["T1", "2024-03-01", 130000, 1, "L", "B10"],
        ["T1", "2024-03-01", 130000, 1, "R", "B20"]]  # fmt: skip
CODES = [["Code", "Meaning"], ["B10", "Brake linings replaced"], ["B20", "Greased"],
         ["B30", "Adjuster replaced"]]  # fmt: skip


def book(folder, sheets):
    """The workbook, and what map says of it."""
    workbook(folder / "a.xlsx", sheets)
    told: list[str] = []
    map_lake(folder, None, told.append)
    return "\n".join(told)


def only_rows(folder):
    """The rows of the one sheet that is read."""
    settings = load_settings(folder / "fleet.toml")
    path = folder / "a.xlsx"
    grids = shaped_grids(path.read_bytes(), path)
    tables = [t for grid in grids for t in tables_in(grid, settings.files, "a.xlsx")]
    [table] = [t for t in tables if t.recipe.table != "none"]
    return typed_table(table, settings).rows


def test_lines_are_of_the_unit_and_day_of_their_number(tmp_path):
    book(tmp_path, {"Lines": LINES, "Heads": HEADS})
    rows = only_rows(tmp_path)
    assert rows.select("unit_id", "odometer_km", "side", "lining_mm").rows() == [
        ("T2", 98172, "L", 14), ("T1", 126172, "L", 15.5), ("T1", 126172, "R", 15),
    ]  # fmt: skip
    assert rows["problem"].is_null().all()


@pytest.mark.parametrize("wrong", ["twice", "strange", "several"])
def test_a_number_that_names_no_one_head_joins_nothing(tmp_path, wrong):
    sheets = {"Lines": LINES, "Heads": HEADS}
    if wrong == "twice":
        sheets["Heads"] = [*HEADS, [502, "T3", "2024-01-13", 55000]]
    if wrong == "strange":
        sheets["Lines"] = [*LINES, [777, 1, "R", 9]]
    if wrong == "several":
        sheets["Others"] = [HEADS[0], [501, "T8", "2024-05-11", 1], [502, "T9", "2024-05-11", 2]]
    assert "no column is understood as unit_id, date, odometer" in book(tmp_path, sheets)


def test_a_register_lends_readings_nothing(tmp_path):
    readings = [
        ["Unit", "Date", "Km", "Axle", "Side", "Lining mm"],
        ["T1", "2024-01-11", 126172, 1, "L", 15],
        ["T2", "2024-01-11", 98000, 1, "L", 14],
    ]
    register = [["Unit", "Axle type", "Arm mm"], ["T1", "drive", 150], ["T2", "drive", 150]]
    told = book(tmp_path, {"Readings": readings, "Register": register})
    assert "Axle type (" not in told
    assert "a.xlsx [Readings]: 2 rows, taken for inspections" in told


@pytest.mark.parametrize("heading", ["Job code", "Code"])
def test_codes_of_jobs_are_read_in_the_words_of_their_sheet(tmp_path, heading):
    codes = [[heading, "Meaning"], *CODES[1:]]
    told = book(tmp_path, {"Jobs": JOBS, "Codes": codes})
    assert "Job code | B10, B20 | left alone: Job code text tells the jobs" in told
    rows = only_rows(tmp_path)
    assert rows.select("action", "side").rows() == [("reline", "L"), ("greased", "R")]


def test_a_hidden_sheet_lends_nothing(tmp_path):
    with xlsxwriter.Workbook(str(tmp_path / "a.xlsx")) as own:
        for name, rows in (("Jobs", JOBS), ("Codes", CODES)):
            sheet = own.add_worksheet(name)
            for i, row in enumerate(rows):
                sheet.write_row(i, 0, row)
            if name == "Codes":
                sheet.hide()
    told: list[str] = []
    map_lake(tmp_path, None, told.append)
    assert not any("text tells the jobs" in line for line in told)


TWO = "Unit;Date;Km;Axle;Side;Job code;Description\n" + "".join(
    f"T1;2024-0{month}-01;130000;1;L;{code};{text}\n"
    for month, code, text in ((3, "{0}", "Relined"), (4, "{1}", "greased"), (5, "{0}", "relined"))
)


def test_of_codes_and_their_words_in_a_row_the_words_are_read(tmp_path):
    mapped(tmp_path, TWO.format("B10", "B20"))
    assert rows_of(tmp_path)["action"].to_list() == ["reline", "greased", "reline"]


def test_of_two_columns_of_words_nobody_knows_which_was_done(tmp_path):
    text = TWO.replace("Job code", "Work done").format("no fault found", "washed")
    text = text.replace("Relined", "Relined, hub").replace("greased", "greased pins, see note")
    _, told = mapped(tmp_path, text)
    assert "found in two columns" in told


def test_lines_whose_heads_are_in_another_file_say_what_would_do(tmp_path):
    lines = "Nº Inspección;Eje;Lado;Espesor forro (mm)\n501;1;Izq;15\n501;1;Der;14\n"
    _, told = mapped(tmp_path, lines)
    assert "Nº Inspección: may name rows of another file" in told
    assert "both as sheets of one workbook" in told
