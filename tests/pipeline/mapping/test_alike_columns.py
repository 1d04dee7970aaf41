"""Columns that are the same thing, stand twice or have slid: read as one, or not at all."""

import polars as pl
import pytest

from pipeline.cli import main
from pipeline.mapping.applying import typed_table
from pipeline.mapping.command import map_lake
from pipeline.mapping.headings import meanings
from pipeline.mapping.shapes import shaped_grids
from pipeline.mapping.tables import tables_in
from pipeline.mapping.words import spelled
from pipeline.settings import load_settings
from tests.exports.fleet import workbook


def mapped(folder, text, *, name="a.csv"):
    """What map says of one file."""
    (folder / name).write_text(text, encoding="utf-8")
    told = []
    found = map_lake(folder, None, told.append)
    return found, "\n".join(told)


def rows_of(folder, name="a.csv") -> pl.DataFrame:
    """The rows that come of a file that has been mapped."""
    settings = load_settings(folder / "fleet.toml")
    path = folder / name
    tables = [
        t
        for grid in shaped_grids(path.read_bytes(), path)
        for t in tables_in(grid, settings.files, name)
    ]
    return pl.concat(typed_table(t, settings).rows for t in tables)


SLID = """\
Unit,Date,Km,1L lining mm,1R lining mm
T1,2024-01-11,126172,15,5,14,0
T1,2024-04-15,135673,14,5,13,5
"""


@pytest.mark.parametrize(
    "text",
    [
        SLID,
        SLID.replace("126172,15,5", "126,172,15").replace("135673,14,5", "135,673,14"),
        SLID.replace(",15,5,14,0", ",15,14,see note").replace("14,5,13,5", "14,13"),
    ],
)
def test_rows_with_something_beyond_their_heading_have_slid(tmp_path, text):
    """Whatever many rows do: 15,5 between commas is two cells, and the next ones are not theirs."""
    (tmp_path / "fleet.toml").write_text(
        '[[files]]\ntable = "inspections"\n[files.columns]\nUnit = "unit_id"\nDate = "inspected_on"'
        '\nKm = "odometer_km"\n"1L lining mm" = "1L lining_mm"\n"1R lining mm" = "1R lining_mm"\n'
    )
    (tmp_path / "a.csv").write_text(text)
    wide = pl.col("problem").str.contains("cells; accepted: 5, as in the heading (quotes go round",
                                          literal=True)  # fmt: skip
    rows = rows_of(tmp_path).with_columns(wide=wide.fill_null(value=False))
    slid = [line.count(",") > 4 for line in text.splitlines()[1:] for _ in "LR"]
    assert rows["wide"].to_list() == slid


def test_a_blank_cell_more_than_other_rows_have_shows_that_a_row_has_slid(tmp_path):
    head, row = "Unit,Date,Km,Axle,Side,Lining mm,Remarks\n", "T1,2024-0{}-09,10{}000,1,L,{},\n"
    (tmp_path / "a.csv").write_text(head + row.format(1, 1, "15,5") + row.format(4, 4, 15))
    map_lake(tmp_path, None, lambda _: None)
    assert [why or "" for why in rows_of(tmp_path)["problem"]][1] == ""
    assert "found 8 cells; accepted: 7" in rows_of(tmp_path)["problem"][0]


def test_cells_left_empty_beyond_the_heading_are_none(tmp_path):
    text = "Unit;Date;Km;1L lining mm;1R lining mm\nT1;2024-01-11;126172;15;14;;\n"
    mapped(tmp_path, text)
    assert rows_of(tmp_path)["problem"].null_count() == 2


DITTO = "Unit;Date;Km;Axle;Side;Lining mm\nT1;2024-01-11;126172;1;L;15\n{};{};{};1;R;14\n"


@pytest.mark.parametrize("mark", ["″", "〃", '-"-', "dto.", "idem"])
def test_a_ditto_mark_is_the_cell_above_it(tmp_path, mark):
    mapped(tmp_path, DITTO.format(mark, mark, mark))
    rows = rows_of(tmp_path)
    assert rows["problem"].null_count() == 2
    assert rows.select("unit_id", "odometer_km").rows() == [("T1", 126_172)] * 2


@pytest.mark.parametrize("cell", ["-", "?", "n/a", "unknown"])
def test_what_says_nothing_is_no_unit(tmp_path, cell):
    mapped(tmp_path, DITTO.format(cell, "2024-01-11", "126172"))
    assert rows_of(tmp_path)["problem"].is_null().to_list() == [True, False]


def test_a_ditto_mark_below_nothing_is_no_unit(tmp_path):
    text = DITTO.replace("T1", "idem").format("T2", "2024-01-11", "126172")
    mapped(tmp_path, text)
    assert rows_of(tmp_path)["unit_id"].to_list() == [None, "T2"]


def test_odometers_a_hundred_times_below_the_others_are_told(tmp_path, capsys):
    rows = "".join(
        f"T{n};2024-0{month}-11;{km + month};1;L;{20 - month}\n"
        for n, km in ((1, 126_000), (2, 98_000), (3, 410)) for month in (1, 6)
    )  # fmt: skip
    mapped(tmp_path, DITTO.partition("T1")[0] + rows)
    main(["check", str(tmp_path)])
    assert "odometers of 1 unit (T3) stay a hundred times below" in capsys.readouterr().out


LONG = """\
Unit no,Date,Km,Position,Measurement,Result,UoM
T1,2024-01-11,126172,1L,Lining,12.5,mm
T1,2024-01-11,126172,1R,Lining,0.5,in
"""


def test_a_reading_in_either_of_two_units_is_read_from_both_columns(tmp_path):
    mapped(tmp_path, LONG)
    rows = rows_of(tmp_path)
    assert rows["lining_mm"].to_list() == [12.5, 12.7]
    assert rows["problem"].null_count() == 2


BOTH = """\
Unit;Date;Odometer km;Odometer miles;1L lining mm;1R lining mm
T1;2024-01-11;126172;78400;15;14
T1;2024-04-15;135673;91400;14;13
"""


def test_two_columns_of_one_thing_must_agree_up_to_rounding(tmp_path):
    mapped(tmp_path, BOTH)
    rows = rows_of(tmp_path)
    assert rows["odometer_km"].to_list() == [126172, 126172, None, None]
    found = 'Odometer km / Odometer miles: found "135673 / 91400"; accepted: a number'
    assert [p is not None and p.startswith(found) for p in rows["problem"]] == [False] * 2 + [
        True
    ] * 2


ENDS = """\
Unit;Date;Km;1L lining inner mm;1L lining outer mm;1R lining inner mm;1R lining outer mm
T1;2024-01-11;126172;12.5;11.5;13;14
T1;2024-04-15;135673;rusty;11;12;
"""


def test_of_a_lining_read_at_both_ends_the_thinner_end_counts(tmp_path):
    _, told = mapped(tmp_path, ENDS)
    assert "  1L lining inner mm | 12.5, rusty | left alone: 1 of 2 cells are no length" in told
    (tmp_path / "fleet.toml").unlink()
    _, told = mapped(tmp_path, ENDS.replace("rusty", "10"))
    assert "1L lining outer mm | 11.5, 11 | 1L lining_mm (the thinnest of several counts)" in told
    assert rows_of(tmp_path)["lining_mm"].to_list() == [11.5, 13, 10, 12]
    (tmp_path / "a.csv").write_text(ENDS)  # a cell that cannot be read may be the thinner end
    assert rows_of(tmp_path)["lining_mm"].to_list() == [11.5, 13, None, 12]


@pytest.mark.parametrize(
    "headings",
    [
        ["1L inner lining mm", "1R inner lining mm"], ["inner lining mm", "upper lining mm"],
        ["Inner wheel", "Outer wheel"], ["upper stroke mm", "lower stroke mm"],
    ],
)  # fmt: skip
def test_an_end_without_its_counterpart_or_of_no_lining_is_not_read(headings):
    assert {m.concept for m in meanings(["Unit", "Date", "Km", *headings])[3:]} == {None}


def test_a_lining_whose_heading_stands_twice_is_read_at_its_thinner_end(tmp_path):
    text = "Unit;Date;Km;Axle;Lining L mm;Lining R mm;Lining L mm;Lining R mm\n"
    _, told = mapped(tmp_path, f"{text}T1;2024-01-11;126172;1;15;12;13;14\n")
    assert told.count("(the thinnest of several counts)") == 4
    assert rows_of(tmp_path)["lining_mm"].to_list() == [13, 12]


def test_any_other_heading_that_stands_twice_is_read_once_and_check_says_so(tmp_path, capsys):
    text = "Unit;Date;Km;Axle;Lining L mm;Lining R mm;L cap;R cap;L cap;R cap;Date\n"
    row = "T1;2024-01-11;126172;1;15;14;ok;ok;open;;2024-02-02\n"
    _, told = mapped(tmp_path, f"{text}{row}")
    again = "left alone: a heading of the same name stands to its left"
    assert [line.split(" | ")[0].strip() for line in told.splitlines() if again in line] == [
        "L cap (2)", "R cap (2)", "Date (2)",
    ]  # fmt: skip
    assert rows_of(tmp_path)["cap_state"].to_list() == ["seated", "seated"]
    assert main(["check", str(tmp_path)]) == 0
    said = "left alone, as a heading of the same name stands before: L cap (2), Date (2)"
    assert said in capsys.readouterr().out


def test_linings_that_name_no_side_are_not_the_two_ends_of_one(tmp_path):
    text = "Unit;Date;Km;Axle;Lining mm;Lining mm\nT1;2024-01-11;126172;1;15;13\n"
    found, told = mapped(tmp_path, text)
    assert not found.is_clear
    assert "Lining mm (2) | 13 | left alone: a heading of the same name" in told


@pytest.mark.parametrize(("count", "read"), [("2", False), ("1", True)])
def test_how_many_axles_there_are_is_not_which_axle_it_is(tmp_path, count, read):
    text = f"Unit;Axles;Axle type;Arm mm\nT1;{count};drive;150\nT2;{count};drive;150\n"
    found, told = mapped(tmp_path, text)
    assert ("one row a unit, so how many axles there are; accepted: a row an axle" in told) != read
    assert found.forms[0].found.is_usable is read


def test_signs_are_told_apart_where_a_person_says_what_they_mean(tmp_path):
    assert (spelled("+"), spelled("-"), spelled("i.O.")) == ("+", "-", "i o")
    text = "Unit;Date;Km;Axle;Side;Lining mm;Return test\n"
    text += "T1;2024-01-11;126172;1;L;15;+\nT1;2024-01-11;126172;1;R;14;-\n"
    _, told = mapped(tmp_path, text)
    said = '"Return test" = "return_test", under [files.values."Return test"] "+" = what it means'
    assert said in told.replace('"-" = what', '"+" = what')
    settings = (tmp_path / "fleet.toml").read_text().replace(
        '"Return test" = ""', '"Return test" = "return_test"'
    )  # fmt: skip
    settings += '\n[files.values."Return test"]\n"+" = "pass"\n"-" = "fail"\n'
    (tmp_path / "fleet.toml").write_text(settings)
    assert rows_of(tmp_path)["return_test"].to_list() == ["pass", "fail"]


@pytest.mark.parametrize(
    ("heading", "place"),
    [("Lining driver's side mm", "off"), ("Belag re mm", "R"), ("Brg L mm", None)],
)
def test_more_words_for_sides(heading, place):
    other = {"off": "Lining passenger's side mm", "R": "Belag li mm"}.get(place, "Brg R mm")
    said = meanings(["Unit", "Date", "Km", "Axle", heading, other])
    assert said[4].side == place


@pytest.mark.parametrize("heading", ["Side (L/R)", "SIDE L/R:", "Seite (links/rechts)"])
def test_a_heading_may_name_both_sides_that_its_cells_tell_apart(heading):
    assert meanings([heading])[0].concept == "side"


def test_a_table_lacking_its_day_says_that_it_lacks_it(tmp_path):
    text = "Unit;When;Km;1L lining mm;1R lining mm\nT1;2024-01-11;126172;15;14\n"
    _, told = mapped(tmp_path, text)
    assert "it looks like inspections, but no column is understood as date" in told


def test_a_line_that_would_mend_names_the_columns_own_place(tmp_path):
    text = "Unit;Date;Km;1L lining mm;1R lining mm\nT1;2024-01-11;126172;OK;14\n"
    _, told = mapped(tmp_path, text.replace("1R lining mm\n", "1R lining mm\n"))
    assert '"1L lining mm" = "1L lining_mm", or what it is' in told


def test_columns_of_another_table_are_not_offered_as_readings(tmp_path):
    text = "Unit;Date;Km;Axle;Side;New lining mm;Lining mm\nT1;2024-01-11;126172;1;L;16;15\n"
    _, told = mapped(tmp_path, f"{text}T1;2024-01-11;126172;1;R;16;14\n")
    assert "not read from here: New lining mm" in told
    assert "seems to hold readings" not in told


def test_percent_is_said_to_be_no_length(tmp_path):
    text = "Unit;Date;Km;1L lining %;1R lining %\nT1;2024-01-11;126172;80;75\n"
    _, told = mapped(tmp_path, text)
    assert "1L lining % | 80 | left alone: a share in percent; accepted: a length" in told
    assert "= " not in told  # no line is offered that would take it for mm


def test_map_says_that_rows_have_slid(tmp_path):
    _, told = mapped(tmp_path, SLID)
    assert "2 rows with cells beyond the heading will be set aside: quotes go round" in told


def test_the_lines_that_map_offers_for_words_it_does_not_know_read_them(tmp_path):
    text = "Unit;Date;Km;Position;Lining mm\n"
    text += "T1;2024-01-11;126172;11;15\nT1;2024-01-11;126172;12;14\n"
    _, told = mapped(tmp_path, text)
    lines = 'table = "inspections", "Position" = "position", under [files.values."Position"]'
    assert (
        f"has a known heading, and is left alone: Position; to read it, in fleet.toml: {lines}"
        in told
    )
    settings = (tmp_path / "fleet.toml").read_text()
    settings = settings.replace('table = "none"', 'table = "inspections"')
    settings = settings.replace('Position    = ""', 'Position    = "position"')
    settings += '\n[files.values."Position"]\n"11" = "1L"\n"12" = "1R"\n'
    (tmp_path / "fleet.toml").write_text(settings)
    rows = rows_of(tmp_path)
    assert rows.select("axle_no", "side", "lining_mm").rows() == [(1, "L", 15), (1, "R", 14)]


@pytest.mark.parametrize("place", ["L1", "A1L", "a1-l"])
def test_letters_beside_numbers_are_places(tmp_path, place):
    right = place.replace("L", "R").replace("-l", "-r")
    text = f"Unit;Date;Km;Position;Lining mm\nT1;2024-01-11;126172;{place};15\n"
    mapped(tmp_path, f"{text}T1;2024-01-11;126172;{right};14\n")
    rows = rows_of(tmp_path)
    assert rows.select("axle_no", "side", "lining_mm").rows() == [(1, "L", 15), (1, "R", 14)]


def test_one_heading_over_several_places_is_that_of_each(tmp_path):
    text = "Unit;Date;Km;Lining (mm);;Free stroke (mm);\n;;;L1;R1;L1;R1\n"
    mapped(tmp_path, f"{text}T1;2024-01-11;126172;15;14;35;36\n")
    rows = rows_of(tmp_path)
    assert rows.select("axle_no", "side", "lining_mm", "free_stroke_mm").rows() == [
        (1, "L", 15, 35), (1, "R", 14, 36),
    ]  # fmt: skip


def test_a_sheet_may_be_said_to_be_named_after_its_unit(tmp_path):
    head = ["Date", "Km", "1L lining mm", "1R lining mm"]
    sheets = {f"T{n}": [head, ["2024-01-11", 126_172, 15, 14]] for n in (1, 2)}
    workbook(tmp_path / "a.xlsx", sheets)
    told = []
    found = map_lake(tmp_path, None, told.append)
    assert not found.is_clear  # nobody but a person knows what a sheet's name says
    assert any('of a sheet for each unit "(sheet)" = "unit_id")' in line for line in told)
    settings = (
        (tmp_path / "fleet.toml").read_text().replace('table = "none"', 'table = "inspections"')
    )
    settings = settings.replace('"(sheet)"      = ""', '"(sheet)"      = "unit_id"')
    (tmp_path / "fleet.toml").write_text(settings)
    rows = rows_of(tmp_path, "a.xlsx")
    assert rows["unit_id"].to_list() == ["T1", "T1", "T2", "T2"]
    assert rows["problem"].null_count() == 4


def test_whoever_sits_at_the_terminal_is_asked_whether_sheets_are_units(tmp_path):
    head = ["Date", "Km", "1L lining mm", "1R lining mm"]
    sheets = {f"T{n}": [head, ["2024-01-11", 126_172, 15, 14]] for n in (1, 2)}
    workbook(tmp_path / "a.xlsx", sheets)
    assert not map_lake(tmp_path, lambda _: "no", lambda _: None).is_clear
    (tmp_path / "fleet.toml").unlink()
    told = []
    assert map_lake(tmp_path, lambda _: "yes", told.append).is_clear
    assert "Is T1, the name of a sheet, the unit of its rows? (of 2 such sheets in" in told[0]
    for _ in "12":  # and not again
        assert rows_of(tmp_path, "a.xlsx")["unit_id"].to_list() == ["T1", "T1", "T2", "T2"]
        assert map_lake(tmp_path, None, lambda _: None).is_clear
    (tmp_path / "fleet.toml").write_text("[answers]\nsheet_units = true\n")
    assert map_lake(tmp_path, None, lambda _: None).is_clear


AXLES = """\
Unit;Depot;Axle 1 type;Axle 2 type;Axle 3 type;Axle 1 arm mm;Axle 2 arm mm;Axle 3 arm mm
T1;North;steer;drive;;130;150;
T2;South;steer;drive;tag;130;150;140
"""


def test_a_register_may_have_its_axles_in_columns(tmp_path):
    found, told = mapped(tmp_path, AXLES)
    assert found.is_clear, told
    rows = rows_of(tmp_path)
    read = rows.select("unit_id", "axle_no", "side", "axle_type", "arm_length_mm", "depot").rows()
    assert read == [
        (unit, axle, side, kind, arm, depot)
        for unit, depot, axles in (("T1", "North", 2), ("T2", "South", 3))
        for axle, kind, arm in ((1, "steer", 130), (2, "drive", 150), (3, "tag", 140))
        for side in "LR"
        if axle <= axles
    ]
    assert rows["problem"].null_count() == rows.height


def test_a_reading_that_cannot_be_read_is_not_said_to_be_lacking(tmp_path):
    text = "Unit;Date;Km;1L lining mm;1R lining mm\nT1;2024-01-11;126172;15;14\n"
    mapped(tmp_path, text)
    (tmp_path / "a.csv").write_text(text.replace(";15;14", ";worn out;14"))
    problem = rows_of(tmp_path)["problem"][0]
    assert problem.startswith('1L lining mm: found "worn out"; accepted: a number')
    assert "no reading" not in problem


def test_a_table_far_below_another_is_found(tmp_path):
    """Jobs under a long table of readings are jobs, not readings that cannot be read."""
    text = "Unit;Date;Km;1L lining mm;1R lining mm\n"
    text += "".join(f"T{n};2024-01-11;126172;15;14\n" for n in range(100))
    text += "\nUnit;Date done;Km;Position;Job\nT1;2024-02-11;127000;1L;reline\n"
    found, told = mapped(tmp_path, text)
    assert [form.found.table for form in found.forms] == ["inspections", "work"], told
    assert main(["check", str(tmp_path)]) == 0


LOG = """\
Unit;Date;Km;Axle;Side;Lining mm;Work done
T1;2024-01-11;126172;1;L;6;
T1;2024-01-11;126172;1;R;7;greased
T1;2024-01-15;126300;1;L;;reline
T1;2024-04-11;136172;1;L;15;
T1;2024-04-12;136200;1;L;;
"""


def test_jobs_among_readings_are_read_from_the_same_rows(tmp_path, capsys):
    """A row of each is one of each; a row of neither is lost to nobody."""
    found, told = mapped(tmp_path, LOG)
    assert [form.found.table for form in found.forms] == ["inspections", "work"]
    assert "  Work done | greased, reline | read as work" in told
    assert "  Lining mm | 6, 7, 15 | read as inspections" in told
    assert "not read from here" not in told
    assert "seems to hold" not in told
    assert found.is_clear
    assert main(["check", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    assert "6 rows in 1 file: 5 accepted, 0 repeated, 1 set aside" in out
    assert "a.csv [table 1] row 6: found no reading" in out
    settings = load_settings(tmp_path / "fleet.toml")
    (grid,) = shaped_grids(LOG.encode(), tmp_path / "a.csv")
    read, done = (typed_table(t, settings).rows for t in tables_in(grid, settings.files, "a.csv"))
    assert read["lining_mm"].to_list() == [6, 7, 15, None]
    assert done.select("side", "action").rows() == [("R", "greased"), ("L", "reline")]


def test_jobs_that_name_no_wheel_end_are_left_where_they_are(tmp_path):
    text = "Unit;Date;Km;1L lining mm;1R lining mm;Work done\nT1;2024-01-11;126172;15;14;reline\n"
    found, told = mapped(tmp_path, text)
    assert [form.found.table for form in found.forms] == ["inspections"]
    assert "not read from here: Work done; what they hold belongs into a table of its own" in told


@pytest.mark.parametrize("words", ["✓ ✗", "TRUE FALSE", "satisfactory unsatisfactory"])
def test_more_words_for_a_return_test(tmp_path, words):
    good, bad = words.split()
    text = "Unit;Date;Km;Axle;Side;Lining mm;Return test\n"
    text += f"T1;2024-01-11;126172;1;L;15;{good}\nT1;2024-01-11;126172;1;R;14;{bad}\n"
    mapped(tmp_path, text)
    assert rows_of(tmp_path)["return_test"].to_list() == ["pass", "fail"]


def test_an_axles_column_that_names_sides_too_is_one_of_positions(tmp_path):
    text = "Unit;Date;Odometer km;Axle;Lining mm\n"
    text += "T1;2024-01-09;100000;1L;15\nT1;2024-01-09;100000;2R;9\n"
    assert mapped(tmp_path, text)[0].is_clear
    assert rows_of(tmp_path).select("axle_no", "side").rows() == [(1, "L"), (2, "R")]
    text = text.replace("Lining mm", "Side;Lining mm").replace("L;", "L;R;").replace("R;9", "R;R;9")
    assert not mapped(tmp_path, text)[0].is_clear  # two say which side


@pytest.mark.parametrize(("odometer", "offered"), [("Mätarställning", True), ("Odometer", False)])
def test_tens_of_km_are_offered_where_they_are_counted(tmp_path, odometer, offered):
    text = f"Fordon;Datum;{odometer};Axel;Sida;Belägg mm\nT1;2024-01-09;16886;1;V;15\n"
    (tmp_path / "a.csv").write_text(text + "T1;2024-01-09;16886;1;H;15\n", encoding="utf-8")
    asked: list[str] = []
    map_lake(tmp_path, lambda question: asked.append(question) or "", lambda _: None)
    assert len(asked) == 1
    assert ("10km" in asked[0]) is offered


def test_readings_of_a_table_beside_another_are_no_other_ends_of_its_linings(tmp_path, capsys):
    head = "Unit;Date;Odometer km;1L lining mm;1R lining mm"
    text = f"{head};;{head}\nT1;2024-01-09;100000;15;14;;T2;2024-02-09;300000;9;8\n"
    _, told = mapped(tmp_path, text)
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 14]
    beside = (
        "Unit (2), Date (2), Odometer km (2), 1L lining mm (2) …: cannot be used, because a row"
    )
    assert beside in told
    main(["check", str(tmp_path)])
    assert "left alone, as a heading of the same name stands before: Unit (2)" in (
        capsys.readouterr().out
    )


def test_readings_of_another_day_in_the_same_row_are_no_other_ends_either(tmp_path):
    text = "Unit;Date;Odometer km;1L lining mm;1R lining mm;Date;1L lining mm;1R lining mm\n"
    mapped(tmp_path, f"{text}T1;2024-01-09;100000;15;14;2024-04-09;12;11\n")
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 14]
