"""What records hold and lack, in sentences with numbers."""

import datetime as dt

import polars as pl
import pytest

from dashboards.sentences.due import probably_left, still_there
from dashboards.sentences.on_record import (
    flags_judged,
    lacking,
    linings_unknown,
    relines_unwritten,
    services_judged,
)
from dashboards.sentences.words import plain

COLUMNS = (
    "inspections",
    "linings",
    "strokes",
    "return_tests",
    "faults",
    "marks",
    "jobs",
    "greasings",
    "adjusters_replaced",
)
OVERDUE = pl.DataFrame({"wheel_end_id": ["K1/1L"], "kind": ["greasing"]})


def records(*changes: dict[str, object]) -> pl.DataFrame:
    """Wheel ends with three of everything on record, but for what is changed."""
    rows = [
        {"wheel_end_id": f"K{i}/1L", "unit_id": f"K{i}", "duty": "town"}
        | dict.fromkeys(COLUMNS, 3)
        | {"month_ends": 0, "strokes_left": 0}
        | {"arm_length_mm": 150.0}
        | change
        for i, change in enumerate(changes, start=1)
    ]
    return pl.DataFrame(rows)


def status(**changed: object) -> pl.DataFrame:
    row = {"unit_id": "K1", "state": "in_band", "flagged": False}
    row |= {"last_read_on": dt.date(2031, 3, 1), "lining_mm": 11.0, "lining_read_mm": 11.5}
    return pl.DataFrame([row, row | changed])


def test_relines_that_nobody_writes_down_are_told_with_their_depot():
    def lately(**unwritten: int) -> pl.DataFrame:
        rows = [{"depot": d, "relines": 20, "unwritten": n} for d, n in unwritten.items()]
        return pl.DataFrame(rows)

    (one,) = relines_unwritten(lately(North=1, South=18))
    assert one.startswith("18 of 20 relines of the last year at South were not written down")
    (both,) = relines_unwritten(lately(North=20, South=20))
    assert both.startswith("40 of 40 relines of the last year were not written down")
    assert relines_unwritten(lately(North=4, South=9)) == relines_unwritten(None) == ()


def test_full_records_lack_nothing():
    assert lacking(records({}, {})) == ()
    assert lacking(None) == ()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {"inspections": 0},
            "1 wheel end of 2 has no usable inspection on record: nothing",
        ),
        ({"greasings": 0}, "1 wheel end of 2 has no greasing on record: whether greasing is"),
        ({"duty": "unassigned"}, "1 unit of 2 has no duty on record"),
        ({"return_tests": 0}, "1 wheel end of 2 has no return test on record: an adjuster that"),
        (
            {"arm_length_mm": None},
            "1 wheel end of 2 with a free stroke on record has no arm length on record: whether it "
            "is in adjustment cannot be judged.",
        ),
    ],
)
def test_what_one_lacks_is_counted(change, said):
    (sentence,) = lacking(records({}, change))
    assert sentence.startswith(said)


def test_what_all_lack_is_said_of_all():
    said = lacking(records(*[{"greasings": 0, "jobs": 0, "adjusters_replaced": 0}] * 2))
    assert [s.split(":")[0] for s in said] == [
        "No greasing is on record",
        "No work is on record",
    ]


def test_services_say_of_how_many_they_speak():
    assert services_judged(records({}, {"greasings": 0}, {"inspections": 0}), OVERDUE) == (
        "Adjuster checks: none overdue, of 2 wheel ends; 1 without a usable inspection cannot be "
        "judged.",
        "Greasings: 1 overdue, of 2 wheel ends; 1 without a greasing on record cannot be judged.",
        "First services: none overdue, of 3 wheel ends that had a new adjuster.",
    )


def test_what_is_overdue_of_units_that_have_probably_left_is_told_apart():
    """Of 128 overdue wheel ends of a drawn fleet 112 were those of units sold years ago, and the
    page asked to catch up on these first."""
    late = pl.DataFrame(
        {
            "wheel_end_id": ["K1/1L", "K1/1R", "K2/1L", "K3/1L"],
            "kind": ["adjuster check"] * 4,
            "p_present": [0.02, 0.02, 0.9, None],
        }
    )
    assert still_there(late)["wheel_end_id"].to_list() == ["K2/1L", "K3/1L"]
    *_, said = services_judged(records({}), still_there(late), probably_left(late))
    assert said.startswith("Not counted: 2 wheel ends of units that have not been seen")
    assert "(K1)" in said
    nobody = probably_left(late).clear()
    assert len(services_judged(records({}), still_there(late), nobody)) == 3


def test_a_lining_that_was_read_and_is_not_estimated_is_no_ground_of_judgement():
    gone = status(unit_id="K2", lining_mm=None)
    assert "linings of 1 of 2" in flags_judged(records({}, {}), gone)
    (said,) = linings_unknown(gone)
    assert said.startswith("The lining now of 1 wheel end is not estimated, though it was read")
    assert said.endswith("is told of it (K2).")
    assert linings_unknown(status()) == ()


def test_flags_say_what_they_were_judged_on():
    said = flags_judged(
        records({}, {"return_tests": 0}), status(state="not_seen", last_read_on=None)
    )
    assert said.startswith(
        "Judged on strokes since the last setting of 1, return tests of 1 and linings of 2 of 2 "
        "wheel ends. 1 wheel end could not be judged"
    )
    nothing = records(*[dict.fromkeys(COLUMNS, 0)] * 2)
    assert "cannot be judged" in flags_judged(nothing, status())


@pytest.mark.parametrize(("left", "told"), [(6, True), (5, False)])
def test_strokes_that_were_all_written_as_left_are_told(left: int, told: bool):
    said = lacking(records({"strokes_left": 3}, {"strokes_left": left - 3}))
    assert [
        s.startswith("All 6 free strokes on record were written down as left") for s in said
    ] == ([True] * told)


@pytest.mark.parametrize(("ends", "told"), [(118, True), (96, True), (70, False), (8, False)])
def test_checks_all_dated_on_the_last_of_a_month_are_told(ends: int, told: bool):
    """Of 120: nobody checks on two days of a month alone."""
    said = lacking(records({"inspections": 120, "month_ends": ends}))
    dated = [s for s in said if "first or last day of a month" in s]
    assert len(dated) == told
    assert all(plain(s).startswith(f"{round(ends / 1.2)} % of inspections") for s in dated)
