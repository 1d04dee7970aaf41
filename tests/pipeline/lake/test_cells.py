"""Cells → typed contract columns: every accepted spelling, and one clear line for the rest."""

import datetime as dt
from pathlib import Path

import pytest

from pipeline.lake.cells import KM_PER_MILE, MM_PER_INCH, typed_rows
from pipeline.lake.files import read_cells
from pipeline.settings import Settings

FILLED = {
    "unit_id": "T1",
    "axle_no": "2",
    "side": "L",
    "inspected_on": "2025-03-04",
    "odometer_km": "412345",
    "lining_mm": "12.5",
}


def read(settings: dict | None = None, table: str = "inspections", **cells: str) -> dict:
    row = {**FILLED, **cells} if table == "inspections" else cells
    text = "\t".join(row) + "\n" + "\t".join(row.values())
    frame = typed_rows(
        table, read_cells(text.encode(), Path("x.tsv")), Settings.model_validate(settings or {})
    )
    return frame.row(0, named=True)


COMMA = {"fleet": {"decimal_comma": True}}


@pytest.mark.parametrize(
    ("written", "settings", "value"),
    [
        ("12.5", {}, 12.5),
        (" 12.50 ", {}, 12.5),
        ("'12.5", {}, 12.5),
        ("1.25e1", {}, 12.5),
        (".5", {}, 0.5),
        ("12,5", COMMA, 12.5),
        ("12.5", COMMA, 12.5),
        ("12,5", {}, None),
        ("1.5.2", {}, None),
        ("12.5 mm", {}, None),
        ("nan", {}, None),
        ("inf", {}, None),
        ("0x1F", {}, None),
    ],
)
def test_numbers(written, settings, value):
    assert read(settings, lining_mm=written)["lining_mm"] == value


@pytest.mark.parametrize(
    ("written", "settings", "value"),
    [
        ("412345", {}, 412345),
        ("412,345", {}, 412345),
        ("1,412,345.5", {}, 1412345.5),
        ("412 345", {}, 412345),
        ("412\u00a0345", {}, 412345),
        ("412.345", COMMA, 412345),
        ("412.345,5", COMMA, 412345.5),
        ("412,34", {}, None),
    ],
)
def test_grouped_thousands(written, settings, value):
    assert read(settings, odometer_km=written, lining_mm="12")["odometer_km"] == value


@pytest.mark.parametrize(
    ("written", "day_first", "day"),
    [
        ("2025-03-04", None, dt.date(2025, 3, 4)),
        ("2025-03-04 00:00:00", None, dt.date(2025, 3, 4)),
        ("2025-03-04T00:00:00", None, dt.date(2025, 3, 4)),
        ("04/03/2025", True, dt.date(2025, 3, 4)),
        ("4.3.2025", True, dt.date(2025, 3, 4)),
        ("04-03-2025", True, dt.date(2025, 3, 4)),
        ("04/03/2025", False, dt.date(2025, 4, 3)),
        ("31/03/2025", None, dt.date(2025, 3, 31)),
        ("03/31/2025", None, dt.date(2025, 3, 31)),
        ("03/03/2025", None, dt.date(2025, 3, 3)),
        ("04/03/2025", None, None),
        ("31/03/2025", False, None),
        ("2025-02-30", True, None),
        ("04/03/25", True, None),
        ("45720", True, None),
    ],
)
def test_dates(written, day_first, day):
    fleet = {} if day_first is None else {"fleet": {"day_first": day_first}}
    assert read(fleet, inspected_on=written)["inspected_on"] == day


def test_a_date_with_two_readings_names_the_setting():
    said = read(inspected_on="04/03/2025")["problem"]
    assert 'inspected_on: found "04/03/2025"' in said
    assert "day_first" in said


@pytest.mark.parametrize(
    ("column", "written", "value"),
    [
        ("side", "left", "L"),
        ("side", "r", "R"),
        ("side", "middle", None),
        ("marks_aligned", "Yes", True),
        ("marks_aligned", "0", False),
        ("marks_aligned", "maybe", None),
        ("return_test", "PASS", "pass"),
        ("return_test", "0", "fail"),
        ("return_test", "ok", "pass"),
        ("cap_state", "Seated", "seated"),
        ("cap_state", "lost", None),
        ("axle_no", "2.0", 2),
        ("axle_no", "2.5", None),
        ("axle_no", "0", 0),
    ],
)
def test_words_and_flags(column, written, value):
    row = read(**{column: written})
    assert row[column] == value
    assert (row["problem"] is None) == (value not in (None, 0) or value is False)


@pytest.mark.parametrize(
    ("cells", "kind"),
    [
        ({"unit_id": ""}, "unit_id missing"),
        ({"odometer_km": "x"}, "odometer_km not readable"),
        ({"lining_mm": "-1"}, "lining_mm impossible"),
        ({"wear_indicator_deg": "91"}, "wear_indicator_deg impossible"),
        ({"lining_mm": ""}, "no reading"),
        ({"axle_no": "0"}, "axle_no impossible"),
    ],
)
def test_a_problem_has_a_kind_and_names_found_and_accepted(cells, kind):
    row = read(**cells)
    assert row["problem_kind"] == kind
    assert "found" in row["problem"]
    assert "accepted" in row["problem"]
    assert row["raw"].startswith(("unit_id=T1", "axle_no=2"))


def test_a_row_without_problem_keeps_no_copy_of_its_cells():
    row = read()
    assert (row["problem_kind"], row["problem"], row["raw"]) == (None, None, None)


def test_inch_and_mile_headings_and_units_are_converted_once():
    by_heading = {k: v for k, v in FILLED.items() if k not in ("lining_mm", "odometer_km")}
    inches = {"lining_in": "0.5", "odometer_mi": "1000"}
    text = (
        "\t".join([*by_heading, *inches])
        + "\n"
        + "\t".join([*by_heading.values(), *inches.values()])
    )
    cells = read_cells(text.encode(), Path("x.tsv"))
    for settings in ({}, {"units": {"length": "in", "distance": "mi"}}):
        row = typed_rows("inspections", cells, Settings.model_validate(settings)).row(0, named=True)
        assert row["lining_mm"] == pytest.approx(0.5 * MM_PER_INCH)
        assert row["odometer_km"] == pytest.approx(1000 * KM_PER_MILE)
    row = read({"units": {"length": "in"}}, lining_mm="0.5")
    assert row["lining_mm"] == pytest.approx(12.7)


def test_the_fleets_own_headings_are_mapped_in_any_case():
    settings = Settings.model_validate({"columns": {"inspections": {"Belag": "lining_mm"}}})
    text = "unit_id;axle_no;side;inspected_on;odometer_km; BELAG \nT1;1;L;2025-03-04;5;12"
    frame = typed_rows("inspections", read_cells(text.encode(), Path("x.csv")), settings)
    assert frame["lining_mm"].to_list() == [12.0]


def test_a_column_given_twice_is_not_guessed():
    said = read(lining_in="0.5")["problem"]
    assert "lining_mm: found in two columns, 'lining_mm' and 'lining_in'" in said


def test_a_missing_column_is_named():
    text = "unit_id,axle_no,side,inspected_on,lining_mm\nT1,1,L,2025-03-04,12"
    frame = typed_rows("inspections", read_cells(text.encode(), Path("x.csv")), Settings())
    assert "odometer_km: the file has no such column" in frame["problem"][0]


def test_a_duty_that_ends_before_it_starts_is_a_problem():
    row = read(table="duty", unit_id="T1", duty="long", from_on="2025-02-01", to_on="2025-01-01")
    assert row["problem_kind"] == "to_on before from_on"


def test_a_minimum_that_is_not_below_the_new_lining_is_a_problem():
    """With it every lining would be worn out, and strokes would shrink as linings wear."""
    end = {"unit_id": "T1", "axle_no": "1", "side": "L", "axle_type": "drive"}
    for low, kind in (
        ("20", "minimum not below new"),
        ("18", "minimum not below new"),
        ("7", None),
    ):
        row = read(table="register", **end, lining_new_mm="18", lining_min_mm=low)
        assert row["problem_kind"] == kind


def test_a_text_whose_dots_are_decimal_points_groups_nothing_by_them():
    # One cell shows what the dots mean: 0.75 groups no thousands, so 1.375 is no 1375 either.
    inches = "unit_id;axle_no;side;inspected_on;odometer_km;lining_in;applied_stroke_in"
    rows = "T1;1;L;2025-03-04;5;0.75;1.375"
    cells = read_cells(f"{inches}\n{rows}".encode(), Path("x.csv"))
    row = typed_rows("inspections", cells, Settings.model_validate(COMMA)).row(0, named=True)
    assert row["applied_stroke_mm"] == pytest.approx(1.375 * MM_PER_INCH)
