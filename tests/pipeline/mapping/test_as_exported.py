"""What workshops' exports have beside plain rows: footers, other files, rows of units, jobs told
elsewhere. Each is read, or said not to be."""

import re
import zipfile

import polars as pl
import pytest

from pipeline.cli import main
from pipeline.mapping.applying import Typed, typed_table
from pipeline.mapping.command import map_lake
from pipeline.mapping.shapes import shaped_grids
from pipeline.mapping.tables import tables_in
from pipeline.mapping.words import says_summary
from pipeline.settings import load_settings
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

HEAD = "Unit;Date;Km;1L lining mm;1R lining mm\n"
ROWS = "T1;2024-01-09;100000;15;14\nT1;2024-04-09;109000;14;13\n"


def tables_of(folder) -> list[Typed]:
    """Every table that is read of a lake's one file."""
    path, own = folder / "a.csv", load_settings(folder / "fleet.toml")
    grids = shaped_grids(path.read_bytes(), path)
    return [typed_table(t, own) for g in grids for t in tables_in(g, own.files, "a.csv")]


def checked(folder, capsys) -> str:
    """What check says of a lake."""
    capsys.readouterr()
    main(["check", str(folder)])
    return " ".join(capsys.readouterr())


@pytest.mark.parametrize(
    "word",
    [
        *("Average", "AVG", "Mean", "Durchschnitt", "Mittelwert", "Moyenne", "Promedio", "Media"),
        *(
            "Średnia",
            "Gemiddelde",
            "Min.",
            "Max",
            "Total",
            "Totals:",
            "Total (3 units)",
            "TOTAL T1",
        ),
        *("Grand total", "Average of all", "Summe", "Razem", "Итого"),
    ],
)
def test_a_row_that_sums_up_others_is_no_units(tmp_path, capsys, word):
    _, told = mapped(tmp_path, f"{HEAD}{ROWS}{word};2024-04-09;104500;14;13\n")
    assert f"rows of {word} sum up others, and will be set aside" in told
    rows = rows_of(tmp_path)
    assert rows.filter(pl.col("problem").is_null())["unit_id"].unique().to_list() == ["T1"]
    said = checked(tmp_path, capsys)
    assert f'sum of other rows: 1 row; a.csv row 4: Unit: found "{word}"; accepted: a unit' in said


@pytest.mark.parametrize("word", ["e.g. T999", "z. B. T999", "Example", "Muster T999"])
def test_a_row_that_shows_how_to_fill_in_a_form_is_no_units(word):
    assert says_summary(word)


@pytest.mark.parametrize("unit", ["EG 12", "ZB-120", "EG-AB 123", "T101"])
def test_a_unit_may_be_called_so(unit):
    assert not says_summary(unit)


@pytest.mark.parametrize("unit", ["Max 12", "Mini", "Meana", "T-AVG", "Min7"])
def test_a_unit_may_have_such_a_word_in_its_name(tmp_path, unit):
    mapped(tmp_path, f"{HEAD}{ROWS}{unit};2024-04-09;104500;14;13\n")
    assert rows_of(tmp_path)["problem"].null_count() == 6


def test_a_unit_called_like_a_sum_is_read_once_that_is_said(tmp_path, capsys):
    mapped(tmp_path, f"{HEAD}{ROWS}Max;2024-04-09;104500;14;13\n")
    line = checked(tmp_path, capsys).partition("called so: ")[2].partition(")")[0]
    settings = tmp_path / "fleet.toml"
    settings.write_text(settings.read_text() + line.replace("] ", "]\n") + "\n")
    assert rows_of(tmp_path)["problem"].null_count() == 6


def test_jobs_of_a_row_that_sums_up_others_are_nobodys(tmp_path):
    text = "Unit;Date;Km;Job\nT1;2024-01-09;100000;relined 1L\nTotal;2024-01-09;100000;relined 1L\n"
    mapped(tmp_path, text)
    assert rows_of(tmp_path)["problem"].is_null().to_list() == [True, False]


MERGED = """\
Unit;Date;Km;Axle;Left lining mm;Right lining mm
T1;2024-01-09;100000;1;15;14
;;;2;13;12
;2024-04-09;109000;1;14;13
;;;2;12;11
T2;2024-02-09;50000;1;10;9
;;;2;8;7
"""


def filled(folder, text, answer="true") -> pl.DataFrame:
    """The readings of a table once it is answered whether blank cells are those above."""
    _, told = mapped(folder, text)
    assert "Unit | T1" in told
    settings = folder / "fleet.toml"
    open_line = "# fill_down = false"
    assert open_line in settings.read_text()
    settings.write_text(settings.read_text().replace(open_line, f"fill_down = {answer}"))
    return rows_of(folder)


def test_cells_merged_down_before_the_export_are_asked_for_and_filled(tmp_path, capsys):
    found, _ = mapped(tmp_path, MERGED)
    assert found.open_questions == 1
    shown = "row 2: T1 | 2024-01-09 | 100000 | 1 | 15 | 14; row 3:  |  |  | 2 | 13 | 12)"
    assert f'("Unit", "Date", "Km" in a.csv, as in {shown}' in (tmp_path / "fleet.toml").read_text()
    assert "to mend, in fleet.toml: [answers] fill_down = true" in checked(tmp_path, capsys)
    rows = filled(tmp_path, MERGED)
    assert rows["problem"].null_count() == 12
    told = rows.select("unit_id", pl.col("inspected_on").cast(pl.String), "odometer_km", "axle_no")
    visits = [("T1", "2024-01-09", 1e5), ("T1", "2024-04-09", 109e3), ("T2", "2024-02-09", 5e4)]
    assert told.rows() == [(*v, axle) for v in visits for axle in (1, 2) for _ in "LR"]


def test_blank_cells_stay_blank_until_that_is_said(tmp_path):
    mapped(tmp_path, MERGED)
    assert rows_of(tmp_path)["problem"].null_count() == 4
    assert filled(tmp_path, MERGED, "false")["problem"].null_count() == 4


def test_a_form_of_its_own_says_whether_blank_cells_are_filled(tmp_path):
    mapped(tmp_path, MERGED)
    settings = tmp_path / "fleet.toml"
    text = settings.read_text().replace("[[files]]", "[[files]]\nfill_down = true")
    settings.write_text(text)
    assert rows_of(tmp_path)["problem"].null_count() == 12


@pytest.mark.parametrize(
    "block",
    [
        "{};2024-01-09;100000;15;14\n;2024-04-09;109000;14;13\n",
        "{};;;;\n;2024-01-09;100000;15;14\n;2024-04-09;109000;14;13\n",
    ],
)
def test_a_unit_named_once_above_its_rows_is_that_of_all(tmp_path, block):
    rows = filled(tmp_path, HEAD + block.format("T1") + block.format("T2"))
    assert rows["problem"].null_count() == 8
    assert rows["unit_id"].to_list() == ["T1"] * 4 + ["T2"] * 4


@pytest.mark.parametrize(
    "row",
    [
        "T3;;;1;9;9",  # another unit's day is not the one above
        ";;104500;1;9;9",  # an odometer of its own is of another day
        ";2024-05-01;;1;9;9",  # and a day of its own has another odometer
        ";;;;9;9",  # an axle is not taken from above where no side tells rows apart
        "T1;2024-05-01;110000;;9;9",
    ],
)
def test_a_blank_cell_that_no_merged_one_would_leave_is_not_filled(tmp_path, row):
    rows = filled(tmp_path, f"{MERGED}{row}\n")
    assert rows.filter(pl.col("row_no") >= 8 * 64)["problem"].null_count() == 0
    assert rows["problem"].null_count() == 12


def test_a_few_forgotten_cells_are_not_taken_for_merged_ones(tmp_path):
    many = "".join(f"T{i};2024-01-09;100000;15;14\n" for i in range(9))
    found, _ = mapped(tmp_path, f"{HEAD}{many};2024-04-09;109000;14;13\n")
    assert found.is_clear


def test_readings_with_no_day_beside_them_are_of_no_unit_above(tmp_path):
    """In a row that holds all wheel ends of a visit a second one of it may be their average."""
    found, _ = mapped(tmp_path, f"{HEAD}{ROWS};;;14.5;13.5\n")
    assert found.is_clear
    assert rows_of(tmp_path)["problem"].null_count() == 4


def test_jobs_below_a_merged_cell_are_of_the_unit_beside_it(tmp_path):
    """Of a table of readings and jobs each is filled by all rows, not by those of its kind."""
    text = """\
Unit;Date;Km;Axle;Left lining mm;Right lining mm;Job
T1;2024-01-09;100000;1;15;14;relined axle 1 left
;;;2;13;12;
T2;2024-02-09;50000;1;10;9;
;;;2;8;7;relined axle 2 left
"""
    settings = tmp_path / "fleet.toml"
    mapped(tmp_path, text)
    settings.write_text(settings.read_text().replace("# fill_down = false", "fill_down = true"))
    typed = tables_of(tmp_path)
    jobs = next(t.rows for t in typed if t.table == "work")
    assert jobs.select("unit_id", "axle_no", "action").rows() == [
        ("T1", 1, "reline"), ("T2", 2, "reline"),
    ]  # fmt: skip


UNITS_ROW = """\
Unit,Date,Odometer,1L lining,1R lining,1L free stroke,1R free stroke
{}
T1,2024-01-09,60000,20,19,0.7,0.8
T1,2024-04-09,66000,19,18,0.7,0.8
"""


@pytest.mark.parametrize("units", [",,miles,32nds,32nds,in,in", "-,-,(mi),(1/32),1/32,inch,inch"])
def test_a_row_of_units_below_the_heading_is_read_as_such(tmp_path, units):
    found, _ = mapped(tmp_path, UNITS_ROW.format(units))
    assert found.is_clear
    rows = rows_of(tmp_path)
    assert rows.height == rows["problem"].null_count() == 4
    told = rows.select("odometer_km", "lining_mm", "free_stroke_mm").row(0)
    assert told == pytest.approx((60_000 * 1.609344, 20 * 25.4 / 32, 0.7 * 25.4))


def test_a_row_of_units_below_two_rows_of_headings_is_read_too(tmp_path):
    text = ";;;Lining axle 1;\nUnit;Date;Km;left;right\n;;;mm;mm\nT1;2024-01-09;100000;15;14\n"
    found, told = mapped(tmp_path, text)
    assert found.is_clear
    assert "Lining axle 1 right mm | 14 | 1R lining_mm" in told
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 14]


def test_a_row_of_units_that_denies_the_headings_is_not_believed(tmp_path, capsys):
    mapped(tmp_path, f"{HEAD};;mi;in;in\n{ROWS}")
    assert "1 set aside" in checked(tmp_path, capsys)
    assert rows_of(tmp_path)["lining_mm"].drop_nulls().to_list() == [15, 14, 14, 13]


FRACTIONS = "Unit,Date,Miles,1L lining,1R lining\nT1,2024-01-09,60000,{},{}\n"


@pytest.mark.parametrize(
    ("left", "right"),
    [("12/32", "13/32"), ("12/32", '5/16"'), ("1 1/64", "3/8 in"), ("7/8", "1/2")],
)
def test_fractions_without_a_sign_are_of_an_inch(tmp_path, left, right):
    found, _ = mapped(tmp_path, FRACTIONS.format(left, right))
    assert found.is_clear
    inches = {"12/32": 12 / 32, "13/32": 13 / 32, '5/16"': 5 / 16, "1 1/64": 1 + 1 / 64}
    inches |= {"3/8 in": 3 / 8, "7/8": 7 / 8, "1/2": 1 / 2}
    wanted = [inches[left] * 25.4, inches[right] * 25.4]
    assert rows_of(tmp_path)["lining_mm"].to_list() == pytest.approx(wanted)


@pytest.mark.parametrize("cell", ["12/15", "38/20", "12/31", "3/100"])
def test_what_no_ruler_shows_is_no_fraction(tmp_path, cell):
    found, told = mapped(tmp_path, FRACTIONS.format(cell, cell))
    assert not found.is_clear
    assert "1L lining | " + cell + " | left alone" in told


def test_fractions_beside_whole_numbers_are_asked_for(tmp_path):
    text = FRACTIONS.format("7/8", "3/4") + "T1,2024-03-09,61000,1,3/4\n"
    found, _ = mapped(tmp_path, text)
    assert found.open_questions == 1
    settings = tmp_path / "fleet.toml"
    assert '# length = "in"' in settings.read_text()
    settings.write_text(settings.read_text().replace("# length", "length"))
    lefts = rows_of(tmp_path).filter(side="L")["lining_mm"]
    assert lefts.to_list() == pytest.approx([7 / 8 * 25.4, 25.4])


def test_halves_and_quarters_alone_may_be_shares_of_a_lining(tmp_path):
    found, told = mapped(tmp_path, FRACTIONS.format("3/4", "1/2"))
    assert found.open_questions == 1
    assert "1L lining | 3/4 | 1L lining (once answered: length)" in told
    assert rows_of(tmp_path)["lining_mm"].null_count() == 2


def test_a_database_s_own_numbers_are_what_they_are(tmp_path):
    """Decimals of three places, and whole numbers that a missing one among them made broken."""
    pl.DataFrame(
        {"Unit": [101.0, 102.0], "Date": ["2024-01-09"] * 2, "Km": ["312400.000", "98000.500"],
         "Axle": [1.0, 2.0], "Side": ["L", "R"], "Lining mm": ["13.000", "12.375"]}
    ).with_columns(pl.col("Km", "Lining mm").str.to_decimal(scale=3)).write_parquet(
        tmp_path / "a.parquet"
    )  # fmt: skip
    told = []
    assert map_lake(tmp_path, None, told.append).is_clear
    rows = rows_of(tmp_path, "a.parquet")
    assert rows["problem"].null_count() == 2
    read = rows.select("unit_id", "axle_no", "odometer_km", "lining_mm").rows()
    assert read == [("101", 1, 312_400, 13), ("102", 2, 98_000.5, 12.375)]


JSON_LINE = (
    '{{"unit": "T1", "date": "2024-01-09", "km": 100000, "axle": {}, "side": "L", "lining": {}}}'
)


def test_json_lines_are_looked_at_and_read_like_any_table(tmp_path, capsys):
    lines = [JSON_LINE.format(*of) for of in ((1, "12.375"), (2, '"14 mm"'), (3, "[12, 11]"))]
    lines = [line.replace("lining", "lining mm") for line in lines]
    (tmp_path / "a.jsonl").write_text("\n".join(lines))
    assert map_lake(tmp_path, None, lambda _: None).is_clear
    assert rows_of(tmp_path, "a.jsonl")["lining_mm"].to_list() == [12.375, 14, None]
    told = checked(tmp_path, capsys)
    assert 'a.jsonl row 3: lining mm: found "more than one value"' in told


def test_32nds_may_be_written_over_32(tmp_path):
    text = FRACTIONS.replace("lining", "lining (32nds)").format("12/32", "13")
    found, _ = mapped(tmp_path, text)
    assert found.is_clear
    lengths = rows_of(tmp_path)["lining_mm"].to_list()
    assert lengths == pytest.approx([12 / 32 * 25.4, 13 / 32 * 25.4])


def test_a_workbooks_own_numbers_say_nothing_of_how_its_text_is_written(tmp_path):
    heading = ["Pojazd", "Data", "Przebieg [tys. km]", "Opis", "Koszt"]
    row = ["T1", "2024-02-01", 102.1, "wymiana okładzin oś 1 lewa", "1.155,91 zł"]
    workbook(tmp_path / "a.xlsx", {"S": [heading, row, [*row[:4], "699,16 zł"]]})
    told: list[str] = []
    assert map_lake(tmp_path, None, told.append).is_clear
    rows = rows_of(tmp_path, "a.xlsx")
    assert rows["cost"].to_list() == [1155.91, 699.16]
    assert rows["odometer_km"].to_list() == pytest.approx([102_100, 102_100])


def test_numbers_that_are_text_in_a_workbook_still_say_how_it_is_written(tmp_path):
    heading = ["Unit", "Date", "Km", "1L lining mm", "1R lining mm"]
    rows = [["T1", "2024-02-01", "102.500", "15,5", "14,5"]]
    workbook(tmp_path / "a.xlsx", {"S": [heading, *rows]})
    assert map_lake(tmp_path, None, lambda _: None).is_clear
    assert rows_of(tmp_path, "a.xlsx")["odometer_km"].to_list() == [102_500, 102_500]


COSTS = "Unit;Date;Km;Job;Cost\nT1;2024-02-01;102000;relined 1L;{}\n"
COSTS += "T1;2024-03-01;105000;relined 1R;900\n"


@pytest.mark.parametrize(
    ("cost", "answer", "read"),
    [
        ("$1,204", "false", 1204), ("1,204", "false", 1204), ("1.204 €", "true", 1204),
        ("1.204 €", "false", 1.204),
    ],
)  # fmt: skip
def test_what_a_mark_in_whole_costs_does_is_asked(tmp_path, capsys, cost, answer, read):
    found, told = mapped(tmp_path, COSTS.format(cost))
    assert found.open_questions == 1
    assert f"Cost | {cost}, 900 | cost (once answered: decimal_comma)" in told
    said = checked(tmp_path, capsys)
    assert "to mend, in fleet.toml: [answers] decimal_comma = true, or false" in said
    assert "files.values" not in said
    settings = tmp_path / "fleet.toml"
    text = settings.read_text().replace("# decimal_comma = true ", "# decimal_comma = false ")
    settings.write_text(text.replace("# decimal_comma = false ", f"decimal_comma = {answer} "))
    assert rows_of(tmp_path)["cost"].to_list() == pytest.approx([read, 900])


def test_costs_that_show_what_their_marks_do_are_not_asked_for(tmp_path):
    found, _ = mapped(tmp_path, COSTS.format("$1,204") + "T1;2024-05-01;106000;relined 2L;$9.50\n")
    assert found.is_clear
    assert rows_of(tmp_path)["cost"].to_list() == [1204, 900, 9.5]


def test_a_column_of_words_is_no_cost(tmp_path):
    _, told = mapped(tmp_path, COSTS.format("warranty").replace(";900", ";see order"))
    assert "left alone: its cells are mostly no numbers" in told


def test_two_rows_of_dutch_headings_are_read(tmp_path):
    text = (
        ";;;Remvoering as 1;;Remvoering as 2;\nKenteken;Datum;Km-stand;links;rechts;links;rechts\n"
    )
    found, _ = mapped(tmp_path, f"{text};;;mm;mm;mm;mm\nT1;2024-01-09;100000;15;14;13;12\n")
    assert found.is_clear
    places = rows_of(tmp_path).select("axle_no", "side", "lining_mm").rows()
    assert places == [(1, "L", 15), (1, "R", 14), (2, "L", 13), (2, "R", 12)]


REMARKS = "Unit;Date;Km;1L lining mm;1R lining mm;Remarks\nT1;2024-01-09;100000;8;8;\n"
REMARKS += "T1;2024-04-09;109000;17;17;relined axle 1 both sides\nT1;2024-07-09;118000;16;16;{}\n"
TELLS = 'Remarks tells of jobs in 2 rows, as in "relined axle 1 both sides", and is left alone'


def test_jobs_told_in_remarks_are_said_to_be_left_alone(tmp_path, capsys):
    text = REMARKS.format("replaced adjuster 1L")
    _, told = mapped(tmp_path, text)
    assert f"  {TELLS}; to read them, in fleet.toml a second [[files]]" in told
    assert f"a.csv: loaded; {TELLS}" in checked(tmp_path, capsys)
    settings = tmp_path / "fleet.toml"  # and so they are read
    first = "[[files]]" + settings.read_text().partition("[[files]]")[2].partition("# <<<")[0]
    second = first.replace('"inspections"', '"work"').replace("inspected_on", "done_on")
    second = re.sub(r"Remarks +=.*", 'Remarks = "job"', second)
    for side in "LR":
        second = second.replace(f'= "1{side} lining_mm"', '= ""')
    settings.write_text(f"{first}\n{second}")
    said = checked(tmp_path, capsys)
    assert "tells of jobs" not in said
    assert "0 set aside" in said
    typed = [t for t in tables_of(tmp_path) if t.table == "work"]
    actions = [a for t in typed for a in t.rows["action"].to_list()]
    assert sorted(actions) == ["adjuster_replaced", "reline", "reline"]


def test_remarks_of_no_job_are_nothing_to_tell_of(tmp_path, capsys):
    _, told = mapped(
        tmp_path, REMARKS.format("ok").replace("relined axle 1 both sides", "linings good")
    )
    assert "tells of jobs" not in told + checked(tmp_path, capsys)


def test_check_says_that_a_reading_of_one_side_alone_is_left_alone(tmp_path, capsys):
    head = HEAD.replace("1R lining mm\n", "1R lining mm;1L free stroke mm;1L lining new mm\n")
    mapped(tmp_path, head + ROWS.replace("\n", ";18;20\n"))
    said = checked(tmp_path, capsys)
    assert "left alone, though by their headings readings: 1L free stroke mm\n" in said


def read_by(folder, columns: str, rows: str, more: str = "") -> str:
    """Settings that a person wrote for a file of readings."""
    lines = "".join(f'"{own}" = "{t}"\n' for own, t in (c.split("=") for c in columns.split(";")))
    (folder / "fleet.toml").write_text(
        f'{more}[[files]]\ntable = "inspections"\n[files.columns]\nUnit = "unit_id"\n'
        f'Date = "inspected_on"\n{lines}'
    )
    (folder / "a.csv").write_text(rows)
    return rows


BY_HAND = "Unit;Date;Clock;Near top;Off top\nT1;2024-01-09;100000;15;15\n"


@pytest.mark.parametrize(
    ("columns", "more", "open_keys"),
    [
        ("Clock=odometer_km;Near top=near lining_mm;Off top=off lining_mm", "", "near_side"),
        (
            "Clock=odometer;Near top=rear L lining;Off top=rear R lining",
            "",
            "rear_axle, distance, length",
        ),
        ("Clock=odometer_km;Near top=1L stroke_mm;Off top=1R stroke_mm", "", "stroke"),
        (
            "Clock=odometer_km;Near top=near lining_mm;Off top=off lining_mm",
            '[answers]\nnear_side = "L"\n',
            "",
        ),
        (
            "Clock=odometer;Near top=1L lining;Off top=1R lining",
            '[units]\nlength = "mm"\ndistance = "km"\n',
            "",
        ),
    ],
)
def test_map_says_what_is_open_of_columns_that_a_person_named(
    tmp_path, capsys, columns, more, open_keys
):
    read_by(tmp_path, columns, BY_HAND, more)
    for _ in range(2):
        assert main(["map", str(tmp_path)]) == (1 if open_keys else 0)
        out = capsys.readouterr().out
        assert ("every table is" in out) == (not open_keys)
        assert not open_keys or f"to answer under [answers] in fleet.toml: {open_keys}\n" in out
    for key in filter(None, open_keys.split(", ")):
        assert f"# {key} = " in (tmp_path / "fleet.toml").read_text()


DEAD_ENDS = [
    ("1L lining %;1R lining %", "80;78", "nothing says what 100 % is"),
    ("1L lining wear mm;1R lining wear mm", "3;4", "nothing says how thick it was"),
    ("1L lining after mm;1R lining after mm", "18;18", "it was read after work"),
    ("Lining after 1L (mm);Lining after 1R (mm)", "18;18", "it was read after work"),
    ("1L free stroke mm;1R free stroke mm", "38 - 20;39 - 21", "its cells hold two numbers"),
]


@pytest.mark.parametrize(("headings", "cells", "why"), DEAD_ENDS)
def test_what_can_be_of_no_use_is_said_with_what_would_do(tmp_path, headings, cells, why):
    text = HEAD.replace("\n", f";{headings}\n") + ROWS.replace("\n", f";{cells}\n")
    _, told = mapped(tmp_path, text)
    both = headings.replace(";", ", ")
    lines = [line for line in told.splitlines() if line.startswith(f"  {both}: cannot be used")]
    assert len(lines) == 1
    assert f", because {why}" in lines[0]
    assert "; what would do: " in lines[0]
    assert "to read it" not in told  # nor is it offered as what it is not
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 14, 14, 13]


@pytest.mark.parametrize("heading", ["Engine hours", "Motogodziny", "Betriebsstunden"])
def test_hours_are_no_odometer(tmp_path, capsys, heading):
    text = (HEAD + ROWS).replace("Km", heading)
    _, told = mapped(tmp_path, text)
    assert f"  {heading}: cannot be used, because lives and wear are counted in km" in told
    columns = f"{heading}=odometer_km;1L lining mm=1L lining_mm;1R lining mm=1R lining_mm"
    read_by(tmp_path, columns, text)
    _, told = mapped(tmp_path, text)
    assert f"  {heading}: read as an odometer; hours cannot be used" in told
    said = checked(tmp_path, capsys)
    assert f"{heading} is read as an odometer, and its heading names hours: cannot" in said


def test_a_table_that_a_person_leaves_alone_is_nothing_to_tell_of(tmp_path):
    columns = "Km=odometer_km;1L lining mm=1L lining_mm;1R lining mm=1R lining_mm"
    read_by(tmp_path, columns, HEAD + ROWS)
    settings = tmp_path / "fleet.toml"
    settings.write_text(settings.read_text().replace('"inspections"', '"none"'))
    found, told = mapped(tmp_path, HEAD + ROWS)
    assert (found.open_questions, len(told.splitlines())) == (0, 1)


def test_hours_beside_an_odometer_are_nothing_to_tell_of(tmp_path):
    _, told = mapped(tmp_path, HEAD.replace("\n", ";Engine hours\n") + ROWS.replace("\n", ";80\n"))
    assert "cannot be used" not in told


def test_a_column_for_each_visit_is_said_to_be_of_no_use(tmp_path):
    text = "Unit;T1;;\nDate;2024-01-09;2024-04-09;2024-07-09\nOdometer km;100000;109000;118000\n"
    _, told = mapped(tmp_path, f"{text}1L lining mm;15;14;13\n1R lining mm;15;14;13\n")
    assert "a column for each visit cannot be used, because records are read row by row" in told


def test_a_hub_odometer_is_no_stroke(tmp_path):
    """A hub is a stroke in German."""
    _, told = mapped(tmp_path, (HEAD + ROWS).replace("Km", "Hub odo (miles)"))
    assert "Hub odo (miles) | 100000, 109000 | odometer_mi" in told
    _, told = mapped(
        tmp_path, (HEAD + ROWS).replace("Km", "Km;Hub clock km").replace(";10", ";0;10")
    )
    assert '"Hub clock km" = ' not in told


def with_cells(path, cells: dict[str, str]) -> None:
    """A workbook with some of its cells written otherwise, as sheets have them."""
    held = {name: zipfile.ZipFile(path).read(name) for name in zipfile.ZipFile(path).namelist()}
    sheet = held["xl/worksheets/sheet1.xml"].decode()
    for place, cell in cells.items():
        sheet, count = re.subn(rf'<c r="{place}"[^>]*>.*?</c>', cell.replace("@", place), sheet)
        assert count == 1
    held["xl/worksheets/sheet1.xml"] = sheet.encode()
    with zipfile.ZipFile(path, "w") as book:
        for name, content in held.items():
            book.writestr(name, content)


NO_RESULT = '<c r="@"><f>100000+1</f><v /></c>'
UNSTORED = "formulas whose results the workbook does not hold; accepted: the workbook once a spread"


@pytest.mark.parametrize(
    "cell", [NO_RESULT, '<c r="@"><f>1+1</f></c>', '<c r="@"><f>1</f><v/></c>']
)
def test_formulas_without_results_are_named(tmp_path, capsys, cell):
    heading = ["Unit", "Date", "Km", "1L lining mm", "1R lining mm"]
    rows = [["T1", "2024-01-09", 100_000, 15, 14], ["T1", "2024-04-09", 109_000, 14, 13]]
    path = tmp_path / "a.xlsx"
    workbook(path, {"S": [heading, *rows]})
    with_cells(path, {"E2": cell})
    told: list[str] = []
    map_lake(tmp_path, None, told.append)
    assert any(line.startswith(f"  1R lining mm: {UNSTORED}") for line in told)
    assert f"a.xlsx: loaded; 1R lining mm: {UNSTORED}" in checked(tmp_path, capsys)
    with_cells(path, {"C2": cell, "C3": cell})
    (tmp_path / "fleet.toml").unlink()
    told.clear()
    assert not map_lake(tmp_path, None, told.append).is_clear
    assert any(line.startswith(f"  Km, 1R lining mm: {UNSTORED}") for line in told)


def test_results_that_are_held_are_nothing_to_tell_of(tmp_path):
    heading = ["Unit", "Date", "Km", "1L lining mm", "1R lining mm"]
    path = tmp_path / "a.xlsx"
    workbook(path, {"S": [heading, ["T1", "2024-01-09", 100_000, 15, 14]]})
    nothing = '<c r="@" t="str"><f>IF(1,"")</f><v></v></c>'
    with_cells(path, {"E2": nothing, "D2": '<c r="@"><f>15+0</f><v>15</v></c>'})
    told: list[str] = []
    map_lake(tmp_path, None, told.append)
    assert not any("formulas" in line for line in told)


JOBS = "Unit;Date;Km;Job;{}\nT1;2024-02-01;102000;relined 1L;120.50;80;{}\n"


@pytest.mark.parametrize(
    "headings", ["Parts cost;Labour cost", "Material EUR;Lohn EUR", "Parts £;Labour £"]
)
def test_parts_and_labour_without_their_sum_are_added_up(tmp_path, headings):
    _, told = mapped(tmp_path, JOBS.format(headings, ""))
    assert [f"| {cell} | cost (added up)" in told for cell in ("120.50", "80")] == [True, True]
    assert rows_of(tmp_path)["cost"].to_list() == [200.5]
    _, told = mapped(tmp_path, JOBS.format(f"{headings};Summe EUR", "200.50"))
    assert "cannot be used" not in told
    assert "Summe EUR | 200.50 | cost" in told
    assert rows_of(tmp_path)["cost"].to_list() == [200.5]


def test_cells_of_money_may_say_that_a_column_is_a_cost(tmp_path):
    text = JOBS.format("Parts;Labour", "").replace("120.50;80", "£120.50;£80.00")
    mapped(tmp_path, text)
    assert rows_of(tmp_path)["cost"].to_list() == [200.5]


@pytest.mark.parametrize(
    "headings",
    ["Parts cost;Labour", "Parts cost net;Parts cost gross", "Labour cost;Labour cost (GBP)"],
)
def test_one_share_of_a_cost_is_not_the_cost(tmp_path, headings):
    """Labour without a sign may be hours; of parts twice, one may be with tax."""
    _, told = mapped(tmp_path, JOBS.format(headings, ""))
    assert "cannot be used, because a job has one cost" in told
    assert rows_of(tmp_path)["cost"].to_list() == [None]


def test_part_numbers_are_no_part_of_a_cost(tmp_path):
    _, told = mapped(tmp_path, JOBS.format("Parts;Hours", "").replace("120.50", "2207"))
    assert "cannot be used" not in told


PAIRS = HEAD.replace("\n", ";1L stroke;1R stroke\n") + ROWS.replace("\n", ";{};{}\n")


@pytest.mark.parametrize(
    ("left", "right", "read"),
    [
        ("38 - 20", "39-21", [18, 18]), ("38,5 mm – 20 mm", "38.5-20,5mm", [18.5, 18]),
        ('2.5 - 1.75"', '2.25" - 1.5"', [0.75 * 25.4, 0.75 * 25.4]),
    ],
)  # fmt: skip
def test_applied_and_released_in_one_cell_are_asked_for(tmp_path, capsys, left, right, read):
    text = PAIRS.format(left, right, left, right)
    if "m" not in left and '"' not in left:
        text = text.replace("stroke", "stroke mm")
    found, told = mapped(tmp_path, text)
    assert found.open_questions == 1
    assert "applied_stroke" in told
    assert "[answers] stroke_pairs = true, or false" in checked(tmp_path, capsys)
    settings = tmp_path / "fleet.toml"
    open_line = "# stroke_pairs = false"
    settings.write_text(settings.read_text().replace(open_line, "stroke_pairs = true"))
    rows = rows_of(tmp_path)
    assert rows["applied_stroke_mm"].to_list()[:2] == pytest.approx(read)
    settings.write_text(settings.read_text().replace("pairs = true", "pairs = false"))
    rows = rows_of(tmp_path)
    assert rows["problem"].null_count() == 4
    assert rows["applied_stroke_mm"].null_count() == 4
    assert rows["lining_mm"].to_list() == [15, 14, 14, 13]


def test_a_stroke_that_grows_when_released_is_no_pair(tmp_path):
    _, told = mapped(tmp_path, PAIRS.format(*["20 - 38"] * 4).replace("stroke", "stroke mm"))
    assert "1L stroke mm | 20 - 38 | left alone" in told


def test_inches_with_a_fraction_are_no_pair(tmp_path):
    found, _ = mapped(tmp_path, PAIRS.format(*['1-3/8"'] * 4).replace("stroke", "applied stroke"))
    assert found.is_clear
    assert rows_of(tmp_path)["applied_stroke_mm"][0] == pytest.approx(1.375 * 25.4)


UNDERSTOOD_IN_PART = [
    # Neither unit nor day is understood, or no reading: what is lacking is said, with what it is.
    ("Nr. im Fuhrpark;Wann;Kilometer;Rad;Belag mm", "7;2024-01-09;100000;1L;15", "unit_id, date"),
    ("Unit;Date;Odometer km;Axle;Side;Lining thinnest of two",
     "T1;2024-01-09;100000;1;L;15", "a reading"),
    ("check;axle_no;side;lining_mm", "900;1;L;15", "unit_id, date, odometer"),
    ("Unit;Date;Odometer km;Axle;Side;Shoe thk mm", "T1;2024-01-09;100000;1;L;15", "a reading"),
    (";;;Axle 1;;Axle 2;\nUnit;Date;Odometer km;L;R;L;R", "T1;2024-01-09;100000;9;8;9;8",
     "a reading"),
]  # fmt: skip


@pytest.mark.parametrize(("heading", "row", "lacking"), UNDERSTOOD_IN_PART)
def test_readings_of_which_little_is_understood_are_said_to_lack_the_rest(
    tmp_path, heading, row, lacking
):
    found, told = mapped(tmp_path, f"{heading}\n{row}\n{row}\n")
    assert not found.is_clear
    assert f"it looks like inspections, but no column is understood as {lacking}" in told


@pytest.mark.parametrize(
    "heading",
    ["Unit;Date;Odometer km;Litres", "Unit;Date;Position;Tread mm", "Date;Item;Hours;Price"],
)
def test_other_records_are_not_said_to_look_like_inspections(tmp_path, heading):
    found, told = mapped(tmp_path, f"{heading}\nT1;2024-01-09;1L;12\n")
    assert "it looks like" not in told
    assert found.forms[0].found.table == "none"


def test_a_shoes_thickness_is_offered_as_a_lining_and_not_taken_for_one(tmp_path):
    text = "Unit;Date;Odometer km;Axle;Side;Shoe thk 32nds\nT1;2024-01-09;100000;1;L;15\n"
    assert '"Shoe thk 32nds" = "lining_32nds", or what it is' in mapped(tmp_path, text)[1]


def test_cells_in_percent_are_said_to_be_no_length(tmp_path):
    text = "Unit;Date;Odometer km;Pos;Lining left\nT1;2024-01-09;100000;1L;84%\n"
    _, told = mapped(tmp_path, text)
    assert "Lining left: cannot be used, because nothing says what 100 % is" in told
    assert "seems to hold readings" not in told


@pytest.mark.parametrize(
    "heading",
    ["Return test failed", "Marks not aligned", "Grease cap missing", "Essai retour non OK"],
)
def test_what_says_the_opposite_of_a_reading_is_not_offered_as_one(tmp_path, heading):
    """Yes would be read as a pass."""
    text = f"Unit;Date;Odometer km;Axle;Side;Lining mm;{heading}\n"
    _, told = mapped(tmp_path, text + "T1;2024-01-09;100000;1;L;9;yes\n")
    assert f"{heading} | yes | left alone" in told
    assert "to read it" not in told


def test_headings_that_may_be_what_is_lacking_are_named_with_what_to_write(tmp_path):
    text = "Inventory;Ablesung;Odometer km;Axle;Side;Lining mm\nT1;2024-01-09;100000;1;L;9\n"
    _, told = mapped(tmp_path, text)
    assert (
        'if one of Inventory, Ablesung is it, in fleet.toml: table = "inspections", '
        '"its heading" = "unit_id", "its heading" = "inspected_on"'
    ) in told


def test_rows_that_name_those_of_another_file_are_said_to_want_one_export(tmp_path):
    (tmp_path / "visits.csv").write_text(
        "id;vehicle_id;date;odometer_km\n900;7;2024-01-09;100000\n"
    )
    _, told = mapped(tmp_path, "id;visit_id;axle_no;side;lining_mm\n5;900;1;L;15\n")
    assert "visit_id: may name rows of another file, and files are not joined" in told
