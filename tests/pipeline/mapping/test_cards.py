"""Brake cards: what stands once above the rows is of every row below it."""

from pathlib import Path

import pytest

from pipeline.cli import main
from pipeline.mapping.shapes import shaped_grids

CARD = """\
Brake record;;;
Vehicle: T101;;;
Date;Km;Axle;Lining L mm;Lining R mm
06.01.2025;100000;1;16;15
07.04.2025;120000;1;15;14
"""
VISIT = """\
Vehicle;T101;;
Date;06.01.2025;Odometer;100000
Axle;Lining L mm;Lining R mm
1;16;15
2;14;13
"""


def cells(text: str) -> list[list[str | None]]:
    [grid] = shaped_grids(text.encode(), Path("card.csv"))
    return grid.first_rows(99)


def test_a_vehicle_named_above_is_that_of_every_row():
    rows = cells(CARD)
    assert [row[-1] for row in rows] == [None, None, "Vehicle", "T101", "T101"]


def test_blocks_one_below_the_other_are_each_of_its_own_vehicle():
    second = CARD.replace("T101", "T102")
    rows = cells(CARD + second)
    assert [row[-1] for row in rows if row[0] and row[0][0] == "0"] == [
        *["T101"] * 2,
        *["T102"] * 2,
    ]


def test_a_card_of_one_visit_has_day_and_odometer_above():
    heading, *rows = cells(VISIT)[2:]
    assert heading[-3:] == ["Vehicle", "Date", "Odometer"]
    assert [row[-3:] for row in rows] == [["T101", "06.01.2025", "100000"]] * 2


@pytest.mark.parametrize("line", ["Sheet: T101", "Unit: mm", "Page: 2", "Vehicle: see below"])
def test_other_lines_name_no_vehicle(line):
    assert len(cells(CARD.replace("Vehicle: T101", line))[0]) == 5


def test_one_odometer_above_rows_of_several_days_is_not_theirs():
    text = CARD.replace("Km;", "Seen by;").replace("Brake record", "Odometer: 100000")
    heading = cells(text)[2]
    assert "Odometer" not in heading


def test_what_every_row_names_is_not_taken_from_above():
    text = CARD.replace("Axle", "Vehicle").replace(";1;", ";T109;")
    assert len(cells(text)[0]) == 5


def test_cards_are_accepted_as_they_are(tmp_path, capsys):
    lake = tmp_path / "lake"
    lake.mkdir()
    (lake / "one.csv").write_text(CARD)
    (lake / "two.csv").write_text(CARD.replace("T101", "T102"))
    (lake / "visit.csv").write_text(VISIT.replace("T101", "T103"))
    (lake / "fleet.toml").write_text('[answers]\nday_first = true\ndistance = "km"\n')
    assert main(["map", str(lake)]) == 0
    assert main(["check", str(lake)]) == 0
    said = capsys.readouterr().out
    assert "6 rows in 3 files: 6 accepted, 0 repeated, 0 set aside" in said
    assert "8 wheel ends derived" in said


REGISTER = """\
Unit;Axle;Side;Axle type;Arm mm
T1;1;L;steer;130
T1;3;L;tag;140
T1;3;R;tag;140
"""


def test_a_tag_axle_is_no_day_above_the_rows():
    """Its arm's length would be the day's value, and the row be gone."""
    assert [row[3] for row in cells(REGISTER)[1:]] == ["steer", "tag", "tag"]


@pytest.mark.parametrize("value", ["130", "31.02.2025", "T101"])
def test_what_is_no_day_is_no_day_above_the_rows(value):
    text = VISIT.replace("06.01.2025", value)
    assert "Date" not in cells(text)[2]


def test_a_row_with_a_day_of_its_own_names_no_vehicle():
    """A word for a vehicle beside a reading would make the reading a name, and the row be gone."""
    text = CARD.replace("Axle;", "Body;Axle;").replace(";1;", ";trailer;1;")
    rows = cells(text)
    assert [row[-1] for row in rows[2:]] == ["Vehicle", "T101", "T101"]
    assert [row[4] for row in rows[3:]] == ["16", "15"]


def test_a_note_below_each_card_is_no_row(tmp_path, capsys):
    """A signature stands where axles do; the cards' rows are read, and it is written down."""
    signed = "".join(VISIT.replace("T101", unit) + "Signed: A. Fitter\n" for unit in ("T1", "T2"))
    (tmp_path / "one.csv").write_text(signed)
    (tmp_path / "fleet.toml").write_text('[answers]\nday_first = true\ndistance = "km"\n')
    assert main(["map", str(tmp_path)]) == 0
    text = (tmp_path / "fleet.toml").read_text()
    assert '"Signed: A. Fitter" = ""   # taken for nothing' in text
    assert main(["check", str(tmp_path)]) == 0
    assert "4 rows in 1 file: 4 accepted, 0 repeated, 0 set aside" in capsys.readouterr().out
