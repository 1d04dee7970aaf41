"""Jobs that the readings around them contradict, on drawn rows."""

import datetime as dt

import pytest

from pipeline.commands.doubts import doubt_lines
from pipeline.publish.record_frames import (
    numbers_reused,
    relines_held,
    rising_units,
    visits_apart,
)
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from tests.drawing import rows, warehouse_of

D = dt.date
REGISTER = """
    unit_id | axle_no | side | axle_type | arm_length_mm | lining_new_mm | lining_min_mm | depot
    K1      | 1       | L    | drive     | 140           | 18            | 6             | North
    K1      | 1       | R    | drive     | 140           | 18            | 6             | North
    K1      | 2       | L    | drive     | 140           | 18            | 6             | North
    K1      | 2       | R    | drive     | 140           | 18            | 6             | North
"""
HEADING = "unit_id | axle_no | side | inspected_on | odometer_km | lining_mm | return_test"
JOBS = "unit_id | axle_no | side | done_on | odometer_km | action"
# 12 weeks and 20,000 km between checks; linings lose half a millimetre.
DAYS = ("2025-01-06", "2025-03-31", "2025-06-23", "2025-09-15")


def checks(**linings: tuple[float | None, ...]) -> str:
    """A row a reading: ``L1=(8, 17)`` is read at 8 mm at the first check, at 17 at the second."""
    lines = [
        f"K1 | {end[1]} | {end[0]} | {day} | {100_000 + 20_000 * n} | {mm} | pass"
        for end, readings in linings.items()
        for n, (day, mm) in enumerate(zip(DAYS, readings, strict=False))
        if mm is not None
    ]
    return "\n".join([HEADING, *lines])


def jobs(*done: str, action: str = "reline") -> str:
    """``1L 2025-01-06`` is a reline of K1's axle 1, left."""
    lines = [
        f"K1 | {d[0]} | {d[1]} | {d[3:]} | {100_000 + 20_000 * DAYS.index(d[3:])} | {action}"
        for d in done
    ]
    return "\n".join([JOBS, *lines])


def held(inspections: str, work: str) -> list[tuple]:
    con = warehouse_of(register=REGISTER, inspections=inspections, work=work)
    return rows(
        con,
        """select wheel_end_id, shown, alone, unit_doubted, doubted from stage.relines_held
        order by wheel_end_id, done_on""",
    )


def test_a_reline_after_which_the_lining_is_as_thin_as_before_is_doubted():
    """Written down for 1L, done at 2L, counted from the rear."""
    con = warehouse_of(
        register=REGISTER,
        inspections=checks(L1=(9, 8.5, 8), R1=(17, 16.5, 16), L2=(8, 17.5, 17), R2=(14, 13.5, 13)),
        work=jobs("1L 2025-01-06"),
    )
    assert rows(
        con,
        """select wheel_end_id, done_on, before_on, before_mm, after_on, after_mm, shown, alone,
            unit_doubted, doubted
        from stage.relines_held""",
    ) == [("K1/1L", D(2025, 1, 6), D(2025, 1, 6), 9, D(2025, 3, 31), 8.5, False, True, False, True)]
    found = rows(con, "select wheel_end_id, on_date, source from stage.relines order by 1")
    assert found == [("K1/2L", D(2025, 3, 31), "inferred")]
    assert rows(
        con, "select life_no, lining_mm from stage.lining_readings r inner join "
        "stage.lining_lives l using (life_id) where wheel_end_id = 'K1/1L' order by inspected_on"
    ) == [(1, 9), (1, 8.5), (1, 8)]  # fmt: skip
    assert rows(con, "select source from stage.settings where wheel_end_id = 'K1/1L'") == []
    warehouse.build(con, "40_mart", {"mart.histories"})
    shown = rows(con, "select jobs from mart.histories where on_date = '2025-01-06'")
    assert ("reline (on record, not found)",) in shown
    (line,) = doubt_lines(con, Settings())
    assert line.startswith(
        "work: 1 reline not counted, for no thicker lining was read after, or after most of the "
        "unit's: K1/1L on 2025-01-06 (9.0, then 8.5 mm);"
    )


@pytest.mark.parametrize(
    ("linings", "shown"),
    [
        ((8, 17, 16.5), True),
        ((8, None, None, 16), True),  # read again after nine months
        ((8, None, None, 8), None),  # too late to tell
        ((8,), None),  # not read since
        ((None, 8), None),  # nor before
        ((16.5, 16), None),  # relined thick: nothing to see
    ],
)
def test_a_reline_is_believed_where_the_lining_grew_or_nothing_tells(linings, shown):
    others = {"R1": (17, 16.5, 16, 15.5), "L2": (12, 11.5, 11, 10.5), "R2": (12, 11.5, 11, 10.5)}
    found = held(checks(L1=linings, **others), jobs("1L 2025-01-06"))
    assert found == [("K1/1L", shown, True, False, False)]


def test_a_lining_that_wears_out_from_check_to_check_is_no_contradiction():
    """Down to 8 mm in 12 weeks, as the axle's others do."""
    others = {"R1": (18, 9), "L2": (17, 8), "R2": (17, 8)}
    found = held(checks(L1=(8.5, 9), **others), jobs("1L 2025-01-06"))
    assert found == [("K1/1L", None, True, False, False)]


def test_where_a_unit_s_relines_are_mostly_not_found_the_others_are_doubted_too():
    linings = checks(
        L1=(8, 7.5, 7), R1=(8, 7.5, 7), L2=(9, 17.5, 17), R2=(9, 17.5, 17)
    )  # fmt: skip
    work = jobs("1L 2025-01-06", "1R 2025-01-06", "2L 2025-06-23")
    assert held(linings, work) == [
        ("K1/1L", False, False, True, True),
        ("K1/1R", False, False, True, True),
        ("K1/2L", None, True, True, True),
    ]


@pytest.mark.parametrize(("relined", "failed"), [("1L 2025-01-06", True), ("1R 2025-01-06", False)])
def test_an_adjuster_replaced_with_a_doubted_reline_clears_no_failed_test(relined, failed):
    linings = checks(L1=(8, 7.5), R1=(9, 17.5), L2=(12, 11.5), R2=(12, 11.5))
    # 1L failed at its first check, and was not tested at the second.
    linings = linings.replace("| 8 | pass", "| 8 | fail").replace("| 7.5 | pass", "| 7.5 | -")
    work = jobs(relined) + "\nK1 | 1 | L | 2025-01-06 | 100000 | adjuster_replaced"
    con = warehouse_of(register=REGISTER, inspections=linings, work=work)
    warehouse.build(con, "30_reduce")
    found = rows(con, "select test_failed from reduce.drift_outlook where wheel_end_id = 'K1/1L'")
    assert found == [(failed,)]


@pytest.mark.parametrize(("other", "before"), [(8, (9, D(2025, 3, 31))), (10, (None, None))])
def test_the_thicker_of_two_relined_alone_and_not_read_since_may_be_the_old_one(other, before):
    linings = checks(L1=(9.5, 9), R1=(other + 0.5, other), L2=(17, 16.5), R2=(17, 16.5))
    con = warehouse_of(register=REGISTER, inspections=linings, work=jobs("1L 2025-03-31"))
    warehouse.build(con, "30_reduce")
    found = rows(
        con,
        """select lining_before_mm, lining_before_on from reduce.drift_outlook
        where wheel_end_id = 'K1/1L'""",
    )
    assert found == [before]


def test_relines_not_found_are_counted_with_where_the_lining_grew_instead():
    linings = checks(
        L1=(8, 7.5, 7), R1=(12, 11.5, 11), L2=(9, 17.5, 16, 12), R2=(9, 8.5, 8, 17.5)
    )  # fmt: skip
    con = warehouse_of(
        register=REGISTER,
        inspections=linings,
        # The first is 2L's, counted from the rear; the second 2R's, whose other side it is; or it
        # is 2L's own, written down later.
        work=jobs("1L 2025-01-06", "2L 2025-06-23"),
    )
    counted = relines_held(con).drop("depot").to_dicts()
    assert counted == [
        {
            "alone": True, "told": 2, "missed": 2, "other_side": 1, "from_rear": 1, "late": 1,
            "grown": 2,
        }
    ]  # fmt: skip


def centimetres(*linings: float, work: str = JOBS) -> list[float]:
    """Of 1L, read every 12 weeks: which readings are taken to be in centimetres."""
    days = [D(2024, 1, 1) + dt.timedelta(days=84 * n) for n in range(len(linings))]
    lines = [
        f"K1 | 1 | L | {day} | {100_000 + 20_000 * n} | {mm} | pass"
        for n, (day, mm) in enumerate(zip(days, linings, strict=True))
    ]
    con = warehouse_of(register=REGISTER, inspections="\n".join([HEADING, *lines]), work=work)
    return [
        mm
        for (mm,) in rows(
            con,
            """select lining_mm from judge.centimetres
            inner join judge.inspection_candidates using (content_id, row_no)
            order by inspected_on""",
        )
    ]


def relined_on(day: str, km: int) -> str:
    return f"{JOBS}\nK1 | 1 | L | {day} | {km} | reline"


def test_readings_in_centimetres_fit_the_line_ten_times():
    assert centimetres(12.5, 1.2, 11.5) == [1.2]
    assert centimetres(12.5, 1.2, 1.1, 10.5) == [1.2, 1.1]
    assert centimetres(1.3, 12.5, 12) == [1.3]  # the first
    assert centimetres(12.5, 12, 1.1) == [1.1]  # the last: told all the same
    # A new lining, after its reline on record; and one that wears on from an old one.
    assert centimetres(9, 8, 1.7, 1.6, work=relined_on("2024-04-01", 121_000)) == [1.7, 1.6]


def test_a_truly_thin_lining_is_no_centimetres():
    assert centimetres(10, 6, 3, 1.2) == []  # it wore down to that
    assert centimetres(12, 6.5, 1.5, 17, 16) == []
    assert centimetres(7, 1.6, 15.5, work=relined_on("2024-03-25", 120_000)) == []  # and relined
    assert centimetres(12, 11, 0.5) == []  # five millimetres would be too worn
    assert centimetres(12.5, 1.9, 1.8, 1.7)[:1] == []  # nineteen would be too thick


def test_a_last_reading_in_centimetres_is_set_aside_and_told():
    linings = checks(L1=(12.5, 12, 1.1), R1=(12, 11.5, 11), L2=(12, 11.5, 11), R2=(12, 11.5, 11))
    con = warehouse_of(register=REGISTER, inspections=linings)
    warehouse.build(con, "30_reduce")
    assert rows(con, "select problem_kind, problem from fate.inspections") == [
        (
            "lining_mm in another unit",
            "lining_mm: found 1.1 mm, in centimetres? Ten times it fits the 12.0 mm beside it; "
            "accepted: one unit throughout, as set in [units]",
        )
    ]
    assert rows(
        con,
        """select lining_read_mm, lining_read_on, lining_unused from reduce.drift_outlook
        where wheel_end_id = 'K1/1L'""",
    ) == [(1.1, D(2025, 6, 23), True)]


def every_end(*linings: float) -> str:
    """All four of K1 are read so, every 12 weeks."""
    days = [D(2024, 1, 1) + dt.timedelta(days=84 * n) for n in range(len(linings))]
    lines = [
        f"K1 | {axle} | {side} | {day} | {100_000 + 20_000 * n} | {mm} | pass"
        for axle in (1, 2)
        for side in "LR"
        for n, (day, mm) in enumerate(zip(days, linings, strict=True))
    ]
    return "\n".join([HEADING, *lines])


def test_readings_that_rise_from_check_to_check_are_no_linings():
    con = warehouse_of(
        register=REGISTER, inspections=every_end(1, 2.5, 4, 5.5, 7, 8.5, 10, 1, 2.5, 4)
    )
    assert rows(con, "select unit_id, steps, rose from judge.rising_units") == [("K1", 36, 32)]
    found = rows(
        con, "select count(*), count(lining_mm), count(return_test) from stage.inspections"
    )
    assert found == [(40, 0, 40)]
    warehouse.build(con, "30_reduce")
    assert rows(con, "from reduce.findings_set_aside") == []
    counted = {"depot": "North", "units": 1, "rising": 1, "steps": 36, "rose": 32}
    assert rising_units(con).to_dicts() == [counted]


@pytest.mark.parametrize(
    "linings",
    [
        (17, 15.5, 14, 12.5, 11, 9.5, 8, 17, 15.5),  # worn and relined
        (8, 8.1, 8, 8.1, 8.2, 8.1, 8.2, 8.1, 8.2, 8.3),  # standing, by a fine gauge
        (9, 17, 10, 17, 9, 17, 8, 17),  # read once a year
        (8, 9, 10),  # too few to tell
    ],
)
def test_linings_that_wear_or_stand_do_not_rise(linings):
    con = warehouse_of(register=REGISTER, inspections=every_end(*linings), staged=False)
    assert rows(con, "from judge.rising_units") == []


def found_new(odometer_km: tuple[int, ...], new: dict[str, float], work: str = JOBS) -> list[tuple]:
    """K1 at five checks, its linings at 10 mm and so at the fourth; which numbers are reused."""
    days = [D(2024, 1, 1) + dt.timedelta(days=84 * n) for n in range(len(odometer_km))]
    lines = [
        f"K1 | {end[1]} | {end[0]} | {day} | {km} | {new.get(end, 10) if n > 2 else 10} | pass"
        for end in ("L1", "R1", "L2", "R2")
        for n, (day, km) in enumerate(zip(days, odometer_km, strict=True))
    ]
    con = warehouse_of(register=REGISTER, inspections="\n".join([HEADING, *lines]), work=work)
    return numbers_reused(con).rows()


NEW = dict.fromkeys(("L1", "R1", "L2", "R2"), 17.5)


def test_a_unit_that_comes_back_new_has_the_number_of_another():
    begun_anew = (400_000, 420_000, 440_000, 9_000, 29_000)
    assert found_new(begun_anew, NEW) == [("K1", D(2024, 9, 9), 440_000, 9_000, 4)]
    assert found_new(begun_anew, {}) == []  # its odometer was replaced
    assert found_new((400_000, 420_000, 440_000, 460_000, 480_000), NEW) == []  # relined
    assert found_new(begun_anew, {"L1": 17.5, "R1": 17.5}) == []  # both
    jobs_then = [f"K1 | {e[1]} | {e[0]} | 2024-07-01 | 442000 | reline" for e in NEW]
    assert found_new(begun_anew, NEW, "\n".join([JOBS, *jobs_then])) == []  # both, on record


def test_visits_are_held_against_those_before_and_after_them() -> None:
    """Half a millimetre wears off from check to check; the third was read with the drum off. One
    that only some linings read thinner at says nothing."""
    usual = [12 - 0.5 * n for n in range(7)]
    seen = [mm - 1.2 * (n == 2) for n, mm in enumerate(usual)]
    days = [dt.date(2024, 1, 8) + dt.timedelta(weeks=12 * n) for n in range(7)]
    lines = [
        f"K1 | {axle} | {side} | {day} | {100_000 + 20_000 * n} | {mm - odd * (n == 4):.2f} | pass"
        for axle, side, odd in ((1, "L", 0.9), (1, "R", 0), (2, "L", 0.9), (2, "R", 0))
        for n, (day, mm) in enumerate(zip(days, seen, strict=True))
    ]
    con = warehouse_of(register=REGISTER, inspections="\n".join([HEADING, *lines]))
    warehouse.build(con, "30_reduce", {"reduce.visits_apart"})
    # Of the first and the last visit nothing is known.
    told = [(-1.25, 1), (0.0, 2), (0.5, 1), (0.75, 1)]
    found = "select apart_mm, visits from reduce.visits_apart order by apart_mm"
    assert rows(con, found) == told
    assert visits_apart(con).rows() == [("North", apart, visits) for apart, visits in told]
