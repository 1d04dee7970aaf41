"""A row per reading: what was measured stands in a cell, and is read as if it were a heading."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.cli import main
from pipeline.mapping.shapes import shaped_grids

LONG = """\
Brake checks of the north yard
Vehicle,Date,Odometer,Position,Measurement,Value,Unit
V01,2025-01-06,120345,1L,Lining,14.5,mm
V01,2025-01-06,120345,1L,Free stroke,38,mm
V01,2025-01-06,120345,1R,Lining,14.0,mm
V01,2025-01-06,120345,1R,Return test,fail,
V01,2025-01-06,120345,1R,Tyre pressure,8,bar
"""


def columns_of(text: str) -> dict[str, list[str | None]]:
    """Every cell below the heading, by heading."""
    [grid] = shaped_grids(text.encode(), Path("long.csv"))
    heading = next(i for i in range(grid.rows.height) if "Date" in grid.row(i))
    below = grid.rows.slice(heading + 1)
    cells = enumerate(grid.row(heading))
    return {name: below[f"c{i}"].to_list() for i, name in cells if name}


def test_each_kind_of_reading_gets_a_column_headed_by_its_word_and_unit():
    found = columns_of(LONG)
    assert list(found) == [
        *("Vehicle", "Date", "Odometer", "Position"),
        *("Lining mm", "Free stroke mm", "Return test", "Tyre pressure bar"),
    ]
    assert found["Lining mm"] == ["14.5", None, "14.0", None, None]
    assert found["Return test"] == [None, None, None, "fail", None]
    assert found["Position"] == ["1L", "1L", "1R", "1R", "1R"]


@pytest.mark.parametrize("heading", ["Measurement", "Value", "Date"])
def test_without_a_kind_a_value_and_a_day_it_is_left_as_it_is(heading):
    [grid] = shaped_grids(LONG.replace(heading, "Colour").encode(), Path("long.csv"))
    assert grid.width == 7


def test_kinds_of_which_none_is_known_are_left_as_they_are():
    text = LONG
    for kind in ("Lining", "Free stroke", "Return test"):
        text = text.replace(kind, "Mood")
    [grid] = shaped_grids(text.encode(), Path("long.csv"))
    assert grid.width == 7


def test_a_vehicle_called_unit_is_no_unit_of_measure():
    found = columns_of(LONG.replace("Vehicle", "Unit").replace(",Unit\n", ",UoM\n"))
    assert found["Unit"] == ["V01"] * 5
    assert "Lining mm" in found


def test_its_rows_are_accepted_and_come_together_by_wheel_end_and_day(tmp_path, capsys):
    lake = tmp_path / "lake"
    lake.mkdir()
    (lake / "long.csv").write_text(LONG)
    (lake / "fleet.toml").write_text('[answers]\ndistance = "km"\n')
    assert main(["map", str(lake)]) == 0
    assert main(["check", str(lake)]) == 1
    said = capsys.readouterr().out
    assert "5 rows in 1 file: 4 accepted, 0 repeated, 1 set aside" in said
    assert "long.csv row 7: found no reading" in said
    assert "2 wheel ends derived" in said


def test_rows_keep_their_numbers():
    [grid] = shaped_grids(LONG.encode(), Path("long.csv"))
    assert grid.rows["row_no"].to_list() == [1, 2, 3, 4, 5, 6, 7]
    assert grid.rows.schema["row_no"] == pl.Int64


ENDS = """\
Vehicle,Date,Odometer,Position,Measurement,Value,Unit
V01,2025-01-06,120345,1L,Lining upper,14.5,mm
V01,2025-01-06,120345,1L,Lining lower,13.5,mm
V01,2025-01-06,120345,1R,Lining lower,9.5,mm
V01,2025-01-06,120345,1R,Lining upper,9,mm
V01,2025-04-06,140345,1R,Lining lower,8.5,mm
"""


def test_both_ends_of_a_lining_may_be_rows_of_their_own(tmp_path, capsys):
    """Two rows that tell of one lining do not contradict each other: the thinner end counts."""
    found = columns_of(ENDS)
    assert found["Lining upper mm"] == ["14.5", "14.5", "9", "9", None]
    assert found["Lining lower mm"] == ["13.5", "13.5", "9.5", "9.5", "8.5"]
    (tmp_path / "long.csv").write_text(ENDS)
    (tmp_path / "fleet.toml").write_text('[answers]\ndistance = "km"\n')
    assert main(["map", str(tmp_path)]) == 0
    assert main(["check", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "5 rows in 1 file: 3 accepted, 2 repeated, 0 set aside" in said
