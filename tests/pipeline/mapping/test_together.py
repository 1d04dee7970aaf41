"""Two things in one cell: both sides of an axle, or a unit and a place on it."""

import pytest

from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

SIDES = "Unit;Date;Km;Axle;{}\nT1;2024-01-09;100000;1;{}\nT1;2024-01-09;100000;2;{}\n"
ENDS = "{};Date;Km;Lining mm\n" + "".join(
    f"{{}};2024-01-09;{km}000;{lining}\n" for km, lining in ((100, 15), (100, 14), (50, 12))
)


@pytest.mark.parametrize(
    ("heading", "cells", "left"),
    [
        ("Lining L/R mm", ("15/14,5", "12 / 11 "), [15, 12]),
        ("Lining R/L (mm)", ("14,5/15", "11/12"), [15, 12]),
        ("Belag links/rechts mm", ("15|14,5", "12|11"), [15, 12]),
        ("Lining LH/RH cm", ("1,5/1,45", "1,2/1,1"), [15, 12]),
    ],
)
def test_both_sides_in_a_cell_are_a_column_each(tmp_path, heading, cells, left):
    found, told = mapped(tmp_path, SIDES.format(heading, *cells))
    assert found.is_clear, told
    rows = rows_of(tmp_path)
    assert rows.filter(side="L")["lining_mm"].to_list() == pytest.approx(left)
    assert rows.filter(side="R")["lining_mm"].to_list() == pytest.approx([14.5, 11])


ODOMETERS = """\
Unit;Date;Odometer km;Hubodometer {};Axle;Side;Lining mm
T1;2024-01-09;101000;;1;L;15
T1;2024-02-09;102000;;1;L;14
A1;2024-01-09;{};51000;1;L;15
A1;2024-02-09;;52000;1;L;14
"""


def test_an_odometer_is_in_either_of_two_columns(tmp_path):
    found, told = mapped(tmp_path, ODOMETERS.format("km", ""))
    assert found.is_clear, told
    assert "Odometer km / Hubodometer km | 101000, 102000, 51000 | odometer_km" in told
    assert rows_of(tmp_path)["odometer_km"].to_list() == [101e3, 102e3, 51e3, 52e3]


@pytest.mark.parametrize(("unit", "both"), [("mi", ""), ("km", "7")], ids=["units", "both"])
def test_odometers_of_two_units_or_of_one_row_are_left_apart(tmp_path, unit, both):
    mapped(tmp_path, ODOMETERS.format(unit, both))
    told = float(both) if both else None
    assert rows_of(tmp_path)["odometer_km"].to_list() == [101e3, 102e3, told, None]


def test_words_of_both_sides_are_told_apart(tmp_path):
    mapped(tmp_path, SIDES.format("Return test L/R", "pass/fail", "ok/ok"))
    assert rows_of(tmp_path).filter(side="R")["return_test"].to_list() == ["fail", "pass"]


def test_one_number_for_both_sides_is_of_neither(tmp_path):
    more = "".join(f"T1;2024-0{n}-09;1{n}0000;1;1{n}/11\n" for n in range(2, 6))
    mapped(tmp_path, SIDES.format("Lining L/R mm", "15/14", "13") + more)
    rows = rows_of(tmp_path)
    assert rows.filter(axle_no=2)["lining_mm"].to_list() == [None, None]
    assert rows["problem"].null_count() == rows.height - 2


@pytest.mark.parametrize(
    ("heading", "cell"),
    [("Lining L/R", "3/4"), ("Lining L/R (in)", "5/8"), ("Lining L/R mm", "15")],
)
def test_what_may_be_a_fraction_or_one_number_is_left_as_it_is(tmp_path, heading, cell):
    found, _ = mapped(tmp_path, SIDES.format(heading, cell, cell))
    assert not found.is_clear


@pytest.mark.parametrize(
    ("heading", "cells"),
    [
        ("Wheel end", ("T1/1L", "T1/1R", "K7/2L")), ("Vehicle", ("T1 1L", "T1 1R", "K7 2L")),
        ("Unit", ("T1 axle 1 left", "T1 axle 1 right", "K7 axle 2 left")),
        ("Position", ("T1-1-L", "T1-1-R", "K7-2-L")),
    ],
)  # fmt: skip
def test_a_unit_and_its_place_in_a_cell_are_a_column_each(tmp_path, heading, cells):
    found, told = mapped(tmp_path, ENDS.format(heading, *cells))
    assert found.is_clear, told
    read = rows_of(tmp_path).select("unit_id", "axle_no", "side", "lining_mm").rows()
    assert read == [("T1", 1, "L", 15), ("T1", 1, "R", 14), ("K7", 2, "L", 12)]


def test_a_number_alone_may_be_a_unit_s_name(tmp_path):
    cells = ("12/2L", "12/2R", "1/1L")
    _, told = mapped(tmp_path, ENDS.format("Wheel end", *cells))
    assert "(unit)" not in told
    (tmp_path / "fleet.toml").unlink()
    mapped(tmp_path, ENDS.format("Vehicle", *cells))
    read = rows_of(tmp_path).select("unit_id", "axle_no", "side").rows()
    assert read == [("12", 2, "L"), ("12", 2, "R"), ("1", 1, "L")]


@pytest.mark.parametrize(
    "cells", [("T1", "T2", "T3"), ("T-1L", "T-2L", "T-3L"), ("A/L", "A/R", "B/L")]
)
def test_names_that_end_in_no_places_of_both_sides_are_whole(tmp_path, cells):
    found, told = mapped(tmp_path, ENDS.format("Unit", *cells))
    assert "(unit)" not in told
    assert not found.is_clear


def test_a_cell_without_a_place_is_set_aside_alone(tmp_path):
    more = (
        "".join(f"T{n}/1R;2024-01-09;100000;11\n" for n in range(2, 8)) + "T9;2024-01-09;1000;9\n"
    )
    mapped(tmp_path, ENDS.format("Wheel end", "T1/1L", "T1/1R", "K7/2L") + more)
    rows = rows_of(tmp_path)
    assert rows["problem"].null_count() == 9
    assert rows["unit_id"][9] == "T9"
