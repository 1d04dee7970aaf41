"""What may be one thing or two is asked: numbers of two fleets, a stroke's two ends, zeros."""

import datetime as dt
import re

import pytest

from pipeline.cli import main
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

FLEETS = """\
Operator;Unit;Date;Odometer km;Axle;Side;Lining mm
North;101;2024-01-09;100000;1;L;15
Vale;101;2024-02-09;300000;1;L;9
Vale;102;2024-02-09;310000;1;L;8
"""


def answered(folder, line):
    settings = folder / "fleet.toml"
    text = settings.read_text()
    key = line.partition(" ")[0]
    asked = next(told for told in text.splitlines() if told.startswith(f"# {key} = "))
    settings.write_text(text.replace(asked, line))


def test_the_same_number_in_two_fleets_is_asked_and_never_taken_for_one_vehicle(tmp_path):
    found, told = mapped(tmp_path, FLEETS)
    assert not found.is_clear
    assert "fleets" in told
    assert "101 of North and of Vale" in (tmp_path / "fleet.toml").read_text()
    waiting = rows_of(tmp_path)["problem"]
    assert waiting.str.contains('fleets = "apart" or "one"', literal=True).all()
    answered(tmp_path, 'fleets = "apart"')
    assert rows_of(tmp_path)["unit_id"].to_list() == ["North 101", "Vale 101", "Vale 102"]


def test_one_vehicle_of_two_owners_stays_one(tmp_path):
    mapped(tmp_path, FLEETS)
    answered(tmp_path, 'fleets = "one"')
    assert rows_of(tmp_path)["unit_id"].to_list() == ["101", "101", "102"]


def test_fleets_with_numbers_of_their_own_are_not_asked_about(tmp_path):
    found, _ = mapped(tmp_path, FLEETS.replace("Vale;101", "Vale;103"))
    assert found.is_clear
    assert rows_of(tmp_path)["unit_id"].to_list() == ["101", "103", "102"]


def test_a_row_that_names_no_fleet_is_nobodys(tmp_path):
    mapped(tmp_path, FLEETS)
    answered(tmp_path, 'fleets = "apart"')
    (tmp_path / "a.csv").write_text(FLEETS + ";101;2024-05-09;320000;1;L;8\n")
    assert rows_of(tmp_path)["problem"].is_null().to_list() == [True, True, True, False]


STROKES = """\
Unit;Date;Odometer km;Axle;Side;{} mm;{} mm
T1;2024-01-09;100000;1;L;55;20
T1;2024-01-09;100000;1;R;58;61
T1;2024-01-09;100000;2;L;;12
"""


@pytest.mark.parametrize(
    "words",
    [
        ("Pushrod stroke applied", "Pushrod stroke released"),
        ("Stroke applied", "Stroke released"),
        ("Hub betätigt", "Hub gelöst"),
    ],
)
def test_of_applied_and_released_strokes_the_difference_is_asked_for(tmp_path, words):
    found, told = mapped(tmp_path, STROKES.format(*words))
    assert not found.is_clear
    assert "less_released" in told
    assert "55 and 20" in (tmp_path / "fleet.toml").read_text()
    assert rows_of(tmp_path)["problem"].str.contains("less_released").sum() == 2
    answered(tmp_path, "less_released = true")
    assert rows_of(tmp_path)["applied_stroke_mm"].to_list() == [35, None, None]
    assert rows_of(tmp_path)["problem"][0] is None
    assert rows_of(tmp_path)["problem"][1] is not None  # a rod further out when released is none


def test_an_applied_stroke_that_is_one_already_is_read_as_it_is(tmp_path):
    mapped(tmp_path, STROKES.format("Stroke applied", "Stroke released"))
    answered(tmp_path, "less_released = false")
    assert rows_of(tmp_path)["applied_stroke_mm"].to_list() == [55, 58, None]


def test_a_released_stroke_alone_is_no_reading(tmp_path):
    text = STROKES.replace(";55;", ";15;").replace(";58;", ";14;")
    found, told = mapped(tmp_path, text.format("Lining", "Stroke released"))
    assert found.is_clear
    assert "left alone: released, with no applied stroke beside it" in told


ZEROS = "Unit;Date;Odometer km;Axle;Side;Lining mm;Free stroke mm\n" + "".join(
    f"T1;2024-0{month}-09;{99 + month}000;1;L;{16 - month / 2};{0 if month % 2 else 38}\n"
    for month in range(1, 9)
)


def test_many_strokes_of_0_are_asked_about(tmp_path, capsys):
    found, _ = mapped(tmp_path, ZEROS)
    assert not found.is_clear
    main(["check", str(tmp_path)])
    assert 'found "0"' in (out := capsys.readouterr().out)
    assert '(or set zeros = "blank" or "read" under [answers])' in out
    answered(tmp_path, 'zeros = "blank"')
    assert rows_of(tmp_path)["free_stroke_mm"].to_list() == [None, 38] * 4
    assert rows_of(tmp_path)["problem"].is_null().all()
    text = (tmp_path / "fleet.toml").read_text()
    (tmp_path / "fleet.toml").write_text(text.replace('zeros = "blank"', 'zeros = "read"'))
    assert rows_of(tmp_path)["free_stroke_mm"].to_list() == [0, 38] * 4


def test_a_0_among_many_readings_is_one_of_them(tmp_path):
    lines = ZEROS.splitlines()
    rows = [lines[2].replace("T1", f"T{i}") for i in range(30)]
    found, _ = mapped(tmp_path, "\n".join([*lines[:2], *rows]))
    assert found.is_clear
    assert rows_of(tmp_path)["free_stroke_mm"][0] == 0


WEEKS = "Unit;KW;Odometer km;Axle;Side;Lining mm\nT1;KW 12/2025;100000;1;L;15\n"


def test_which_day_of_a_week_counts_is_asked(tmp_path, capsys):
    found, _ = mapped(tmp_path, WEEKS)
    assert not found.is_clear
    main(["check", str(tmp_path)])
    assert 'set week_day = "monday", or the day that counts' in capsys.readouterr().out
    answered(tmp_path, 'week_day = "friday"')
    assert rows_of(tmp_path)["inspected_on"].to_list() == [dt.date(2025, 3, 21)]


def test_a_week_beside_a_day_is_not_asked_about(tmp_path):
    text = WEEKS.replace("KW;", "KW;Date;").replace("/2025;", "/2025;2025-03-18;")
    found, told = mapped(tmp_path, text)
    assert found.is_clear
    assert "KW | KW 12/2025 | left alone: another column is the day" in told
    assert rows_of(tmp_path)["inspected_on"].to_list() == [dt.date(2025, 3, 18)]


def test_a_week_without_its_year_is_no_day(tmp_path):
    _, told = mapped(tmp_path, WEEKS.replace("/2025", ""))
    assert "left alone: a week without its year is no day" in told


UNITS = """\
Unit;Date;Odometer;Odo unit;Axle;Side;Lining;UoM
T1;2024-01-09;100000;mi;1;L;0.5;in
T2;2024-01-09;100000;km;1;L;12,5;mm
"""


def test_units_in_a_column_of_their_own_are_those_of_the_numbers_beside_them(tmp_path):
    found, told = mapped(tmp_path, UNITS)
    assert found.is_clear
    assert "Odo unit | mi, km | left alone: units of measure" in told
    rows = rows_of(tmp_path)
    assert rows["odometer_km"].to_list() == pytest.approx([160_934.4, 100_000])
    assert rows["lining_mm"].to_list() == [12.7, 12.5]


def test_a_rows_own_unit_goes_before_its_headings(tmp_path):
    mapped(tmp_path, UNITS.replace("Odometer;", "Odometer km;").replace("Lining;", "Lining mm;"))
    assert rows_of(tmp_path)["odometer_km"].to_list() == pytest.approx([160_934.4, 100_000])
    assert rows_of(tmp_path)["lining_mm"].to_list() == [12.7, 12.5]


def test_thirtyseconds_may_stand_in_a_column_of_units(tmp_path):
    found, _ = mapped(tmp_path, UNITS.replace("1;L;0.5;in", "1;L;16;32nds"))
    assert found.is_clear
    assert rows_of(tmp_path)["lining_mm"].to_list() == [12.7, 12.5]


def test_units_of_something_else_are_not_those_of_a_lining(tmp_path):
    text = UNITS.replace("Odo unit", "Odo unit;Lining mm;Tread")
    text = (
        text.replace(";mi;", ";mi;9;5;").replace(";km;", ";km;8;6;").replace(";Lining;", ";Tyre;")
    )
    mapped(tmp_path, text)  # UoM stands beside the tyre
    assert rows_of(tmp_path)["lining_mm"].to_list() == [9, 8]


def test_a_row_without_its_unit_waits_for_an_answer(tmp_path):
    found, _ = mapped(tmp_path, UNITS.replace(";km;", ";;"))
    assert found.open_questions == 1
    assert rows_of(tmp_path)["problem"].is_null().to_list() == [True, False]


JOBS = "Vehicle;Date;Km;Work;{};Cost\n" + "".join(
    f"T1;2024-0{month}-09;{99 + month}000;Reline axle 1 left;{{}};180\n" for month in range(1, 5)
)


@pytest.mark.parametrize("heading", ["Status", "WO status", "Auftragsstatus", "Kind of paper"])
def test_jobs_that_were_not_done_are_none(tmp_path, capsys, heading):
    text = JOBS.format(heading, "Closed", "Cancelled", "Open - parts on order", "Invoiced")
    _, told = mapped(tmp_path, text)
    assert f"{heading} | Closed, Cancelled, Open - parts on order | status" in told
    assert rows_of(tmp_path)["done_on"].dt.month().to_list() == [1, 4]
    main(["check", str(tmp_path)])
    out = capsys.readouterr().out
    assert f"left alone, as {heading} says not done, or void: 2 rows" in out


def test_a_status_that_says_neither_waits_until_it_is_said(tmp_path, capsys):
    mapped(tmp_path, JOBS.format("Status", "Closed", "WF7", "Complete, not invoiced", "Closed"))
    rows = rows_of(tmp_path)
    assert rows["problem"].is_null().to_list() == [True, False, False, True]
    assert 'Status: found "WF7"; accepted: done or not done (or say' in rows["problem"][1]
    settings = tmp_path / "fleet.toml"
    values = '[files.values.Status]\nWF7 = "done"\n"Complete, not invoiced" = "not done"'
    settings.write_text(settings.read_text().replace("[files.values.Status]", values))
    assert rows_of(tmp_path)["done_on"].dt.month().to_list() == [1, 2, 4]


def test_why_a_job_was_done_is_no_status(tmp_path):
    mapped(tmp_path, JOBS.format("Type", "Planned", "Breakdown", "Planned", "Planned"))
    assert rows_of(tmp_path).height == 4


STAGES = "Unit;Date;Odometer km;Axle;Side;Stage;Pushrod stroke mm\n" + "".join(
    f"T1;2024-01-09;100000;1;{side};{stage};{stroke}\n"
    for side in "LR"
    for stage, stroke in (("{}", 40), ("{}", 26))
)


@pytest.mark.parametrize("words", [("Before", "After"), ("vorher", "nachher"), ("avant", "après")])
def test_readings_before_and_after_work_are_told_apart(tmp_path, words):
    _, told = mapped(tmp_path, STAGES.format(*words, *words))
    assert f"Stage | {words[0]}, {words[1]} | as_left" in told
    assert rows_of(tmp_path)["as_left"].to_list() == [False, True] * 2


TRIPS = "Unit;Date;Odometer km;Axle;Side;{};Lining mm\n" + "".join(
    f"T1;2024-0{month}-09;{99 + month}000;1;{side};{word};{16 - month}\n"
    for month, word in ((1, "Pre"), (2, "Post"), (3, "Pre"), (4, "Post")) for side in "LR"
)  # fmt: skip


@pytest.mark.parametrize("heading", ["Trip", "Stage", "When"])
def test_pre_and_post_of_different_days_are_not_before_and_after_work(tmp_path, heading):
    _, told = mapped(tmp_path, TRIPS.format(heading))
    assert f"{heading} | Pre, Post | left alone: says before and after" in told
    assert f'to read it, in fleet.toml: "{heading}" = "as_left"' in told
    assert rows_of(tmp_path)["as_left"].is_null().all()


def test_pre_and_post_of_a_trip_are_not_before_and_after_work_on_one_day_either(tmp_path):
    _, told = mapped(tmp_path, STAGES.format("Pre", "Post", "Pre", "Post").replace("Stage", "Trip"))
    assert "Trip | Pre, Post | left alone: says before and after" in told


def test_before_alone_says_nothing_of_after(tmp_path):
    _, told = mapped(tmp_path, STAGES.format("Before", "x", "Before", "x"))
    assert "as_left" not in told


@pytest.mark.parametrize("words", [("yes", "no"), ("Ja", "Nein"), ("x", "no")])
def test_a_plain_yes_says_nothing_of_after_work(tmp_path, words):
    """Oil leak: yes. Were it as left, the reading would not count as found."""
    _, told = mapped(tmp_path, STAGES.format(*words, *words).replace("Stage", "Oil leak"))
    assert "as_left" not in told
    assert rows_of(tmp_path)["as_left"].null_count() == 4


CROSSES = "Unit;Date;Odometer km;Axle;Side;{};Lining mm\n" + "".join(
    f"T1;2024-0{month}-09;{99 + month}000;1;{side};{{}};{12 - month}\n"
    for month in (1, 2)
    for side in "LR"
)


def test_a_cross_beside_check_marks_is_their_opposite(tmp_path):
    mapped(tmp_path, CROSSES.format("Return test", "✓", "X", "✓", "✓"))
    assert rows_of(tmp_path)["return_test"].to_list() == ["pass", "fail", "pass", "pass"]


def test_a_cross_for_a_truth_is_yes_but_beside_check_marks(tmp_path):
    mapped(tmp_path, CROSSES.format("Marks aligned", "✔", "x", "✔", "x"))
    assert rows_of(tmp_path)["marks_aligned"].to_list() == [True, False, True, False]
    mapped(tmp_path, CROSSES.format("Marks aligned", "x", "", "x", ""))
    assert rows_of(tmp_path)["marks_aligned"].to_list() == [True, None, True, None]


def test_a_cross_alone_does_not_say_how_a_test_went(tmp_path):
    _, told = mapped(tmp_path, CROSSES.format("Return test", "x", "", "x", ""))
    assert 'its words are not known: "x"' in told
    settings = tmp_path / "fleet.toml"
    line = '"Return test" = '
    settings.write_text(settings.read_text().replace(f'{line}""', f'{line}"return_test"'))
    rows = rows_of(tmp_path)
    assert rows["return_test"].null_count() == 4
    assert rows["problem"].is_null().to_list() == [False, True, False, True]


def test_open_invoices_are_not_of_jobs_undone(tmp_path):
    mapped(tmp_path, JOBS.format("Payment", "paid", "open", "open", "paid"))
    assert rows_of(tmp_path).height == 4


def test_hours_among_the_odometers_are_no_km(tmp_path):
    more = "T3;2024-01-09;300000;km;1;L;12,5;mm\n"
    mapped(tmp_path, UNITS.replace(";mi;", ";hrs;") + more)
    rows = rows_of(tmp_path)
    assert rows["odometer_km"].to_list() == [None, 100_000, 300_000]
    assert 'found "100000 hrs"' in rows["problem"][0]


def test_the_thinnest_that_was_read_is_not_taken_for_a_limit(tmp_path):
    text = "Unit;Date;Odometer km;Axle;Side;Lining min mm;Lining max mm\n"
    found, told = mapped(tmp_path, text + "T1;2024-01-09;100000;1;L;9;11\n")
    assert not found.is_clear
    assert '"Lining min mm" = "lining_mm"' in told
    assert found.forms[0].found.table == "inspections"


VOIDED = "Unit;Date;Odometer km;Axle;Side;Lining mm;{}\n" + "".join(
    f"T1;2024-0{month}-09;{99 + month}000;1;L;{lining};{{}}\n"
    for month, lining in ((1, 15), (2, 6), (3, 14))
)


@pytest.mark.parametrize("heading", ["Record status", "Status", "Kennung"])
def test_readings_that_count_no_more_are_none(tmp_path, capsys, heading):
    mapped(tmp_path, VOIDED.format(heading, "Final", "Void", "Rev B"))
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 14]
    assert rows_of(tmp_path)["problem"].is_null().all()
    main(["check", str(tmp_path)])
    assert f'{heading} says not done, or void: 1 row, as "Void" 1' in capsys.readouterr().out


@pytest.mark.parametrize("words", [("open", "closed", "open"), ("void at hub", "dry", "dry")])
def test_other_words_beside_readings_leave_them(tmp_path, words):
    mapped(tmp_path, VOIDED.format("Status", *words))
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 6, 14]


def test_a_remark_now_and_then_is_no_status(tmp_path):
    mapped(tmp_path, VOIDED.format("Remarks", "", "Void", "hub warm"))
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 6, 14]


ENDS = """\
Unit;Date;Odometer km;Axle;Side;{}
T1;2024-01-09;100000;1;L;{}
T1;2024-01-09;100000;1;R;{}
"""


@pytest.mark.parametrize(
    ("heading", "left", "right", "read"),
    [
        ("Garniture sup/inf (mm)", "11,5/10", "9/12", [10, 9]),
        ("Belag o/u mm", "11 / 10,5", "9|12", [10.5, 9]),
        ("Lining", "11/10 mm", "9 mm/12 mm", [10, 9]),
    ],
)
def test_of_two_ends_in_one_cell_the_thinner_counts_once_that_is_said(
    tmp_path, heading, left, right, read
):
    text = ENDS.format(heading, left, right)
    found, _ = mapped(tmp_path, text)
    assert found.open_questions == 1
    assert rows_of(tmp_path)["problem"].str.contains("set lining_pairs = true or false").all()
    answered(tmp_path, "lining_pairs = true")
    assert rows_of(tmp_path)["lining_mm"].to_list() == read
    settings = tmp_path / "fleet.toml"
    settings.write_text(settings.read_text().replace("pairs = true", "pairs = false"))
    assert rows_of(tmp_path)["lining_mm"].null_count() == 2


@pytest.mark.parametrize("cells", [("5/8", "11/16"), ("5/8 in", "3/4 in"), ('5/8"', '3/4"')])
def test_fractions_of_an_inch_are_no_two_ends(tmp_path, cells):
    mapped(tmp_path, ENDS.format("Lining", *cells))
    assert "lining_pairs" not in (tmp_path / "fleet.toml").read_text()
    assert rows_of(tmp_path)["lining_mm"][0] == pytest.approx(5 / 8 * 25.4)


@pytest.mark.parametrize(
    ("heading", "words", "done"),
    [
        ("Cancelled", ("No", "Yes", "no", ""), [1, 3, 4]),
        ("Storniert am", ("", "2024-02-11", "", "2024-04-12"), [1, 3]),
        ("Anulado", ("no", "sí", "no", "no"), [1, 3, 4]),
        ("Cancellation reason", ("", "customer", "", ""), [1, 3, 4]),
        ("Done", ("Y", "N", "Y", "Y"), [1, 3, 4]),
        ("Réalisé", ("oui", "non", "oui", "oui"), [1, 3, 4]),
        ("Completed", ("1", "0", "1", "1"), [1, 3, 4]),
        ("Paper", ("Invoice", "Estimate", "Invoice", "Credit note"), [1]),
        ("State", ("closed", "cancelled", "closed", "closed"), [1, 3, 4]),
    ],
)  # fmt: skip
def test_a_column_that_says_which_jobs_were_cancelled_or_done_is_read(
    tmp_path, capsys, heading, words, done
):
    mapped(tmp_path, JOBS.format(heading, *words))
    assert rows_of(tmp_path)["done_on"].dt.month().to_list() == done
    main(["check", str(tmp_path)])
    assert f"left alone, as {heading} says not done, or void" in capsys.readouterr().out


@pytest.mark.parametrize("heading", ["Billed", "Abgerechnet", "Paid"])
def test_what_was_not_billed_was_done_all_the_same(tmp_path, heading):
    mapped(tmp_path, JOBS.format(heading, "Y", "N", "Y", "N"))
    assert rows_of(tmp_path)["done_on"].dt.month().to_list() == [1, 2, 3, 4]


def test_a_word_that_is_unknown_beside_those_for_done_and_not_waits(tmp_path):
    mapped(tmp_path, JOBS.format("Paper", "Closed", "Cancelled", "Closed", "WF7"))
    assert rows_of(tmp_path)["problem"].is_null().to_list() == [True, True, False]


def test_a_cancelled_job_of_a_column_that_is_not_read_is_told(tmp_path, capsys):
    mapped(tmp_path, JOBS.format("Vermerk", "", "storniert", "dringend", ""))
    main(["check", str(tmp_path)])
    assert 'Vermerk says "storniert" of 1 job, and is left alone' in capsys.readouterr().out
    settings = tmp_path / "fleet.toml"
    settings.write_text(re.sub(r'(Vermerk +=) ""', r'\1 "status"', settings.read_text()))
    rows = rows_of(tmp_path)
    assert rows["done_on"].dt.month().to_list() == [1, 3, 4]
    assert rows["problem"].is_null().to_list() == [True, False, True]


@pytest.mark.parametrize("heading", ["Cancelled", "Gelöscht"])
def test_readings_that_were_cancelled_are_none(tmp_path, heading):
    mapped(tmp_path, VOIDED.format(heading, "no", "yes", "no"))
    assert rows_of(tmp_path)["lining_mm"].to_list() == [15, 14]


def test_what_was_not_required_is_told_where_nothing_reads_it(tmp_path, capsys):
    mapped(tmp_path, JOBS.format("Result", "OK", "Not required", "OK", "skipped"))
    main(["check", str(tmp_path)])
    assert 'Result says "Not required" of 2 jobs, and is left alone' in capsys.readouterr().out


HEAD = ["Unit", "Date", "Km", "Axle", "Side", "Job"]


@pytest.mark.parametrize("name", ["Planned 2025", "Angebote", "Cancelled", "Fällig"])
def test_jobs_of_a_sheet_that_is_called_planned_are_told_and_can_be_left_alone(
    tmp_path, capsys, name
):
    jobs = [HEAD, ["T1", "2024-03-01", 100000, 1, "L", "Reline"]]
    workbook(tmp_path / "w.xlsx", {"Work done": jobs, name: jobs})
    (tmp_path / "fleet.toml").write_text("")
    main(["map", str(tmp_path)])
    main(["check", str(tmp_path)])
    out = capsys.readouterr().out
    assert out.count("and its jobs count as done; if they were not, in fleet.toml") == 2
    line = f'[[files]]\ntable = "none"\nsheets = "{name}"\n[files.columns]\n"Unit" = ""\n'
    assert line.replace("\n", ", ").partition(", [files")[0].replace("]], ", "]] ") in out
    settings = tmp_path / "fleet.toml"
    settings.write_text(line + settings.read_text())
    main(["check", str(tmp_path)])
    out = capsys.readouterr().out
    assert f"w.xlsx [{name}]: left alone, as fleet.toml says" in out
    assert out.startswith("1 row in 1 file: ")


def test_jobs_of_a_sheet_that_is_called_done_are_not_doubted(tmp_path, capsys):
    jobs = [HEAD, ["T1", "2024-03-01", 100000, 1, "L", "Reline"]]
    workbook(tmp_path / "w.xlsx", {"Planned work done": jobs})
    main(["map", str(tmp_path)])
    assert "if they were not" not in capsys.readouterr().out
