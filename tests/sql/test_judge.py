"""Which rows are judged, and how: schema ``judge`` and ``fate``, on drawn rows."""

import datetime as dt

import pytest

from pipeline.commands.doubts import doubt_lines
from pipeline.settings import Settings
from tests.drawing import REGISTER, rows, warehouse_of

HEADING = "unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | free_stroke_mm"


def inspections(*lines: str, heading: str = HEADING) -> str:
    return "\n".join([heading, *lines])


def fates(con, table="fate.inspections"):
    return rows(
        con, f"select row_no, fate, problem_kind from {table} order by row_no, problem_kind"
    )


GOOD = (
    "K1 | 1 | L | 2025-01-06 | 100000 | 12 | 18",
    "K1 | 1 | L | 2025-03-31 | 120000 | 11 | 18",
    "K1 | 1 | L | 2025-06-23 | 140000 | 10 | 18",
)


def test_good_rows_have_no_entry_in_fate_inspections():
    assert fates(warehouse_of(inspections=inspections(*GOOD))) == []


def test_a_unit_id_is_known_whatever_its_case():
    con = warehouse_of(inspections=inspections("k1 | 1 | L | 2025-01-06 | 100000 | 12 | 18"))
    assert fates(con) == []
    assert rows(con, "select wheel_end_id from stage.inspections") == [("K1/1L",)]


def test_an_unknown_unit_and_an_unknown_axle_are_told_apart():
    con = warehouse_of(
        inspections=inspections(
            *GOOD,
            "K9 | 1 | L | 2025-01-06 | 100000 | 12 | 18",
            "K1 | 4 | L | 2025-01-06 | 100000 | 12 | 18",
        )
    )
    assert fates(con) == [
        (5, "set_aside", "unknown wheel end"),
        (6, "set_aside", "unknown wheel end"),
    ]
    said = rows(con, "select problem from fate.inspections order by row_no")
    assert said[0] == ('unit_id: found "K9"; accepted: a unit in the register',)
    assert said[1] == (
        "axle_no, side: found 4L of K1; accepted: a wheel end of that unit in the register",
    )


def test_a_row_dated_after_the_day_it_was_loaded_is_set_aside():
    con = warehouse_of(inspections=inspections(*GOOD, "K1|1|L|2026-03-01|150000|9|18"))
    assert fates(con) == [(5, "set_aside", "dated in the future")]


def test_a_row_dated_after_as_of_is_accepted_and_not_used():
    con = warehouse_of(inspections=inspections(*GOOD), as_of=dt.date(2025, 4, 30))
    assert fates(con) == []
    assert rows(con, "select max(inspected_on) from stage.inspections") == [(dt.date(2025, 3, 31),)]


def test_without_as_of_the_newest_inspection_is_the_day():
    con = warehouse_of(inspections=inspections(*GOOD))
    assert rows(con, "select as_of from run.parameters") == [(dt.date(2025, 6, 23),)]


def test_inches_in_a_millimetre_file_are_named_as_such():
    # 0.43 in is 10.9 mm, the value its neighbours lead to expect.
    con = warehouse_of(
        inspections=inspections(GOOD[0], "K1|1|L|2025-03-31|120000|0.43|18", GOOD[2])
    )
    assert fates(con) == [(3, "set_aside", "lining_mm in another unit")]
    ((said,),) = rows(con, "select problem from fate.inspections")
    assert "25.4 times off its neighbours (11.0 mm)" in said


def test_millimetres_in_an_inch_file_are_named_before_they_are_called_impossible():
    con = warehouse_of(
        inspections=inspections(GOOD[0], "K1|1|L|2025-03-31|120000|11|457.2", GOOD[2])
    )
    assert fates(con) == [(3, "set_aside", "free_stroke_mm in another unit")]


def test_a_stroke_of_one_whole_millimetre_is_a_brake_taken_up_too_far():
    """And one of 0.7 is in inches."""
    for stroke, fate in (("1", []), ("0.7", [(3, "set_aside", "free_stroke_mm in another unit")])):
        row = f"K1|1|L|2025-03-31|120000|11|{stroke}"
        assert fates(warehouse_of(inspections=inspections(GOOD[0], row, GOOD[2]))) == fate


def test_lining_2_mm_above_new_is_possible_and_more_is_not():
    con = warehouse_of(
        inspections=inspections(
            "K1|1|L|2025-01-06|100000|20.0|18", "K1|1|R|2025-01-06|100000|20.1|18"
        )
    )
    assert fates(con) == [(3, "set_aside", "lining_mm above new")]


def test_a_stroke_longer_than_the_arm_is_impossible():
    con = warehouse_of(inspections=inspections(*GOOD[:2], "K1|1|L|2025-06-23|140000|10|141"))
    assert fates(con) == [(4, "set_aside", "free_stroke_mm longer than the arm")]


def test_a_copy_is_repeated_and_a_row_that_completes_another_is_accepted():
    con = warehouse_of(
        inspections=inspections(
            *GOOD, GOOD[2], "K1|1|R|2025-01-06|100000|12|-", "K1|1|R|2025-01-06|100000|-|17"
        )
    )
    assert fates(con) == [(5, "repeated", None)]
    assert rows(
        con, "select lining_mm, free_stroke_mm from stage.inspections where wheel_end_id = 'K1/1R'"
    ) == [(12.0, 17.0)]


def test_rows_of_one_day_that_contradict_each_other_are_all_set_aside():
    con = warehouse_of(inspections=inspections(*GOOD, "K1|1|L|2025-06-23|140000|10.5|18", GOOD[2]))
    # Row 6 repeats row 4 to the letter: its content has been seen, and judged, before.
    assert fates(con) == [
        (4, "set_aside", "contradictory rows"),
        (5, "set_aside", "contradictory rows"),
        (6, "repeated", None),
    ]
    ((said,), _) = rows(
        con, "select problem from fate.inspections where fate = 'set_aside' order by row_no"
    )
    assert "lining_mm 10.0 and 10.5" in said


def test_as_found_and_as_left_of_one_day_do_not_contradict():
    con = warehouse_of(
        inspections=inspections(
            "K1|1|L|2025-01-06|100000|12|25|no",
            "K1|1|L|2025-01-06|100000|12|18|yes",
            heading=HEADING + " | as_left",
        )
    )
    assert fates(con) == []


def test_an_odometer_that_runs_back_for_one_day_is_mistyped():
    con = warehouse_of(inspections=inspections(GOOD[0], "K1|1|L|2025-03-31|12000|11|18", GOOD[2]))
    assert fates(con) == [(3, "set_aside", "odometer_km runs back or jumps")]
    ((said,),) = rows(con, "select problem from fate.inspections")
    assert "found 12000 km between 100000 km on 2025-01-06 and 140000 km on 2025-06-23" in said


def test_a_replaced_odometer_is_accepted_and_km_are_carried_across():
    con = warehouse_of(
        inspections=inspections(
            *GOOD, "K1|1|L|2025-09-15|5000|9|18", "K1|1|L|2025-12-08|25000|8|18"
        )
    )
    assert fates(con) == []
    # 84 days at the unit's own 20,000 km per 84 days bridge the replacement.
    assert rows(con, "select km from stage.inspections order by inspected_on") == [
        (100_000.0,), (120_000.0,), (140_000.0,), (160_000.0,), (180_000.0,)
    ]  # fmt: skip
    assert rows(con, "select on_date, replaced from judge.odometer_verdicts where replaced") == [
        (dt.date(2025, 9, 15), True)
    ]


def test_a_row_dated_a_year_off_is_set_aside_and_says_where_it_would_fit():
    lines = [
        f"K1 | 1 | L | {day} | {km} | {mm} | 18"
        for day, km, mm in (
            ("2024-01-06", 50_000, 16), ("2024-04-01", 70_000, 15), ("2024-07-01", 90_000, 14),
            ("2024-10-01", 110_000, 13), ("2024-01-05", 130_000, 12), ("2025-04-01", 150_000, 11),
        )
    ]  # fmt: skip
    con = warehouse_of(
        inspections=inspections(*lines),
        work=inspections("K1 | 1 | L | 2024-01-05 | 130000 | greased | - | -", heading=WORK),
    )
    assert fates(con) == [(6, "set_aside", "dated a year off")]
    assert fates(con, "fate.work") == [(2, "set_aside", "dated a year off")]
    ((said,),) = rows(con, "select problem from fate.inspections")
    assert said == (
        "inspected_on: found 2024-01-05 with 130000 km, beside 50000 km on 2024-01-06; accepted: "
        "the day of that odometer; it would fit 2025-01-05, between 110000 km on 2024-10-01 and "
        "150000 km on 2025-04-01"
    )
    assert rows(con, "select * from stage.relines") == []
    assert doubt_lines(con, Settings()) == []


def test_what_was_taken_as_a_replaced_odometer_is_told():
    con = warehouse_of(inspections=inspections(*GOOD, "K1|1|L|2025-09-15|5000|9|18"))
    assert doubt_lines(con, Settings()) == [
        "1 odometer taken as replaced: K1 on 2025-09-15 (140000, then 5000 km); where one was not, "
        "a day or an odometer is mistyped"
    ]


def test_a_lining_that_rises_and_falls_back_is_out_of_line():
    con = warehouse_of(inspections=inspections(GOOD[0], "K1|1|L|2025-03-31|120000|16|18", GOOD[2]))
    assert fates(con) == [(3, "set_aside", "lining_mm out of line")]
    assert rows(con, "select count(*) from fate.lining_outliers") == [(1,)]


def grown(*, both: bool, at_km: int, then_km: int, until: str):
    """11, 10, then 17.5 mm, on one side or both, and 11 mm later on; 1 mm a 8,000 km before."""
    sides = [("L", 17.5), ("R", 17.5 if both else 9)]
    return inspections(
        *(f"K1 | 1 | {side} | 2024-01-09 | 100000 | 11 | 18" for side, _ in sides),
        *(f"K1 | 1 | {side} | 2024-03-09 | 108000 | 10 | 18" for side, _ in sides),
        *(f"K1 | 1 | {side} | 2024-05-09 | {at_km} | {mm} | 18" for side, mm in sides),
        f"K1 | 1 | L | {until} | {then_km} | 11 | 18",
        *([f"K1 | 1 | R | {until} | {then_km} | 11 | 18"] if both else []),
    )


@pytest.mark.parametrize(
    ("both", "then_km", "until", "relined_ends"),
    [
        (True, 175_000, "2025-05-09", 2),  # 6.5 mm in 59,000 km, at its pace 7.4
        (False, 175_000, "2025-05-09", 1),
        (True, 140_000, "2024-08-09", 2),  # twice its pace: both at once are no two slips
        (False, 140_000, "2024-08-09", 0),
        (True, 124_000, "2024-06-09", 0),  # six times its pace
    ],
)
def test_a_lining_that_grew_and_can_have_worn_down_again_was_relined(
    both, then_km, until, relined_ends
):
    found = grown(both=both, at_km=116_000, then_km=then_km, until=until)
    con = warehouse_of(inspections=found)
    (high,) = rows(con, "select count(*) from fate.inspections")[0]
    assert high == (0 if relined_ends else 1 + both)
    assert (
        rows(con, "select on_date, source from stage.relines")
        == [(dt.date(2024, 5, 9), "inferred")] * relined_ends
    )


def test_two_sides_that_grew_together_at_no_known_pace_were_relined():
    high = ("2024-03-09 | 108000 | 10", "2024-05-09 | 116000 | 17.5", "2025-05-09 | 175000 | 11")
    both = [f"K1 | 1 | {side} | {line} | 18" for side in "LR" for line in high]
    assert fates(warehouse_of(inspections=inspections(*both))) == []
    one = warehouse_of(inspections=inspections(*both[:3]))
    assert fates(one) == [(3, "set_aside", "lining_mm out of line")]


OUT_OF_LINE = (
    "K1 | 1 | L | 2025-01-01 | 100000 | 12 | 18",
    "K1 | 1 | L | 2025-04-01 | 110000 | 16 | 18",
    "K1 | 1 | L | 2025-07-01 | 120000 | 11 | 18",
)


def relined(side):
    return f"""
        unit_id | axle_no | side | done_on    | odometer_km | action
        K1      | 1       | {side} | 2025-03-01 | 107000      | reline
    """


def test_only_its_own_reline_excuses_a_lining_that_is_out_of_line():
    other = warehouse_of(inspections=inspections(*OUT_OF_LINE), work=relined("R"))
    assert fates(other) == [(3, "set_aside", "lining_mm out of line")]
    own = warehouse_of(inspections=inspections(*OUT_OF_LINE), work=relined("L"))
    assert fates(own) == []


ZERO_BETWEEN = (
    "K1 | 1 | L | 2025-01-01 | 100000 | 9 | 18",
    "K1 | 1 | L | 2025-02-15 | 105000 | 0 | 18",
    "K1 | 1 | L | 2025-03-10 | 108000 | 0 | 18",
    "K1 | 1 | L | 2025-04-01 | 110000 | 8.5 | 18",
)


def test_a_lining_of_zero_before_a_thicker_one_was_not_taken():
    """Neighbours that differ by more than wear say no less."""
    con = warehouse_of(inspections=inspections(*ZERO_BETWEEN))
    assert fates(con) == [(n, "set_aside", "lining_mm not taken") for n in (3, 4)]
    ((said,), _) = rows(con, "select problem from fate.inspections order by row_no")
    assert said.startswith("lining_mm: found 0 mm, then 8.5 mm on 2025-04-01, with no reline on")
    assert rows(con, "select * from stage.relines") == []
    worn = warehouse_of(inspections=inspections("K1|1|L|2024-11-01|95000|12|18", *ZERO_BETWEEN))
    assert rows(worn, "select * from stage.relines") == []


def test_a_lining_of_zero_that_was_relined_or_is_the_last_stays():
    new = "K1 | 1 | L | 2025-04-01 | 110000 | 17 | 18"
    worn = inspections(*ZERO_BETWEEN[:2], new)
    assert fates(warehouse_of(inspections=worn, work=relined("L"))) == []
    assert fates(warehouse_of(inspections=worn, work=relined("R"))) != []
    last = warehouse_of(inspections=inspections(*ZERO_BETWEEN[:3]))
    assert fates(last) == []
    as_left = warehouse_of(
        inspections=inspections(
            "K1 | 1 | L | 2025-01-01 | 100000 | 3 | 18 | -",
            "K1 | 1 | L | 2025-04-01 | 110000 | 0 | 18 | -",
            "K1 | 1 | L | 2025-04-01 | 110000 | 18 | - | true",
            heading=HEADING + " | as_left",
        )
    )
    assert fates(as_left) == []


def test_an_impossible_row_does_not_contradict_the_good_one_of_its_day():
    con = warehouse_of(
        inspections=inspections(
            "K1 | 1 | L | 2025-01-01 | 100000 | 41 | 18",
            "K1 | 1 | L | 2025-01-01 | 100000 | 12 | 18",
        )
    )
    assert fates(con) == [(2, "set_aside", "lining_mm above new")]


def test_a_lining_that_grew_and_stays_is_a_reline_not_an_error():
    con = warehouse_of(
        inspections=inspections(
            *GOOD, "K1|1|L|2025-09-15|160000|17|18", "K1|1|L|2025-12-08|180000|16|18"
        )
    )
    assert fates(con) == []
    assert rows(con, "select on_date, source from stage.relines") == [
        (dt.date(2025, 9, 15), "inferred")
    ]


WORK = "unit_id | axle_no | side | done_on | odometer_km | action | reason | cost"


def test_work_rows_have_their_fates_too():
    con = warehouse_of(
        inspections=inspections(*GOOD),
        work=inspections(
            "K1|1|L|2025-03-31|120000|greased|planned|10",
            "K1|1|L|2025-03-31|120000|greased|planned|10",
            "K1|1|R|2025-03-31|120000|reline|worn|100",
            "K1|1|R|2025-03-31|120000|reline|planned|100",
            "K7|1|R|2025-03-31|120000|reline|planned|100",
            "K1|1|L|2026-03-31|190000|greased|-|-",
            "K1|1|L|2025-05-01|12500|greased|-|-",
            heading=WORK,
        ),
    )
    assert fates(con, "fate.work") == [
        (3, "repeated", None),
        (4, "set_aside", "contradictory rows"),
        (5, "set_aside", "contradictory rows"),
        (6, "set_aside", "unknown wheel end"),
        (7, "set_aside", "dated in the future"),
    ]
    assert rows(con, "select wheel_end_id, done_on from stage.jobs order by 2") == [
        ("K1/1L", dt.date(2025, 3, 31)),
        ("K1/1L", dt.date(2025, 5, 1)),
    ]


def test_rows_of_a_job_that_differ_in_cost_alone_are_one_job_without_a_cost():
    con = warehouse_of(
        inspections=inspections(*GOOD),
        work=inspections(
            "K1|1|L|2025-03-31|120000|reline|worn|180",
            "K1|1|L|2025-03-31|120000|reline|worn|310",
            "K1|1|R|2025-03-31|120000|reline|worn|180",
            "K1|1|R|2025-03-31|120000|reline|worn|-",
            "K1|1|R|2025-06-23|140000|greased|worn|10",
            "K1|1|R|2025-06-23|140000|greased|planned|20",
            heading=WORK,
        ),
    )
    assert fates(con, "fate.work") == [
        (6, "set_aside", "contradictory rows"),
        (7, "set_aside", "contradictory rows"),
    ]
    ((said,), _) = rows(con, "select problem from fate.work")
    assert "found rows that differ in reason planned and worn" in said
    assert rows(con, "select wheel_end_id, action, cost from stage.jobs order by 1") == [
        ("K1/1L", "reline", None),
        ("K1/1R", "reline", 180),
    ]
    assert rows(con, "select wheel_end_id, source from stage.relines order by 1") == [
        ("K1/1L", "job"), ("K1/1R", "job"),
    ]  # fmt: skip
    assert doubt_lines(con, Settings()) == [
        "work: 1 job counted, each without a cost, for rows of one job differ in it (parts and "
        "labour apart?); one row of a job with its whole cost would count: K1/1L reline on "
        "2025-03-31 (180.0 and 310.0)"
    ]


def test_a_job_whose_odometer_contradicts_the_checks_stays_without_it():
    con = warehouse_of(
        inspections=inspections(*GOOD),
        work=inspections(
            "K1|1|L|2025-05-12|12500|reline|worn|100",
            "K1|1|R|2025-08-01|90000|reline|worn|100",  # after the last check
            heading=WORK,
        ),
        as_of=dt.date(2025, 12, 31),
    )
    assert fates(con) == fates(con, "fate.work") == []
    # 42 of the 84 days in which it ran 20,000 km; no further than it was seen.
    assert rows(con, "select wheel_end_id, done_on, km from stage.jobs order by 1") == [
        ("K1/1L", dt.date(2025, 5, 12), 130_000.0),
        ("K1/1R", dt.date(2025, 8, 1), 140_000.0),
    ]
    assert rows(con, "select wheel_end_id, on_date, km from stage.relines order by 1") == [
        ("K1/1L", dt.date(2025, 5, 12), 130_000.0),
        ("K1/1R", dt.date(2025, 8, 1), 140_000.0),
    ]
    found = "select wheel_end_id, left_out, found from fate.doubtful_jobs order by 1"
    assert rows(con, found) == [
        ("K1/1L", "odometer_km", "12500 km"),
        ("K1/1R", "odometer_km", "90000 km"),
    ]
    (line,) = doubt_lines(con, Settings())
    assert line.startswith("work: 2 jobs counted, each without its odometer")
    assert "K1/1L reline on 2025-05-12 (12500 km), K1/1R" in line


def test_a_register_that_contradicts_itself_takes_its_wheel_end_with_it_and_says_so():
    con = warehouse_of(
        register=REGISTER + "    K1 | 1 | R | trailing | 150 | 18 | 6\n",
        inspections=inspections(*GOOD, "K1 | 1 | R | 2025-01-06 | 100000 | 12 | 18"),
    )
    assert fates(con, "fate.register") == [
        (3, "set_aside", "contradictory rows"),
        (4, "set_aside", "contradictory rows"),
    ]
    assert rows(con, "select problem from fate.inspections") == [
        ("K1/1R: its rows in the register contradict each other",)
    ]


def test_a_register_row_listed_twice_is_repeated():
    con = warehouse_of(
        register=REGISTER + "    K1 | 1 | R | trailing | 140 | 18 | 6\n",
        inspections=inspections(*GOOD),
    )
    assert fates(con, "fate.register") == [(4, "repeated", None)]


def test_wheel_ends_take_limits_from_the_register_then_the_axle_type_then_the_default():
    settings = Settings.model_validate(
        {"axle_types": {"trailing": {"lining_new_mm": 17, "lining_min_mm": 5, "cam_degrees": 95}}}
    )
    con = warehouse_of(
        register="""
            unit_id | axle_no | side | axle_type | arm_length_mm | lining_new_mm
            K1      | 1       | L    | trailing  | 140           | 16
            K1      | 1       | R    | trailing  | 140           | -
            K1      | 2       | L    | other     | 140           | -
        """,
        inspections=inspections(*GOOD),
        settings=settings,
    )
    assert rows(
        con,
        """select wheel_end_id, lining_new_mm, lining_min_mm, cam_degrees
        from judge.wheel_ends order by wheel_end_id""",
    ) == [("K1/1L", 16, 5, 95), ("K1/1R", 17, 5, 95), ("K1/2L", 18, 6.4, 90)]


def test_duty_rows_of_unknown_units_and_two_duties_at_once_are_set_aside():
    con = warehouse_of(
        inspections=inspections(*GOOD),
        duty="""
            unit_id | duty  | from_on    | to_on
            K1      | long  | 2024-01-01 | 2024-12-31
            K1      | long  | 2024-01-01 | 2024-12-31
            K1      | long  | 2025-01-01 | -
            K1      | short | 2025-01-01 | -
            K9      | long  | 2025-01-01 | -
        """,
    )
    assert fates(con, "fate.duty") == [
        (3, "repeated", None),
        (4, "set_aside", "contradictory rows"),
        (5, "set_aside", "contradictory rows"),
        (6, "set_aside", "unknown unit"),
    ]


def test_fates_add_up_to_the_rows_read_and_each_has_a_reason():
    con = warehouse_of(
        inspections=inspections(
            *GOOD, GOOD[0], "K9|1|L|2025-01-06|100000|12|18", "K1|1|L|x|100000|12|18"
        )
    )
    assert rows(
        con,
        """select rows_read, accepted, repeated, set_aside from mart.loads
        where table_name = 'inspections'""",
    ) == [(6, 3, 1, 2)]
    assert rows(
        con, "select path, row_no, reason_kind, raw from mart.set_aside order by row_no"
    ) == [
        ("inspections/drawn.csv", 6, "unknown wheel end",
         "unit_id=K9 | axle_no=1 | side=L | inspected_on=2025-01-06 | odometer_km=100000.0 | "
         "lining_mm=12.0 | free_stroke_mm=18.0"),
        ("inspections/drawn.csv", 7, "inspected_on not readable",
         "unit_id=K1 | axle_no=1 | side=L | inspected_on=x | odometer_km=100000 | lining_mm=12 | "
         "free_stroke_mm=18"),
    ]  # fmt: skip


# The tables on the way, one by one


def test_register_rows_count_copies_and_name_what_contradicts():
    con = warehouse_of(
        register=REGISTER + "    K1 | 1 | R | trailing | 150 | 18 | 6\n",
        inspections=inspections(*GOOD),
    )
    assert rows(
        con,
        """select row_no, wheel_end_key, contradicts, copy_no, differs_in
        from judge.register_rows where contradicts or row_no = 2 order by row_no""",
    ) == [
        (2, "K1/1L", False, 1, "the rest of the row"),
        (3, "K1/1R", True, 1, "arm_length_mm 140.0 / 150.0"),
        (4, "K1/1R", True, 1, "arm_length_mm 140.0 / 150.0"),
    ]


def test_inspection_candidates_are_readable_known_and_not_after_as_of():
    con = warehouse_of(
        inspections=inspections(*GOOD, "K1|1|L|x|1|9|18", "K9|1|L|2025-01-06|1|9|18"),
        as_of=dt.date(2025, 4, 30),
    )
    assert rows(con, "select row_no from judge.inspection_candidates order by row_no") == [
        (2,),
        (3,),
    ]


def test_mixed_units_need_both_sides_and_the_majority():
    lining = (12, 11, 0.43, 0.41, 9, 8)
    lines = [
        f"K1|1|L|2025-0{month}-01|{100_000 + 5_000 * month}|{mm}|18"
        for month, mm in enumerate(lining, start=1)
    ]
    con = warehouse_of(inspections=inspections(*lines))
    assert rows(con, "select row_no, reading from judge.mixed_units order by row_no") == [
        (4, "lining_mm"),
        (5, "lining_mm"),
    ]


def test_a_worn_out_lining_before_a_reline_is_no_mixed_unit():
    # 0.5 mm before 17 mm differs by a factor of 34, but nothing before it is off.
    lining = (2.0, 1.2, 0.6, 17, 16.5, 16)
    lines = [
        f"K1|1|L|2025-0{month}-01|{100_000 + 5_000 * month}|{mm}|18"
        for month, mm in enumerate(lining, start=1)
    ]
    con = warehouse_of(inspections=inspections(*lines))
    assert rows(con, "from judge.mixed_units") == []
    assert rows(con, "from judge.inspection_misfits") == []


def test_inspection_copies_count_identical_rows_only():
    con = warehouse_of(inspections=inspections(*GOOD[:2], GOOD[1], "K1|1|L|2025-03-31|120000|-|19"))
    assert rows(
        con,
        "select row_no, copy_no, differs_in from judge.inspection_copies order by row_no",
    ) == [
        (3, 1, "free_stroke_mm 18.0 and 19.0"),
        (4, 2, "free_stroke_mm 18.0 and 19.0"),
        (5, 1, "free_stroke_mm 18.0 and 19.0"),
    ]
    exceptions = "select row_no from judge.inspection_exceptions order by row_no"
    assert rows(con, exceptions) == [(3,), (4,), (5,)]


def test_work_rows_of_different_jobs_on_one_day_do_not_contradict():
    con = warehouse_of(
        inspections=inspections(*GOOD),
        work=inspections(
            "K1|1|L|2025-03-31|120000|greased|planned|10",
            "K1|1|L|2025-03-31|120000|reline|worn|90",
            heading=WORK,
        ),
    )
    assert rows(con, "select copy_no, differs_in from judge.work_rows") == [(1, None), (1, None)]


def test_odometer_sightings_count_the_rows_that_wrote_a_value():
    con = warehouse_of(
        inspections=inspections(*GOOD[:1], "K1|1|R|2025-01-06|100000|12|18"),
        work=inspections("K1|1|L|2025-01-06|100000|greased|planned|10", heading=WORK),
    )
    assert rows(con, "select odometer_km, sightings from judge.odometer_sightings") == [
        (100_000.0, 3)
    ]


def standing_unit(falls: tuple[float, float]) -> str:
    """Two sides of an axle, checked four times; the odometer stands from the second on."""
    days = ("2025-01-06", 100_000), ("2025-03-31", 120_000), ("2025-06-23", 120_000)
    return inspections(
        *(
            f"K1 | 1 | {side} | {day} | {km} | {12 - i * fall} | 18"
            for i, (day, km) in enumerate((*days, ("2025-09-15", 120_000)))
            for side, fall in zip("LR", falls, strict=True)
        )
    )


def test_an_odometer_stands_still_where_linings_wear_on():
    con = warehouse_of(inspections=standing_unit((1.0, 1.0)))
    assert rows(con, "select * from judge.odometer_standstills") == [
        ("K1", 120_000.0, dt.date(2025, 3, 31), dt.date(2025, 9, 15), 2, 2.0)
    ]
    km = [km for (km,) in rows(con, "select km from judge.odometer_verdicts order by on_date")]
    assert km == pytest.approx([100_000, 120_000, 140_000, 160_000])
    assert doubt_lines(con, Settings()) == [
        "1 odometer stood still, or was copied, while linings wore: K1 from 2025-03-31 to "
        "2025-09-15 (120000 km); the km between are worked out"
    ]


@pytest.mark.parametrize("falls", [(0.0, 0.0), (0.5, 0.5), (1.5, 0.0)])
def test_errors_of_readings_are_no_wear(falls):
    con = warehouse_of(inspections=standing_unit(falls))
    assert rows(con, "select * from judge.odometer_standstills") == []
    assert doubt_lines(con, Settings()) == []


def test_a_reline_meanwhile_is_not_wear():
    """One lining is renewed, and wears as the other does."""
    read = ((12.0, 12.0), (11.0, 11.0), (18.0, 10.0), (17.0, 9.0), (16.0, 8.0))
    days = "2025-01-06", "2025-03-31", "2025-06-23", "2025-09-15", "2025-12-08"
    lines = [
        f"K1 | 1 | {side} | {day} | {100_000 if i == 0 else 120_000} | {mm} | 18"
        for i, (day, pair) in enumerate(zip(days, read, strict=True))
        for side, mm in zip("LR", pair, strict=True)
    ]
    con = warehouse_of(inspections=inspections(*lines))
    assert rows(con, "select wheel_ends, fall_mm from judge.odometer_standstills") == [(2, 2.5)]
