"""The as-of day, where nobody gives it: the newest that the records support."""

import datetime as dt

import pytest

from pipeline.commands.doubts import doubt_lines
from pipeline.settings import Settings
from pipeline.warehouse.misdated import exchanged, newest_supported
from tests.drawing import REGISTER, rows, warehouse_of

LAST = dt.date(2025, 6, 12)


def fleet(units: int, every: int, years: int = 3, last: dt.date = LAST) -> dict[dt.date, set[str]]:
    """Units checked so many days apart, evenly through them; the last check on ``last``."""
    found: dict[dt.date, set[str]] = {}
    for unit in range(units):
        day = last - dt.timedelta(days=unit * every // units)
        while day > last - dt.timedelta(days=365 * years):
            found.setdefault(day, set()).add(f"K{unit}")
            day -= dt.timedelta(days=every)
    return found


def newest(days: dict[dt.date, set[str]]) -> dt.date | None:
    return newest_supported(sorted(days.items()))


def later(days: int) -> dt.date:
    return LAST + dt.timedelta(days=days)


@pytest.mark.parametrize("units", [5, 12, 55])
@pytest.mark.parametrize("after", [146, 300])
def test_a_check_months_after_all_others_does_not_move_the_day(units, after):
    assert newest(fleet(units, 84) | {later(after): {"K3"}}) == LAST


def test_two_strays_of_a_larger_fleet_do_not_either_and_three_units_do():
    known = fleet(60, 84)
    assert newest(known | {later(115): {"K3"}, later(146): {"K9"}}) == LAST
    assert newest(known | {later(115): {"K3"}, later(170): {"K9"}}) == LAST
    assert newest(known | {later(115): {"K3", "K9", "K5"}}) == later(115)
    # One unit in ten is no stray.
    assert newest(fleet(12, 84) | {later(115): {"K3", "K9"}}) == later(115)


@pytest.mark.parametrize(
    ("why", "known", "after"),
    [
        ("one unit every twelve weeks", fleet(1, 84), 84),
        ("one unit, late by half a year", fleet(1, 84), 250),
        ("one unit a year", fleet(1, 365, years=8), 365),
        ("six units in one week of the year",
         {LAST - dt.timedelta(days=365 * y + d): {f"K{d}"} for y in range(5) for d in range(6)},
         363),
        ("rounds of twelve weeks, the next six weeks late",
         {LAST - dt.timedelta(days=84 * k + d): {f"K{d}"} for k in range(13) for d in range(6)},
         130),
        ("a file of a month of a single unit", fleet(55, 84), 38),
        ("units of a few months", fleet(20, 84, years=0), 146),
        ("nothing else", {}, 10),
    ],
)  # fmt: skip
def test_a_gap_that_is_usual_or_of_a_few_units_moves_the_day(why, known, after):
    assert newest(known | {later(after): {"K0"}}) == later(after), why


def test_the_first_check_after_a_winter_is_no_stray():
    """Every year nobody is checked from December to April; the records end with the first after."""
    last = dt.date(2025, 11, 28)
    known = {d: u for d, u in fleet(40, 84, last=last).items() if 4 < d.month < 12}
    assert newest(known | {dt.date(2026, 5, 2): {"K3"}}) == dt.date(2026, 5, 2)


def test_a_stray_after_a_hole_of_ten_months_is_one():
    known = {
        day: units
        for day, units in fleet(55, 84).items()
        if not dt.date(2023, 5, 1) < day < dt.date(2024, 3, 1)
    }
    assert newest(known | {later(146): {"K3"}}) == LAST


def test_a_unit_that_was_checked_twice_since_has_gone_on():
    known = fleet(55, 84)
    assert newest(known | {later(100): {"K3"}, later(184): {"K3"}}) == later(184)


def test_nothing_has_no_day():
    assert newest_supported([]) is None


@pytest.mark.parametrize(
    ("day", "meant"),
    [
        (dt.date(2026, 11, 5), dt.date(2026, 5, 11)),
        (dt.date(2026, 11, 25), None),
        (dt.date(2026, 7, 7), None),
    ],
)
def test_day_and_month_are_exchanged_where_both_may_be_either(day, meant):
    assert exchanged(day) == meant


def drawing(*more: str) -> dict[str, str]:
    """Twelve units, a week apart; rows of one wheel end each."""
    register = "\n".join(
        [
            REGISTER.strip().splitlines()[0],
            *(f"K{n}|1|{side}|trailing|140|18|6" for n in range(12) for side in "LR"),
        ]
    )
    lines = ["unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm"]
    for day, units in sorted(fleet(12, 84, years=2).items()):
        km = (day - dt.date(2020, 1, 1)).days * 200
        lines += [f"{unit}|1|L|{day}|{km}|12|18" for unit in sorted(units)]
    return {"register": register, "inspections": "\n".join([*lines, *more])}


STRAY = "K3|1|L|2025-11-05|420000|12|18"


def test_a_run_is_told_as_of_the_supported_day_and_says_which_row_is_not_used():
    con = warehouse_of(**drawing(STRAY))
    assert rows(con, "select as_of from run.parameters") == [(LAST,)]
    assert rows(con, "select max(inspected_on) from stage.inspections") == [(LAST,)]
    (said,) = [line for line in doubt_lines(con, Settings()) if "inspected_on" in line]
    number = len(drawing()["inspections"].splitlines()) + 1
    assert said.startswith(
        f"date doubted: inspections/drawn.csv row {number}: inspected_on: found 2025-11-05 for "
        "K3, 146 days after the last check of every other unit (day and month exchanged, "
        "2025-05-11?); not used, and all is told as of 2025-06-12; accepted: "
    )
    assert said.endswith("--as-of 2025-11-05 to use it")
    # It is not lost.
    assert rows(con, "select * from fate.inspections") == []


def test_a_doubted_row_counts_when_the_day_is_given_or_passes_it():
    given = warehouse_of(**drawing(STRAY), as_of=dt.date(2025, 11, 5))
    passed = warehouse_of(
        **drawing(STRAY, *(f"K{n}|1|L|2025-11-{n + 1:02}|430000|11|18" for n in range(5, 12)))
    )
    for con in (given, passed):
        assert not [line for line in doubt_lines(con, Settings()) if "inspected_on" in line]
        ((on,),) = rows(con, "select max(inspected_on) from stage.inspections where unit_id = 'K3'")
        assert on == dt.date(2025, 11, 5)


def test_of_many_strays_a_few_are_named():
    strays = [f"K3|1|L|2025-11-{day:02}|{420000 + day}|12|18" for day in (5, 6, 7, 8, 9)]
    said = doubt_lines(warehouse_of(**drawing(*strays)), Settings())
    assert sum("not used, and all is told as of" in line for line in said) == 3
    assert "2 more such checks" in said
