"""A vehicle and its trailer in one row; months in place of days; sides under another heading."""

import re

import pytest

from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

BOTH = "Date;{};{};Odometer km;Axle;Side;Lining mm\n{}"


@pytest.mark.parametrize(
    "words",
    [
        ("Tractor", "Trailer"),
        ("LKW", "Anhänger"),
        ("Camion", "Remolque"),
        ("Truck", "Semi-trailer"),
    ],
)
def test_a_row_of_both_is_nobodys_and_says_why(tmp_path, words):
    rows = "2024-01-09;K1;A1;100000;1;L;15\n2024-01-09;K1;A1;100000;1;R;14\n"
    found, told = mapped(tmp_path, BOTH.format(*words, rows))
    assert not found.is_clear
    assert "nothing says which of a row's axles are whose" in told
    assert "a row for each of the two, with its own axles from 1" in told


def test_where_all_axles_are_those_of_one_a_line_says_so(tmp_path):
    rows = "2024-01-09;K1;A1;100000;1;L;15\n2024-01-09;K1;A1;100000;1;R;14\n"
    mapped(tmp_path, BOTH.format("Tractor", "Trailer", rows))
    settings = tmp_path / "fleet.toml"
    text = re.sub(r'(?m)^table = "none".*$', 'table = "inspections"', settings.read_text())
    settings.write_text(re.sub(r'(Tractor +=) ""', r'\1 "unit_id"', text))
    assert rows_of(tmp_path)["unit_id"].to_list() == ["K1", "K1"]


def test_of_two_columns_of_which_each_row_has_one_that_one_is_the_unit(tmp_path):
    rows = "2024-01-09;K1;;100000;1;L;15\n2024-01-09;;A1;90000;1;R;14\n"
    found, told = mapped(tmp_path, BOTH.format("Tractor", "Trailer", rows))
    assert found.is_clear, told
    assert rows_of(tmp_path)["unit_id"].to_list() == ["K1", "A1"]


def test_columns_of_months_say_that_they_are_of_no_day(tmp_path):
    text = "Fleet no;Axle;Side;Jan 24;Apr 24;Jul 24\nT1;1;L;15;14;13\nT1;1;R;15;14;13\n"
    _, told = mapped(tmp_path, text)
    assert "Jan 24, Apr 24, Jul 24: cannot be used, because a month is no day" in told


def test_a_column_of_sides_under_another_heading_is_offered(tmp_path):
    text = "Unit;Date;Odometer km;Axle;Brake;Lining mm\n"
    _, told = mapped(tmp_path, text + "".join(f"T1;2024-01-09;100000;1;{s};15\n" for s in
                                              ("N/S", "O/S")))  # fmt: skip
    assert "holds sides, and is left alone: Brake; to read it, in fleet.toml: table = " in told
    assert '"Brake" = "side"' in told


@pytest.mark.parametrize(
    ("heading", "words"),
    [("Relined", "YN"), ("Belag erneuert", ("ja", "nein")), ("Greased", ("x", ""))],
)
def test_a_column_for_each_job_says_what_would_do(tmp_path, heading, words):
    text = f"Unit;Date;Odometer km;Axle;Side;Lining mm;{heading}\n"
    _, told = mapped(tmp_path, text + "".join(f"T1;2024-01-09;100000;1;{s};15;{w}\n" for s, w in
                                              zip("LR", words, strict=True)))  # fmt: skip
    assert f"{heading}: cannot be used, because a job is a row of its own" in told


def test_codes_that_may_end_in_the_axle_are_said_to(tmp_path):
    text = "Vehicle;Date;Odometer km;Side;Lining mm\n"
    rows = [f"K201-{axle};2024-01-09;100000;{side};15\n" for axle in (1, 2) for side in "LR"]
    _, told = mapped(tmp_path, text + "".join(rows))
    assert "Vehicle: may end in the axle, as K201-1; what would do: a column for the axle" in told
    (tmp_path / "fleet.toml").unlink()
    _, told = mapped(tmp_path, text + "K2011;2024-01-09;100000;L;15\nK2012;2024-01-09;90000;R;15\n")
    assert "may end in the axle" not in told
