"""Cells as people write them: read where they mean one thing, else not at all."""

import datetime as dt

import polars as pl
import pytest

from pipeline.mapping.reading import (
    day_of,
    days,
    is_week,
    numbers,
    shown_decimals,
    were_exchanged,
    without_currency,
    without_pieces,
)

DAY = dt.date(2023, 1, 9)


def number(cell, kind="length", unit="mm", comma=None):
    return numbers(pl.Series([cell]), kind, unit, decimal_comma=comma)[0]


@pytest.mark.parametrize(
    ("cell", "comma", "value"),
    [
        ("15.7", None, 15.7), ("15,7", None, 15.7), ("15,7", True, 15.7), ("15,7", False, None),
        ("15,7mm", True, 15.7), ("1.5 cm", None, 15.0), ('5/8"', None, 15.875),
        ("9,5 mm?", None, None), ("9.5 mm!!", None, None), ("9.5 (mm)", None, None),
        ("5 16ths", None, 7.9375), ("17 1/32", None, None), ("17 320", None, 17_320.0),
        ("1 3/8 in", None, 34.925), ("5/8", None, None), ("7/5\"", None, None),
        ("1/3\"", None, None), ("12 km", None, None), ("15 7", None, None), ("nan", None, None),
        ("1e5", None, None), ("", None, None), ("-", None, None), ("15 mm approx", None, None),
        ("0,125", None, 0.125), ("12.345", None, None), ("12.345", True, 12345.0),
        ("12.345", False, 12.345), ("8 32nds", None, 6.35),
    ],
)  # fmt: skip
def test_lengths(cell, comma, value):
    assert number(cell, comma=comma) == (pytest.approx(value) if value is not None else None)


@pytest.mark.parametrize(
    ("cell", "comma", "value"),
    [
        ("762.706 km", True, 762706), ("762.706 km", False, 762.706), ("762.706 km", None, None),
        ("762,706", False, 762706), ("762 706", None, 762706), ("762'706 km", None, 762706),
        ("1.762.706", None, 1762706), ("100 miles", None, 160.9344), ("100 mm", None, None),
        ("0.762.706", None, None), ("76.27.06", None, None),
    ],
)  # fmt: skip
def test_distances(cell, comma, value):
    found = number(cell, "distance", "km", comma)
    assert found == (pytest.approx(value) if value is not None else None)


def test_without_a_unit_only_cells_that_name_theirs_are_read():
    cells = pl.Series(["100 km", "100", "100 mi"])
    assert numbers(cells, "distance", None, decimal_comma=None).to_list() == [
        100.0,
        None,
        pytest.approx(160.9344),
    ]


@pytest.mark.parametrize(
    "cell",
    ["09-Jan-23", "9. Januar 2023", "9 janv. 2023", "09-sty-23", "9 de enero de 2023", "44935",
     "20230109", "2023-01-09", "2023-01-09 00:00:00", "2023-01-09T12:30:00Z", "January 9, 2023",
     "Mon 9 Jan 2023", "9 января 2023", "2023/1/9", "44935.5"],
)  # fmt: skip
def test_days_that_can_be_meant_in_one_way(cell):
    assert day_of(cell, None) == DAY


@pytest.mark.parametrize(
    "cell", ["9/1", "31.02.2023", "9 mar", "soon", "12345", "1.2.3", "9-Foo-23", "99999999"]
)
def test_what_is_no_day_is_none(cell):
    assert day_of(cell, day_first=True) is None


def test_day_or_month_first_is_never_guessed():
    assert day_of("03/04/2025", None) is None
    assert day_of("03/04/2025", day_first=True) == dt.date(2025, 4, 3)
    assert day_of("13/04/2025", None) == dt.date(2025, 4, 13)


def test_a_file_whose_days_speak_against_its_form_is_not_read_by_it():
    cells = pl.Series(["04/13/2025", "03/04/2025", "12/25/2025"])
    read = days(cells, day_first=True).to_list()
    assert read == [dt.date(2025, 4, 13), None, dt.date(2025, 12, 25)]


@pytest.mark.parametrize(
    ("cells", "told"),
    [
        (["12,5", "762.706"], (True, False)), (["12.5", "762,706"], (False, False)),
        (["762.706", "411.002"], (None, True)), (["12", "13"], (None, False)),
        (["12,5", "12.5"], (None, False)), (["1.762.706"], (True, False)),
    ],
)  # fmt: skip
def test_what_cells_show_of_decimals(cells, told):
    assert shown_decimals([pl.Series(cells)]) == told


@pytest.mark.parametrize(
    ("cell", "amount"),
    [
        ("$1,252.17", 1252.17), ("1 250,00 zł", 1250.0), ("1\u202f250,50 €", 1250.5),
        ("CHF 1'250.00", 1250.0), ("US$ 12.50", 12.5), ("12 kr.", 12.0), ("Kč 1 200", 1200.0),
        ("R$ 1.200,00", 1200.0), ("12,- €", 12.0), ("-$12", -12.0), ("1200 Ft", 1200.0),
        ("12 lei", 12.0), ("₹ 1,200.00", 1200.0), ("R 450", 450.0), ("GBP1,200.10", 1200.1),
        ("120.00", 120.0), ("12 345 678,90 kr", 12345678.9),
    ],
)  # fmt: skip
def test_an_amount_of_money_is_read_with_any_currency(cell, amount):
    plain = without_currency(pl.Series([cell]))
    assert numbers(plain, None, None, decimal_comma=None).to_list() == [amount]


@pytest.mark.parametrize(
    "cell",
    ["(140.00)", "140.00-", "140.00 -", "140.00 CR", "-140.00", "(€ 140.00)", "€ 140.00-",
     "$(140.00)"],
)  # fmt: skip
def test_what_was_paid_back_has_its_sign(cell):
    plain = without_currency(pl.Series([cell]))
    assert numbers(plain, None, None, decimal_comma=None).to_list() == [-140.0]
    assert without_currency(pl.Series(["140,-"])).to_list() == ["140"]  # even money


@pytest.mark.parametrize("cell", ["1-", "(1)", "1- pcs", "-1", "(1 pc)"])
def test_a_quantity_that_came_back_has_its_sign(cell):
    plain = without_pieces(pl.Series([cell]))
    told = numbers(plain, None, None, decimal_comma=None).to_list()
    assert told == ([None] if cell == "1- pcs" else [-1.0])


@pytest.mark.parametrize(
    "cell",
    ["about 100", "TBC", "12-13", "(12", "(-12)",
     "$", "12 / 13", "1 25", "10%", "2x120", "k€ 12", "1k", "3 hrs", "12 mm",
     "A12", "12 pounds", "$12 + $5", "12 34", ""],
)  # fmt: skip
def test_what_is_no_amount_is_none(cell):
    plain = without_currency(pl.Series([cell]))
    assert numbers(plain, None, None, decimal_comma=None).to_list() == [None]


def test_an_amount_of_two_meanings_waits_for_the_decimal_mark():
    plain = without_currency(pl.Series(["$1,195", "1.195 €"]))
    assert numbers(plain, None, None, decimal_comma=None).to_list() == [None, None]
    assert numbers(plain, None, None, decimal_comma=False).to_list() == [1195.0, 1.195]


@pytest.mark.parametrize(
    ("words", "were"),
    [
        ([f"2024-0{m}-0{d}" for m in (1, 4, 7) for d in (2, 5, 9)] + ["16/01/2024"], True),
        ([f"2024-0{m}-0{d}" for m in (1, 4, 7) for d in (2, 5, 9)] + ["01/16/2024"], True),
        ([f"2024-0{m}-0{d}" for m in (1, 4, 7) for d in (2, 5, 9)], False),  # nothing beside them
        ([f"2024-0{m}-0{d}" for m in (1, 4, 7) for d in (2, 5, 9)] + ["05/01/2024"], False),
        ([f"2024-0{m}-0{d}" for m in (1, 4) for d in (2, 5)] + ["16/01/2024"], True),
        (["2024-01-02", "2024-04-05", "16/01/2024"], False),  # too few
        ([f"2024-0{m}-{d}" for m in (1, 4, 7) for d in (10, 12, 13)] + ["16/01/2024"], False),
    ],
)
def test_exchanged_days_are_known_by_none_after_the_12th_and_no_text_before(words, were):
    assert were_exchanged(words) is were


@pytest.mark.parametrize(
    ("cell", "monday"),
    [
        # ISO 8601: week 1 is the one with the year's first Thursday.
        ("KW 12/2025", "2025-03-17"), ("KW01/2025", "2024-12-30"), ("12. KW 25", "2025-03-17"),
        ("2025-W12", "2025-03-17"), ("2025W12", "2025-03-17"), ("v. 12 2025", "2025-03-17"),
        ("S12/2025", "2025-03-17"), ("week 53 2020", "2020-12-28"), ("2025 KW 12", "2025-03-17"),
    ],
)  # fmt: skip
def test_a_week_is_the_day_of_it_that_counts(cell, monday):
    told = pl.Series([cell])
    first = dt.date.fromisoformat(monday)
    assert is_week(cell)
    assert days(told, day_first=None, week_day="monday").to_list() == [first]
    friday = days(told, day_first=None, week_day="friday").to_list()
    assert friday == [first + dt.timedelta(days=4)]
    assert days(told, day_first=True).to_list() == [None]


@pytest.mark.parametrize(
    "cell",
    ["KW 12", "12/2025", "KW 54/2025", "KW 0/2025", "wheel 12 2025", "KW 12/3/2025", "T 12 25"],
)
def test_what_names_no_week_of_a_year_is_no_day(cell):
    assert days(pl.Series([cell]), day_first=None, week_day="monday").to_list() == [None]


def test_a_week_with_its_day_needs_no_answer():
    assert days(pl.Series(["2025-W12-3"]), day_first=None).to_list() == [dt.date(2025, 3, 19)]


def test_a_week_of_a_short_year_is_read_where_the_column_shows_which_is_which():
    shown = pl.Series(["KW 12/25", "KW 51/24", "KW 3/25"])
    mondays = [dt.date(2025, 3, 17), dt.date(2024, 12, 16), dt.date(2025, 1, 13)]
    assert days(shown, day_first=None, week_day="monday").to_list() == mondays
    hidden = pl.Series(["KW 25/12", "25W13", "KW 24/40"])  # may be of 2025, or of 2012
    assert days(hidden, day_first=None, week_day="monday").null_count() == 3
