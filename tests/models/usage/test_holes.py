"""Stretches without a check: found where a whole depot has one, and only there."""

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest

from models.usage.fit import fit_usage
from models.usage.holes import holes, holes_of_records, silences, unit_holes, watched_until
from models.usage.intervals import usage_groups, usage_intervals
from models.usage.year.closings import Closings

AS_OF = dt.date(2025, 6, 30)
FIRST, LAST = -700, -380
KM = 250.0


def checked(units: int, *, hole: bool, depot: str = "North", slow: float = 1.0) -> list[tuple]:
    """Rows of ``reduce.unit_usage``: every 84 days for four years, each unit in its own phase."""
    rows = []
    for u in range(units):
        days = [-84 * n - 84 * u // units for n in range(17, -1, -1)]
        if hole:
            days = [d for d in days if not FIRST < d < LAST]
        for a, b in itertools.pairwise(days):
            km = KM * (b - a) * (slow if b - a > 84 else 1.0)
            on = AS_OF + dt.timedelta(days=a)
            rows.append((f"{depot}{u:02d}", depot, "haul", True, on, b - a, km, True))
    return rows


COLUMNS = ["unit_id", "depot", "duty", "one_duty", "from_on", "days", "km", "to_visit"]


def table(rows: list[tuple]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=COLUMNS, orient="row")


def usage(rows: list[tuple], as_of: dt.date = AS_OF):
    frame = table(rows)
    ends = pl.col("from_on") + pl.duration(days=pl.col("days"))
    seen = frame.group_by("unit_id", maintain_order=True).agg(
        pl.col("depot", "duty").last(), seen_on=ends.max().cast(pl.Date)
    )
    units = seen.with_columns(visit_on="seen_on")
    return fit_usage(units, frame, as_of)


def test_a_hole_lies_between_the_last_check_before_it_and_the_first_after():
    (found,) = holes_of_records(table(checked(20, hole=True)))
    first, last = ((day - AS_OF).days for day in found)
    assert FIRST - 5 < first <= FIRST
    assert LAST <= last < LAST + 5


@pytest.mark.parametrize("units", [1, 4, 20])
def test_checks_as_usual_have_none_and_few_units_may_miss_theirs(units):
    assert len(holes_of_records(table(checked(units, hole=False)))) == 0
    assert len(holes_of_records(table(checked(min(units, 4), hole=True)))) == 0


def half_yearly(units: int, missed: tuple[int, int]) -> tuple[np.ndarray, ...]:
    """Intervals of units that are due every 182 days for six years, each in its own phase; a check
    that would fall into the days ``missed`` is left out."""
    days = [range(182 * u // units, 2190, 182) for u in range(units)]
    kept = [[d for d in each if not missed[0] <= d < missed[1]] for each in days]
    pairs = [(u, *pair) for u, each in enumerate(kept) for pair in itertools.pairwise(each)]
    unit, begins, ends = np.array(pairs).T
    return begins.astype(float), ends.astype(float), KM * (ends - begins), unit


def test_a_hole_may_be_shorter_than_the_time_between_checks():
    """Of 40 units one is checked every four or five days: half a year without any is a hole."""
    (found,) = holes(*half_yearly(40, (1_000, 1_170)))
    assert found == pytest.approx([1_000, 1_170], abs=5)


def test_a_stretch_that_comes_about_by_chance_is_none():
    """Of eight units one is checked every three weeks or so: five weeks more come about."""
    assert len(holes(*half_yearly(8, (1_000, 1_095)))) == 0
    assert len(holes(*half_yearly(8, (1_000, 1_380)))) == 1


def test_a_fleet_that_stood_still_has_no_hole():
    assert len(holes_of_records(table(checked(20, hole=True, slow=0.4)))) == 0


def test_a_fleet_checked_in_one_go_now_and_then_has_long_intervals_and_no_holes():
    """All units in one week, 12 weeks after the last time, or 22: one in three is longer."""
    days = np.cumsum([0, *(84, 84, 154) * 4])
    begins, ends = np.tile(days[:-1], 10).astype(float), np.tile(days[1:], 10).astype(float)
    unit = np.repeat(np.arange(10), 12)
    assert len(holes(begins, ends, 200.0 * (ends - begins), unit)) == 0
    # Once in twelve it is a hole.
    once = np.cumsum([0, *[84] * 6, 154, *[84] * 5])
    begins, ends = np.tile(once[:-1], 10).astype(float), np.tile(once[1:], 10).astype(float)
    assert holes(begins, ends, 200.0 * (ends - begins), unit).tolist() == [[504.0, 658.0]]


def test_no_interval_no_hole():
    none = np.zeros(0)
    assert holes(none, none, none, np.zeros(0, np.int64)).shape == (0, 2)


def test_what_came_is_watched_up_to_the_hole():
    missing = holes_of_records(table(checked(20, hole=True)))
    before, within, after = (AS_OF + dt.timedelta(days=d) for d in (-900, -500, -300))
    assert -5 < (watched_until(missing, before, AS_OF) - AS_OF).days - FIRST <= 0
    assert watched_until(missing, within, AS_OF) == within
    assert watched_until(missing, after, AS_OF) == AS_OF


def test_units_keep_their_dates_though_a_hole_lies_in_their_records():
    """Of one depot's two: visits come every 84 days, and nobody is thought to have left."""
    rows = [*checked(20, hole=True), *checked(20, hole=False, depot="South")]
    holed, plain = (
        usage(rows),
        usage([*checked(20, hole=False), *checked(20, hole=False, depot="South")]),
    )
    for found in (holed, plain):
        sample = found.interval_distribution.after_road
        assert sample.mean(sample.length) == pytest.approx(1.0, abs=0.02)
        assert found.present.min() > 0.99
    assert holed.usual_days == pytest.approx(plain.usual_days, rel=0.01)


def test_who_was_not_checked_since_the_hole_is_not_thought_to_have_left():
    """Three weeks after it, when three quarters of the units have not come back to a check yet."""
    day = AS_OF + dt.timedelta(days=LAST + 21)
    rows = [r for r in checked(40, hole=True) if r[4] + dt.timedelta(days=r[5]) <= day]
    found = usage(rows, day)
    # Each is awaited on its own date again: so long after the last that was due.
    own = [(LAST + 21 + 84 * int(name[5:]) // 40) % 84 for name in found.unit_ids]
    assert found.since_visit == pytest.approx(own, abs=1)
    assert found.present.min() > 0.9


def test_who_had_left_before_a_hole_is_not_awaited_after_it():
    """Twelve of forty left a year before it; ten months after it nobody else has."""
    rows = checked(40, hole=True)
    gone = {f"North{u:02d}" for u in range(12)}
    early = AS_OF + dt.timedelta(days=FIRST - 365)
    rows = [r for r in rows if r[0] not in gone or r[4] + dt.timedelta(days=r[5]) <= early]
    found = usage(rows, AS_OF)
    left = np.array([name in gone for name in found.unit_ids])
    assert found.present[left].max() < 0.05
    assert found.present[~left].min() > 0.95
    frame = table(rows)
    units = frame.select("unit_id", "depot", "duty").unique().sort("unit_id")
    intervals = usage_intervals(units, frame, usage_groups(units, frame), AS_OF)
    last = frame.group_by("unit_id").agg(
        (pl.col("from_on") + pl.duration(days="days")).max().cast(pl.Date).alias("on")
    )
    since = (AS_OF - last.sort("unit_id")["on"]).dt.total_days().to_numpy().astype(float)
    same = np.zeros(40, np.int64)
    stayed = unit_holes(intervals, same, since, Closings(), same).stayed_away
    # A year before it, and what has passed since.
    assert (stayed[left] > 365 - 84 - LAST - 1).all()
    assert (stayed[~left] < 84).all()


def test_a_hole_shorter_than_the_time_between_checks_moves_nobody_else():
    """Forty units twice a year: 170 days later whoever was not due in the hole is not late."""
    begins, ends, km, unit = half_yearly(40, (1_000, 1_170))
    on = [AS_OF + dt.timedelta(days=int(day) - 1_240) for day in begins]
    rows = [
        (f"U{u:02d}", "North", "haul", True, day, int(b - a), run, True)
        for u, day, a, b, run in zip(unit, on, begins, ends, km, strict=True)
        if b <= 1_240
    ]
    # The last before the hole, still open; others were checked in the ten weeks since it.
    found = usage(rows)
    due = {f"U{u:02d}": (1_240 - 182 * u // 40) % 182 for u in range(40)}
    assert found.since_visit == pytest.approx([due[name] for name in found.unit_ids], abs=1)


def silent(rows: list[tuple], days: int) -> list[tuple]:
    """Silences as of so many days after the last record: depot, days before, units."""
    frame = table(rows)
    ends = pl.col("from_on") + pl.duration(days="days")
    visits = frame.group_by("unit_id", "depot").agg(visit_on=ends.max().cast(pl.Date))
    as_of = visits["visit_on"].max() + dt.timedelta(days=days)
    found = silences(frame, visits, as_of)
    assert found["until_on"].null_count() == found.height
    return [(r["depot"], (as_of - r["from_on"]).days, r["units"]) for r in found.to_dicts()]


def test_records_that_end_long_before_the_day_are_told_and_a_usual_wait_is_not():
    fleet = checked(20, hole=False)
    assert silent(fleet, 3) == []  # one of them is checked about every fourth day
    assert silent(fleet, 35) == [(None, 35, 20)]
    # Of one unit no check is due for twelve weeks, and of three only some after five.
    assert silent(checked(1, hole=False), 100) == []
    assert silent(checked(3, hole=False), 35) == []
    assert silent(checked(3, hole=False), 200) == [(None, 200, 3)]


def test_a_hole_of_ten_months_is_no_usual_wait():
    assert silent(checked(20, hole=True), 60) == [(None, 60, 20)]


def test_a_depot_that_falls_silent_is_told_by_its_name_and_once_with_all_others():
    north, south = checked(20, hole=False), checked(20, hole=False, depot="South")
    early = AS_OF - dt.timedelta(days=70)
    until = [row for row in south if row[4] + dt.timedelta(days=row[5]) <= early]
    ((depot, days, units),) = silent([*north, *until], 0)
    assert (depot, units) == ("South", 20)
    assert 70 <= days <= 75
    assert silent([*north, *south], 50) == [(None, 50, 40)]
    gone = [row for row in south if row[4] < AS_OF - dt.timedelta(days=600)]
    assert silent([*north, *gone], 0) == []  # it has closed


def test_a_stretch_with_hardly_any_checks_is_a_lull_and_no_hole():
    """As a hole of 40 half-yearly units, but that three are checked in the course of it."""
    begins, ends, _, unit = half_yearly(40, (1_000, 1_250))
    at = np.array([1_060.0, 1_120.0, 1_185.0])
    cut = [np.flatnonzero((unit == u) & (begins < d) & (ends > d)).item() for u, d in enumerate(at)]
    begins, unit = np.append(begins, at), np.append(unit, unit[cut])
    later = ends[cut]
    ends = np.append(ends, later)
    ends[cut] = at
    given = begins, ends, KM * (ends - begins), unit
    assert len(holes(*given)) == 0
    (lull,) = holes(*given, but_for_few=True)
    assert 990 < lull[0] < 1_100
    assert 1_150 < lull[1] < 1_260


def test_a_hole_is_a_lull_too_and_checks_as_usual_are_none():
    given = half_yearly(40, (1_000, 1_170))
    assert holes(*given, but_for_few=True).tolist() == holes(*given).tolist()
    assert len(holes(*half_yearly(40, (0, 0)), but_for_few=True)) == 0
    # All in one week, every half year: each week has many.
    days = np.cumsum([0, *[182] * 8])
    begins, ends = np.tile(days[:-1], 30).astype(float), np.tile(days[1:], 30).astype(float)
    unit = np.repeat(np.arange(30), 8)
    assert len(holes(begins, ends, KM * (ends - begins), unit, but_for_few=True)) == 0


def test_no_interval_no_lull():
    none = np.zeros(0)
    assert holes(none, none, none, np.zeros(0, np.int64), but_for_few=True).shape == (0, 2)


def test_a_fleet_that_grew_tenfold_has_no_lull_where_it_was_small():
    small, large = half_yearly(4, (0, 0)), half_yearly(40, (0, 0))
    later = large[0] > 1_000
    joined = [np.concatenate([a, b[later]]) for a, b in zip(small[:3], large[:3], strict=True)]
    unit = np.concatenate([small[3], large[3][later] + 100])
    assert len(holes(*joined, unit, but_for_few=True)) == 0
