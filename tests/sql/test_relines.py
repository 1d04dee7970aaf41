"""What use, relines and linings are reduced to, on drawn rows."""

import datetime as dt

import numpy as np
import pytest

from pipeline.warehouse import warehouse
from tests.drawing import rows, warehouse_of

D = dt.date
REGISTER = """
    unit_id | axle_no | side | axle_type | arm_length_mm | lining_new_mm | lining_min_mm | depot
    K1      | 1       | L    | front     | 140           | 18            | 6             | North
    K1      | 1       | R    | front     | 140           | 18            | 6             | North
    K1      | 2       | L    | rear      | 140           | 18            | 6             | North
    K1      | 2       | R    | rear      | 140           | 18            | 6             | North
"""
# Three visits; the second takes two days. After the first, axle 1 is relined: L in writing, R
# without a word. Between the second and the third, 2L is relined three weeks after its reading.
CHECKS = """
    unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | as_left
    K1      | 1       | L    | 2025-01-06   | 100000      | 7.26      | -
    K1      | 1       | R    | 2025-01-06   | 100000      | 8         | -
    K1      | 2       | L    | 2025-01-06   | 100000      | 12        | -
    K1      | 2       | R    | 2025-01-06   | 100000      | -         | -
    K1      | 2       | R    | 2025-01-06   | 100000      | 11        | true
    K1      | 1       | L    | 2025-03-31   | 120000      | 17        | -
    K1      | 1       | R    | 2025-03-31   | 120000      | 17.5      | -
    K1      | 2       | L    | 2025-04-01   | 120200      | 6         | -
    K1      | 2       | R    | 2025-04-01   | 120200      | 10.8      | -
    K1      | 1       | L    | 2025-06-24   | 140000      | 15        | -
    K1      | 2       | L    | 2025-06-24   | 140000      | 16        | -
    K1      | 2       | R    | 2025-06-24   | 140000      | 10.5      | -
"""
WORK = """
    unit_id | axle_no | side | done_on    | odometer_km | action        | reason | cost
    K1      | 1       | L    | 2025-01-08 | 100300      | reline        | worn   | 150
    K1      | 1       | L    | 2025-01-10 | 100500      | drum_replaced | worn   | 90
    K1      | 2       | L    | 2025-04-21 | 125000      | reline        | worn   | -
    K1      | 1       | L    | 2025-07-10 | 142000      | greased       | -      | -
"""
DUTY = """
    unit_id | duty  | from_on    | to_on
    K1      | long  | 2024-01-01 | 2025-04-10
    K1      | short | 2025-04-11 | -
"""


@pytest.fixture(scope="module")
def con():
    made = warehouse_of(
        register=REGISTER, inspections=CHECKS, work=WORK, duty=DUTY, as_of=D(2025, 7, 31)
    )
    warehouse.build(made, "30_reduce")
    return made


def test_days_close_together_are_one_check_visit(con):
    assert rows(con, "from reduce.check_visits order by visit_on") == [
        ("K1", D(2025, 1, 6), D(2025, 1, 6), D(2025, 3, 31), D(2025, 4, 1)),
        ("K1", D(2025, 3, 31), D(2025, 4, 1), D(2025, 6, 24), D(2025, 6, 24)),
        ("K1", D(2025, 6, 24), D(2025, 6, 24), None, None),
    ]


def test_unit_usage_runs_from_visit_to_visit_and_on_to_the_last_sighting(con):
    assert rows(con, "from reduce.unit_usage order by from_on") == [
        # Axle 1 is renewed, one end without a word; the thinnest left on is 2R, read as left.
        ("K1", "North", "long", True, D(2025, 1, 6), 84, 20_000, True, 5.0),
        # Most of these days were run in the new duty, but not all.
        ("K1", "North", "short", False, D(2025, 3, 31), 85, 20_000, True, 0.0),
        ("K1", "North", "short", True, D(2025, 6, 24), 16, 2_000, False, 4.5),
    ]


def test_the_thinnest_lining_that_a_visit_left_on_is_none_that_was_renewed(con):
    assert rows(con, "from reduce.visit_linings order by visit_on") == [
        ("K1", D(2025, 1, 6), 5.0),
        # 2L, at its minimum, was renewed three weeks later: it ran on until then.
        ("K1", D(2025, 3, 31), 0.0),
        ("K1", D(2025, 6, 24), 4.5),
    ]


def test_reline_decisions_belong_to_the_visit_that_came_before_the_job(con):
    found = rows(
        con,
        """select wheel_end_id, visit_on, above_mm, relined, lag_days
        from reduce.reline_decisions order by 1, 2""",
    )
    first, second = D(2025, 1, 6), D(2025, 3, 31)
    assert found == [
        ("K1/1L", first, pytest.approx(1.26), True, 2),
        ("K1/1L", second, 11.0, False, None),
        ("K1/1R", first, 2.0, True, None),  # nobody wrote it down; the lining grew
        ("K1/1R", second, 11.5, False, None),
        ("K1/2L", first, 6.0, False, None),
        ("K1/2L", second, 0.0, True, 21),
        ("K1/2R", first, 5.0, False, None),  # as left, and nothing was done: as found
        ("K1/2R", second, pytest.approx(4.8), False, None),
    ]


def test_an_age_is_counted_from_the_fitting_or_bounded_by_the_first_check(con):
    assert rows(
        con,
        """select wheel_end_id, aged_from_on, age_known from reduce.lining_ages
        order by wheel_end_id, aged_from_on, age_known""",
    ) == [
        ("K1/1L", D(2025, 1, 6), False),
        ("K1/1L", D(2025, 1, 8), True),
        ("K1/1R", D(2025, 1, 6), False),
        # Found grown on 31 March, without a word: decided at the visit before.
        ("K1/1R", D(2025, 1, 6), True),
        ("K1/2L", D(2025, 1, 6), False),
        ("K1/2L", D(2025, 4, 21), True),
        ("K1/2R", D(2025, 1, 6), False),
    ]
    assert rows(
        con,
        """select wheel_end_id, visit_on, age_days, age_known from reduce.reline_decisions
        order by 1, 2""",
    ) == [
        ("K1/1L", D(2025, 1, 6), 0, False),
        ("K1/1L", D(2025, 3, 31), 82, True),
        ("K1/1R", D(2025, 1, 6), 0, False),
        ("K1/1R", D(2025, 3, 31), 84, True),
        ("K1/2L", D(2025, 1, 6), 0, False),
        ("K1/2L", D(2025, 3, 31), 84, False),
        ("K1/2R", D(2025, 1, 6), 0, False),
        ("K1/2R", D(2025, 3, 31), 84, False),
    ]


def test_a_register_that_names_the_day_of_a_reline_knows_the_age():
    """1L was relined on a day, 1R at a km, 2L is what the unit entered service with."""
    made = warehouse_of(
        register="""
    unit_id | axle_no | side | axle_type | lining_new_mm | lining_min_mm | relined_on | relined_km
    K1      | 1       | L    | front     | 18            | 6             | 2024-06-01 | -
    K1      | 1       | R    | front     | 18            | 6             | -          | 90000
    K1      | 2       | L    | rear      | 18            | 6             | -          | -
        """,
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
            K1      | 1       | L    | 2025-01-06   | 100000      | 15
            K1      | 1       | R    | 2025-01-06   | 100000      | 16
            K1      | 2       | L    | 2025-01-06   | 100000      | 12
            K1      | 1       | L    | 2025-04-01   | 120000      | 13
        """,
        as_of=D(2025, 7, 31),
    )
    warehouse.build(made, "30_reduce")
    assert rows(
        made, "select wheel_end_id, aged_from_on, age_known from reduce.wheel_ends_now order by 1"
    ) == [
        ("K1/1L", D(2024, 6, 1), True),
        ("K1/1R", D(2025, 1, 5), False),
        ("K1/2L", D(2025, 1, 6), False),
    ]


def test_how_often_a_unit_is_checked_is_the_median_of_its_intervals():
    """84, 84, 100 and 365 days; another unit has three intervals, which do not tell."""
    days = [0, 84, 168, 268, 633]
    checks = "".join(
        f"{unit} | 1 | L | {D(2023, 1, 2) + dt.timedelta(days=day)} | {1000 * day} | 12\n"
        for unit, seen in (("K1", days), ("K2", days[:4]))
        for day in seen
    )
    register = REGISTER + REGISTER.replace("K1", "K2").split("\n", 2)[2]
    made = warehouse_of(
        register=register,
        inspections=CHECKS.splitlines()[1].replace("| as_left", "") + "\n" + checks,
    )
    warehouse.build(made, "30_reduce")
    assert rows(made, "from reduce.units_checked") == [("K1", 92)]
    assert rows(
        made, "select distinct unit_id, every_days from reduce.wheel_ends_now order by 1"
    ) == [("K1", 92), ("K2", None)]
    assert rows(
        made, "select every_days, sum(visits) from reduce.axle_decisions group by all order by 1"
    ) == [(92, 4), (None, 3)]


def test_axle_decisions_count_the_age_of_the_end_that_was_read_thinner(con):
    """In whole weeks: 82 and 84 days are both 12; the other axle's oldest is a bound as well."""
    assert rows(
        con,
        """select axle_type, low_mm, low_age_days, low_age_known, high_age_days, high_age_known,
            other_age_days
        from reduce.axle_decisions order by axle_type, low_mm""",
    ) == [
        ("front", 1.25, 0, False, 0, False, 0),
        ("front", 11.0, 84, True, 84, True, 84),
        ("rear", 0.0, 84, False, 84, False, 84),
        ("rear", 5.0, 0, False, 0, False, 0),
    ]


def test_the_older_lining_of_two_goes_with_its_own_reading():
    """1L was relined on 21 April and reads more; 1R has been there since records began."""
    made = warehouse_of(
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
            K1      | 1       | L    | 2025-01-06   | 100000      | 5.9
            K1      | 1       | R    | 2025-01-06   | 100000      | 5.5
            K1      | 1       | L    | 2025-06-30   | 120000      | 17
            K1      | 1       | R    | 2025-06-30   | 120000      | 5.1
            K1      | 1       | L    | 2025-07-31   | 130000      | 16
        """,
        work="""
            unit_id | axle_no | side | done_on    | odometer_km | action | reason
            K1      | 1       | L    | 2025-04-21 | 110000      | reline | worn
        """,
        as_of=D(2025, 7, 31),
    )
    warehouse.build(made, "30_reduce")
    # Below the minimum of 6 mm, and read so.
    assert rows(
        made,
        """select low_mm, low_age_days, low_age_known, high_age_days, high_age_known, low_relined
        from reduce.axle_decisions order by high_age_known""",
    ) == [
        (pytest.approx(-0.5), 0, False, 0, False, False),
        (pytest.approx(-0.9), 175, False, 70, True, False),
    ]


def test_a_decision_at_a_rounded_reading_counts_in_the_middle_of_what_is_rounded_to_it():
    """0.34, 0.38 and 0.41 in (11, 12 and 13 32nds, to the hundredth): the middle one stands for
    what lies nearer to it than to the other two."""
    first = D(2023, 1, 2)
    linings = {(1, "L"): 8.636, (1, "R"): 9.652, (2, "L"): 10.414, (2, "R"): 9.652}
    checks = "".join(
        f"K1 | {axle} | {side} | {first + n * dt.timedelta(days=84)} | {1000 * n} | {mm}\n"
        for n in range(13)
        for (axle, side), mm in linings.items()
    )
    made = warehouse_of(
        register=REGISTER.replace("| 6  ", "| 7  ").replace("rear ", "front"),
        inspections=CHECKS.splitlines()[1].replace("| as_left", "") + "\n" + checks,
    )
    warehouse.build(made, "30_reduce")
    found = rows(
        made,
        """select low_mm, high_mm, sum(visits), list(days_ago order by days_ago)
        from reduce.axle_decisions group by all order by 1""",
    )
    # Every 84 days up to the as-of day, whose own check has decided nothing yet: three years.
    ago = [84 * n for n in range(1, 13)]
    assert found == [(1.65, 2.6, 12, ago), (2.6, 3.4, 12, ago)]


def test_axle_decisions_count_readings_of_both_ends(con):
    found = rows(
        con,
        """select axle_type, ends, low_mm, high_mm, other_mm, other_ends, low_relined,
            high_relined, visits
        from reduce.axle_decisions order by axle_type, low_mm""",
    )
    assert found == [
        ("front", 2, 1.25, 2.0, 5.0, 2, True, True, 1),
        ("front", 2, 11.0, 11.5, 0.0, 2, False, False, 1),
        ("rear", 2, 0.0, pytest.approx(4.8), 8.0, 2, True, False, 1),
        ("rear", 2, 5.0, 6.0, 1.5, 2, False, False, 1),
    ]


def test_reline_events_say_how_each_reline_came_about(con):
    found = rows(
        con,
        """select axle_type, recorded, lag_days, reason, with_partner, above_mm, relines, drums,
            cost, costed
        from reduce.reline_events order by axle_type, recorded""",
    )
    assert found == [
        ("front", False, None, None, True, 2.0, 1, 0, None, 0),
        ("front", True, 2, "worn", True, 1.25, 1, 1, 150.0, 1),
        ("rear", True, 21, "worn", False, 0.0, 1, 0, None, 0),
    ]


def test_wheel_ends_now_know_their_lining_and_what_was_read_of_it(con):
    found = rows(
        con,
        """select wheel_end_id, duty, seen_on, seen_km, start_km, line_km, visit_on, above_mm,
            fitted_on
        from reduce.wheel_ends_now order by 1""",
    )
    seen, visit = (D(2025, 7, 10), 142_000), D(2025, 6, 24)
    assert found == [
        ("K1/1L", "short", *seen, 100_300, 140_000, visit, 9.0, D(2025, 1, 8)),
        ("K1/1R", "short", *seen, None, 120_000, visit, None, D(2025, 3, 31)),
        ("K1/2L", "short", *seen, 125_000, 140_000, visit, 10.0, D(2025, 4, 21)),
        ("K1/2R", "short", *seen, None, 140_000, visit, 4.5, None),
    ]


def test_relines_done_are_jobs_and_linings_that_grew(con):
    found = "select wheel_end_id, relined_on, recorded from reduce.relines_done order by 1"
    assert rows(con, found) == [
        ("K1/1L", D(2025, 1, 8), True),
        ("K1/1R", D(2025, 1, 6), False),
        ("K1/2L", D(2025, 4, 21), True),
    ]


def test_linings_found_are_readings_as_found(con):
    assert rows(
        con,
        """select inspected_on, above_mm from reduce.linings_found
        where wheel_end_id = 'K1/2R' order by 1""",
    ) == [(D(2025, 4, 1), pytest.approx(4.8)), (D(2025, 6, 24), 4.5)]


def test_an_unwritten_reline_that_was_read_as_left_belongs_to_that_visit():
    made = warehouse_of(
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | as_left
            K1      | 1       | L    | 2025-01-06   | 100000      | 7         | -
            K1      | 1       | L    | 2025-01-06   | 100000      | 18        | true
            K1      | 1       | L    | 2025-04-01   | 120000      | 16        | -
        """,
        as_of=D(2025, 7, 31),
    )
    warehouse.build(made, "30_reduce")
    assert rows(made, "select visit_on, above_mm, relined from reduce.reline_decisions") == [
        (D(2025, 1, 6), 1.0, True)
    ]


@pytest.mark.parametrize("is_written", [True, False])
def test_linings_renewed_unmeasured_by_habit_count_as_what_they_would_have_read(is_written):
    """At West the old lining is not read when it is renewed (or the wheel end not written down at
    all); at East one of six was not, and others are left unread too."""
    days = [D(2025, 1, 6), D(2025, 4, 1), D(2025, 6, 24), D(2025, 9, 16)]
    register = ["unit_id | axle_no | side | axle_type | depot"]
    checks = ["unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | return_test"]
    work = ["unit_id | axle_no | side | done_on | odometer_km | action"]
    for unit in range(1, 7):
        for depot in ("West", "East"):
            name = f"{depot[0]}{unit}"
            read = {
                "L": [10.0, 9.0, None if depot == "West" or unit == 1 else 8.0, 17.5],
                "R": [15.0, 14.0, 13.0 if depot == "West" or unit > 2 else None, 12.0],
            }
            for side, mm in read.items():
                register.append(f"{name} | 1 | {side} | drive | {depot}")
                for n, (day, lining) in enumerate(zip(days, mm, strict=True)):
                    if lining is not None or is_written or depot == "East":
                        km = 100_000 + 10_000 * n
                        mm_read = "-" if lining is None else lining
                        checks.append(f"{name} | 1 | {side} | {day} | {km} | {mm_read} | pass")
            work.append(f"{name} | 1 | L | {days[2]} | 120000 | reline")
    made = warehouse_of(
        register="\n".join(register),
        inspections="\n".join(checks),
        work="\n".join(work),
        as_of=D(2025, 12, 31),
    )
    warehouse.build(made, "30_reduce")
    found = rows(
        made,
        f"""select wheel_end_id, above_mm + 6.4 from reduce.reline_decisions
        where visit_on = date '{days[2]}' and relined order by wheel_end_id""",
    )
    assert found[0] == ("E1/1L", None)
    assert [mm for _, mm in found[1:]] == pytest.approx([8.0] * 11)
    # Of 36 looks after the first, twelve came after a reline, and one axle was relined unread.
    looks = rows(made, "select sum(visits), sum(looked) from reduce.axle_looks")
    assert looks == [(23, 23)]


def test_where_every_other_row_is_missing_relines_are_not_thought_to_be_unmeasured():
    """Of four linings of a unit each check lacks two, renewed or not."""
    days = [D(2025, 1, 6) + dt.timedelta(weeks=12 * n) for n in range(5)]
    register = ["unit_id | axle_no | side | axle_type"]
    checks = ["unit_id | axle_no | side | inspected_on | odometer_km | lining_mm"]
    work = ["unit_id | axle_no | side | done_on | odometer_km | action"]
    for unit in range(1, 13):
        places = [(axle, side) for axle in (1, 2) for side in "LR"]
        for place, (axle, side) in enumerate(places):
            register.append(f"K{unit} | {axle} | {side} | drive")
            for n, day in enumerate(days):
                km, mm = 100_000 + 10_000 * n, 17.5 if place == 0 and n > 2 else 12 - n
                if (n + place + unit) % 2:
                    checks.append(f"K{unit} | {axle} | {side} | {day} | {km} | {mm}")
        work.append(f"K{unit} | 1 | L | {days[2]} | 120000 | reline")
    made = warehouse_of(
        register="\n".join(register),
        inspections="\n".join(checks),
        work="\n".join(work),
        as_of=D(2026, 12, 31),
    )
    warehouse.build(made, "30_reduce")
    (found,) = rows(made, "select count(*) from reduce.reline_decisions where relined")
    # Those of every other unit were checked on that day: no word is put in for the others.
    assert found == (6,)


def test_a_lining_that_grew_by_little_is_a_misreading_not_a_reline():
    made = warehouse_of(
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
            K1      | 1       | L    | 2025-01-06   | 100000      | 8
            K1      | 1       | L    | 2025-04-01   | 120000      | 10.5
            K1      | 1       | L    | 2025-06-24   | 140000      | 10
        """,
        as_of=D(2025, 7, 31),
    )
    warehouse.build(made, "30_reduce")
    assert rows(made, "select distinct relined from reduce.reline_decisions") == [(False,)]


def test_reading_noise_is_how_far_middle_readings_lie_from_their_neighbours():
    made = warehouse_of(
        inspections="""
            unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
            K1      | 1       | L    | 2025-01-06   | 100000      | 15
            K1      | 1       | L    | 2025-04-01   | 110000      | 14.6
            K1      | 1       | L    | 2025-06-24   | 140000      | 11
        """,
        as_of=D(2025, 7, 31),
    )
    warehouse.build(made, "30_reduce")
    # The line at 110,000 km is at 14 mm: a quarter of the way. Its error there has variance
    # 1 + 0.75² + 0.25².
    expected = 0.6 / (1 + 0.75**2 + 0.25**2) ** 0.5 / 0.7819
    assert rows(made, "from reduce.reading_noise") == [(1, pytest.approx(expected))]


def test_reading_noise_of_readings_in_half_millimetres_at_even_checks():
    """The middle distance falls on one of few; the error is that of gauge and rounding together."""
    draws = np.random.default_rng(3)
    lines = ["unit_id | axle_no | side | inspected_on | odometer_km | lining_mm"]
    for unit in range(1, 41):
        for check in range(12):
            day = D(2023, 1, 2) + dt.timedelta(weeks=12 * check)
            km, mm = 100_000 + 9_000 * check, 17.6 - 0.55 * check + draws.normal(0.0, 0.4)
            lines.append(f"K{unit} | 1 | L | {day} | {km} | {round(2 * mm) / 2}")
    register = "unit_id | axle_no | side | axle_type | arm_length_mm\n" + "\n".join(
        f"K{unit} | 1 | L | drive | 140" for unit in range(1, 41)
    )
    made = warehouse_of(register=register, inspections="\n".join(lines), as_of=D(2026, 1, 1))
    warehouse.build(made, "30_reduce")
    ((readings, sd),) = rows(made, "from reduce.reading_noise")
    assert readings == 400
    # 400 middles that overlap: their SD is known to about 5 %.
    assert sd == pytest.approx(np.hypot(0.4, 0.5 / 12**0.5), rel=0.1)


def test_axles_read_are_counted_by_how_many_of_their_ends_were():
    """One visit reads both ends, one the left alone, and one that reads nothing does not count."""
    checks = """
        unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm
        K1      | 1       | L    | 2025-01-01   | 100000      | 9         | 18
        K1      | 1       | R    | 2025-01-01   | 100000      | 8         | 18
        K1      | 1       | L    | 2025-04-01   | 110000      | 8         | 18
        K1      | 1       | R    | 2025-04-01   | 110000      | -         | 18
        K1      | 1       | L    | 2025-07-01   | 120000      | -         | 18
        K1      | 1       | R    | 2025-07-01   | 120000      | -         | 18
    """
    made = warehouse_of(inspections=checks)
    warehouse.build(made, "30_reduce")
    assert rows(made, "select neither_read, one_read, both_read from reduce.axles_read") == [
        (0, 1, 1)
    ]


def test_axles_looked_at_in_turn_are_counted_by_how_long_they_waited():
    """Two axles, one at each visit; the first, near its minimum, is relined at its second look."""
    checks = """
        unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm
        K1      | 1       | L    | 2025-01-01   | 100000      | 9         | 18
        K1      | 2       | L    | 2025-02-01   | 104000      | 15        | 18
        K1      | 1       | L    | 2025-03-01   | 108000      | 8         | 18
        K1      | 2       | L    | 2025-04-01   | 112000      | 14        | 18
        K1      | 1       | L    | 2025-05-01   | 116000      | 17        | 18
        K1      | 2       | L    | 2025-06-01   | 120000      | 13        | 18
    """
    register = """
        unit_id | axle_no | side | axle_type | arm_length_mm
        K1      | 1       | L    | drive     | 140
        K1      | 2       | L    | drive     | 140
    """
    work = """
        unit_id | axle_no | side | done_on    | odometer_km | action | reason
        K1      | 1       | L    | 2025-03-02 | 108000      | reline | worn
    """
    made = warehouse_of(register=register, inspections=checks, work=work, as_of=D(2025, 7, 1))
    warehouse.build(made, "30_reduce")
    found = "select waited, near, visits, looked from reduce.axle_looks order by near, waited"
    # Of the first axle the visit of February and the look of March, and June's after that of May,
    # for what follows the reline does not count. Of the second those of March, April, May and June.
    assert rows(made, found) == [
        (1, False, 3, 0),
        (2, False, 2, 2),
        (1, True, 1, 0),
        (2, True, 1, 1),
    ]
    now = "select axle_no, unread_visits from reduce.wheel_ends_now order by axle_no"
    assert rows(made, now) == [(1, 1), (2, 0)]


def test_what_was_renewed_unread_would_have_read_as_much_as_it_wore():
    """1L is read as left alone on the day of its reline: the old lining at its axle's pace."""
    checks = """
        unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | as_left
        K1      | 1       | L    | 2025-01-06   | 100000      | 9         | -
        K1      | 1       | R    | 2025-01-06   | 100000      | 14        | -
        K1      | 1       | L    | 2025-03-31   | 120000      | 8         | -
        K1      | 1       | R    | 2025-03-31   | 120000      | 13        | -
        K1      | 1       | L    | 2025-06-23   | 140000      | 18        | {left}
        K1      | 1       | R    | 2025-06-23   | 140000      | 12        | -
        K1      | 1       | L    | 2025-09-15   | 160000      | 17        | -
        K1      | 1       | R    | 2025-09-15   | 160000      | 11        | -
    """
    work = """
        unit_id | axle_no | side | done_on    | odometer_km | action
        K1      | 1       | L    | 2025-06-23 | 140000      | reline
    """
    for left in ("true", "-"):  # said so, or told by its having grown
        made = warehouse_of(inspections=checks.format(left=left), work=work)
        warehouse.build(made, "30_reduce")
        minimum = 6.0
        assert rows(
            made,
            """select above_mm, relined from reduce.reline_decisions
            where wheel_end_id = 'K1/1L' order by visit_on""",
        ) == [(9 - minimum, False), (8 - minimum, False), (7 - minimum, True)]
