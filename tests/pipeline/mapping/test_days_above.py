"""The day of a visit that stands in a title, or in the name of a sheet, and in no column."""

import datetime as dt

import pytest

from pipeline.mapping.command import map_lake
from tests.exports.fleet import workbook
from tests.pipeline.mapping.test_alike_columns import mapped, rows_of

HEAD = ["Unit", "Km", "Axle", "Left lining mm", "Right lining mm"]
ROW = ["T1", 100_000, 1, 15, 14]
TITLED = "{}\n\nUnit;Km;Axle;Left lining mm;Right lining mm\nT1;100000;1;15;14\n"


def days(folder, name="a.xlsx") -> list[dt.date | None]:
    return rows_of(folder, name)["inspected_on"].to_list()


def test_a_sheet_for_each_visit_is_of_the_day_that_it_is_called(tmp_path):
    names = ("24.01.2024", "Check 2024-04-26", "26 July 2024")
    sheets = {
        name: [HEAD, [*ROW[:1], 100_000 + 9_000 * i, *ROW[2:]]] for i, name in enumerate(names)
    }
    workbook(tmp_path / "a.xlsx", sheets)
    assert map_lake(tmp_path, None, lambda _: None).is_clear
    assert sorted(set(days(tmp_path))) == [
        dt.date(2024, 1, 24), dt.date(2024, 4, 26), dt.date(2024, 7, 26),
    ]  # fmt: skip


def test_which_comes_first_is_asked_where_a_sheet_s_name_does_not_show_it(tmp_path):
    workbook(tmp_path / "a.xlsx", {name: [HEAD, ROW] for name in ("24.01.2024", "03.04.2024")})
    asked: list[str] = []
    map_lake(tmp_path, lambda question: asked.append(question) or "", lambda _: None)
    assert len(asked) == 1
    assert set(days(tmp_path)) == {dt.date(2024, 1, 24), dt.date(2024, 4, 3)}


@pytest.mark.parametrize(
    "title",
    [
        "Brake check 24.01.2024", "Brake checks, 24 January 2024", "Kontrolle vom 24.01.2024",
        "Contrôle des freins du;24/01/2024", "Przegląd hamulców 2024-01-24",
    ],
)  # fmt: skip
def test_a_title_of_a_check_says_its_day(tmp_path, title):
    found, told = mapped(tmp_path, TITLED.format(title))
    assert found.is_clear, told
    assert days(tmp_path, "a.csv") == [dt.date(2024, 1, 24)] * 2


@pytest.mark.parametrize(
    "title",
    ["Printed 24.01.2024", "24.01.2024", "Depot North, 24.01.2024", "Next check 24.01.2024"],
)
def test_a_day_beside_other_words_is_offered_and_not_read(tmp_path, title):
    found, told = mapped(tmp_path, TITLED.format(title))
    assert not found.is_clear
    assert '"(a day above)" = "inspected_on"' in told
    settings = tmp_path / "fleet.toml"
    settings.write_text(
        settings.read_text()
        .replace('table = "none"', 'table = "inspections"')
        .replace('"(a day above)"   = ""', '"(a day above)" = "inspected_on"')
    )
    assert days(tmp_path, "a.csv") == [dt.date(2024, 1, 24)] * 2


def test_a_day_above_is_not_read_beside_a_column_of_days(tmp_path):
    """The report's day is not that of its rows, whatever their own column of days is called."""
    text = "Brake checks 31.12.2024\nUnit;Moment;Km;Axle;Left lining mm;Right lining mm\n"
    rows = "T1;24.01.2024;100000;1;15;14\nT1;26.04.2024;109000;1;14;13\n"
    found, told = mapped(tmp_path, text + rows)
    assert not found.is_clear
    assert "no column is understood as date" in told


def test_two_days_above_are_nobodys(tmp_path):
    found, _ = mapped(tmp_path, TITLED.format("Brake check 24.01.2024\nBrake check 25.01.2024"))
    assert not found.is_clear
    workbook(tmp_path / "a.xlsx", {"25.01.2024": [["Brake check 24.01.2024"], HEAD, ROW]})
    (tmp_path / "a.csv").unlink()
    (tmp_path / "fleet.toml").unlink()
    assert not map_lake(tmp_path, None, lambda _: None).is_clear


@pytest.mark.parametrize("again", ["", "Unit;Km;Axle;Left lining mm;Right lining mm\n"])
def test_rows_below_another_title_are_of_its_day(tmp_path, again):
    more = f"Brake check 26.04.2024\n{again}T1;109000;1;14;13\n"
    other = "Signed 27.04.2024\nT1;119000;1;13;12\n"
    mapped(tmp_path, TITLED.format("Brake check 24.01.2024") + more + other)
    first, second = dt.date(2024, 1, 24), dt.date(2024, 4, 26)
    assert days(tmp_path, "a.csv") == [first, first, second, second, None, None]
    assert rows_of(tmp_path)["problem"].null_count() == 4
