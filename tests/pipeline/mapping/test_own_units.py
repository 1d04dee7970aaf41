"""Units that no heading states: an answer is for the columns whose cells it fits, and no others."""

import polars as pl
import pytest

from pipeline.cli import main
from pipeline.mapping.applying import typed_table
from pipeline.mapping.command import map_lake
from pipeline.mapping.grids import read_grids
from pipeline.mapping.headings import meanings
from pipeline.mapping.reading import days, shown_day_order, years_may_be_first
from pipeline.mapping.tables import tables_in
from pipeline.settings import load_settings
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

HEAD = "Unit;Date;{};1L lining mm;1R lining mm"
ROWS = [("2024-01-11", "126.2"), ("2024-04-15", "135.7"), ("2024-07-25", "158.4")]


def lake_of(folder, odometer, rows=ROWS):
    lines = [HEAD.format(odometer), *[f"T1;{day};{km};15;14" for day, km in rows]]
    (folder / "a.csv").write_text("\n".join(lines))
    return folder


def checked(lake, capsys):
    capsys.readouterr()
    code = main(["check", str(lake)])
    return code, capsys.readouterr().out


@pytest.mark.parametrize(
    "heading",
    ["Odometer (1000 km)", "Odometer x1000 km", "Odometer '000 km", "Km (in thousand)", "Odo tkm",
     "Kilometerstand in Tsd. km", "Przebieg (tys. km)", "Odometer km/1000"],
)  # fmt: skip
def test_thousands_of_km_are_a_unit(heading):
    (said,) = meanings([heading])
    assert (said.concept, said.unit) == ("odometer", "1000km")


def test_thousands_of_km_are_read_as_such(tmp_path):
    main(["map", str(lake_of(tmp_path, "Odometer (1000 km)"))])
    settings = load_settings(tmp_path / "fleet.toml")
    (grid,) = read_grids((tmp_path / "a.csv").read_bytes(), tmp_path / "a.csv")
    (table,) = tables_in(grid, settings.files, "a.csv")
    rows = typed_table(table, settings).rows
    assert rows["odometer_km"].unique().sort().to_list() == [126_200, 135_700, 158_400]


def test_an_odometer_of_too_few_km_is_not_taken_for_km(tmp_path, capsys):
    """126.2 may be thousands of km; no fleet's odometers stand at 126 km."""
    told = []
    asked = []
    map_lake(lake_of(tmp_path, "Odometer"), lambda q: asked.append(q) or "", told.append)
    assert "  1000km/1000mi/km [1000km]: " in asked
    assert any("(in km they would be too small or too large)" in line for line in told)
    assert load_settings(tmp_path / "fleet.toml").answers.distance == "1000km"
    (tmp_path / "fleet.toml").write_text('[answers]\ndistance = "km"\n')  # at one's own word
    assert map_lake(tmp_path, None, told.append).is_clear
    (tmp_path / "fleet.toml").unlink()
    assert main(["map", str(lake_of(tmp_path, "Odometer km"))]) == 1
    assert "do not look like odometer in km: half are below 135.7" in capsys.readouterr().out


def test_a_doubtful_decimal_mark_makes_no_unit_wrong(tmp_path, capsys):
    """78,400 miles are as likely as 78.4: which it is gets asked, and nothing is refused."""
    main(["map", str(lake_of(tmp_path, "Miles", [("2024-01-11", "78,400")]))])
    out = capsys.readouterr().out
    assert "Miles | 78,400 | odometer_mi (once answered: decimal_comma)" in out


STROKES = """\
Unit;Date;Km;1L lining;1R lining;1L free stroke;1R free stroke
T1;2024-01-11;126172;12.5;13.5;1.22;1.57
T1;2024-04-15;135673;11.5;12.5;1.10;1.38
"""


def test_one_answer_is_not_for_lengths_that_it_cannot_be_of(tmp_path, capsys):
    """Linings in mm beside strokes in inches: as mm, the strokes would be of one mm."""
    (tmp_path / "a.csv").write_text(STROKES)
    told = []
    map_lake(tmp_path, lambda _: "mm", told.append)
    line = "  1L free stroke | 1.22, 1.10 | left alone: states no unit, and its cells can be in cm"
    assert any(t.startswith(line) for t in told), told
    columns = load_settings(tmp_path / "fleet.toml").files[0].columns
    assert (columns["1L lining"], columns["1L free stroke"]) == ("1L lining", "")


def test_an_answer_given_before_is_held_against_new_files(tmp_path, capsys):
    (tmp_path / "fleet.toml").write_text('[answers]\nlength = "mm"\n')
    (tmp_path / "a.csv").write_text(STROKES)
    main(["map", str(tmp_path)])
    assert "can be in cm or in, not in mm as others" in capsys.readouterr().out


def test_a_question_names_every_thing_and_file_that_its_answer_is_for(tmp_path, capsys):
    (tmp_path / "north.csv").write_text(HEAD.format("Mileage") + "\nT1;2024-01-11;78400;15;14\n")
    (tmp_path / "south.csv").write_text(HEAD.format("Odometer") + "\nT2;2024-01-11;63690;15;14\n")
    told = []
    map_lake(tmp_path, lambda _: "", told.append)
    line = next(t for t in told if t.startswith("Question 1"))
    assert '"Mileage" in north.csv, as in 78400; also "Odometer" in south.csv, as in 63690' in line


def test_sixteenths_of_an_inch_are_a_unit():
    for heading in ("Lining 16ths", "Lining (1/16)", "Lining (1/16 in)"):
        (said,) = meanings([heading])
        assert (said.concept, said.unit) == ("lining", "16ths")


@pytest.mark.parametrize(
    "heading",
    ["Lining (1/10 mm)", "Belag [0,1 mm]", "Belag in Zehntel mm", "Lining tenths of a mm"],
)
def test_tenths_of_a_mm_are_a_unit(tmp_path, heading):
    mapped(tmp_path, f"Unit;Date;Km;Axle;Side;{heading}\nT1;2024-01-11;78400;1;L;145\n")
    assert rows_of(tmp_path)["lining_mm"].to_list() == pytest.approx([14.5])


@pytest.mark.parametrize("heading", ["Lining (1/100 mm)", "Stroke 1/8 in", 'Stroke 0.1"'])
def test_other_parts_of_a_unit_are_none_and_no_axles(heading):
    (said,) = meanings([heading])
    assert (said.concept, said.why) == (None, "not understood: parts")


def day_list(*cells):
    return pl.Series(list(cells))


def test_days_whose_years_may_stand_first_are_not_read():
    """24/01/11 is the 11th of January 2024, or the 24th of January 2011."""
    cells = day_list("24/01/11", "24/04/15", "24/07/25")
    assert years_may_be_first(cells)
    assert days(cells, day_first=True).to_list() == [None] * 3
    plain = day_list("11/01/24", "15/04/24", "25/07/24")
    assert not years_may_be_first(plain)
    assert days(plain, day_first=True).null_count() == 0


def test_a_column_of_years_first_says_so(tmp_path, capsys):
    rows = [(day[2:], "126200") for day, _ in ROWS]
    assert main(["map", str(lake_of(tmp_path, "Km", rows))]) == 1
    out = capsys.readouterr().out
    assert "3 of 3 cells are no date, such as '24-01-11'; its years may stand first" in out
    (tmp_path / "fleet.toml").unlink()
    main(["map", str(lake_of(tmp_path, "Km", [(day, "126200") for day, _ in ROWS]))])
    lake_of(tmp_path, "Km", rows)  # the next month's file
    _, out = checked(tmp_path, capsys)
    assert 'Date: found "24-01-11"; accepted: a date such as 2025-03-31; its year may' in out


def test_files_of_one_form_are_each_read_by_the_order_that_their_days_show(tmp_path, capsys):
    """Two depots, one export: days first in one, months first in the other."""
    days_of = ["{}/01/2024", "{}/04/2024", "05/07/2024"]
    first = [(d.format(n), "126200") for d, n in zip(days_of, (13, 25, 0), strict=True)]
    other = [("01/14/2024", "99000"), ("04/25/2024", "99900"), ("07/05/2024", "101000")]
    (tmp_path / "north").mkdir()
    (tmp_path / "south").mkdir()
    lake_of(tmp_path / "north", "Km", first)
    lake_of(tmp_path / "south", "Km", other)
    text = (tmp_path / "south" / "a.csv").read_text()
    (tmp_path / "south" / "a.csv").write_text(text.replace("T1", "T2"))
    assert main(["map", str(tmp_path)]) == 0
    code, out = checked(tmp_path, capsys)
    assert code == 0, out
    assert "6 rows in 2 files: 6 accepted" in out


def test_one_day_alone_shows_no_order():
    assert shown_day_order([day_list("25/04/2024", "03/04/2024")]) is None
    assert shown_day_order([day_list("25/04/2024", "13/04/2024")]) is True
    assert shown_day_order([day_list("25/04/2024", "13/04/2024", "04/25/2024")]) is None


def test_hints_are_given_only_where_they_would_mend(tmp_path, capsys):
    rows = [*ROWS, ("32.13.2024", "158500"), ("2024-09-01", "?"), ("03/04/2025", "160000")]
    lake_of(tmp_path, "Km", [(day, km.replace(".", "") + "00" * ("." in km)) for day, km in rows])
    main(["map", str(tmp_path)])
    _, out = checked(tmp_path, capsys)
    lines = [line for line in out.splitlines() if "not readable" in line]
    assert len(lines) == 2
    assert not any("decimal_comma" in line for line in lines)
    (tmp_path / "a.csv").write_text((tmp_path / "a.csv").read_text().replace("03/04/2025", "3rd"))
    _, out = checked(tmp_path, capsys)
    assert "day_first" not in out
