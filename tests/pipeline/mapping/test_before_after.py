"""Readings before and after work in two columns: a row for each."""

import pytest

from pipeline.mapping.command import map_lake
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

HEAD = "Unit;Date;Km;Axle;Side;"
ROWS = (
    ("T1;2024-01-09;100000;1;L", "14", "14.0"),
    ("T1;2024-01-09;100000;1;R", "8,5", "18"),
    ("T1;2024-04-09;110000;1;L", "13", ""),
    ("T1;2024-04-09;110000;1;R", "", "17,5"),
)
FOUND = [(14, "L"), (8.5, "R"), (13, "L")]
LEFT = [(18, "R"), (17.5, "R")]


def text_of(before, after, rows=ROWS):
    lines = [f"{HEAD}{before};{after}", *(";".join(row) for row in rows)]
    return "\n".join(lines) + "\n"


def told_of(rows, *, left):
    """Readings and sides of the rows of after work, or of those of before."""
    stage = rows["as_left"].fill_null(value=False)
    return rows.filter(stage == left).sort("row_no").select("lining_mm", "side").rows()


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("Lining before mm", "Lining after mm"),
        ("As found lining (mm)", "As left lining (mm)"),
        ("Belag vor Arbeit [mm]", "Belag nach Arbeit [mm]"),
        ("Garniture avant réglage mm", "Garniture après réglage mm"),
        ("Lining mm (pre)", "Lining mm (post)"),
        ("Okładzina przed naprawą mm", "Okładzina po naprawie mm"),
    ],
)
def test_what_was_left_is_a_row_of_its_own(tmp_path, before, after):
    found, told = mapped(tmp_path, text_of(before, after))
    assert found.is_clear, told
    rows = rows_of(tmp_path)
    assert told_of(rows.filter(rows["lining_mm"].is_not_null()), left=False) == FOUND
    assert told_of(rows, left=True) == LEFT  # 14.0 is 14
    # A later month in which nothing was done is read by the same lines.
    (tmp_path / "b.csv").write_text(
        text_of(before, after, [("T1;2024-07-09;120000;1;L", "12", "")])
    )
    assert rows_of(tmp_path, "b.csv")["lining_mm"].to_list() == [12]


def test_a_month_in_which_nothing_was_done_says_so_of_those_after_it(tmp_path):
    before, after = "Lining before mm", "Lining after mm"
    mapped(tmp_path, text_of(before, after, ROWS[2:3]))
    (tmp_path / "b.csv").write_text(text_of(before, after))
    assert told_of(rows_of(tmp_path, "b.csv"), left=True) == LEFT


def test_readings_of_no_stage_are_of_what_was_found(tmp_path):
    text = text_of("Lining before mm", "Lining after mm;Return test", ROWS[1:2])
    mapped(tmp_path, text.replace("18\n", "18;fail\n"))
    rows = rows_of(tmp_path).sort("row_no").select("as_left", "lining_mm", "return_test").rows()
    assert rows == [(False, 8.5, "fail"), (True, 18, None)]


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("Lining before trip mm", "Lining after trip mm"),
        ("Lining mm", "Lining after mm"),  # what the other one is, nobody says
        ("Lining before mm", "Stroke after mm"),
        ("Lining before mm;Lining mm", "Lining after mm"),
    ],
)
def test_what_is_no_pair_is_left_as_it_is(tmp_path, before, after):
    _, told = mapped(tmp_path, text_of(before, after))
    assert "as left | " not in told


def test_linings_that_are_thinner_after_were_not_worked_on_between(tmp_path):
    rows = [(row, "14", "13") for row, _, _ in ROWS]
    _, told = mapped(tmp_path, text_of("Lining before mm", "Lining after mm", rows))
    assert "as left | " not in told


@pytest.mark.parametrize("units", [True, False])
def test_a_row_of_units_and_a_heading_printed_again_are_no_readings(tmp_path, units):
    unit = "" if units else " mm"
    head = ["Unit", "Date", "Km", "Axle", "Side", f"Lining before{unit}", f"Lining after{unit}"]
    rows = [["T1", "2024-01-09", 100_000, 1, "L", 8, 18], ["T1", "2024-04-09", 110_000, 1, "L", 17]]
    between = [["", "", "km", "", "", "mm", "mm"], *rows] if units else [rows[0], head, rows[1]]
    workbook(tmp_path / "a.xlsx", {"S": [head, *between]})
    map_lake(tmp_path, None, lambda _: None)
    found = rows_of(tmp_path, "a.xlsx")
    assert told_of(found, left=False) == [(8, "L"), (17, "L")]
    assert told_of(found, left=True) == [(18, "L")]


def test_stages_may_stand_over_several_columns_each(tmp_path):
    heads = [["Unit", "Date", "Km", "As found lining mm", "", "As left lining mm", ""],
             ["", "", "", "1L", "1R", "1L", "1R"]]  # fmt: skip
    workbook(tmp_path / "a.xlsx", {"S": [*heads, ["T1", "2024-01-09", 100_000, 8, 14, 18, 14]]})
    map_lake(tmp_path, None, lambda _: None)
    found = rows_of(tmp_path, "a.xlsx")
    assert told_of(found, left=False) == [(8, "L"), (14, "R")]
    assert told_of(found, left=True) == [(18, "L")]
