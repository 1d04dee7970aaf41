"""Lives, episodes and adjuster intervals from drawn rows: the edge cases by name."""

import datetime as dt

import pytest

from pipeline.commands.doubts import doubt_lines
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from tests.drawing import REGISTER, rows, warehouse_of

D = dt.date
CHECKS = "unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm"
JOBS = "unit_id | axle_no | side | done_on | odometer_km | action | reason"


def left(*lines: str, heading: str = CHECKS) -> str:
    """Rows of wheel end K1/1L, its id left out for reading."""
    return "\n".join([heading, *(f"K1 | 1 | L | {line}" for line in lines)])


THREE_CHECKS = (
    "2025-01-06 | 100000 | 9  | 18",
    "2025-03-31 | 120000 | 8  | 18",
    "2025-06-23 | 140000 | 17 | 18",
)


def lives(con):
    return rows(
        con,
        """select life_no, start_known, start_source, started_on, start_km, ended_on, end_source
        from stage.lining_lives order by wheel_end_id, life_no""",
    )


def readings(con):
    return rows(
        con,
        """select life_id, inspected_on, km_since_reline, lining_mm
        from stage.lining_readings order by life_id, inspected_on""",
    )


def adjusters(con):
    return rows(
        con,
        """select adjuster_id, age_known, entry_km, left_km, right_km, cause
        from stage.adjuster_lives order by adjuster_id""",
    )


# Linings


def test_a_reline_between_inspections_starts_a_life_at_its_own_km():
    con = warehouse_of(
        inspections=left(*THREE_CHECKS),
        work=left("2025-05-12 | 130000 | reline | worn", heading=JOBS),
    )
    assert lives(con) == [
        (1, False, "before_records", None, None, D(2025, 5, 12), "job"),
        (2, True, "job", D(2025, 5, 12), 130_000, None, None),
    ]
    # The old life counts from its first reading, the new one from its reline.
    assert readings(con) == [
        ("K1/1L#1", D(2025, 1, 6), 0, 9),
        ("K1/1L#1", D(2025, 3, 31), 20_000, 8),
        ("K1/1L#2", D(2025, 6, 23), 10_000, 17),
    ]


def test_on_the_day_of_a_reline_as_found_is_the_old_lining_and_as_left_the_new():
    con = warehouse_of(
        inspections=left(
            "2025-01-06 | 100000 | 9  | 18 | no",
            "2025-03-31 | 120000 | 8  | 18 | no",
            "2025-03-31 | 120000 | 18 | 17 | yes",
            heading=CHECKS + " | as_left",
        ),
        work=left("2025-03-31 | 120000 | reline | worn", heading=JOBS),
    )
    assert readings(con) == [
        ("K1/1L#1", D(2025, 1, 6), 0, 9),
        ("K1/1L#1", D(2025, 3, 31), 20_000, 8),
        ("K1/1L#2", D(2025, 3, 31), 0, 18),
    ]


def test_a_new_lining_read_on_the_day_of_its_reline_was_read_as_left():
    """The sheet was filled in after the work, without a word; its stroke stays as found."""
    con = warehouse_of(
        inspections=left(
            "2025-01-06 | 100000 | 9  | 18",
            "2025-03-31 | 120000 | 18 | 17",
            "2025-06-23 | 140000 | 17 | 18",
        ),
        work=left("2025-03-31 | 120000 | reline | worn", heading=JOBS),
    )
    assert readings(con) == [
        ("K1/1L#1", D(2025, 1, 6), 0, 9),
        ("K1/1L#2", D(2025, 3, 31), 0, 18),
        ("K1/1L#2", D(2025, 6, 23), 20_000, 17),
    ]
    assert [life[:4] for life in lives(con)] == [
        (1, False, "before_records", None),
        (2, True, "job", D(2025, 3, 31)),
    ]
    assert rows(
        con,
        """select as_left, lining_mm, free_stroke_mm from stage.inspections
        where inspected_on = '2025-03-31' order by as_left""",
    ) == [(False, None, 17.0), (True, 18.0, None)]


def test_a_new_lining_read_on_its_day_takes_its_pointer_along_and_joins_what_was_left():
    """The stroke as left is on record; pointers stand at new ones."""
    heading = CHECKS + " | wear_indicator_deg | as_left"
    found = "2025-03-31 | 120000 | 18 | 17 | 2 | no"
    for left_too in ([], ["2025-03-31 | 120000 | - | 18 | - | yes"]):
        con = warehouse_of(
            inspections=left(
                "2025-01-06 | 100000 | 9 | 18 | 60 | no",
                found,
                *left_too,
                "2025-06-23 | 140000 | 17 | 18 | 8 | no",
                heading=heading,
            ),
            work=left("2025-03-31 | 120000 | reline | worn", heading=JOBS),
        )
        assert rows(
            con,
            """select as_left, lining_mm, wear_indicator_deg, free_stroke_mm from stage.inspections
            where inspected_on = '2025-03-31' order by as_left""",
        ) == [(False, None, None, 17.0), (True, 18.0, 2.0, 18.0 if left_too else None)]
        assert [life[:4] for life in lives(con)][1:] == [(2, True, "job", D(2025, 3, 31))]


def test_a_worn_lining_on_the_day_of_its_reline_was_read_as_found_whatever_the_form_says():
    """Its heading says "as left" of every check, for the sake of the stroke."""
    con = warehouse_of(
        inspections=left(
            "2025-01-06 | 100000 | 9  | 18 | yes",
            "2025-03-31 | 120000 | 8  | 17 | yes",
            "2025-06-23 | 140000 | 17 | 18 | yes",
            heading=CHECKS + " | as_left",
        ),
        work=left("2025-03-31 | 120000 | reline | worn", heading=JOBS),
    )
    assert readings(con) == [
        ("K1/1L#1", D(2025, 1, 6), 0, 9),
        ("K1/1L#1", D(2025, 3, 31), 20_000, 8),
        ("K1/1L#2", D(2025, 6, 23), 20_000, 17),
    ]
    assert rows(
        con,
        """select as_left, lining_mm, free_stroke_mm from stage.inspections
        where inspected_on = '2025-03-31' order by as_left""",
    ) == [(False, 8.0, None), (True, None, 17.0)]
    warehouse.build(con, "40_mart")
    assert rows(
        con,
        """select lining_mm, free_stroke_mm, jobs from mart.histories
        where wheel_end_id = 'K1/1L' order by on_date""",
    ) == [(9.0, 18.0, None), (8.0, None, "reline"), (17.0, 18.0, None)]


def test_a_job_between_two_checks_with_its_odometer_was_done_once():
    con = warehouse_of(
        inspections=left(
            "2024-10-06 | 80000 | 12 | 18",
            "2025-01-06 | 100000 | 9 | 18",
            "2025-01-09 | 100000 | 9 | 18",
            "2025-03-31 | 120000 | 8 | 18",
            "2025-06-23 | 140000 | 17 | 18",
        ),
        work=left(
            "2025-01-07 | 100000 | greased | planned",
            "2025-03-30 | 120000 | reline | worn",
            heading=JOBS,
        ),
    )
    assert rows(con, "select on_date, check_on from stage.booked_days order by 1") == [
        (D(2025, 1, 7), D(2025, 1, 6)),
        (D(2025, 3, 30), D(2025, 3, 31)),
    ]
    assert rows(con, "select done_on from stage.jobs order by 1") == [
        (D(2025, 1, 6),),
        (D(2025, 3, 31),),
    ]


def test_a_lining_that_grew_since_an_earlier_reline_is_as_found():
    con = warehouse_of(
        inspections=left("2025-01-06 | 100000 | 9 | 18", "2025-06-23 | 140000 | 18 | 17"),
        work=left(
            "2025-03-31 | 120000 | reline | worn", "2025-06-23 | 140000 | reline | worn",
            heading=JOBS,
        ),
    )  # fmt: skip
    assert readings(con)[1] == ("K1/1L#2", D(2025, 6, 23), 20_000, 18)


@pytest.mark.parametrize(("read", "done"), [(8, D(2025, 3, 31)), (18, D(2025, 3, 30))])
def test_a_job_whose_card_was_opened_the_day_before_was_done_at_its_check(read, done):
    """The old lining was read after it; a new one had been fitted the evening before."""
    con = warehouse_of(
        inspections=left(
            "2025-01-06 | 100000 | 9 | 18",
            f"2025-03-31 | 120000 | {read} | 18",
            "2025-06-23 | 140000 | 17 | 18",
        ),
        work=left("2025-03-30 | 120000 | reline | worn", heading=JOBS),
    )
    assert [life[:4] for life in lives(con)] == [
        (1, False, "before_records", None),
        (2, True, "job", done),
    ]
    assert sightings(con)[-2:] == [(D(2025, 3, 31), 120_000), (D(2025, 6, 23), 140_000)]


def test_a_reline_nobody_recorded_is_inferred_and_its_start_is_not_known():
    con = warehouse_of(inspections=left(*THREE_CHECKS))
    assert lives(con) == [
        (1, False, "before_records", None, None, D(2025, 6, 23), "inferred"),
        (2, False, "inferred", D(2025, 6, 23), None, None, None),
    ]


def test_a_reline_seen_only_in_the_reading_as_left_starts_after_the_reading_as_found():
    con = warehouse_of(
        inspections=left(
            "2025-01-06 | 100000 | 9 |",
            "2025-03-31 | 120000 | 8 |",
            "2025-03-31 | 120000 | 18 | true",
            "2025-06-23 | 140000 | 17 |",
            heading=CHECKS.replace("free_stroke_mm", "as_left"),
        )
    )
    assert readings(con) == [
        ("K1/1L#1", D(2025, 1, 6), 0, 9),
        ("K1/1L#1", D(2025, 3, 31), 20_000, 8),
        ("K1/1L#2", D(2025, 3, 31), 0, 18),
        ("K1/1L#2", D(2025, 6, 23), 20_000, 17),
    ]


def sightings(con):
    return rows(con, "select on_date, km from stage.unit_sightings order by on_date")


def test_a_job_booked_at_the_end_of_the_month_was_done_at_the_check_whose_odometer_it_has():
    """The unit had run on by then: it would have stood for four weeks, and run the faster since."""
    con = warehouse_of(
        inspections=left(*THREE_CHECKS),
        work=left("2025-04-28 | 120000 | reline | worn", heading=JOBS),
    )
    assert [life[:4] for life in lives(con)] == [
        (1, False, "before_records", None),
        (2, True, "job", D(2025, 3, 31)),
    ]
    assert sightings(con) == [
        (D(2025, 1, 6), 100_000),
        (D(2025, 3, 31), 120_000),
        (D(2025, 6, 23), 140_000),
    ]
    booked = rows(con, "select on_date, check_on from stage.booked_days")
    assert booked == [(D(2025, 4, 28), D(2025, 3, 31))]


@pytest.mark.parametrize(
    ("booked", "done"),
    [
        ("2025-06-23", D(2025, 3, 31)),  # on the day of the next check
        ("2025-07-28", D(2025, 3, 31)),  # after it
        ("2025-10-20", D(2025, 10, 20)),  # more than half a year later: a copied odometer
    ],
)
def test_a_job_booked_after_the_next_check_was_done_at_the_check_whose_odometer_it_has(
    booked, done
):
    """However many jobs are booked so, the checks between that odometer and its day stay."""
    con = warehouse_of(
        inspections=left(*THREE_CHECKS),
        work=left(
            f"{booked} | 120000 | reline | worn",
            f"{booked} | 120000 | greased | -",
            f"{D.fromisoformat(booked) + dt.timedelta(1)} | 120000 | adjuster_set | -",
            heading=JOBS,
        ),
        as_of=D(2025, 12, 31),
    )
    assert rows(con, "select inspected_on from stage.inspections order by 1") == [
        (D(2025, 1, 6),), (D(2025, 3, 31),), (D(2025, 6, 23),),
    ]  # fmt: skip
    km = 120_000 if done == D(2025, 3, 31) else 140_000
    assert rows(con, "select done_on, km from stage.jobs where action = 'reline'") == [(done, km)]
    assert lives(con)[-1][2:4] == ("job", done)


@pytest.mark.parametrize(
    ("job", "on"),
    [
        ("2025-04-28 | 126000", D(2025, 4, 28)),  # it has run since
        ("2025-06-02 | 120000", D(2025, 6, 2)),  # it has stood for nine weeks
        ("2025-03-31 | 120000", D(2025, 3, 31)),  # done that day
    ],
)
def test_any_other_job_was_done_when_it_says(job, on):
    con = warehouse_of(
        inspections=left(*THREE_CHECKS),
        work=left(f"{job} | reline | worn", heading=JOBS),
    )
    assert lives(con)[1][:4] == (2, True, "job", on)
    assert on in [day for day, _ in sightings(con)]


AGAIN = ("2025-04-20 | 126000 | reline | worn", "2025-04-29 | 127800 | reline | other")


def test_a_job_on_the_sheet_and_on_the_invoice_was_done_once():
    con = warehouse_of(inspections=left(*THREE_CHECKS), work=left(*AGAIN, heading=JOBS))
    found = "select done_on, again_on, km, reason from stage.jobs"
    assert rows(con, found) == [(D(2025, 4, 20), D(2025, 4, 29), 126_000, "worn")]
    (line,) = [line for line in doubt_lines(con, Settings()) if "again" in line]
    assert "1 job on record again within two weeks" in line
    assert "K1/1L reline on 2025-04-20 and 2025-04-29" in line


def test_a_job_after_another_check_is_another():
    checks = (*THREE_CHECKS[:2], "2025-04-25 | 127000 | 17 | 18", THREE_CHECKS[2])
    con = warehouse_of(inspections=left(*checks), work=left(*AGAIN, heading=JOBS))
    assert rows(con, "select done_on, again_on from stage.jobs order by all") == [
        (D(2025, 4, 20), None),
        (D(2025, 4, 29), None),
    ]


@pytest.mark.parametrize(("stroke", "fates"), [("18", ["repeated"] * 2), ("19", [])])
def test_a_visit_that_another_system_has_again_is_one_visit(stroke, fates):
    """To the last digit at each wheel end; a stroke that was read otherwise was read again."""
    both = [
        f"K1 | 1 | {side} | {day} | {km} | 8.4 | {read}"
        for day, km, second in (("2025-03-31", 120_000, "18"), ("2025-04-02", 120_400, stroke))
        for side, read in (("L", "18"), ("R", second))
    ]
    con = warehouse_of(
        inspections="\n".join([CHECKS, *both]),
        work=left("2025-03-31 | 120000 | reline | worn", heading=JOBS),
    )
    assert [fate for (fate,) in rows(con, "select fate from fate.inspections")] == fates
    assert len(rows(con, "from judge.inspections_again")) == len(fates)
    count = "select count(*) from stage.inspections where wheel_end_id = 'K1/1L'"
    assert rows(con, count) == [(1 if fates else 2,)]


def test_two_relines_without_an_inspection_between_leave_a_life_without_readings():
    con = warehouse_of(
        inspections=left(*THREE_CHECKS),
        work=left(
            "2025-04-20 | 125000 | reline | worn",
            "2025-05-12 | 130000 | reline | other",
            heading=JOBS,
        ),
    )
    assert [life[:4] for life in lives(con)] == [
        (1, False, "before_records", None),
        (2, True, "job", D(2025, 4, 20)),
        (3, True, "job", D(2025, 5, 12)),
    ]
    assert [r[0] for r in readings(con)] == ["K1/1L#1", "K1/1L#1", "K1/1L#3"]


def test_the_registers_reline_gives_the_first_life_its_start():
    con = warehouse_of(
        register="""
            unit_id | axle_no | side | axle_type | arm_length_mm | relined_on | relined_km
            K1      | 1       | L    | trailing  | 140           | 2024-07-01 | 60000
            K1      | 1       | R    | trailing  | 140           | 2024-07-01 | -
        """,
        inspections=left(*THREE_CHECKS[:2]) + "\nK1 | 1 | R | 2025-01-06 | 100000 | 9 | 18",
    )
    assert lives(con) == [
        (1, True, "register", D(2024, 7, 1), 60_000, None, None),
        # The other side's reline was the same day: its km is known from there.
        (1, True, "register", D(2024, 7, 1), 60_000, None, None),
    ]


def test_a_reline_with_a_day_but_no_km_anywhere_has_no_known_start():
    con = warehouse_of(
        register="""
            unit_id | axle_no | side | axle_type | arm_length_mm | relined_on
            K1      | 1       | L    | trailing  | 140           | 2024-07-01
        """,
        inspections=left(*THREE_CHECKS[:2]),
    )
    assert lives(con) == [(1, False, "register", D(2024, 7, 1), None, None, None)]


def test_a_wheel_end_registered_after_its_first_inspection_keeps_its_readings():
    con = warehouse_of(
        register="""
            unit_id | axle_no | side | axle_type | arm_length_mm | in_service_on | in_service_km
            K1      | 1       | L    | trailing  | 140           | 2025-02-10    | 110000
        """,
        inspections=left(*THREE_CHECKS[:2]),
    )
    assert [r[0] for r in readings(con)] == ["K1/1L#1", "K1/1L#1"]
    assert lives(con) == [(1, False, "before_records", None, None, None, None)]


def test_an_axle_without_one_side_is_staged_like_any_other():
    one_side = "\n".join(REGISTER.splitlines()[:3])
    con = warehouse_of(register=one_side, inspections=left(*THREE_CHECKS[:2]))
    assert rows(con, "select wheel_end_id, axle_id from stage.setting_episodes") == [
        ("K1/1L", "K1/1")
    ]


# Kilometres and duty


def test_a_duty_change_mid_life_splits_the_km_at_its_day():
    con = warehouse_of(
        inspections=left("2025-01-01 | 100000 | 9 | 18", "2025-04-11 | 120000 | 8 | 18"),
        duty="""
            unit_id | duty  | from_on    | to_on
            K1      | long  | 2024-01-01 | 2025-01-25
            K1      | short | 2025-01-26 | -
        """,
    )
    # 100 days at 200 km: 25 of them long.
    assert rows(
        con,
        """select duty, km from stage.lining_reading_km
        where inspected_on = '2025-04-11' order by duty""",
    ) == [("long", pytest.approx(5_000)), ("short", pytest.approx(15_000))]
    assert rows(con, "select duty from stage.lining_readings order by inspected_on") == [
        ("long",),
        ("short",),
    ]
    assert rows(
        con, "select duty, km from stage.unit_duty_km where on_date = '2025-04-11' order by duty"
    ) == [("long", pytest.approx(5_000)), ("short", pytest.approx(15_000))]


def test_duty_spells_cover_every_day_and_gaps_are_unassigned():
    con = warehouse_of(
        register=REGISTER + "    K2 | 1 | L | trailing | 140 | 18 | 6\n",
        inspections=left(*THREE_CHECKS[:1]),
        duty="""
            unit_id | duty  | from_on    | to_on
            K1      | long  | 2024-01-01 | 2024-12-31
            K1      | short | 2025-02-01 | -
        """,
        as_of=D(2025, 12, 31),
    )
    assert rows(
        con, "select unit_id, duty, from_on, until_on from stage.duty_spells order by 1, 3"
    ) == [
        ("K1", "long", D(1900, 1, 1), D(2025, 1, 1)),
        ("K1", "unassigned", D(2025, 1, 1), D(2025, 2, 1)),
        ("K1", "short", D(2025, 2, 1), D(9999, 1, 1)),
        ("K2", "unassigned", D(1900, 1, 1), D(9999, 1, 1)),
    ]


def test_a_spell_that_overlaps_the_next_ends_where_the_next_begins():
    con = warehouse_of(
        inspections=left(*THREE_CHECKS[:1]),
        duty="""
            unit_id | duty  | from_on    | to_on
            K1      | long  | 2024-01-01 | 2025-06-30
            K1      | short | 2025-02-01 | -
        """,
        as_of=D(2025, 12, 31),
    )
    assert rows(con, "select duty, until_on from stage.duty_spells order by from_on") [0] == (
        "long", D(2025, 2, 1)
    )  # fmt: skip


def test_a_unit_off_the_road_for_a_year_ran_no_km_and_no_odometer_is_doubted():
    con = warehouse_of(
        inspections=left(
            "2024-01-01 | 100000 | 9 | 18",
            "2025-01-06 | 100010 | 9 | 18",
            "2025-03-31 | 120000 | 8 | 18",
        )
    )
    assert rows(con, "select on_date, km from stage.unit_sightings order by on_date") == [
        (D(2024, 1, 1), 100_000),
        (D(2025, 1, 6), 100_010),
        (D(2025, 3, 31), 120_000),
    ]


def test_unit_days_put_a_day_between_sightings_on_the_line():
    con = warehouse_of(
        inspections=left("2025-01-01 | 100000 | 9 | 18", "2025-01-11 | 101000 | 9 | 18"),
        duty="unit_id | duty | from_on\nK1 | long | 2024-01-01\nK1 | short | 2025-01-04",
    )
    assert rows(con, "select on_date, km, duty from stage.unit_days order by on_date") == [
        (D(2025, 1, 1), 100_000, "long"),
        (D(2025, 1, 4), pytest.approx(100_300), "short"),
        (D(2025, 1, 11), 101_000, "short"),
    ]


# Settings and strokes


def test_jobs_that_adjust_and_strokes_as_left_start_an_episode():
    con = warehouse_of(
        inspections=left(
            "2025-01-06 | 100000 | 9 | 25 | no",
            "2025-01-06 | 100000 | 9 | 18 | yes",
            "2025-03-31 | 120000 | 8 | 21 | no",
            "2025-06-23 | 140000 | 7 | 19 | no",
            heading=CHECKS + " | as_left",
        ),
        work=left("2025-03-31 | 120000 | adjuster_set | other", heading=JOBS),
    )
    assert rows(con, "select on_date, source from stage.settings order by on_date") == [
        (D(2025, 1, 6), "as_left"),
        (D(2025, 3, 31), "adjuster_set"),
    ]
    assert rows(
        con,
        """select r.episode_id, e.set_source, r.inspected_on, r.as_left, r.km_since_set,
            r.weeks_since_set, r.stroke_ratio
        from stage.stroke_readings r inner join stage.setting_episodes e using (episode_id)
        order by r.inspected_on, r.as_left""",
    ) == [
        ("K1/1L@1", "first_reading", D(2025, 1, 6), False, 0, 0, pytest.approx(25 / 140)),
        ("K1/1L@2", "as_left", D(2025, 1, 6), True, 0, 0, pytest.approx(18 / 140)),
        ("K1/1L@2", "as_left", D(2025, 3, 31), False, 20_000, 12, pytest.approx(21 / 140)),
        ("K1/1L@3", "adjuster_set", D(2025, 6, 23), False, 20_000, 12, pytest.approx(19 / 140)),
    ]


def test_the_days_most_thorough_job_names_the_setting():
    con = warehouse_of(
        inspections=left(*THREE_CHECKS[:2]),
        work=left(
            "2025-03-31 | 120000 | reline | worn",
            "2025-03-31 | 120000 | adjuster_replaced | failed",
            heading=JOBS,
        ),
    )
    assert rows(con, "select source from stage.settings") == [("adjuster_replaced",)]


@pytest.mark.parametrize(
    ("grown", "later", "other_job", "begins"),
    [
        ("18 | 17", "17 | 18", "", True),  # the next reading bears it out
        ("18 | 17", "8 | 24", "", False),  # it was misread
        ("18 | 17", "", "", False),  # read once: nothing tells yet
        ("18 | 17", "", "reline | worn", True),  # its axle's other end was relined since
        ("18 |", "17 |", "", False),  # no stroke was read since
    ],
)
def test_a_reline_without_a_job_begins_an_episode_of_no_known_setting(
    grown, later, other_job, begins
):
    checks = ["2025-01-06 | 100000 | 9 | 25", f"2025-03-31 | 120000 | {grown}"]
    checks += [f"2025-06-23 | 140000 | {later}"] if later else []
    jobs = "\n".join([JOBS, f"K1 | 1 | R | 2025-03-17 | 116000 | {other_job}"])
    work = jobs if other_job else "unit_id"
    con = warehouse_of(inspections=left(*checks), work=work)
    found = rows(con, "select on_date, source from stage.settings where wheel_end_id = 'K1/1L'")
    assert found == ([(D(2025, 3, 30), "first_reading")] if begins else [])
    if begins:
        query = """select r.episode_id, e.set_on, r.inspected_on, r.km_since_set, r.weeks_since_set
            from stage.stroke_readings r inner join stage.setting_episodes e using (episode_id)
            where r.wheel_end_id = 'K1/1L' order by r.inspected_on"""
        assert rows(con, query)[:2] == [
            ("K1/1L@1", None, D(2025, 1, 6), 0, 0),
            ("K1/1L@2", None, D(2025, 3, 31), 0, 0),
        ]


# Adjusters

TESTED = CHECKS + " | return_test"
REGISTERED = """
    unit_id | axle_no | side | axle_type | arm_length_mm | adjuster_fitted_on | adjuster_fitted_km
    K1      | 1       | L    | trailing  | 140           | 2024-01-01         | 50000
"""


def test_an_adjuster_older_than_the_records_enters_at_its_first_good_check():
    con = warehouse_of(
        register=REGISTERED,
        inspections=left(
            "2025-01-06 | 100000 | 9 | 18 | pass",
            "2025-03-31 | 120000 | 8 | 18 | pass",
            heading=TESTED,
        ),
    )
    assert adjusters(con) == [("K1/1L~1", True, 50_000, 70_000, None, "in_service")]


def test_a_failed_test_without_a_replacement_ends_the_life_between_two_checks():
    con = warehouse_of(
        register=REGISTERED,
        inspections=left(
            "2025-01-06 | 100000 | 9 | 18 | pass",
            "2025-03-31 | 120000 | 8 | 18 | fail",
            "2025-06-23 | 140000 | 7 | 40 | fail",
            heading=TESTED,
        ),
    )
    assert adjusters(con) == [("K1/1L~1", True, 50_000, 50_000, 70_000, "failed")]


def test_a_replacement_for_failure_without_a_failed_test_failed_before_the_job():
    con = warehouse_of(
        register=REGISTERED,
        inspections=left("2025-01-06 | 100000 | 9 | 18 | pass", heading=TESTED),
        work=left("2025-02-10 | 110000 | adjuster_replaced | damaged", heading=JOBS),
        as_of=D(2025, 3, 1),
    )
    assert adjusters(con) == [
        ("K1/1L~1", True, 50_000, 50_000, 60_000, "damaged"),
        ("K1/1L~2", True, 0, 0, None, "in_service"),
    ]


@pytest.mark.parametrize(
    ("test", "done", "cause"),
    [
        ("pass", "reline", "planned"),
        ("fail", "reline", "failed"),
        ("pass", "greased", "failed"),  # nobody says what else was worn
        ("-", "reline", "planned"),  # its stroke was in the band
    ],
)
def test_an_adjuster_that_went_along_with_worn_linings_is_no_failure(test, done, cause):
    con = warehouse_of(
        register=REGISTERED,
        inspections=left(
            "2025-01-06 | 100000 | 9 | 18 | pass",
            f"2025-03-31 | 120000 | 8 | 18 | {test}",
            heading=TESTED,
        ),
        work=left(
            "2025-03-31 | 120000 | adjuster_replaced | worn",
            f"2025-03-31 | 120000 | {done} | worn",
            heading=JOBS,
        ),
    )
    assert adjusters(con)[0][-1] == cause


def test_a_planned_replacement_is_no_failure():
    con = warehouse_of(
        register=REGISTERED,
        inspections=left("2025-01-06 | 100000 | 9 | 18 | pass", heading=TESTED),
        work=left("2025-02-10 | 110000 | adjuster_replaced | planned", heading=JOBS),
        as_of=D(2025, 3, 1),
    )
    assert adjusters(con)[0] == ("K1/1L~1", True, 50_000, 50_000, None, "planned")
    assert rows(con, "select ended_km from stage.adjuster_lives where adjuster_id = 'K1/1L~1'") == [
        (60_000,)
    ]


@pytest.mark.parametrize(
    ("choice", "right_km", "cause"), [("censored", None, "unstated"), ("failed", 60_000, "failed")]
)
def test_a_replacement_without_a_reason_counts_as_the_fleet_says(choice, right_km, cause):
    con = warehouse_of(
        register=REGISTERED,
        inspections=left("2025-01-06 | 100000 | 9 | 18 | pass", heading=TESTED),
        work=left("2025-02-10 | 110000 | adjuster_replaced | -", heading=JOBS),
        settings=Settings.model_validate({"checks": {"unstated_replacement": choice}}),
        as_of=D(2025, 3, 1),
    )
    assert adjusters(con)[0] == ("K1/1L~1", True, 50_000, 50_000, right_km, cause)


def test_as_found_on_the_day_of_its_replacement_is_still_the_old_adjuster():
    con = warehouse_of(
        register=REGISTERED,
        inspections=left(
            "2025-01-06 | 100000 | 9 | 18 | pass",
            "2025-03-31 | 120000 | 8 | 40 | fail",
            "2025-06-23 | 140000 | 8 | 18 | pass",
            heading=TESTED,
        ),
        work=left("2025-03-31 | 120000 | adjuster_replaced | failed", heading=JOBS),
    )
    assert adjusters(con) == [
        ("K1/1L~1", True, 50_000, 50_000, 70_000, "failed"),
        ("K1/1L~2", True, 0, 20_000, None, "in_service"),
    ]


def test_an_adjuster_that_had_failed_before_anyone_saw_it_work_cannot_enter_a_fit():
    con = warehouse_of(
        register=REGISTERED,
        inspections=left("2025-01-06 | 100000 | 9 | 40 | fail", heading=TESTED),
    )
    assert adjusters(con)[0][1] is False


def test_an_adjuster_of_unknown_age_is_listed_and_marked():
    con = warehouse_of(
        inspections=left("2025-01-06 | 100000 | 9 | 18 | pass", heading=TESTED),
    )
    assert adjusters(con) == [("K1/1L~1", False, None, None, None, "in_service")]


def test_untested_without_fault_a_stroke_in_the_band_is_a_good_check_and_one_outside_says_nothing():
    con = warehouse_of(
        inspections=left("2025-01-06 | 100000 | 9 | 18", "2025-03-31 | 120000 | 8 | 30")
    )
    assert rows(con, "select inspected_on, failed from stage.adjuster_checks") == [
        (D(2025, 1, 6), False)
    ]


def test_a_named_fault_is_the_cause():
    con = warehouse_of(
        register=REGISTERED,
        inspections=left(
            "2025-01-06 | 100000 | 9 | 18 | -",
            "2025-03-31 | 120000 | 8 | 30 | Stuck",
            heading=CHECKS + " | fault",
        ),
    )
    assert adjusters(con) == [("K1/1L~1", True, 50_000, 50_000, 70_000, "stuck")]
    assert rows(con, "select fitting_no, source from stage.adjuster_fittings") == [(1, "register")]


# Marts made in SQL


def mart_of(con, table):
    warehouse.build(con, "40_mart")
    return rows(con, f"from {table} order by all")


def test_a_check_and_a_greasing_are_overdue_an_interval_after_they_were_done():
    con = warehouse_of(
        inspections=left(*THREE_CHECKS[:2]),
        work=left("2025-03-31 | 120000 | greased | planned", heading=JOBS),
        duty="unit_id | duty | from_on\nK1 | short | 2024-01-01",
        settings=Settings.model_validate({"service": {"duties": {"short": {"grease_weeks": 4}}}}),
        as_of=D(2025, 6, 30),
    )
    assert [
        (kind, due_on, weeks) for _, _, _, _, kind, due_on, weeks in mart_of(con, "mart.overdue")
    ] == [
        ("adjuster check", D(2025, 6, 23), 1.0),
        ("greasing", D(2025, 4, 28), 9.0),
    ]


def test_a_first_service_is_missed_when_a_new_adjuster_runs_past_its_window_unseen():
    con = warehouse_of(
        inspections=left(*THREE_CHECKS[:2]) + "\nK1 | 1 | R | 2025-06-23 | 140000 | 9 | 18",
        work=left("2025-04-14 | 122000 | adjuster_replaced | failed", heading=JOBS),
    )
    assert [row[4:6] for row in mart_of(con, "mart.overdue") if row[0] == "K1/1L"] == [
        ("first service", D(2025, 4, 14))
    ]


@pytest.mark.parametrize(("km", "missed"), [(122_900, True), (123_100, False)])
def test_a_look_before_the_first_services_window_is_no_first_service(km, missed):
    con = warehouse_of(
        inspections=left(*THREE_CHECKS[:2], f"2025-04-21 | {km} | 8 | 18")
        + "\nK1 | 1 | R | 2025-06-23 | 140000 | 9 | 18",
        work=left("2025-04-14 | 122000 | adjuster_replaced | failed", heading=JOBS),
    )
    kinds = {row[4] for row in mart_of(con, "mart.overdue") if row[0] == "K1/1L"}
    assert ("first service" in kinds) == missed


def test_records_begin_at_the_first_inspection_that_counts():
    con = warehouse_of(inspections=left("2024-12-30 | 99000 | 9 | 18", *THREE_CHECKS))
    assert rows(con, "from stage.records") == [("K1", D(2024, 12, 30))]
    con = warehouse_of(inspections=left("2024-12-30 | x | 9 | 18", *THREE_CHECKS))
    assert rows(con, "from stage.records") == [("K1", D(2025, 1, 6))]


def test_mart_on_record_counts_what_is_held_of_each_wheel_end_and_what_is_not():
    """The lining that grew from 8 to 17 mm is a reline, though nobody wrote one down."""
    con = warehouse_of(
        inspections=left(*THREE_CHECKS, "2025-09-15 | 160000 | - | 18"),
        work=left("2025-03-31 | 120000 | greased | planned", heading=JOBS),
    )
    warehouse.build(con, "40_mart")
    assert rows(
        con,
        """select wheel_end_id, inspections, linings, strokes, return_tests, jobs, greasings,
            relines
        from mart.on_record order by 1""",
    ) == [("K1/1L", 4, 3, 4, 0, 1, 1, 1), ("K1/1R", 0, 0, 0, 0, 0, 0, 0)]


def test_mart_lining_readings_and_adjuster_lives_are_those_staged():
    con = warehouse_of(
        inspections=left(*THREE_CHECKS, "2025-09-15 | 160000 | - | 18"),
    )
    assert len(mart_of(con, "mart.lining_readings")) == 3
    assert [row[0] for row in mart_of(con, "mart.adjuster_lives")] == ["K1/1L~1"]
