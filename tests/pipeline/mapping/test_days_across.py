"""A column, or a group of them, for each day of checks: read as a row for each day, or told."""

import datetime as dt

import pytest
import xlsxwriter

from pipeline.mapping.command import map_lake
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of
from tests.pipeline.mapping.test_as_exported import checked

DAYS = [dt.date(2024, 1, 24), dt.date(2024, 4, 26)]
WIDE = """\
Lining mm
Vehicle;Position;24.01.2024;26.04.2024;Remarks
T1;Km;100000;109000;
{0};1L;15;14,5;
{0};1R;14;;hub warm
T2;Km;50000;;
{1};1L;12;;
"""
READ = [
    ("T1", 1, "L", DAYS[0], 100_000, 15), ("T1", 1, "L", DAYS[1], 109_000, 14.5),
    ("T1", 1, "R", DAYS[0], 100_000, 14), ("T2", 1, "L", DAYS[0], 50_000, 12),
]  # fmt: skip
NAMES = ("unit_id", "axle_no", "side", "inspected_on", "odometer_km", "lining_mm")


def read(folder, name="a.csv") -> list[tuple]:
    rows = rows_of(folder, name)
    return rows.filter(rows["problem"].is_null()).select(NAMES).rows()


def test_a_column_for_each_day_is_a_row_for_each_day(tmp_path, capsys):
    found, told = mapped(tmp_path, WIDE.format("T1", "T2"))
    assert found.is_clear, told
    assert read(tmp_path) == READ
    assert "3 rows in 1 file: 3 accepted, 0 repeated, 0 set aside" in checked(tmp_path, capsys)


def test_a_unit_named_in_its_row_of_odometers_alone_is_asked_for(tmp_path):
    (tmp_path / "a.csv").write_text(WIDE.format("", ""))
    asked: list[str] = []
    map_lake(tmp_path, lambda question: asked.append(question) or "yes", lambda _: None)
    assert len(asked) == 1
    assert read(tmp_path) == READ


def test_a_row_with_a_problem_is_named_by_its_number_in_the_file(tmp_path, capsys):
    mapped(tmp_path, WIDE.format("T1", "T2").replace("14,5", "worn"))
    said = checked(tmp_path, capsys)
    assert 'a.csv row 4: Lining mm: found "worn"' in said
    assert "of 4 wheel ends' records in them 1 set aside" in said


def test_what_no_title_says_was_read_is_offered(tmp_path):
    found, told = mapped(tmp_path, WIDE.format("T1", "T2").replace("Lining mm\n", ""))
    assert not found.is_clear
    assert '"(reading)" = "lining_mm"' in told
    settings = tmp_path / "fleet.toml"
    text = settings.read_text().replace('table = "none"', 'table = "inspections"')
    settings.write_text(text.replace('"(reading)" = ""', '"(reading)" = "lining_mm"'))
    assert read(tmp_path) == READ


def test_without_odometers_it_is_said_that_these_are_lacking(tmp_path):
    text = WIDE.format("T1", "T2").replace("T1;Km;100000;109000;\n", "")
    found, told = mapped(tmp_path, text.replace("T2;Km;50000;;\n", ""))
    assert not found.is_clear
    assert "no column is understood as odometer" in told


def test_a_unit_without_a_row_of_odometers_has_none(tmp_path):
    mapped(tmp_path, WIDE.format("T1", "T2").replace("T2;Km;50000;;\n", ""))
    assert read(tmp_path) == READ[:3]
    assert "Km: found nothing" in rows_of(tmp_path)["problem"][3]


@pytest.mark.parametrize(
    "days", ["Jan 24;Apr 24", "24.01.2024;24.01.2024", "01.2024;04.2024", "24.01.2024;"]
)
def test_what_are_no_two_days_is_left_as_it_is(tmp_path, days):
    found, _ = mapped(tmp_path, WIDE.format("T1", "T2").replace("24.01.2024;26.04.2024", days))
    assert not found.is_clear


def test_two_columns_of_days_in_rows_are_none_across(tmp_path):
    text = "Vehicle;Due;Date;Km;1L lining mm;1R lining mm\nT1;{0};{0};100000;15;14\n"
    found, _ = mapped(tmp_path, text.format("2024-01-24") + "Axle;2024-01-25;2024-04-26;1;2;3\n")
    assert found.is_clear
    assert read(tmp_path)[0] == ("T1", 1, "L", DAYS[0], 100_000, 15)


def test_a_later_heading_of_other_days_is_of_the_rows_below_it(tmp_path):
    more = "Vehicle;Position;24.07.2024;26.10.2024;Remarks\nT1;Km;120000;130000;\nT1;1L;13;12;\n"
    mapped(tmp_path, WIDE.format("T1", "T2") + more + "T1;1R;;11;\n")
    days = [dt.date(2024, 7, 24), dt.date(2024, 10, 26)]
    assert read(tmp_path) == [
        *READ, ("T1", 1, "L", days[0], 120_000, 13), ("T1", 1, "L", days[1], 130_000, 12),
        ("T1", 1, "R", days[1], 130_000, 11),
    ]  # fmt: skip


@pytest.mark.parametrize("merged", [True, False])
def test_a_group_of_columns_below_each_day_is_a_row_for_each_day(tmp_path, merged):
    with xlsxwriter.Workbook(tmp_path / "a.xlsx") as book:
        sheet, form = book.add_worksheet(), book.add_format({"num_format": "dd.mm.yyyy"})
        below = ["Km", "1L lining mm", "1R lining mm"]
        for i, day in enumerate(DAYS):
            sheet.write_datetime(0, 1 + 3 * i, dt.datetime.combine(day, dt.time()), form)
            if merged:
                sheet.merge_range(0, 1 + 3 * i, 0, 3 + 3 * i, "")
                sheet.write_datetime(0, 1 + 3 * i, dt.datetime.combine(day, dt.time()), form)
            sheet.write_row(1, 1 + 3 * i, below)
        sheet.write(1, 0, "Vehicle")
        sheet.write_row(2, 0, ["T1", 100_000, 15, 14, 109_000, 14.5, 13])
        sheet.write_row(3, 0, ["T2", 50_000, 12, 11])
    assert map_lake(tmp_path, None, lambda _: None).is_clear
    assert read(tmp_path, "a.xlsx") == [
        READ[0], READ[2], READ[1], ("T1", 1, "R", DAYS[1], 109_000, 13),
        READ[3], ("T2", 1, "R", DAYS[0], 50_000, 11),
    ]  # fmt: skip


def test_rows_that_say_what_was_read_are_told_apart(tmp_path):
    text = "Vehicle: T1\nPosition;Measurement;24.01.2024;26.04.2024\nOdometer km;;100000;109000\n"
    mapped(tmp_path, f"{text}1L;Lining mm;15;14,5\n1R;Free stroke mm;40;45\n")
    rows = rows_of(tmp_path)
    assert rows["problem"].null_count() == 4
    assert rows["lining_mm"].to_list() == [15, 14.5, None, None]
    assert rows["free_stroke_mm"].to_list() == [None, None, 40, 45]
    assert rows["odometer_km"].to_list() == [100_000, 109_000] * 2
