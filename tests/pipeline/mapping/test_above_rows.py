"""What stands alone above rows, or names their sheet: said by a person, or plain of itself."""

import pytest

from pipeline.mapping.command import map_lake
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

BLOCKS = """\
Wheel check register
Position,Date,Km,Lining mm
T101
1L,2024-01-09,100000,15
1R,2024-01-09,100000,14
K07
1L,2024-02-09,300000,9
"""


def with_lines_as_units(folder):
    settings = folder / "fleet.toml"
    text = settings.read_text()
    start = text.index('table = "none"')
    text = text[:start] + 'table = "inspections"' + text[text.index("\n", start) :]
    settings.write_text(text.replace('"(line above)" = ""', '"(line above)" = "unit_id"'))


def test_units_alone_above_their_rows_are_offered_and_read_once_that_is_said(tmp_path):
    found, told = mapped(tmp_path, BLOCKS)
    assert not found.is_clear
    assert '"(line above)" = "unit_id"' in told
    with_lines_as_units(tmp_path)
    assert rows_of(tmp_path)["unit_id"].to_list() == ["T101", "T101", "K07"]
    assert rows_of(tmp_path)["problem"].is_null().all()
    assert map_lake(tmp_path, None, lambda _: None).is_clear


@pytest.mark.parametrize("line", ["see card 12", "K-07", "12"])
def test_rows_below_a_line_of_another_make_are_not_of_the_unit_above(tmp_path, line):
    """K-07 may be a unit, see card 12 is none: nobody knows whose rows follow."""
    mapped(tmp_path, BLOCKS)
    with_lines_as_units(tmp_path)
    text = BLOCKS.replace("1R,", f"{line}\n1R,")
    (tmp_path / "a.csv").write_text(text + "T102\n1L,2024-02-09,50000,9\n")
    rows = rows_of(tmp_path)
    read = rows.filter(rows["problem"].is_null())["unit_id"].to_list()
    assert read == ["T101", "K07", "T102"]


def test_a_remark_alone_in_its_row_ends_no_units_rows(tmp_path):
    text = BLOCKS.replace("Lining mm", "Lining mm,Remarks").replace("1R,", ",,,,hub 12 warm\n1R,")
    mapped(tmp_path, text)
    with_lines_as_units(tmp_path)
    rows = rows_of(tmp_path)
    assert rows.filter(rows["problem"].is_null())["unit_id"].to_list() == ["T101", "T101", "K07"]


def test_rows_that_begin_without_a_line_offer_none(tmp_path):
    lines = BLOCKS.splitlines()
    _, told = mapped(tmp_path, "\n".join([*lines[:2], lines[3], lines[2], *lines[4:]]))
    assert "(line above)" not in told


AXLE = ["Unit", "Date", "Km", "Left lining mm", "Right lining mm"]
ROW = ["T1", "2024-01-09", 100_000, 15, 14]


@pytest.mark.parametrize(
    ("names", "axles"),
    [(("Axle 1", "Axle 2"), [1, 1, 2, 2]), (("1. Achse", "2. Achse"), [1, 1, 2, 2])],
)
def test_a_sheet_called_after_its_axle_is_of_that_axle(tmp_path, names, axles):
    workbook(tmp_path / "a.xlsx", {name: [AXLE, ROW] for name in names})
    assert map_lake(tmp_path, None, lambda _: None).is_clear
    assert sorted(rows_of(tmp_path, "a.xlsx")["axle_no"]) == axles


def test_the_rear_axle_is_asked_for_where_a_sheet_is_called_so(tmp_path):
    workbook(tmp_path / "a.xlsx", {name: [AXLE, ROW] for name in ("front axle", "rear axle")})
    asked: list[str] = []
    map_lake(tmp_path, lambda question: asked.append(question) or "3", lambda _: None)
    assert len(asked) == 1
    assert sorted(rows_of(tmp_path, "a.xlsx")["axle_no"]) == [1, 1, 3, 3]


@pytest.mark.parametrize("names", [("2024", "2025"), ("Sheet 1", "Sheet 2"), ("Axle 1", "Notes")])
def test_a_sheet_called_otherwise_is_of_no_axle(tmp_path, names):
    workbook(tmp_path / "a.xlsx", {name: [AXLE, ROW] for name in names})
    told: list[str] = []
    assert not map_lake(tmp_path, None, told.append).is_clear
    assert any("no column is understood as axle_no" in line for line in told)


def test_headings_that_say_which_axle_go_before_the_sheets_name(tmp_path):
    heading = ["Unit", "Date", "Km", "Axle", *AXLE[3:]]
    workbook(tmp_path / "a.xlsx", {"Axle 1": [heading, [*ROW[:3], 2, *ROW[3:]]]})
    assert map_lake(tmp_path, None, lambda _: None).is_clear
    assert rows_of(tmp_path, "a.xlsx")["axle_no"].to_list() == [2, 2]
