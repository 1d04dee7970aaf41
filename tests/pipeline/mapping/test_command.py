"""``drumline map``: what it writes, what it leaves alone, and what the next month finds."""

import datetime as dt
import re
import shutil
import tomllib

import pytest

from pipeline.cli import main
from pipeline.mapping.applying import typed_table
from pipeline.mapping.command import map_lake
from pipeline.mapping.grids import read_grids
from pipeline.mapping.tables import tables_in
from pipeline.settings import load_settings
from tests.exports.fleet import delimited, workbook

HEAD = ["Fleet no", "Date", "Odometer", "1L lining mm", "1R lining mm", "Remarks"]
VISITS = [
    ["T1", "03/04/2025", "120000", "15", "14.5", "ok"],
    ["T2", "05/04/2025", "90000", "12", "", ""],
    ["T1", "03/07/2025", "131000", "14", "13.5", ""],
]


@pytest.fixture
def lake(tmp_path):
    folder = tmp_path / "lake"
    folder.mkdir()
    delimited(folder / "any folder" / "visits 2025.csv", [HEAD, *VISITS])
    return folder


def mapped(lake, *answers):
    """What a map says, with these answers or, without any, with nobody at the terminal."""
    told, left = [], list(answers)
    found = map_lake(lake, (lambda _: left.pop(0)) if answers else None, told.append)
    return found, "\n".join(told)


def settings_of(lake):
    return (lake / "fleet.toml").read_text(encoding="utf-8")


def test_every_column_is_told_with_examples_and_what_it_is_taken_for(lake):
    _, told = mapped(lake)
    assert "visits 2025.csv: 3 rows, taken for inspections" in told
    assert "  1L lining mm | 15, 12, 14 | 1L lining_mm" in told
    assert "  Remarks | ok | left alone: not understood: remarks" in told
    assert "  Odometer | 120000, 90000, 131000 | odometer (once answered: distance)" in told


def test_without_a_terminal_questions_are_comments_and_nothing_is_guessed(lake, capsys):
    found, _ = mapped(lake)
    assert (found.open_questions, found.is_clear) == (2, False)
    assert '# distance = "km"   # to answer' in settings_of(lake)
    assert load_settings(lake / "fleet.toml").answers.model_fields_set == set()
    assert main(["check", str(lake)]) == 2
    out = capsys.readouterr().out
    assert "3 rows in 1 file: 0 accepted, 0 repeated, 3 set aside" in out
    assert "[answers] day_first = true, or false" in out


def test_a_question_answered_in_the_file_is_not_asked_again(lake):
    mapped(lake)
    text = settings_of(lake).replace("# day_first", "day_first").replace("# distance", "distance")
    (lake / "fleet.toml").write_text(text, encoding="utf-8")
    found, _ = mapped(lake)
    assert found.is_clear
    assert settings_of(lake) == text


def test_answers_stay_when_the_part_is_written_anew(lake):
    mapped(lake, "month", "mi")
    first = settings_of(lake)
    found, _ = mapped(lake)
    assert found.is_clear
    answers = load_settings(lake / "fleet.toml").answers
    assert (answers.day_first, answers.distance) == (False, "mi")
    assert tomllib.loads(settings_of(lake)) == tomllib.loads(first)


def test_an_unclear_answer_is_asked_again_and_an_empty_one_takes_the_default(lake):
    _, told = mapped(lake, "perhaps", "", "")
    assert "found 'perhaps'; accepted: day (true), month (false)" in told
    assert load_settings(lake / "fleet.toml").answers.day_first is True


def test_a_persons_lines_stay_as_they_are(lake):
    own = '# mine\r\n[fleet]\r\nname = "Løvås"   # ours\r\n\r\n[answers]\r\nday_first = true\r\n'
    (lake / "fleet.toml").write_bytes(own.encode())
    mapped(lake, "km")
    text = (lake / "fleet.toml").read_bytes().decode()
    assert text.startswith(own.replace("day_first", 'distance = "km"\r\nday_first'))
    assert load_settings(lake / "fleet.toml").fleet.name == "Løvås"


def test_what_a_person_corrected_stays_and_later_finds_go_below(lake):
    mapped(lake, "day", "km")
    text = settings_of(lake).replace('Remarks        = ""', 'Remarks        = "1L fault"')
    assert text != settings_of(lake)
    (lake / "fleet.toml").write_text(text, encoding="utf-8")
    workbook(lake / "new.xlsx", {"Achsen": [["Fahrzeug", "Achse", "Achstyp"], ["T1", 1, "Lenk"]]})
    mapped(lake)
    assert settings_of(lake).startswith(text)
    assert [f.table for f in load_settings(lake / "fleet.toml").files] == [
        "inspections",
        "register",
    ]


def test_the_next_months_export_needs_nothing(lake, capsys):
    mapped(lake, "day", "km")
    later = [["T1", "03/10/2025", "142000", "13", "12.5", ""]]
    delimited(lake / "elsewhere" / "october.csv", [HEAD, *later])
    assert main(["check", str(lake)]) == 0
    assert "4 rows in 2 files: 4 accepted" in capsys.readouterr().out


def test_an_export_with_other_headings_is_said_and_not_read(lake, capsys):
    mapped(lake, "day", "km")
    delimited(lake / "odd.csv", [["Fleet no", "When", "Lining"], ["T1", "today", "9"]])
    assert main(["check", str(lake)]) == 1
    assert (
        "odd.csv: not read: none of the 1 [[files]] of fleet.toml fits" in capsys.readouterr().out
    )


def test_an_export_that_lost_a_heading_is_told_which(lake, capsys):
    mapped(lake, "day", "km")
    delimited(lake / "less.csv", [["Fleet no", "Date", "Odometer", "1L lining mm"], ["T1"] * 4])
    assert main(["check", str(lake)]) == 1
    assert "the nearest for lack of '1R lining mm'" in capsys.readouterr().out


def test_what_a_line_cost_is_counted_once(lake, capsys):
    lines = [
        ["Fleet no", "Date", "Km", "Job description", "Cost"],
        ["T1", "2025-04-04", "120100", "reline axle 1 both sides", "400"],
        ["T1", "2025-04-05", "120110", "reline axle 2 left, new drum", "300"],
    ]
    delimited(lake / "jobs.csv", lines)
    mapped(lake, "day", "km")
    settings = load_settings(lake / "fleet.toml")
    content = (lake / "jobs.csv").read_bytes()
    (grid,) = read_grids(content, lake / "jobs.csv")
    (table,) = tables_in(grid, settings.files, "jobs.csv")
    typed = typed_table(table, settings)
    told = typed.rows.select("action", "side", "cost").rows()
    assert told == [
        ("reline", "L", 200.0), ("reline", "R", 200.0), ("reline", "L", None),
        ("drum_replaced", "L", None),
    ]  # fmt: skip
    assert "2 lines of several wheel ends" in typed.notes[-1]
    assert typed.notes[-1].endswith("left out where they did several things (1 line)")
    assert typed.rows["problem"].null_count() == 4
    capsys.readouterr()
    main(["check", str(lake)])
    assert "cost not readable" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("headings", "costs"),
    [
        (("Parts cost", "Labour cost"), [490.0, 180.0, None, None]),
        (("Material", "Lohn"), [490.0, 180.0, None, None]),
        # The same thing twice, or with and without tax: alike, or nobody knows which.
        (("Labour cost", "Labour cost (GBP)"), [None, 180.0, None, None]),
        (("Parts cost", "Total cost"), [None, 180.0, None, None]),
    ],
)
def test_costs_of_parts_and_of_labour_are_added_up(lake, headings, costs):
    cells = [("310", "180"), ("", "180"), ("", ""), ("310", "much")]
    rows = [["T1", f"2025-04-{i:02}", f"{120000 + i}", "reline axle 1 left", *of]
            for i, of in enumerate(cells, start=4)]  # fmt: skip
    delimited(lake / "jobs.csv", [["Fleet no", "Date", "Km", "Job", *headings], *rows])
    mapped(lake, "day", "km")
    text = settings_of(lake)
    for heading in headings:
        text = re.sub(rf'(?m)^("?{re.escape(heading)}"?\s*)= ""', r'\1= "cost"', text)
    (lake / "fleet.toml").write_text(text, encoding="utf-8")
    typed = typed_jobs(lake / "jobs.csv", load_settings(lake / "fleet.toml"))
    assert typed.rows["cost"].to_list() == costs
    assert typed.rows["problem_kind"][3] == "cost not readable"


AXLES_ALONE = ("Axle 2 relined", "shoes axle 1 replaced", "axle 1 left relined",
               "new drums axle 2", "relined axles 1 and 2, both sides")  # fmt: skip


def axles_alone(lake):
    rows = [["T1", f"2025-04-{i:02}", f"{120000 + i}", line]
            for i, line in enumerate(AXLES_ALONE, start=14)]  # fmt: skip
    delimited(lake / "jobs.csv", [["Fleet no", "Date", "Km", "Job"], *rows])


def placed(typed):
    ends = typed.rows.filter(typed.rows["problem"].is_null()).select("action", "axle_no", "side")
    return [f"{action} {axle}{side}" for action, axle, side in ends.rows()]


SURE = ["reline 1L", "reline 1L", "reline 1R", "reline 2L", "reline 2R"]


def test_what_an_axle_relined_without_a_side_means_is_asked_and_never_taken_unasked(lake, capsys):
    axles_alone(lake)
    found, _ = mapped(lake)
    assert '# axle_alone = "both"   # to answer' in settings_of(lake)
    assert "as in Axle 2 relined)" in settings_of(lake)
    assert not found.is_clear
    typed = typed_jobs(lake / "jobs.csv", load_settings(lake / "fleet.toml"))
    assert placed(typed) == SURE
    main(["check", str(lake)])
    out = capsys.readouterr().out
    assert 'found "Axle 2 relined", which names axle 2, and no side; accepted: axle_alone' in out
    assert 'to mend, in fleet.toml: [answers] axle_alone = "both"' in out


@pytest.mark.parametrize(("line", "asked"), [
    ("Reline LR brake", ["rear_axle"]), ("OSF shoes replaced", ["near_side"]),
    ("new linings NSR", ["near_side", "rear_axle"]), ("Reline LF brake", []),
    ("relined axle 2 left, 2 hr", []),
])  # fmt: skip
def test_letters_for_a_wheel_in_job_lines_are_asked_about(lake, line, asked):
    delimited(lake / "jobs.csv", [["Fleet no", "Date", "Km", "Job"],
                                  ["T1", "2025-04-14", "120000", line]])  # fmt: skip
    map_lake(lake, None, lambda _: None)
    text = settings_of(lake)
    assert [key for key in ("near_side", "rear_axle") if f"# {key} = " in text] == asked


@pytest.mark.parametrize(
    ("answer", "more"), [("both", ["reline 2L", "reline 2R", "reline 1L", "reline 1R"]),
                         ("unknown", [])],
)  # fmt: skip
def test_an_answer_places_relines_of_an_axle_and_no_other_job(lake, answer, more):
    axles_alone(lake)
    _, told = mapped(lake, "day", answer, "km")
    assert "as in Axle 2 relined)" in told
    assert load_settings(lake / "fleet.toml").answers.axle_alone == answer
    typed = typed_jobs(lake / "jobs.csv", load_settings(lake / "fleet.toml"))
    assert placed(typed) == more + SURE
    drum = typed.rows.filter(typed.rows["action"] == "drum_replaced")["problem"].to_list()
    assert "accepted: an axle and a side" in drum[0]


def test_rows_that_say_their_side_are_not_asked_about(lake):
    delimited(lake / "jobs.csv", [JOB_HEAD, *job_rows(("axle 1 relined", ""), ("relined", ""))])
    mapped(lake, "day", "km")
    assert "axle_alone" not in settings_of(lake)


JOB_HEAD = ["Fleet no", "Date", "Km", "Axle", "Side", "Job description", "Cost"]


def job_rows(*told):
    """A row on each side in turn, a job line and what it cost each."""
    return [["T1", f"2025-04-{i:02}", f"{120000 + i}", "1", "LR"[i % 2], *row]
            for i, row in enumerate(told, start=4)]  # fmt: skip


def typed_jobs(path, settings):
    (grid,) = read_grids(path.read_bytes(), path)
    (table,) = tables_in(grid, settings.files, path.name)
    return typed_table(table, settings)


def test_a_map_shows_what_each_kind_of_job_line_becomes(lake):
    lines = [("reline brakes", "10")] * 3 + [("New shoes and drum", ""), ("Linings ok", "")]
    delimited(lake / "jobs.csv", [JOB_HEAD, *job_rows(*lines, ("washed", ""))])
    _, told = mapped(lake, "day", "km")
    for said in ("  3 job lines: reline\n    3 × reline brakes",
                 "  1 job line: drum_replaced and reline\n    1 × New shoes and drum",
                 "  1 job line: other, though naming linings, shoes, adjusters, drums or new "
                 "brakes\n    1 × Linings ok", "  1 job line: other\n    1 × washed"):  # fmt: skip
        assert said in told
    assert "# 3 lines: reline, as in\n#   3 × reline brakes" in settings_of(lake)
    assert tomllib.loads(settings_of(lake))["files"][-1]["jobs"]["actions"] == {}
    # A person's own lines stay, and the map still shows what the job lines become by them.
    kept = settings_of(lake).replace("[files.jobs.actions]", '[files.jobs.actions]\n"ok"="greased"')
    (lake / "fleet.toml").write_text(kept, encoding="utf-8")
    _, told = mapped(lake)
    assert "  1 job line: greased\n    1 × Linings ok" in told
    assert "every table is in the contract's form, or read as fleet.toml says" in told


def test_jobs_under_a_heading_that_only_a_person_knows_are_shown_too(lake):
    head = ["Vehicle", "Date", "Km", "Axle", "Side", "Blurb"]
    delimited(lake / "jobs.csv", [head, *[row[:-1] for row in job_rows(*[("relined", "")] * 2)]])
    own = """[[files]]
table = "work"
[files.columns]
Vehicle = "unit_id"
Date = "done_on"
Km = "odometer_km"
Axle = "axle_no"
Side = "side"
Blurb = "job"
"""
    (lake / "fleet.toml").write_text(own, encoding="utf-8")
    _, told = mapped(lake, "day", "km")
    assert "jobs.csv: 2 rows, read as fleet.toml says\n  2 job lines: reline" in told


def test_next_months_wordings_are_read_though_no_line_had_them_before(lake, capsys):
    delimited(lake / "jobs.csv", [JOB_HEAD, *job_rows(*[("reline brakes", "10")] * 2)])
    mapped(lake, "day", "km")
    later = ["Brake linings renewed", "New linings fitted", "Brake service, lining kit", "washed"]
    delimited(lake / "later.csv", [JOB_HEAD, *job_rows(*[(line, "") for line in later])])
    typed = typed_jobs(lake / "later.csv", load_settings(lake / "fleet.toml"))
    assert typed.rows["action"].to_list() == ["reline", "reline", "other", "other"]
    named, others = typed.notes
    assert "1 job line naming linings, shoes, adjusters, drums or new brakes" in named
    assert named.endswith('as "Brake service, lining kit" 1')
    assert others == 'count as other: 1 job line that fit no pattern, as "washed" 1'


@pytest.mark.parametrize(
    "cells",
    [
        ("$1,252.17", "$938.06", "$1,195"),
        ("1 252,17 zł", "938,06 zł", "1\u00a0195,00 zł"),
        ("1.252,17 EUR", "938,06 EUR", "EUR 1.195,00"),
    ],
)
def test_costs_are_read_with_their_currency(lake, cells):
    rows = job_rows(*[("reline", cell) for cell in cells])
    delimited(lake / "jobs.csv", [JOB_HEAD, *rows])
    mapped(lake, "day", "km")
    typed = typed_jobs(lake / "jobs.csv", load_settings(lake / "fleet.toml"))
    assert typed.rows["cost"].to_list() == [1252.17, 938.06, 1195.0]
    assert typed.rows["problem"].null_count() == 3


def test_a_cost_that_is_no_number_is_said(lake, capsys):
    rows = job_rows(("reline", "$100.00"), ("reline", "$90.50"), ("reline", "$80"),
                    ("reline", "£70"), ("reline", "about 100"))  # fmt: skip
    delimited(lake / "jobs.csv", [JOB_HEAD, *rows])
    mapped(lake, "day", "km")
    assert main(["check", str(lake)]) == 1
    said = 'Cost: found "about 100"; accepted: a number of 0 or more, with or without a currency'
    assert said in capsys.readouterr().out


def test_reasons_name_the_files_own_heading_and_cell_and_a_row_counts_once(lake, capsys):
    mapped(lake, "day", "km")
    rows = [["T1", "03/10/2025", "142000", "many", "12.5", ""]]
    delimited(lake / "october.csv", [HEAD, *rows])
    assert main(["check", str(lake)]) == 1
    out = capsys.readouterr().out
    assert "4 rows in 2 files: 4 accepted, 0 repeated, 0 set aside" in out
    assert "of 7 wheel ends' records in them 1 set aside" in out
    assert 'october.csv row 2: 1L lining mm: found "many"' in out


def test_several_tables_in_a_sheet_and_sheets_in_a_workbook(tmp_path, capsys):
    lake = tmp_path / "lake"
    days = [dt.date(2025, month, 2) for month in (4, 5, 8)]
    visits = [["Our brake book"], [], HEAD[:5]]
    visits += [[v[0], day, float(v[2]), 15.5, 14.0] for v, day in zip(VISITS, days, strict=True)]
    jobs = [[], ["Fleet no", "Date", "Odometer", "Axle", "Side", "Job"]]
    jobs += [["T1", dt.date(2025, 4, 4), 120100, 1, "left", "greased"]]
    workbook(lake / "book.xlsx", {"Cover": [["Brakes"]], "All": visits + jobs})
    found, told = mapped(lake, "km")
    assert found.is_clear, told
    main(["check", str(lake)])
    out = capsys.readouterr().out
    assert "4 rows in 1 file: 4 accepted, 0 repeated, 0 set aside" in out


def test_two_columns_for_the_unit_are_asked_about_and_one_is_read(tmp_path):
    lake = tmp_path / "lake"
    head = ["Registration", "Fleet no", "Date", "Km", "1L lining mm", "1R lining mm"]
    delimited(lake / "a.csv", [head, ["AB 12", "T1", "2025-04-02", "1200", "15", "14.5"]])
    found, told = mapped(lake)
    assert not found.is_clear
    assert "unit_id: found in two columns; name it at one of them" in told
    found, told = mapped(lake, "2")
    assert found.is_clear
    assert (
        "Which column is unit_id (every axle of a row is then that unit's): 1 Registration, "
        "2 Fleet no?"
    ) in told
    columns = load_settings(lake / "fleet.toml").files[0].columns
    assert (columns["Registration"], columns["Fleet no"]) == ("", "unit_id")


def test_files_in_the_contracts_form_are_left_on_their_path(tmp_path):
    source = "sample_lake/lake"
    lake = tmp_path / "lake"
    shutil.copytree(source, lake)
    before = settings_of(lake)
    found, _ = mapped(lake)
    assert not found.forms
    assert settings_of(lake) == before


NASTY = (
    '"]\n[fleet]\nname = "taken"', "''' or", "# <<< drumline map", "\x1b[31mred",
    "=cmd|' /C calc'!A1",
    "<script>alert(1)</script>", "'; drop table raw.files; --", "{0}{{}}%s", "\u202egnp.exe",
    "a" * 5_000, "\\", "lining mm\nodometer km",
)  # fmt: skip


@pytest.mark.parametrize("nasty", NASTY, ids=range(len(NASTY)))
def test_hostile_headings_and_cells_do_nothing(tmp_path, nasty, capsys):
    lake = tmp_path / "lake"
    rows = [[*HEAD[:5], nasty], *[[*row[:5], nasty] for row in VISITS], [nasty] * 6]
    workbook(lake / "nasty.xlsx", {"S": rows})
    (lake / "fleet.toml").write_text('[fleet]\nname = "ours"\n', encoding="utf-8")
    mapped(lake, "day", "km")
    written = load_settings(lake / "fleet.toml")
    assert written.fleet.name == "ours"
    assert len(written.files) == 1
    before = settings_of(lake)
    mapped(lake)
    assert tomllib.loads(settings_of(lake)) == tomllib.loads(before)
    assert main(["check", str(lake)]) == 1
    assert "4 rows in 1 file: 3 accepted, 0 repeated, 1 set aside" in capsys.readouterr().out


ROWS = """\
Unit;Axle;Side;Date;Km;Lining mm
T1;1;L;2025-03-02;100000;15
T1;1;R;2025-03-02;100000;14
"""
WIDE = "Unit;Date;Km;1L mm;1R mm\nT1;2025-03-02;100000;15;14\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (ROWS.replace(";1;", ";0;"), 'no axle_no is understood in "0"; accepted: 1, 2 and so on'),
        (
            "Unit;Position;Date;Km;Lining mm\n"
            + "".join(f"T1;{at};2025-03-02;100000;15\n" for at in ("2L", "2R", "2RI", "2LI")),
            'no position is understood in "2RI"; accepted: an axle and a side, such as 2L',
        ),
        (WIDE, "1L mm | 15 | left alone: says where on the unit, and not what was read there"),
        (
            ROWS.replace("Unit", "Colour"),
            "it looks like inspections, but no column is understood as unit_id",
        ),
        (
            ROWS.replace(" mm", "").replace(";15", ";47%").replace(";14", ";40%"),
            "it looks like inspections, but no column is understood as a reading",
        ),
        (ROWS.splitlines()[0] + "\n", "it looks like inspections, but no column is understood as"),
    ],
)
def test_a_lake_of_which_nothing_can_be_read_says_what_is_lacking(tmp_path, capsys, text, said):
    (tmp_path / "a.csv").write_text(text)
    assert main(["map", str(tmp_path)]) == 1
    told = capsys.readouterr()
    assert said in told.out
    assert "['" not in told.out
    assert main(["check", str(tmp_path)]) == 2
    told = capsys.readouterr()
    assert "a.csv: left alone, as fleet.toml says; drumline map says why" in told.out
    assert "found no usable row in any file; accepted: at least one (drumline map says" in told.err


def test_a_hint_at_decimals_is_given_only_where_cells_have_some(tmp_path, capsys):
    """Plain km need their unit, not a decimal mark."""
    (tmp_path / "a.csv").write_text(ROWS.replace("Km", "Odometer"))
    main(["map", str(tmp_path)])
    main(["check", str(tmp_path)])
    out = capsys.readouterr().out
    assert "to mend, in fleet.toml: [answers] distance = its unit" in out
    assert "decimal_comma" not in out
    assert "1 question to answer" in out
    assert "2 rows in 1 file: " in out


@pytest.mark.parametrize("written", ["00-12", "0012"])
def test_a_unit_written_otherwise_is_named_as_the_register_has_it(tmp_path, capsys, written):
    (tmp_path / "a.csv").write_text(ROWS.replace("T1;", f"{written};"))
    (tmp_path / "b.csv").write_text("Unit;Axle;Axle type\n12;1;drive\n13;1;drive\n")
    main(["map", str(tmp_path)])
    main(["check", str(tmp_path)])
    out = capsys.readouterr().out
    line = f'unit_id: found "{written}"; accepted: a unit in the register; the register has "12"'
    assert line in out


def test_a_column_that_may_hold_readings_is_named_where_it_is_left_alone(tmp_path, capsys):
    text = "Unit;Date;Km;LF lining mm;RF lining mm;LRO lining mm;RRO lining mm;Remarks;Depot lining"
    (tmp_path / "a.csv").write_text(f"{text}\nT1;2025-03-02;100000;15;14;13;12;lining ok;\n")
    main(["map", str(tmp_path)])
    told = "seems to hold readings, and is left alone: LRO lining mm, RRO lining mm; to read it"
    line = next(s for s in capsys.readouterr().out.splitlines() if told in s)
    place = "after its axle and side (as in 2L lining_mm)"
    assert line.endswith(f'"LRO lining mm" = "lining_mm" {place}, or what it is')


@pytest.mark.parametrize(
    "heading", ["Lining wear (mm)", "Prev lining mm", "Axle_kind", "Lining maker", "Arm check"]
)
def test_a_column_of_another_thing_than_a_reading_is_not_offered_as_one(tmp_path, capsys, heading):
    (tmp_path / "a.csv").write_text(ROWS.replace("Lining mm", f"Lining mm;{heading}"))
    main(["map", str(tmp_path)])
    assert "seems to hold readings" not in capsys.readouterr().out


def test_a_column_is_offered_as_what_its_words_name(tmp_path, capsys):
    text = ROWS.replace("Lining mm", "Slack adjuster free travel (mm)")
    (tmp_path / "a.csv").write_text(text)
    main(["map", str(tmp_path)])
    assert '"Slack adjuster free travel (mm)" = "free_stroke_mm", or' in capsys.readouterr().out


def test_columns_of_another_table_are_named_with_where_they_belong(tmp_path, capsys):
    text = ROWS.replace("Lining mm", "Lining mm;Work done;Depot").replace(";15", ";15;relined;N")
    (tmp_path / "a.csv").write_text(text.replace(";14", ";14;greased;N"))
    main(["map", str(tmp_path)])
    assert "  not read from here: Depot; what they hold belongs" in capsys.readouterr().out


def test_words_that_wait_for_an_answer_ask_for_it(tmp_path, capsys):
    text = ROWS.replace("1;L", "front;N/S").replace("1;R", "rear;O/S")
    (tmp_path / "a.csv").write_text(text)
    main(["map", str(tmp_path)])
    main(["check", str(tmp_path)])
    out = capsys.readouterr().out
    assert '[answers] near_side = "L", or "R"' in out
    assert "[answers] rear_axle = 2, or its number" in out
    assert "files.values" not in out


def test_a_workbook_of_several_sheets_is_one_file(tmp_path, capsys):
    head = ["Unit", "Date", "Km", "1L lining mm", "1R lining mm"]
    first, second = (["T1", "2025-03-02", 1000, 15, 14], ["T2", "2025-03-02", 1000, 15, 14])
    workbook(tmp_path / "book.xlsx", {"A": [head, first], "B": [head, second]})
    (tmp_path / "c.csv").write_text(ROWS.replace("T1", "T3"))
    main(["map", str(tmp_path)])
    main(["check", str(tmp_path)])
    assert "4 rows in 2 files: 4 accepted" in capsys.readouterr().out


def test_an_order_of_days_that_one_file_shows_is_not_said_of_its_fellow(lake):
    shown = [["T3", f"{day}/03/2025", f"{80 + day}000", "15", "14", ""] for day in range(15, 21)]
    delimited(lake / "north.csv", [HEAD, *shown, ["T3", "03/04/2025", "120000", "12", "12", ""]])
    found, _ = mapped(lake)
    assert found.open_questions == 2
    assert load_settings(lake / "fleet.toml").files[0].day_first is None
    text = settings_of(lake)
    shown = "03/04/2025 (other files show the day first)"
    assert f"Is the day or the month first in {shown}?" in text
    for answer, first in (("false", dt.date(2025, 3, 4)), ("true", dt.date(2025, 4, 3))):
        told = text.replace("# day_first = true", f"day_first = {answer}")
        (lake / "fleet.toml").write_text(told.replace("# dist", "dist"), encoding="utf-8")
        settings = load_settings(lake / "fleet.toml")
        read = {}
        for path in (lake / "north.csv", lake / "any folder" / "visits 2025.csv"):
            grid = read_grids(path.read_bytes(), path)[0]
            (table,) = tables_in(grid, settings.files, path.name)
            read[path.name] = typed_table(table, settings).rows["inspected_on"]
        assert read["visits 2025.csv"][0] == first
        assert read["north.csv"].max() == dt.date(2025, 4, 3)  # it shows its own order six times


def test_an_answer_may_be_given_as_fleet_toml_has_it(lake):
    mapped(lake, "false", "mi")
    assert load_settings(lake / "fleet.toml").answers.day_first is False


def test_where_the_input_ends_what_was_answered_stands(lake):
    given = iter(["month"])

    def ask(_):
        try:
            return next(given)
        except StopIteration:
            raise EOFError from None

    told = []
    found = map_lake(lake, ask, told.append)
    assert (found.open_questions, found.is_clear) == (1, False)
    assert load_settings(lake / "fleet.toml").answers.day_first is False
    assert "# distance = " in settings_of(lake)
    assert told[-1] == "1 question to answer under [answers] in fleet.toml: distance"


def exchanged_book(lake, days):
    """A workbook that was opened where the other of day and month stands first."""
    opened = [d.replace(month=d.day, day=d.month) if d.day <= 12 else f"{d:%d/%m/%Y}" for d in days]
    rows = [["T1", day, 100_000 + 900 * i, 14, 14] for i, day in enumerate(opened)]
    workbook(lake / "book.xlsx", {"Data": [["Unit", "Date", "Km", *HEAD[3:5]], *rows]})


def test_real_dates_whose_day_and_month_were_exchanged_are_held_until_it_is_said(tmp_path, capsys):
    days = [dt.date(2024, 1, 3) + dt.timedelta(days=19 * i) for i in range(30)]
    exchanged_book(tmp_path, days)
    found, _ = mapped(tmp_path)
    assert found.open_questions == 1
    later = sum(d.day > 12 for d in days)
    assert main(["check", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    assert f"30 rows in 1 file: {later} accepted, 0 repeated, {30 - later} set aside" in out
    assert "[answers] days_exchanged = true, to put them back, or false" in out
    text = settings_of(tmp_path).replace("# days_exchanged", "days_exchanged")
    (tmp_path / "fleet.toml").write_text(text, encoding="utf-8")
    assert main(["check", str(tmp_path)]) == 0
    settings = load_settings(tmp_path / "fleet.toml")
    path = tmp_path / "book.xlsx"
    (table,) = tables_in(read_grids(path.read_bytes(), path)[0], settings.files, path.name)
    rows = typed_table(table, settings).rows.filter(axle_no=1, side="L")
    assert rows["inspected_on"].to_list() == days


def test_real_dates_of_any_day_beside_texts_are_taken_as_they_are(tmp_path):
    days = [dt.date(2024, 1, 3) + dt.timedelta(days=19 * i) for i in range(30)]
    rows = [["T1", d if i % 2 else f"{d:%d/%m/%Y}", 100_000 + 900 * i, 14, 14]
            for i, d in enumerate(days)]  # fmt: skip
    workbook(tmp_path / "book.xlsx", {"Data": [["Unit", "Date", "Km", *HEAD[3:5]], *rows]})
    assert mapped(tmp_path)[0].open_questions == 0


def test_a_heading_of_two_rows_that_a_person_named_is_not_looked_at_again(tmp_path, capsys):
    rows = [["Vehicle", "Date", "Km", "Axle 1", ""], ["", "", "", "G", "D"]]
    rows += [["T1", "2024-01-03", 1000, 15, 14], ["T1", "2024-03-03", 9000, 14, 13]]
    workbook(tmp_path / "book.xlsx", {"A": rows})
    main(["map", str(tmp_path)])
    assert "left alone" in capsys.readouterr().out
    columns = {"Vehicle": "unit_id", "Date": "inspected_on", "Km": "odometer_km",
               "Axle 1 G": "1L lining_mm", "Axle 1 D": "1R lining_mm"}  # fmt: skip
    told = "".join(f'"{own}" = "{name}"\n' for own, name in columns.items())
    own = f'[[files]]\ntable = "inspections"\nheading_rows = 2\n[files.columns]\n{told}'
    (tmp_path / "fleet.toml").write_text(own)
    assert main(["map", str(tmp_path)]) == 0
    assert "every table is in the contract's form, or read as" in capsys.readouterr().out
    assert settings_of(tmp_path) == own
    assert main(["check", str(tmp_path)]) == 0


def lining_lake(folder, *cells, side="L"):
    lines = [f"T1;2025-0{i + 1}-02;{100 + i}500;1;{side};{c};3{i}" for i, c in enumerate(cells)]
    head = "Unit;Date;Km;Axle;Side;Lining mm;Free stroke mm"
    (folder / "a.csv").write_text("\n".join([head, *lines]))
    return folder


def test_marks_of_nothing_are_written_down_as_such_and_their_rows_read(tmp_path, capsys):
    main(["map", str(lining_lake(tmp_path, "15", "n/a", "14", "-", "13", "?", "nicht gemessen"))])
    values = load_settings(tmp_path / "fleet.toml").files[0].values
    assert values == {"Lining mm": dict.fromkeys(["n/a", "-", "?", "nicht gemessen"], "")}
    assert '"n/a" = ""   # taken for nothing' in settings_of(tmp_path)
    assert main(["check", str(tmp_path)]) == 0
    assert "7 rows in 1 file: 7 accepted" in capsys.readouterr().out


def test_cells_that_are_no_numbers_are_all_shown_and_can_be_given_a_meaning(tmp_path, capsys):
    main(["map", str(lining_lake(tmp_path, "8", "15", "14", "13", "12", "<8", "i.O."))])
    assert main(["check", str(tmp_path)]) == 1
    out = capsys.readouterr().out
    assert 'found in all: "<8" 1, "i.O." 1; to mend, in fleet.toml: ' in out
    assert '[files.values."Lining mm"] "<8" = "", "i.O." = "" where nothing was read' in out
    told = '[files.values."Lining mm"]\n"<8" = ""\n"i.O." = "11.5"\n'
    (tmp_path / "fleet.toml").write_text(settings_of(tmp_path) + told)
    assert main(["check", str(tmp_path)]) == 0
    path = tmp_path / "a.csv"
    settings = load_settings(tmp_path / "fleet.toml")
    (table,) = tables_in(read_grids(path.read_bytes(), path)[0], settings.files, path.name)
    lining = typed_table(table, settings).rows["lining_mm"].to_list()
    assert lining == [8, 15, 14, 13, 12, None, 11.5]  # < 8 is nothing, 8 stays 8


def test_days_can_be_given_in_a_files_own_words(tmp_path, capsys):
    text = ROWS.replace("2025-03-02", "2 d\u0155ugi 25").replace("2025-06-02", "2025-06-02")
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    columns = {"Unit": "unit_id", "Date": "inspected_on", "Km": "odometer_km", "Axle": "axle_no",
               "Side": "side", "Lining mm": "lining_mm"}  # fmt: skip
    told = "".join(f'"{own}" = "{name}"\n' for own, name in columns.items())
    own = f'[[files]]\ntable = "inspections"\n[files.columns]\n{told}'
    (tmp_path / "fleet.toml").write_text(own)
    main(["check", str(tmp_path)])
    line = '[files.values."Date"] "2 d\u0155ugi 25" = "" where nothing was read, else what it means'
    assert line in capsys.readouterr().out
    own += '[files.values.Date]\n"2 d\u0155ugi 25" = "2025-03-02"\n'
    (tmp_path / "fleet.toml").write_text(own, encoding="utf-8")
    assert main(["check", str(tmp_path)]) == 0
    assert " 0 set aside" in capsys.readouterr().out


def test_a_words_meaning_is_proposed_only_where_it_is_known(tmp_path, capsys):
    """P is right beside L in Polish; nothing says what Q is."""
    text = ROWS.replace(";R;", ";P;") + "T9;1;Q;2025-03-02;1000;14\n"
    (tmp_path / "a.csv").write_text(text)
    columns = {"Unit": "unit_id", "Date": "inspected_on", "Km": "odometer_km", "Axle": "axle_no",
               "Side": "side", "Lining mm": "lining_mm"}  # fmt: skip
    told = "".join(f'"{own}" = "{name}"\n' for own, name in columns.items())
    (tmp_path / "fleet.toml").write_text(
        f'[[files]]\ntable = "inspections"\n[files.columns]\n{told}'
    )
    main(["check", str(tmp_path)])
    assert '[files.values."Side"] "P" and "Q" = what it means: L or R' in capsys.readouterr().out
    (tmp_path / "a.csv").write_text(text.replace(";Q;", ";P;"))
    main(["check", str(tmp_path)])
    assert 'in fleet.toml: [files.values."Side"] "P" = "R"\n' in capsys.readouterr().out
