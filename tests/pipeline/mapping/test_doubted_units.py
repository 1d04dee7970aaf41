"""Odometers in thousands and linings in cm, among others that are not, are not read as they stand;
nor is the name of a unit that a spreadsheet has shortened."""

import pytest

from pipeline.cli import main
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

HEAD = "Unit;Date;Odometer km;Axle;Side;Lining mm\n"


def rows(unit, km, lining, *, first=1, scale=1.0, more=""):
    """Three visits of an axle."""
    return "".join(
        f"{unit};2024-{first + 3 * n:02}-11;{km(n)}{more};1;{side};{(lining - n) * scale:g}\n"
        for n in range(3) for side in "LR"
    )  # fmt: skip


def whole(n, start=120_000):
    return start + 21_000 * n


def thousands(n):
    return f"{whole(n) / 1000:.1f}"


OTHERS = rows("T1", whole, 15) + rows("T2", whole, 14)


def set_aside(folder):
    found = rows_of(folder)
    return found.filter(found["problem"].is_not_null()).select("unit_id", "problem").rows()


def test_odometers_in_thousands_among_others_in_km_are_set_aside(tmp_path, capsys):
    mapped(tmp_path, HEAD + OTHERS + rows("T3", thousands, 13))
    found = set_aside(tmp_path)
    assert [unit for unit, _ in found] == ["T3"] * 6
    assert "found 120.0 km, as every odometer of T3 is a hundred times below" in found[0][1]
    main(["check", str(tmp_path)])
    assert "odometer_km in another unit: 6 rows" in capsys.readouterr().out


@pytest.mark.parametrize(("unit", "km"), [(" tkm", 120_000), (" km", 120)])
def test_a_cell_that_names_its_unit_is_read_in_it(tmp_path, unit, km):
    mapped(tmp_path, HEAD + OTHERS + rows("T3", thousands, 13, more=unit))
    assert not set_aside(tmp_path)
    assert rows_of(tmp_path).filter(rows_of(tmp_path)["unit_id"] == "T3")["odometer_km"][0] == km


def test_a_new_unit_has_few_km(tmp_path):
    new = "T3;2024-07-11;310;1;L;15\nT3;2024-07-11;310;1;R;15\n"
    mapped(tmp_path, HEAD + OTHERS + new)
    assert not set_aside(tmp_path)


def test_linings_in_cm_under_a_heading_of_mm_are_set_aside(tmp_path):
    mapped(tmp_path, HEAD + OTHERS + rows("T3", whole, 15, scale=0.1))
    found = set_aside(tmp_path)
    assert [unit for unit, _ in found] == ["T3"] * 6
    assert "found 1.5 mm, as no lining of T3 is above 2.6 mm" in found[0][1]


def test_a_later_file_all_in_cm_is_set_aside(tmp_path):
    mapped(tmp_path, HEAD + OTHERS)
    later = rows("T3", whole, 15, scale=0.1) + rows("T4", whole, 14, scale=0.1)
    (tmp_path / "a.csv").write_text(HEAD + later)
    assert len(set_aside(tmp_path)) == 12


def test_a_file_of_linings_in_cm_is_not_taken_for_one_in_mm(tmp_path):
    found, told = mapped(tmp_path, HEAD + rows("T1", whole, 18, scale=0.1) * 2)
    assert not found.is_clear
    assert "do not look like lining in mm: none is above 1.8" in told


def test_a_unit_of_worn_linings_is_read(tmp_path):
    worn = rows("T3", whole, 3.5)
    mapped(tmp_path, HEAD + OTHERS + worn)
    assert not set_aside(tmp_path)


@pytest.mark.parametrize(
    ("written", "name"), [("417.0", "417"), ("0417.00", "0417"), ("41.7", "41.7"), ("T1.0", "T1.0")]
)
def test_a_number_with_a_point_and_noughts_names_the_unit_without(tmp_path, written, name):
    mapped(tmp_path, HEAD + OTHERS + rows(written, whole, 13))
    assert name in rows_of(tmp_path)["unit_id"]


@pytest.mark.parametrize(
    ("unit", "is_name"),
    [("4.17E+11", False), ("4,17E+11", False), ("5E7", True), ("E12", True), ("12E", True)],
)
def test_a_number_that_a_spreadsheet_has_shortened_is_no_unit(tmp_path, unit, is_name):
    mapped(tmp_path, HEAD + OTHERS + rows(unit, whole, 13))
    assert [u for u, _ in set_aside(tmp_path)] == [unit] * (0 if is_name else 6)


STROKES = HEAD.replace("Lining mm", "{}")


@pytest.mark.parametrize("stroke", ["Free stroke", "Applied stroke"])
def test_strokes_in_cm_under_a_heading_of_mm_are_set_aside(tmp_path, stroke):
    text = STROKES.format(f"{stroke} mm") + rows("T1", whole, 40) + rows("T2", whole, 35)
    mapped(tmp_path, text + rows("T3", whole, 35, scale=0.1))
    found = set_aside(tmp_path)
    assert [unit for unit, _ in found] == ["T3"] * 6
    assert "stroke_mm: found 3.5 mm, as no such stroke of T3 is above 6.5 mm" in found[0][1]
    mapped(tmp_path, text + rows("T3", whole, 16))
    assert not set_aside(tmp_path)


def test_strokes_that_state_no_unit_are_not_read_in_that_of_linings_where_they_cannot_be(tmp_path):
    visits = rows("T1", whole, 35, scale=0.1).replace("\n", ";15\n")
    _, told = mapped(tmp_path, STROKES.format("Free stroke;Lining") + visits)
    assert (
        "Free stroke | 3.5, 3.4, 3.3 | left alone: states no unit, and its cells can be in" in told
    )


def test_two_units_in_a_cell_are_none_where_each_has_rows_of_its_own(tmp_path):
    mapped(tmp_path, HEAD + OTHERS + rows("T1, T2", whole, 13) + rows("T5/6", whole, 13))
    found = set_aside(tmp_path)
    assert [unit for unit, _ in found] == ["T1, T2"] * 6
    assert 'found "T1, T2", which are units of their own in other rows' in found[0][1]
