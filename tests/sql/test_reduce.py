"""What drift and status are reduced from, on drawn rows."""

import datetime as dt

import pytest

from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from tests.drawing import REGISTER as ONE_UNIT
from tests.drawing import rows, warehouse_of

D = dt.date
CHECKS = """
    unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm | return_test
    K1      | 1       | L    | 2025-01-01   | 100000      | 9         | 18             | pass
    K1      | 1       | L    | 2025-04-11   | 120000      | 8         | 19             | pass
    K1      | 1       | L    | 2025-07-20   | 140000      | 17        | 19             | pass
"""
WORK = """
    unit_id | axle_no | side | done_on    | odometer_km | action            | reason
    K1      | 1       | L    | 2025-01-01 | 100000      | adjuster_set      | other
    K1      | 1       | L    | 2025-01-01 | 100000      | greased           | planned
    K1      | 1       | L    | 2025-06-10 | 132000      | reline            | worn
    K1      | 1       | L    | 2025-06-10 | 132000      | adjuster_replaced | failed
"""
DUTY = """
    unit_id | duty  | from_on    | to_on
    K1      | long  | 2024-01-01 | 2025-01-25
    K1      | short | 2025-01-26 | -
"""


@pytest.fixture(scope="module")
def con():
    settings = Settings.model_validate(
        {"service": {"duties": {"short": {"grease_weeks": 4, "check_weeks": 8}}}}
    )
    made = warehouse_of(inspections=CHECKS, work=WORK, duty=DUTY, settings=settings)
    warehouse.build(made, "30_reduce")
    return made


def test_stroke_reading_km_are_those_since_the_setting_by_duty(con):
    assert rows(
        con,
        """select inspected_on, duty, km from reduce.stroke_reading_km
        order by inspected_on, duty""",
    ) == [
        (D(2025, 4, 11), "long", pytest.approx(5_000)),  # 25 of 100 days at 200 km
        (D(2025, 4, 11), "short", pytest.approx(15_000)),
        (D(2025, 7, 20), "short", pytest.approx(8_000)),
    ]


def test_stroke_readings_name_the_lining_in_place(con):
    assert rows(
        con,
        "select inspected_on, life_id from stage.stroke_readings order by inspected_on",
    ) == [
        (D(2025, 1, 1), "K1/1L#1"),
        (D(2025, 4, 11), "K1/1L#1"),
        (D(2025, 7, 20), "K1/1L#2"),
    ]


def test_greasing_due_follows_the_last_greasing_and_the_duty_of_the_day(con):
    assert rows(
        con, "select inspected_on, due_on from reduce.greasing_due order by inspected_on"
    ) == [(D(2025, 4, 11), D(2025, 1, 29)), (D(2025, 7, 20), D(2025, 1, 29))]


def test_drift_outlook_says_what_is_in_place_and_how_old_the_adjuster_was_when_last_good(con):
    assert rows(
        con,
        """select wheel_end_id, duty, episode_id, life_id,
            adjuster_good_km - adjuster_fitted_km, check_weeks
        from reduce.drift_outlook order by wheel_end_id""",
    ) == [
        ("K1/1L", "short", "K1/1L@3", "K1/1L#2", 8_000, 8),
        ("K1/1R", "short", None, None, None, 8),
    ]


def test_units_now_have_their_duty_and_when_they_were_last_seen(con):
    assert rows(con, "from reduce.units_now") == [
        ("K1", None, "short", D(2025, 7, 20), D(2025, 7, 20), 11.0)
    ]


def test_adjuster_spells_split_watched_life_by_duty_and_say_how_it_was_kept(con):
    assert rows(
        con,
        """select adjuster_id, duty, from_km, to_km from reduce.adjuster_spells
        order by adjuster_id, from_km""",
    ) == [("K1/1L~2", "short", 0, 8_000)]


def test_lining_measurements_are_one_row_per_instrument(con):
    assert rows(
        con,
        """select life_id, instrument, km, lining_mm from reduce.lining_measurements
        order by life_id, inspected_on""",
    ) == [
        ("K1/1L#1", "gauge", 0, 9),
        ("K1/1L#1", "gauge", 20_000, 8),
        ("K1/1L#2", "gauge", 8_000, 17),
    ]


def test_wheel_end_watches_reach_from_the_first_look_to_the_last_by_duty(con):
    assert rows(
        con,
        """select wheel_end_id, duty, from_km, to_km from reduce.wheel_end_watches
        order by from_km""",
    ) == [
        ("K1/1L", "long", 100_000, pytest.approx(105_000)),
        ("K1/1L", "short", pytest.approx(105_000), 140_000),
    ]


def test_wheel_end_replacements_are_those_while_watched(con):
    assert rows(con, "select wheel_end_id, duty, km from reduce.wheel_end_replacements") == [
        ("K1/1L", "short", 132_000)
    ]


def test_adjuster_end_counts_round_the_watched_stretch_outwards(con):
    assert rows(
        con, "select duty, says, from_km, to_km, adjusters from reduce.adjuster_end_counts"
    ) == [("short", "watched", None, 8_000, 1)]


def test_adjusters_now_have_the_age_at_which_their_unit_was_last_seen(con):
    assert rows(
        con, "select wheel_end_id, age_km from reduce.adjusters_now order by wheel_end_id"
    ) == [("K1/1L", 8_000), ("K1/1R", None)]


REGISTER = """
    unit_id | axle_no | side | axle_type | arm_length_mm | in_service_on | in_service_km | adjuster_fitted_on | adjuster_fitted_km
    K1      | 1       | L    | drive     | 140           | 2021-03-01    | 0             | 2023-05-01         | 60000
    K1      | 1       | R    | drive     | 140           | 2021-03-01    | 0             | -                  | -
    K2      | 1       | L    | drive     | 140           | 2025-03-01    | 0             | -                  | -
    K2      | 1       | R    | drive     | 140           | 2025-03-01    | 0             | 2025-05-01         | 9000
"""  # noqa: E501
SINCE = """
    K2      | 1       | L    | 2025-07-01   | 20000       | 9         | 18             | pass
    K2      | 1       | R    | 2025-07-01   | 20000       | 9         | 18             | pass
"""


def test_adjusters_of_unknown_age_say_how_far_they_were_watched_and_their_unit_ran():
    con = warehouse_of(register=REGISTER, inspections=CHECKS.rstrip() + SINCE)
    warehouse.build(con, "30_reduce")
    assert rows(
        con,
        """select wheel_end_id, age_km, unit_km, unit_km - watched_km from reduce.adjusters_now
        where wheel_end_id <> 'K1/1R' order by wheel_end_id""",
    ) == [
        ("K1/1L", 80_000, 140_000, 100_000),
        ("K2/1L", 20_000, 20_000, 20_000),
        ("K2/1R", 11_000, 20_000, 20_000),
    ]


def lining_before(written: str, *, mate: str = "11", later: str = "") -> list[tuple]:
    """Of 1L, read at 17 mm after 8 without a word, as 1R was read at 12 and then so."""
    checks = f"""
    unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
    K1      | 1       | L    | 2025-01-01   | 100000      | 9
    K1      | 1       | R    | 2025-01-01   | 100000      | 13
    K1      | 1       | L    | 2025-04-11   | 120000      | 8
    K1      | 1       | R    | 2025-04-11   | 120000      | 12
    K1      | 1       | L    | 2025-07-20   | 140000      | 17
    K1      | 1       | R    | 2025-07-20   | 140000      | {mate}
    {later}
    """
    work = f"""
    unit_id | axle_no | side | done_on    | odometer_km | action
    K1      | 1       | L    | 2024-06-10 | 60000       | {written}
    K1      | 1       | R    | 2024-06-10 | 60000       | {written}
    """
    k2 = (line.replace("K1", "K2") for line in ONE_UNIT.splitlines() if "K1" in line)
    made = warehouse_of(register="\n".join([ONE_UNIT.rstrip(), *k2]), inspections=checks, work=work)
    warehouse.build(made, "30_reduce")
    return rows(
        made,
        """select wheel_end_id, lining_before_mm, lining_before_on from reduce.drift_outlook
        where lining_before_mm is not null""",
    )


def test_a_lining_that_grew_alone_without_a_word_is_in_doubt_where_relines_are_written():
    assert lining_before("reline") == [("K1/1L", 8.0, D(2025, 4, 11))]
    assert lining_before("greased") == [("K1/1L", 8.0, D(2025, 4, 11))]  # a young unit's first
    unwritten = "\n".join(
        f"    K1 | 1 | R | {day} | {km} | {mm}"
        for day, km, mm in (
            ("2024-03-01", 40_000, 9), ("2024-05-01", 50_000, 17), ("2024-08-01", 60_000, 8.5),
        )
    )  # fmt: skip
    assert lining_before("greased", later=unwritten.strip()) == []  # nobody here writes them down
    assert lining_before("reline", mate="18") == []  # both of the axle were renewed
    again = "K1 | 1 | L | 2025-10-20 | 150000 | 16"
    assert lining_before("reline", later=again) == []  # it stayed there
    # Another unit's relines are not written down: nothing of this one's.
    others = "\n".join(
        f"    K2 | 1 | {side} | {day} | {km} | {mm}"
        for side in "LR"
        for day, km, mm in (
            ("2025-01-02", 50_000, 9), ("2025-04-12", 60_000, 17), ("2025-05-20", 65_000, 8),
            ("2025-06-20", 70_000, 18), ("2025-07-21", 75_000, 17),
        )
    )  # fmt: skip
    assert lining_before("reline", later=others.strip()) == [("K1/1L", 8.0, D(2025, 4, 11))]


def in_place(checks: str, work: str = "unit_id") -> list[tuple]:
    """What 1L is told to have been read as, and whether its last return test failed."""
    heading = """
    unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm | return_test
    K1      | 1       | L    | 2025-01-01   | 100000      | 9         | 18             | pass
    K1      | 1       | L    | 2025-04-11   | 120000      | 8         | 19             | pass
    """
    checks = heading.rstrip() + "\n" + checks
    made = warehouse_of(inspections=checks, work=work, as_of=D(2025, 12, 1))
    warehouse.build(made, "30_reduce")
    unused = rows(made, "select wheel_end_id, failed_on, lining_mm from reduce.findings_set_aside")
    assert all(end == "K1/1L" and (failed_on or lining) for end, failed_on, lining in unused)
    return rows(
        made,
        """select lining_read_mm, lining_read_on, tested_on, test_failed
        from reduce.drift_outlook where wheel_end_id = 'K1/1L'""",
    )


USED = (8.0, D(2025, 4, 11), D(2025, 4, 11), False)


def test_a_finding_stands_though_its_row_is_set_aside_for_something_else():
    fails = "K1 | 1 | L | 2025-07-20 | 140000 | 7 | 900 | fail"
    assert in_place(fails) == [(8.0, D(2025, 4, 11), D(2025, 7, 20), True)]
    thin = "K1 | 1 | L | 2025-07-20 | 140000 | {} | 19 | pass"
    assert in_place(f"{thin.format(4)}\n{thin.format(12)}") == [
        (4.0, D(2025, 7, 20), D(2025, 4, 11), False)
    ]
    # Used rows after it say how it is now; what nothing is said of stays as it was.
    assert in_place(f"{fails}\nK1 | 1 | L | 2025-10-20 | 150000 | 6.5 | 19 | pass") == [
        (6.5, D(2025, 10, 20), D(2025, 10, 20), False)
    ]
    assert in_place("K1 | 1 | L | 2025-07-20 | 140000 | 7 | 900 | pass") == [USED]
    replaced = """
    unit_id | axle_no | side | done_on    | odometer_km | action
    K1      | 1       | L    | 2025-07-21 | 140100      | adjuster_replaced
    """
    assert in_place(fails, replaced) == [USED]
