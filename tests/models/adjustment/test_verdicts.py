"""States, flags, priorities and evidence of wheel ends, through the front door."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from dashboards.drawing.theme import STATE_WORDS
from dashboards.page_data import Fleet
from dashboards.sentences.advice import state_words, with_evidence
from models.adjustment.advice import ADVICE, MEANINGS
from models.adjustment.judge import (
    GROUNDS,
    RESULT,
    flag_wheel_ends,
    judge_wheel_ends,
    learn_fleet,
    prepare_readings,
)
from models.adjustment.states import STATES
from models.adjustment.strokes.parameters import Band, ratio_per_mm
from tests.fleets.strokes import DriftWorld, draw_strokes, readings_frame

SET_ON = dt.date(2025, 1, 6)
RATIO_PER_MM = ratio_per_mm(90.0, 18.0, 6.0)
GROUP = {"axle_type": "carrying", "duty": "ring"}


@pytest.fixture(scope="module")
def fleet():
    drawn = draw_strokes(1500, seed=21, world=DriftWorld(checks=8))
    return learn_fleet(prepare_readings(readings_frame(drawn, 7)), simulated=1000)


def readings(wheel_end, strokes_mm, *, weeks=None, arm_mm=150.0, wear_mm=1.0, **more):
    """Readings of one wheel end, the first as left at the setting; wear per check in mm."""
    checks = len(strokes_mm)
    weeks = weeks or [12.0 * i for i in range(checks)]
    return pl.DataFrame(
        {
            "episode_id": [f"{wheel_end}@1"] * checks,
            "wheel_end_id": [wheel_end] * checks,
            "unit_id": [wheel_end.split("/")[0]] * checks,
            "axle_id": [wheel_end[:-1]] * checks,
            "axle_type": [GROUP["axle_type"]] * checks,
            "duty": [GROUP["duty"]] * checks,
            "set_source": ["adjuster_replaced"] * checks,
            "inspected_on": [SET_ON + dt.timedelta(weeks=w) for w in weeks],
            "weeks_since_set": weeks,
            "km_since_set": [w * 2000.0 for w in weeks],
            "stroke_ratio": [s / arm_mm for s in strokes_mm],
            "arm_length_mm": [arm_mm] * checks,
            "ratio_per_mm": [RATIO_PER_MM] * checks,
            "wear_mm": [wear_mm * i for i in range(checks)],
            "wear_sd_mm": [0.12 * wear_mm * i for i in range(checks)],
            "as_left": [True] + [False] * (checks - 1),
        }
    ).with_columns(**{name: pl.Series(name, values) for name, values in more.items()})


def outlook(*wheel_ends, **more):
    frame = pl.DataFrame(
        {
            "wheel_end_id": wheel_ends,
            "unit_id": [w.split("/")[0] for w in wheel_ends],
            "axle_id": [w[:-1] for w in wheel_ends],
        }
    )
    return frame.with_columns(
        **{name: pl.lit(value) for name, value in (GROUP | more).items()},
    )


def verdicts(prepared, ends, fleet, as_of):
    """All that is said of wheel ends; what is said of flags alone must be the same."""
    found = judge_wheel_ends(prepared, ends, fleet, as_of)
    told = found.select("wheel_end_id", "flagged", "state").sort("wheel_end_id")
    assert flag_wheel_ends(prepared, ends, fleet, as_of).equals(told)
    return found


def judged(fleet, *frames, as_of=None, **more):
    frame = pl.concat(frames, how="diagonal")
    as_of = as_of or frame["inspected_on"].max() + dt.timedelta(days=3)
    names = frame["wheel_end_id"].unique(maintain_order=True).to_list()
    prepared = prepare_readings(frame, groups=fleet.groups)
    found = verdicts(prepared, outlook(*names, **more), fleet, as_of)
    worded = with_evidence(found, Fleet(), fleet.rules.side_limit)
    return {row["wheel_end_id"]: row for row in worded.rows(named=True)}


def test_worked_values_of_the_trade():
    """Common practice, no source: band, aims, the 150 mm example, 20 mm of stroke per mm worn."""
    band = Band()
    assert band.stroke_mm(150.0) == (15.0, 18.75, 22.5)
    aims = {120: 15, 135: 17, 150: 19, 165: 21, 180: 23}
    assert {arm: band.aim_mm(arm) for arm in aims} == aims
    assert 150.0 * ratio_per_mm(90.0, 18.0, 6.4) == pytest.approx(20.3, abs=0.05)


@pytest.mark.parametrize(
    ("stroke_mm", "state"), [(15.0, "in_band"), (19.0, "in_band"), (22.0, "in_band")]
)
def test_readings_inside_the_band_of_a_150_mm_arm_are_in_band(fleet, stroke_mm, state):
    row = judged(fleet, readings("A/1L", [stroke_mm] * 6))["A/1L"]
    assert (row["state"], row["flagged"]) == (state, False)
    assert row["evidence"].endswith(": in band.")


def test_strokes_as_left_alone_say_nothing_of_what_came_of_them():
    """However many: each is what a fitter made of it."""
    left = pl.concat(
        readings(
            f"{unit}/1L", [19.0] * 3, as_left=[True] * 3, episode_id=[f"{unit}@{i}" for i in "123"]
        )
        for unit in "ABC"
    )
    found = left.with_columns(as_left=pl.col("episode_id") != "A@3")
    told = {}
    for name, frame in {"left": left, "found": found}.items():
        prepared = prepare_readings(frame)
        fleet = learn_fleet(prepared, simulated=100)
        ends = outlook("A/1L", "B/1L", "C/1L", set_on=SET_ON + dt.timedelta(weeks=24))
        told[name] = verdicts(prepared, ends, fleet, SET_ON + dt.timedelta(weeks=30))
    unknown = ("stroke_ratio", "p_out_now", "p_out_next_check", "last_read_on")
    assert told["left"].select(pl.col(unknown).null_count()).row(0) == (3, 3, 3, 3)
    assert told["found"].select(pl.col(unknown).null_count()).row(0) == (0, 0, 0, 0)
    assert not told["left"]["flagged"].any()


def test_take_up_is_the_share_of_growth_that_did_not_come(fleet):
    """Take-up = 1 − observed / expected growth, on a history without reading error."""
    expected = 150.0 * RATIO_PER_MM
    strokes = [19.0 + 0.06 * expected * i for i in range(7)]
    row = judged(fleet, readings("A/1L", strokes))["A/1L"]
    assert row["state"] == "slackening"
    assert row["take_up"] == pytest.approx(0.94, abs=0.01)
    assert row["take_up_low"] < 0.94 < row["take_up_high"]
    per_km = 0.06 * RATIO_PER_MM * 6.0 / (72 * 2000.0)
    assert row["drift_per_10000km"] == pytest.approx(1e4 * per_km, rel=0.15)


def test_evidence_of_a_stuck_adjuster(fleet):
    frame = readings("A/1L", [18, 18, 27], arm_mm=140.0, weeks=[0.0, 19.0, 31.0], wear_mm=1.55)
    as_of = frame["inspected_on"].max()
    row = judged(fleet, frame, as_of=as_of, lining_read_mm=12.0)["A/1L"]
    assert row["state"] == "stuck"
    assert row["evidence"].startswith(
        "Free stroke 27 mm on a 140 mm arm (19 %; band 10–15 %), up from 13 % at the setting "
        "31 weeks ago while 3.1 mm of lining wore: "
    )
    assert row["evidence"].endswith("est its return; replace it if it fails.")


CASES = {
    "stuck": [19, 19, 20, 38, 58],
    "slackening": [19, 20, 22, 23, 25, 26],
    "tightening": [19, 17, 16, 14, 13, 11],
    "set_wrong": [28, 27, 28, 29, 28],
    "in_band": [19, 18, 20, 19, 19],
}


def test_every_state_is_named_flagged_and_explained(fleet):
    rows = judged(fleet, *(readings(f"{s}/1L", strokes) for s, strokes in CASES.items()))
    for state in CASES:
        row = rows[f"{state}/1L"]
        assert row["state"] == state
        assert row["flagged"] == (state != "in_band")
        assert row["evidence"].count(". ") <= 2
        assert "None" not in row["evidence"]
        assert (row["advice"] in ADVICE, row["meaning"] in MEANINGS) == (True, True)
    assert "takes up about 9" in rows["slackening/1L"]["evidence"]
    assert "drag" in rows["tightening/1L"]["evidence"]
    assert "aim 19 mm" in rows["set_wrong/1L"]["evidence"]


def test_nobody_is_told_to_set_an_adjuster_that_keeps_going_out(fleet):
    first = readings("A/1L", CASES["slackening"])
    again = readings("A/1L", [19, 20, 22, 23, 25, 26]).with_columns(
        episode_id=pl.lit("A/1L@2"),
        set_source=pl.lit("adjuster_set"),
        inspected_on=pl.col("inspected_on") + dt.timedelta(weeks=70),
    )
    row = judged(fleet, first, again)["A/1L"]
    assert row["trouble_before"]
    assert "went out before its last setting too" in row["evidence"]
    assert "et it as" not in row["evidence"]
    assert row["advice"] == "failed_before"


def test_trouble_outlasts_a_setting_but_not_a_new_adjuster(fleet):
    first = readings("A/1L", CASES["slackening"])
    later = readings("A/1L", [19, 20, 22]).with_columns(
        episode_id=pl.lit("A/1L@2"), inspected_on=pl.col("inspected_on") + dt.timedelta(weeks=70)
    )
    found = {
        source: judged(fleet, first, later.with_columns(set_source=pl.lit(source)))["A/1L"]
        for source in ("adjuster_set", "adjuster_replaced")
    }
    assert found["adjuster_set"]["p_slackening"] > 0.5 > found["adjuster_replaced"]["p_slackening"]


def test_probabilities_make_sense(fleet):
    rows = judged(fleet, *(readings(f"{s}/1L", strokes) for s, strokes in CASES.items()))
    for row in rows.values():
        p = [row[f"p_{state}"] for state in STATES]
        assert sum(p) == pytest.approx(1.0)
        assert row["p_trouble"] == pytest.approx(1 - row["p_in_band"])
        assert all(0 <= row[name] <= 1 for name in ("p_out_now", "p_out_next_check", "p_uneven"))
        assert row["take_up_low"] <= row["take_up"] <= row["take_up_high"]
        assert row["stroke_ratio_sd"] > 0


def test_sudden_failure_adds_to_the_next_check(fleet):
    frame = readings("A/1L", CASES["in_band"])
    none = {"p_failed_since": 0.0}
    safe, risky = (judged(fleet, frame, p_fail_next=p, **none)["A/1L"] for p in (0.0, 0.3))
    # A failed adjuster is out of band at the check unless it fails near the end of the interval.
    assert 0.15 < risky["p_out_next_check"] - safe["p_out_next_check"] < 0.3


def finding(**values):
    rows = len(CASES["in_band"])
    return {name: [None] * (rows - 1) + [value] for name, value in values.items()}


@pytest.mark.parametrize(
    ("found", "state", "words"),
    [
        ({"return_test": "fail"}, "stuck", "return test failed"),
        ({"fault": "over_adjusting"}, "tightening", "fault found: over-adjusting"),
        ({"fault": "damaged"}, "stuck", "fault found: damaged"),
        (
            {"applied_stroke_mm": 66.0},
            "slackening",
            "applied stroke 66 mm, readjustment limit 63.5",
        ),
    ],
)
def test_plain_findings_flag_whatever_the_strokes_say(fleet, found, state, words):
    frame = readings("A/1L", CASES["in_band"], **finding(**found)).with_columns(
        readjust_limit_mm=pl.lit(63.5)
    )
    row = judged(fleet, frame)["A/1L"]
    assert (row["state"], row["flagged"], row["flag_reason"]) == (state, True, "finding")
    assert words in row["evidence"]


def test_a_wild_last_reading_is_looked_at_even_if_it_may_be_a_slip(fleet):
    # Hardly any wear since the reading before: no adjuster can have let it go so far.
    strokes = [19, 19, 18, 19, 68]
    frame = readings("A/1L", strokes, wear_mm=0.4)
    row = judged(fleet, frame)["A/1L"]
    assert row["flagged"]
    assert row["p_misread"] > 0.5
    assert row["flag_reason"] == "reading"
    assert "Read it again first, then " in row["evidence"]


@pytest.mark.parametrize(
    "found", [{"cap_state": "open"}, {"greasing_overdue": True}, {"marks_aligned": False}]
)
def test_weak_findings_raise_the_probability_but_do_not_flag_alone(fleet, found):
    plain = judged(fleet, readings("A/1L", CASES["in_band"]))["A/1L"]
    row = judged(fleet, readings("A/1L", CASES["in_band"], **finding(**found)))["A/1L"]
    assert row["p_trouble"] > plain["p_trouble"]
    assert not row["flagged"]


def test_findings_before_the_setting_are_left_behind(fleet):
    first = readings("A/1L", CASES["in_band"], **finding(return_test="fail"))
    later = readings("A/1L", CASES["in_band"]).with_columns(
        episode_id=pl.lit("A/1L@2"), inspected_on=pl.col("inspected_on") + dt.timedelta(weeks=60)
    )
    assert not judged(fleet, first, later)["A/1L"]["flagged"]


def test_fast_wear_below_the_band_says_so(fleet):
    frame = readings("A/1L", [12, 12, 11, 12, 12])
    slow, fast = (judged(fleet, frame, wear_z=z)["A/1L"] for z in (0.1, 3.0))
    assert "wears faster than its group" in fast["evidence"]
    assert "faster" not in slow["evidence"]
    assert fast["p_tightening"] > slow["p_tightening"]


def test_uneven_sides_and_a_fault_that_explains_them(fleet):
    left, right = [22, 22, 21, 22, 22, 22], [16, 16, 16, 15, 16, 16]
    both = judged(fleet, readings("A/1L", left), readings("A/1R", right))
    assert [row["state"] for row in both.values()] == ["uneven", "uneven"]
    assert "apart (limit 3)" in both["A/1L"]["evidence"]
    other = judged(fleet, readings("A/1L", left), readings("A/2R", right))
    assert [row["state"] for row in other.values()] == ["in_band", "in_band"]
    stuck = judged(fleet, readings("A/1L", CASES["stuck"]), readings("A/1R", CASES["in_band"]))
    assert {w: row["state"] for w, row in stuck.items()} == {"A/1L": "stuck", "A/1R": "in_band"}


def test_priority_orders_by_certainty_distance_mate_and_age(fleet):
    far, near = readings("far/1L", CASES["stuck"]), readings("near/1L", CASES["slackening"])
    rows = judged(fleet, far, near, readings("fine/1L", CASES["in_band"]))
    order = sorted(rows, key=lambda w: -rows[w]["priority"])
    assert order == ["far/1L", "near/1L", "fine/1L"]
    assert list(rows) == order  # most urgent first
    alone = judged(fleet, near)["near/1L"]["priority"]
    mate = near.with_columns(wheel_end_id=pl.lit("near/1R"), episode_id=pl.lit("near/1R@1"))
    assert judged(fleet, near, mate)["near/1L"]["priority"] > alone
    old = judged(fleet, near, as_of=near["inspected_on"].max() + dt.timedelta(weeks=14))
    assert old["near/1L"]["priority"] > alone


def test_priority_of_a_quiet_wheel_end_is_low_and_of_the_worst_close_to_100(fleet):
    """In band and lately read: its chance of trouble, some per cent, is all there is."""
    found = judged(
        fleet,
        readings("K1/1L", [19, 19, 19, 19, 19]),
        readings("K2/1L", [19, 39, 59, 60, 60]),
        readings("K2/1R", [19, 39, 59, 60, 60]),
        as_of=SET_ON + dt.timedelta(weeks=48, days=3),
    )
    assert 0 <= found["K1/1L"]["priority"] < 15
    assert 80 < found["K2/1L"]["priority"] <= 95


def test_a_finding_at_one_end_explains_a_difference_though_its_strokes_do_not(fleet):
    """As the uneven axle above, but the left return test failed: the right end is sound."""
    left, right = [22, 22, 21, 22, 22, 22], [16, 16, 16, 15, 16, 16]
    failed = {"return_test": [None] * 5 + ["fail"]}
    both = judged(fleet, readings("A/1L", left, **failed), readings("A/1R", right))
    assert both["A/1L"]["flag_reason"] == "finding"
    assert not both["A/1R"]["flagged"]
    assert both["A/1R"]["state"] == "in_band"


def test_not_seen(fleet):
    frame = readings("A/1L", CASES["in_band"])
    late = judged(fleet, frame, as_of=frame["inspected_on"].max() + dt.timedelta(weeks=30))["A/1L"]
    assert (late["state"], late["flagged"]) == ("not_seen", False)
    assert "last read 30 weeks ago, due every 12. Check it at the next visit." in late["evidence"]
    stuck = readings("A/1L", CASES["stuck"])
    still = judged(fleet, stuck, as_of=stuck["inspected_on"].max() + dt.timedelta(weeks=30))["A/1L"]
    assert still["state"] == "stuck"


SET_SINCE = {
    "episode_id": "A/1L@2",
    "set_source": "reline",
    "arm_length_mm": 150.0,
    "ratio_per_mm": RATIO_PER_MM,
}


def set_since(fleet, strokes, weeks=4, **more):
    """A wheel end relined a week after its last reading, and not read since."""
    frame = readings("A/1L", strokes)
    set_on = frame["inspected_on"].max() + dt.timedelta(weeks=1)
    as_of = set_on + dt.timedelta(weeks=weeks)
    return judged(fleet, frame, set_on=set_on, as_of=as_of, **SET_SINCE | more)["A/1L"]


def test_set_since_the_last_reading(fleet):
    row = set_since(fleet, CASES["in_band"])
    assert (row["state"], row["flagged"], row["stroke_ratio"]) == ("in_band", False, None)
    assert 0 < row["p_out_now"] <= row["p_out_next_check"] < 0.3
    assert row["evidence"].startswith("Set when it was relined on 15 Dec 2025, not read since: out")
    assert "a stroke written down as left would tell at once" in row["evidence"]
    assert row["evidence"].endswith("Its first check is due in 8 weeks.")
    words = pl.DataFrame([row]).select(state_words(STATE_WORDS)).item()
    assert words == "set, not read since"


def test_a_stroke_read_outside_the_band_is_not_called_in_band(fleet):
    """However likely a slip of the eye: the last of six readings is 15.1 %, not flagged."""
    row = judged(fleet, readings("A/1L", [19.0] * 5 + [22.7]))["A/1L"]
    assert (row["state"], row["flagged"]) == ("in_band", False)
    assert "too little to go by yet" in row["evidence"]
    assert pl.DataFrame([row]).select(state_words(STATE_WORDS)).item() == "in doubt"


def test_a_setting_nobody_read_is_out_as_often_as_its_adjuster_and_depot_make_it(fleet):
    sound, stuck = set_since(fleet, CASES["in_band"]), set_since(fleet, CASES["stuck"])
    assert stuck["p_out_now"] > sound["p_out_now"] + 0.2
    assert (sound["state"], sound["flagged"]) == ("in_band", False)
    new = set_since(fleet, CASES["stuck"], set_source="adjuster_replaced")
    assert (new["state"], new["flagged"]) == ("in_band", False)
    assert new["p_out_now"] < stuck["p_out_now"] / 2
    careless = replace(fleet, wrong_by_depot={"there": 5.0})
    there, here = (set_since(careless, CASES["in_band"], depot=d) for d in ("there", "here"))
    assert there["p_out_now"] > 2 * here["p_out_now"]


@pytest.mark.parametrize("source", ["adjuster_set", "reline"])
def test_a_setting_after_a_stroke_far_outside_hides_a_fault_until_it_is_read(fleet, source):
    row = set_since(fleet, CASES["stuck"], set_source=source)
    assert (row["state"], row["flagged"], row["flag_reason"]) == ("slackening", True, "finding")
    assert "read at 38.7 % of the arm before that (band 10–15 %), and no other" in row["evidence"]
    assert row["evidence"].endswith("find the cause; re-setting it would hide the fault.")
    tight = set_since(fleet, [19, 17, 12, 4, 1], set_source=source)
    assert (tight["state"], tight["flagged"], tight["advice"]) == ("tightening", True, "find_cause")
    # A stroke a little outside was set right, for all one knows.
    slack = set_since(fleet, [19, 21, 22, 24], set_source=source)
    assert not slack["flagged"]


def test_a_stroke_as_it_was_left_is_no_check_of_what_was_set(fleet):
    before = readings("A/1L", CASES["stuck"])
    left = readings("A/1L", [19, 20]).with_columns(
        episode_id=pl.lit("A/1L@2"),
        set_source=pl.lit("adjuster_set"),
        as_left=pl.Series([True, False]),
        inspected_on=pl.col("inspected_on") + dt.timedelta(weeks=60),
    )
    assert judged(fleet, before, left.head(1))["A/1L"]["flag_reason"] == "finding"
    assert judged(fleet, before, left)["A/1L"]["flag_reason"] != "finding"


def test_a_setting_not_read_for_too_long_is_not_seen(fleet):
    late = set_since(fleet, CASES["in_band"], weeks=19)
    assert (late["state"], late["advice"]) == ("not_seen", "check")


def test_a_wheel_end_never_read_is_not_seen(fleet):
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]), groups=fleet.groups)
    ends = outlook("A/1L", "B/1R", arm_length_mm=150.0)
    found = verdicts(prepared, ends, fleet, dt.date(2026, 1, 5))
    assert tuple(found.columns) == (*RESULT, *GROUNDS)
    worded = with_evidence(found, Fleet(), 0.03).filter(wheel_end_id="B/1R")
    row = worded.row(0, named=True)
    assert row["state"] == "not_seen"
    assert row["evidence"].startswith("No stroke reading on record.")
    assert row["p_out_now"] is None


def test_a_lining_that_was_probably_relined_unwritten_is_said_to_be(fleet):
    worn = {"lining_now_mm": 6.0, "lining_read_mm": 6.2, "lining_min_mm": 7.0}
    ends = outlook("A/1L", "B/1R", arm_length_mm=150.0, lining_read_on=SET_ON, **worn)
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]), groups=fleet.groups)
    found = verdicts(prepared, ends, fleet, dt.date(2026, 1, 5))
    maybe = found.with_columns(p_relined=pl.lit(0.7))
    for row in with_evidence(maybe, Fleet(), 0.03).to_dicts():
        said = row["evidence"]
        assert "It was probably relined then, though nobody wrote that down: look first." in said
        assert "If the lining is still the old one, take it out of service until it is" in said
    for row in with_evidence(found, Fleet(), 0.03).to_dicts():
        assert "nobody wrote" not in row["evidence"]
        assert "Take it out of service until it is relined." in row["evidence"]


@pytest.mark.parametrize(("old", "flagged"), [(6.8, True), (9.0, False), (None, False)])
def test_a_lining_that_grew_without_a_word_is_read_again_where_the_old_one_would_be_due(
    fleet, old, flagged
):
    ends = outlook("A/1L", arm_length_mm=150.0, lining_read_on=SET_ON).with_columns(
        lining_now_mm=pl.lit(16.4),
        lining_read_mm=pl.lit(17.0),
        lining_min_mm=pl.lit(6.0),
        lining_old_mm=pl.lit(old, dtype=pl.Float64),
        lining_before_mm=pl.lit(None if old is None else 8.1, dtype=pl.Float64),
        lining_before_on=pl.lit(SET_ON - dt.timedelta(days=90)),
    )
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]), groups=fleet.groups)
    found = verdicts(prepared, ends, fleet, SET_ON + dt.timedelta(weeks=2))
    (row,) = with_evidence(found, Fleet(), 0.03).to_dicts()
    assert (row["flagged"], row["state"] == "worn_out") == (flagged, flagged)
    if flagged:
        assert row["evidence"].startswith("Lining read 17.0 mm on ")
        assert "but 8.1 mm on " in row["evidence"]
        assert "no reline on record between: read it again." in row["evidence"]
        assert "If the lining is still the old one, take it out of service" in row["evidence"]


def test_the_thicker_of_two_that_was_relined_by_the_record_is_looked_at(fleet):
    ends = outlook("A/1L", arm_length_mm=150.0).with_columns(
        lining_now_mm=pl.lit(16.4),
        lining_min_mm=pl.lit(6.0),
        lining_old_mm=pl.lit(6.8),
        lining_before_mm=pl.lit(8.1),
        lining_before_on=pl.lit(SET_ON),
    )
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]), groups=fleet.groups)
    found = verdicts(prepared, ends, fleet, SET_ON + dt.timedelta(weeks=2))
    (row,) = with_evidence(found, Fleet(), 0.03).to_dicts()
    assert row["flagged"]
    assert row["evidence"].startswith("Relined by the record and not read since, but 8.1 mm on ")
    assert (
        "the axle's other end, without a job, was the thinner: which one is new?"
        in (row["evidence"])
    )


def test_wear_that_nobody_read_is_said_to_be_the_usual(fleet):
    row = judged(fleet, readings("A/1L", CASES["slackening"]))["A/1L"]
    assert " while, by usual wear, " in row["evidence"]
    assert " of lining wore, none of it read" in row["evidence"]
    read = judged(fleet, readings("A/1L", CASES["slackening"]), lining_read_mm=12.0)["A/1L"]
    assert "by usual wear" not in read["evidence"]


def test_strokes_without_an_arm_length_are_not_called_missing(fleet):
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]), groups=fleet.groups)
    found = verdicts(prepared, outlook("A/1L", "B/1R"), fleet, dt.date(2026, 1, 5))
    (row,) = with_evidence(found, Fleet(), 0.03).filter(wheel_end_id="B/1R").to_dicts()
    assert row["evidence"].startswith("No arm length on record, so that no stroke can be judged.")


def test_a_return_test_that_failed_means_replace_until_another_adjuster_is_fitted(fleet):
    """Whatever the strokes say, whatever was set since; and nobody is told to set it."""
    failed = {"test_failed": True, "tested_on": SET_ON}
    cases = [judged(fleet, readings("A/1L", s), **failed)["A/1L"] for s in CASES.values()]
    cases.append(set_since(fleet, CASES["in_band"], **failed))
    for row in cases:
        assert (row["flagged"], row["advice"]) == (True, "replace")
        assert row["state"] != "set_wrong"
        assert "Replace the adjuster; one that failed is not re-set." in row["evidence"]
        assert "return test failed on 6 Jan 2025, no replacement on record since" in row["evidence"]
        assert "et it as" not in row["evidence"]
    passed = judged(fleet, readings("A/1L", CASES["in_band"]), test_failed=False)["A/1L"]
    assert not passed["flagged"]


@pytest.mark.parametrize(
    ("read", "now", "by"), [(6.0, None, "reading"), (7.0, 5.9, "estimate"), (7.0, 6.1, None)]
)
def test_a_lining_at_its_minimum_is_worn_out_without_any_model(fleet, read, now, by):
    lining = {"lining_read_mm": read, "lining_min_mm": 6.0, "lining_read_on": SET_ON}
    rows = judged(fleet, readings("A/1L", CASES["in_band"]), lining_now_mm=now, **lining)
    row = rows["A/1L"]
    assert row["worn_out_by"] == by
    assert (row["flagged"], row["state"] == "worn_out") == (by is not None, by is not None)
    if by:
        assert row["advice"] == "reline"
        assert row["priority"] > 95 - 1e-9
        assert "Take it out of service until it is relined." in row["evidence"]
    failed = judged(fleet, readings("A/1L", CASES["stuck"]), test_failed=True, **lining)["A/1L"]
    assert ("replace the adjuster" in failed["evidence"].lower()) is True


def test_what_is_worn_out_comes_before_everything_else(fleet):
    worst = readings("K2/1L", [19, 39, 59, 60, 60])
    mate = worst.with_columns(wheel_end_id=pl.lit("K2/1R"), episode_id=pl.lit("K2/1R@1"))
    frame = pl.concat([worst, mate, readings("K1/1L", CASES["in_band"])])
    prepared = prepare_readings(frame, groups=fleet.groups)
    ends = outlook("K2/1L", "K2/1R", "K1/1L", "K3/1L").with_columns(
        lining_min_mm=pl.lit(6.0), lining_read_mm=pl.Series([9.0, 9.0, 6.0, 4.0])
    )
    found = verdicts(prepared, ends, fleet, SET_ON + dt.timedelta(weeks=49))
    assert found["wheel_end_id"].to_list()[:2] == ["K3/1L", "K1/1L"]  # the thinnest first


def test_what_has_probably_left_the_fleet_has_not_worn_on(fleet):
    """Two years unseen: by now nine in ten adjusters have failed, had it run; whoever left stands
    half a check's wear beyond its last reading. What the readings say stays as it is."""
    frame, later = readings("A/1L", CASES["in_band"]), SET_ON + dt.timedelta(weeks=152)
    ahead = {"wear_since_mm": 9.0, "wear_to_next_mm": 9.5}
    ahead |= {"p_failed_since": 0.9, "p_fail_next": 0.92}
    runs, left, perhaps = (
        judged(fleet, frame, as_of=later, p_in_fleet=chance, **ahead)["A/1L"]
        for chance in (1.0, 0.0, 0.5)
    )
    assert runs["p_out_now"] > 0.8
    assert left["p_out_now"] < 0.1
    assert left["stroke_ratio"] == pytest.approx(left["read_ratio"], abs=0.01)
    for name in ("p_out_now", "stroke_ratio"):
        assert perhaps[name] == pytest.approx((runs[name] + left[name]) / 2, rel=1e-9)
    for name in ("read_ratio", "p_out_next_check", "state", "flagged"):
        assert runs[name] == left[name]
    early, late = (
        judged(fleet, frame, as_of=later, p_in_fleet=0.0, weeks_if_left=weeks, **ahead)["A/1L"]
        for weeks in (3.0, 12.0)
    )
    assert early["p_out_now"] < left["p_out_now"] < late["p_out_now"]


def test_without_a_single_stroke_plain_findings_still_count(fleet):
    """No reading, no model: what is worn out or failed its test is flagged, the rest not seen."""
    nothing = prepare_readings(readings("A/1L", [19]).clear())
    taught = learn_fleet(nothing, simulated=1)
    ends = outlook("A/1L", "B/1L", "C/1L").with_columns(
        lining_min_mm=pl.lit(6.0),
        lining_read_mm=pl.Series([5.0, 9.0, 9.0]),
        test_failed=pl.Series([None, True, None], dtype=pl.Boolean),
    )
    found = verdicts(nothing, ends, taught, SET_ON).sort("wheel_end_id")
    assert found["state"].to_list() == ["worn_out", "stuck", "not_seen"]
    assert found["flagged"].to_list() == [True, True, False]
    assert found["advice"].to_list() == ["reline", "replace", "check"]
    assert found["p_out_now"].null_count() == 3


def test_a_fleet_without_any_record_is_judged_by_the_priors():
    nothing = learn_fleet(prepare_readings(readings("A/1L", [19]).clear()), simulated=300)
    assert nothing.groups == ()
    rows = judged(nothing, *(readings(f"{s}/1L", strokes) for s, strokes in CASES.items()))
    assert {w: row["state"] for w, row in rows.items()} == {f"{s}/1L": s for s in CASES}


def test_sentences_are_in_the_units_of_the_fleet(fleet):
    """20.3 mm are 0.80 in; a fleet that reads inches is told no millimetres."""
    frames = [readings(f"{s}/1L", strokes) for s, strokes in CASES.items()]
    names = [f"{s}/1L" for s in CASES]
    prepared = prepare_readings(pl.concat(frames), groups=fleet.groups)
    lining = {"lining_read_mm": 5.0, "lining_min_mm": 6.0, "lining_read_on": SET_ON}
    found = verdicts(prepared, outlook(*names, **lining), fleet, SET_ON)
    said = with_evidence(found, Fleet(length_unit="in"), 0.03)["evidence"]
    assert not said.str.contains(r"\bmm\b").any()
    assert said.str.contains(r"Lining read 0\.20 in on 6 Jan 2025, minimum 0\.24 in\.").all()
    assert said.str.contains(r" in on a 5\.91 in arm").all()


def test_readings_must_be_prepared_for_the_fleet(fleet):
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]))
    with pytest.raises(ValueError, match="other groups"):
        judge_wheel_ends(prepared, outlook("A/1L"), fleet, dt.date(2026, 1, 5))


def test_an_unknown_group_is_judged_by_the_fleet(fleet):
    frame = readings("A/1L", CASES["stuck"]).with_columns(duty=pl.lit("never seen"))
    row = judged(fleet, frame)["A/1L"]
    assert row["state"] == "stuck"


def test_missing_columns_and_unknown_sources_are_refused():
    frame = readings("A/1L", CASES["in_band"])
    with pytest.raises(ValueError, match="missing column ratio_per_mm"):
        prepare_readings(frame.drop("ratio_per_mm"))
    with pytest.raises(ValueError, match="set_source 'guess'; accepted: adjuster_set"):
        prepare_readings(frame.with_columns(set_source=pl.lit("guess")))


def test_results_do_not_depend_on_the_order_of_rows(fleet):
    frame = pl.concat(readings(f"{s}/1L", strokes) for s, strokes in CASES.items())
    ordered = prepare_readings(frame, groups=fleet.groups)
    shuffled = prepare_readings(
        frame.sample(fraction=1.0, shuffle=True, seed=4), groups=fleet.groups
    )
    np.testing.assert_array_equal(ordered.histories.ratio, shuffled.histories.ratio)
    assert ordered.episodes.equals(shuffled.episodes)


@pytest.mark.parametrize(
    ("chance", "weeks", "flagged"),
    [(1.0, 60, True), (0.3, 60, True), (1e-6, 60, False), (1e-6, 30, True)],
)
def test_a_unit_that_has_surely_left_is_not_looked_at_first(fleet, chance, weeks, flagged):
    """One sold with a lining at its minimum, or its file is missing: for a year nobody knows."""
    ends = outlook("K3/1L").with_columns(
        lining_min_mm=pl.lit(6.0), lining_read_mm=pl.lit(5.5), p_in_fleet=pl.lit(chance)
    )
    read_on = SET_ON - dt.timedelta(weeks=weeks)
    ends = ends.with_columns(lining_read_on=pl.lit(read_on))
    prepared = prepare_readings(readings("K1/1L", CASES["in_band"]), groups=fleet.groups)
    found = verdicts(prepared, ends, fleet, SET_ON)
    (row,) = with_evidence(found, Fleet(), 0.03).rows(named=True)
    assert (row["flagged"], row["flag_reason"]) == (flagged, "lining" if flagged else None)
    assert row["state"] == "worn_out"
    unseen = "If its unit, not seen for long, still runs, take it out of service" in row["evidence"]
    assert unseen == (flagged and chance < 0.05)


def test_a_finding_of_a_row_that_is_not_used_says_so(fleet):
    ends = outlook("A/1L", arm_length_mm=150.0, lining_read_on=SET_ON, tested_on=SET_ON)
    ends = ends.with_columns(
        lining_read_mm=pl.lit(4.0),
        lining_min_mm=pl.lit(6.0),
        test_failed=pl.lit(value=True),
        lining_unused=pl.lit(value=True),
        test_unused=pl.lit(value=True),
    )
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]), groups=fleet.groups)
    for unused in (True, False):
        told = ends.with_columns(lining_unused=pl.lit(unused), test_unused=pl.lit(unused))
        found = verdicts(prepared, told, fleet, SET_ON + dt.timedelta(weeks=2))
        (row,) = with_evidence(found, Fleet(), 0.03).to_dicts()
        assert row["flagged"]
        assert row["evidence"].count(", in a row set aside (mart.set_aside says why)") == 2 * unused


@pytest.mark.parametrize(("now", "doubted"), [(11.5, True), (6.5, False), (17.0, False)])
def test_a_reading_that_may_be_in_centimetres_is_looked_at(fleet, now, doubted):
    ends = outlook("A/1L", arm_length_mm=150.0, lining_read_on=SET_ON).with_columns(
        lining_read_mm=pl.lit(1.2),
        lining_now_mm=pl.lit(now),
        lining_min_mm=pl.lit(6.0),
        lining_unused=pl.lit(value=True),
    )
    prepared = prepare_readings(readings("A/1L", CASES["in_band"]), groups=fleet.groups)
    found = verdicts(prepared, ends, fleet, SET_ON + dt.timedelta(weeks=2))
    (row,) = with_evidence(found, Fleet(), 0.03).to_dicts()
    assert row["flagged"]
    assert (": written in centimetres? Look at it" in row["evidence"]) == doubted
    assert ("If it is so thin, take it out of service" in row["evidence"]) == doubted
    assert "ake it out of service until it is relined." in row["evidence"]


NOW = {"episode_id": "A/1L@3", "set_source": "adjuster_set"}


def hand_set_again(strokes: tuple[float, float], **more) -> tuple[pl.DataFrame, ...]:
    """Two settings by hand, each left at 19 mm and read once after at so much."""
    return tuple(
        readings("A/1L", [19, stroke], **more).with_columns(
            episode_id=pl.lit(f"A/1L@{n}"),
            set_source=pl.lit("adjuster_set"),
            inspected_on=pl.col("inspected_on") + dt.timedelta(weeks=14 * n),
        )
        for n, stroke in enumerate(strokes, start=1)
    )


@pytest.mark.parametrize(
    ("strokes", "state"),
    [
        ((25, 26), "slackening"),
        ((13, 12), "tightening"),
        ((20, 26), None),
        ((26, 20), None),
        ((13, 26), None),
    ],
)
def test_a_stroke_out_of_band_before_each_of_two_settings_is_a_fault_that_setting_hides(
    fleet, strokes, state
):
    """Of a 150 mm arm the band ends at 15 and 22.5 mm: all are a little outside, or inside."""
    frames = hand_set_again(strokes)
    set_on = frames[-1]["inspected_on"].max() + dt.timedelta(weeks=1)
    as_of = set_on + dt.timedelta(weeks=4)
    row = judged(fleet, *frames, set_on=set_on, as_of=as_of, **SET_SINCE | NOW)["A/1L"]
    if state is None:
        assert not row["flagged"]
        return
    assert (row["state"], row["flag_reason"], row["advice"]) == (state, "finding", "find_cause")
    first, last = (f"{stroke / 1.5:.1f} %" for stroke in strokes)
    assert (
        f"read at {last} of the arm before that (band 10–15 %), {first} before the setting"
        in (row["evidence"])
    )


def test_a_return_test_passed_since_the_setting_says_more_than_the_stroke_before_it(fleet):
    frames = [readings("A/1L", CASES["stuck"])]
    tested = readings("A/1L", [19], return_test=["pass"]).with_columns(
        episode_id=pl.lit("A/1L@2"),
        set_source=pl.lit("adjuster_set"),
        inspected_on=pl.col("inspected_on") + dt.timedelta(weeks=60),
    )
    untested = tested.with_columns(return_test=pl.lit(None, dtype=pl.String))
    assert judged(fleet, *frames, untested)["A/1L"]["flag_reason"] == "finding"
    assert judged(fleet, *frames, tested)["A/1L"]["flag_reason"] != "finding"


def test_what_was_found_over_adjusting_is_not_told_to_be_set(fleet):
    """Tight since the setting and holding there, as a wrong setting; but a fault was found."""
    strokes = [9, 10, 9, 10]
    plain = judged(fleet, readings("A/1L", strokes))["A/1L"]
    assert (plain["state"], plain["advice"]) == ("set_wrong", "set")
    found = [None, None, None, "over_adjusting"]
    row = judged(fleet, readings("A/1L", strokes, fault=found))["A/1L"]
    assert (row["state"], row["flagged"]) == ("tightening", True)
    assert row["advice"] != "set"
