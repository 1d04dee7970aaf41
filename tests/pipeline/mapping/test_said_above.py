"""What one line above the rows says for all: the reading of a matrix, the year, the axle."""

import datetime as dt

import pytest

from pipeline.mapping.command import map_lake
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

MATRIX = [["Unit", "Km", "1L", "1R"], ["T1", 126172, 15, 14.5], ["T2", 98172, 14, 13]]


def sheets_mapped(folder, sheets):
    """What map says of a workbook."""
    workbook(folder / "a.xlsx", sheets)
    told: list[str] = []
    map_lake(folder, None, told.append)
    return "\n".join(told)


@pytest.mark.parametrize("title", ["Lining thickness mm, {}", "Belag (mm) {}", "Brake lining mm"])
def test_a_matrix_of_units_and_wheel_ends_is_read_by_its_title(tmp_path, title):
    days = ("24.01.2024", "26.04.2024")
    sheets_mapped(tmp_path, {day: [[title.format(day)], *MATRIX] for day in days})
    rows = rows_of(tmp_path, "a.xlsx")
    assert rows["problem"].is_null().all()
    assert rows.select("unit_id", "axle_no", "side", "lining_mm").rows()[:2] == [
        ("T1", 1, "L", 15), ("T1", 1, "R", 14.5),
    ]  # fmt: skip
    assert set(rows["inspected_on"]) == {dt.date(2024, 1, 24), dt.date(2024, 4, 26)}


def test_a_sheet_called_after_the_reading_of_its_title_says_the_same(tmp_path):
    rows = [["Linings mm"], ["Date", *MATRIX[0]], *(["2024-01-24", *row] for row in MATRIX[1:])]
    sheets_mapped(tmp_path, {"Linings": rows})
    assert rows_of(tmp_path, "a.xlsx")["lining_mm"].to_list() == [15, 14.5, 14, 13]


@pytest.mark.parametrize("titles", [[], [["Workshop north"]], [["Lining mm"], ["Free stroke mm"]],
                                    [["Lining 2L mm"]], [["Lining worn mm"]]])  # fmt: skip
def test_a_matrix_without_one_reading_in_its_title_is_offered_with_its_day(tmp_path, titles):
    told = sheets_mapped(tmp_path, {"24.01.2024": [*titles, *MATRIX]})
    assert "1L | 15, 14 | left alone: says where on the unit" in told
    assert '"1L" = "1L lining_mm" if it is a lining in mm' in told
    assert "no column is understood as a reading, axle_no, side" in told


LETTERS = """\
{}
Pojazd;Data;Przebieg km;Oś;L;P
T1;24.01.2024;100000;1;15;14
"""


def test_letters_of_both_sides_below_a_title_are_sides_of_what_it_names(tmp_path):
    mapped(tmp_path, LETTERS.format("Grubość okładzin (mm)"))
    assert rows_of(tmp_path).select("axle_no", "side", "lining_mm").rows() == [
        (1, "L", 15), (1, "R", 14),
    ]  # fmt: skip
    (tmp_path / "fleet.toml").unlink()
    found, _ = mapped(tmp_path, LETTERS.replace("L;P", "L;X").format("Grubość okładzin (mm)"))
    assert not found.is_clear


YEAR = "Brake checks {}\nUnit;Date;Km;Axle;Side;Lining mm\n" + "".join(
    f"{unit};{{}};{km};1;{side};{lining}\n".replace("{}", f"{{{n}}}")
    for unit, start in (("T1", 100_000), ("T2", 250_000))
    for n, km, lining in ((1, start, 15), (2, start + 21_000, 14))
    for side in "LR"
).replace("checks {}", "checks {0}")


def written(year, *days):
    return YEAR.replace("checks {}", "checks {0}").format(year, *days)


@pytest.mark.parametrize(
    "days", [("15.01.", "17.04."), ("15/01", "17/04"), ("15 Jan", "17 Apr"), ("Jan 15", "Apr 17"),
             ("15. Januar", "17. April")],
)  # fmt: skip
def test_days_without_a_year_are_of_the_one_that_a_title_names(tmp_path, days):
    mapped(tmp_path, written(2024, *days))
    found = rows_of(tmp_path)
    assert found["problem"].is_null().all()
    assert set(found["inspected_on"]) == {dt.date(2024, 1, 15), dt.date(2024, 4, 17)}


@pytest.mark.parametrize(
    ("year", "days"),
    [("2023 and 2024", ("15.01.", "17.04.")), ("", ("15.01.", "17.04.")),
     ("2024", ("17.12.", "15.01.")), ("2024", ("17 Dec", "15 Jan")),
     ("printed 2024", ("15.01.", "17.04.")), ("24.12.2024", ("15.01.", "17.04."))],
)  # fmt: skip
def test_days_of_no_sure_year_are_none(tmp_path, year, days):
    """Two years above, none, that of another day, or a December before a January: nobody knows."""
    _, told = mapped(tmp_path, written(year, *days))
    assert "no column is understood as date" in told
    assert "a day without a year is none: accepted are days with their year" in told


def test_a_day_whose_month_may_stand_first_is_asked_with_its_year(tmp_path):
    _, told = mapped(tmp_path, written(2024, "03/01", "04/02"))
    assert "03/01/2024" in told
    assert "1 question to answer under [answers] in fleet.toml: day_first" in told


AXLES = """\
Vehicle: T1
Date: 15.01.2024;Km: 100000
Side;Lining mm
{1}
left;15
right;14
{2}
left;13
right;12
"""


@pytest.mark.parametrize("lines", [("Axle 1", "Axle 2"), ("1. Achse", "2. Achse"),
                                   ("Essieu 1", "Essieu 2"), ("As 1", "As 2")])  # fmt: skip
def test_lines_that_name_an_axle_say_it_of_the_rows_below(tmp_path, lines):
    mapped(tmp_path, AXLES.format("", *lines))
    rows = rows_of(tmp_path)
    assert rows["problem"].is_null().all()
    assert rows.select("axle_no", "side", "lining_mm").rows() == [
        (1, "L", 15), (1, "R", 14), (2, "L", 13), (2, "R", 12),
    ]  # fmt: skip


def test_rows_before_the_first_such_line_are_of_no_axle_nor_are_the_others(tmp_path):
    """The line may stand below its rows."""
    text = AXLES.format("", "Axle 1", "Axle 2").replace("Axle 1\n", "")
    _, told = mapped(tmp_path, text)
    assert "no column is understood as axle_no" in told


def test_an_axle_ends_where_another_vehicle_begins(tmp_path):
    second = AXLES.format("", "Axle 1", "Axle 2").replace("T1", "T2").replace("Axle 1\n", "")
    _, told = mapped(tmp_path, AXLES.format("", "Axle 1", "Axle 2") + second)
    assert "no column is understood as axle_no" in told


THREE = """\
;;;Axle 1;;;;Remarks
;;;Left;;Right;;
Unit;Date;Km;Lining mm;Cap;Lining mm;Cap;
T1;2024-01-15;100000;15;ok;14;missing;
"""


def test_three_rows_of_headings_are_read_together(tmp_path):
    mapped(tmp_path, THREE)
    rows = rows_of(tmp_path)
    assert rows["problem"].is_null().all()
    assert rows.select("axle_no", "side", "lining_mm", "cap_state").rows() == [
        (1, "L", 15, "seated"), (1, "R", 14, "missing"),
    ]  # fmt: skip


def test_a_title_above_axles_above_sides_says_what_was_read_at_them_alone(tmp_path):
    text = "Lining thickness (mm);;;;;;\n;;;Axle 1;;Axle 2;\nVehicle;Date;Km;L;R;L;R\n"
    found, _ = mapped(tmp_path, text + "T1;2024-01-09;100000;15;14;13;12\n")
    assert found.is_clear
    read = rows_of(tmp_path).sort("axle_no", "side").select("axle_no", "side", "lining_mm")
    assert read.rows() == [(1, "L", 15), (1, "R", 14), (2, "L", 13), (2, "R", 12)]
