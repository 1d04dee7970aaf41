"""What a month's running, jobs, settings and wear are counted as; and parts, from job to life."""

import datetime as dt

import pytest

from pipeline.warehouse import warehouse
from tests.drawing import rows, warehouse_of

D = dt.date
REGISTER = """
    unit_id | axle_no | side | axle_type | arm_length_mm | lining_new_mm | lining_min_mm | depot
    K1      | 1       | L    | front     | 140           | 18            | 6             | North
    K1      | 1       | R    | front     | 140           | 18            | 6             | North
    K1      | 2       | L    | rear      | 140           | 18            | 6             | North
"""
CHECKS = """
    unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm | return_test
    K1      | 1       | L    | 2025-01-06   | 100000      | 8         | 17             | pass
    K1      | 1       | R    | 2025-01-06   | 100000      | 9         | 17             | pass
    K1      | 2       | L    | 2025-01-06   | 100000      | 12        | 17             | pass
    K1      | 1       | L    | 2025-03-31   | 120000      | 17        | 25             | pass
    K1      | 1       | R    | 2025-03-31   | 120000      | 8.5       | 17             | fail
    K1      | 2       | L    | 2025-03-31   | 120000      | 11        | 17             | pass
    K1      | 1       | L    | 2025-06-24   | 140000      | 16        | 17             | pass
    K1      | 1       | R    | 2025-06-24   | 140000      | 8         | 17             | pass
    K1      | 2       | L    | 2025-06-24   | 140000      | 17.5      | 17             | pass
"""
# 1L is relined two days after a check; 2L without a word before the third check; 1R's adjuster is
# replaced for failing; a second reline of 1L is weeks from any check.
WORK = """
    unit_id | axle_no | side | done_on    | odometer_km | action            | reason | cost | part
    K1      | 1       | L    | 2025-01-08 | 100300      | reline            | worn   | 150  | soft
    K1      | 1       | L    | 2025-01-08 | 100300      | drum_replaced     | worn   | -    | -
    K1      | 1       | R    | 2025-04-01 | 120300      | adjuster_replaced | failed | 105  | new
    K1      | 1       | R    | 2025-04-01 | 120300      | greased           | -      | 3    | -
    K1      | 1       | L    | 2025-07-20 | 145000      | reline            | worn   | -    | hard
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


def counted(con, columns, axle_type="front"):
    return rows(
        con,
        f"""select month, duty, {columns} from reduce.unit_months
        where axle_type = '{axle_type}' and not ({" = 0 and ".join(columns.split(", "))} = 0)
        order by month""",
    )


def test_km_count_once_a_wheel_end_under_the_duty_they_were_run_in(con):
    """20,000 km by two wheel ends up to March; as many up to June, begun in the earlier duty."""
    assert counted(con, "wheel_end_km") == [
        (D(2025, 3, 1), "long", 40_000.0),
        (D(2025, 6, 1), "long", 40_000.0),
    ]


def test_jobs_count_in_their_month_and_cost_what_they_say(con):
    assert counted(con, "relines, relines_alone, reline_cost, reline_unpriced") == [
        (D(2025, 1, 1), "long", 1.0, 0.0, 150.0, 0.0),
        (D(2025, 7, 1), "short", 1.0, 1.0, 0.0, 1.0),
    ]
    assert counted(con, "drums, drum_cost, drum_unpriced") == [
        (D(2025, 1, 1), "long", 1.0, 0.0, 1.0)
    ]
    assert counted(con, "adjusters, adjuster_cost, adjuster_unpriced, other_cost, others") == [
        (D(2025, 4, 1), "long", 1.0, 105.0, 0.0, 3.0, 1.0)
    ]
    # Nobody wrote the rear one down; its price is not on record.
    assert counted(con, "relines, reline_unpriced", "rear") == [(D(2025, 6, 1), "short", 1.0, 1.0)]


def test_failures_count_when_they_were_found(con):
    assert counted(con, "failures") == [(D(2025, 3, 1), "long", 1.0)]


def test_settings_count_in_the_month_they_were_made_in(con):
    """1L set at its reline was found at 25 of 140 mm, out of its band; 1R's new adjuster in it."""
    assert counted(con, "set_wrong, set_right") == [
        (D(2025, 1, 1), "long", 1.0, 0.0),
        (D(2025, 4, 1), "long", 0.0, 1.0),
    ]


def test_wear_counts_between_readings_of_one_lining(con):
    """1R lost .5 mm in 20,000 km, then .5 and 1L 1.0 in as many each; a reline is no wear."""
    assert counted(con, "worn_mm, worn_km") == [
        (D(2025, 3, 1), "long", 0.5, 20_000.0),
        (D(2025, 6, 1), "short", 1.5, 40_000.0),
    ]


def test_a_part_goes_from_its_job_to_the_life_it_began(con):
    found = rows(
        con,
        """select wheel_end_id, started_on, part from stage.lining_lives
        where part is not null order by 2""",
    )
    assert found == [
        ("K1/1L", D(2025, 1, 8), "soft"),
        ("K1/1L", D(2025, 7, 20), "hard"),
    ]
    fitted = rows(con, "select fitted_on, part from stage.adjuster_lives where part is not null")
    assert fitted == [(D(2025, 4, 1), "new")]


def test_rows_of_one_job_that_name_two_parts_contradict_each_other():
    work = """
        unit_id | axle_no | side | done_on    | odometer_km | action | part
        K1      | 1       | L    | 2025-01-08 | 100300      | reline | soft
        K1      | 1       | L    | 2025-01-08 | 100300      | reline | hard
    """
    con = warehouse_of(register=REGISTER, inspections=CHECKS, work=work, as_of=D(2025, 7, 31))
    reasons = rows(con, "select problem from fate.work")
    assert len(reasons) == 2
    assert all("part hard and soft" in reason for (reason,) in reasons)
