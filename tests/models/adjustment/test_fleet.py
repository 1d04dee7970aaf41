"""Judging simulated fleets of known truth: what is found, how soon, and at how many false flags.

A smaller, seeded set of what ``tests.bench.bench_drift`` prints. Where strokes alone cannot tell
more, the bound of the likelihood-ratio test stands in for a goal.
"""

import numpy as np
import polars as pl
import pytest

from tests.fleets.drift_judged import (
    Watched,
    at_equal_false_flags,
    compared,
    names_right,
    reliability,
    shares,
    truth_of,
    watch,
)
from tests.fleets.strokes import DriftWorld, draw_strokes, readings_frame

FALSE, BEFORE, OUTSIDE = (
    "false flags per wheel-end-year",
    "small deficits, before leaving the band",
    "small deficits, first check outside",
)


@pytest.fixture(scope="module")
def drawn():
    return draw_strokes(1800, seed=302, world=DriftWorld(checks=8))


@pytest.fixture(scope="module")
def watched(drawn) -> Watched:
    taught = draw_strokes(1800, seed=301, world=DriftWorld(checks=8))
    return watch(taught, drawn, simulated=1500)


@pytest.fixture(scope="module")
def table(drawn, watched):
    return {row["measure"]: row for row in compared(drawn, watched).rows(named=True)}


def test_false_flags_are_as_rare_as_asked(table, drawn):
    years = truth_of(drawn).years
    # One per 100 healthy wheel-end-years, and two standard errors of counting them.
    assert table[FALSE]["drift model"] < 0.01 + 2 * np.sqrt(0.01 / years)


def test_wrong_settings_are_found(table):
    assert table["set wrong, first check"]["drift model"] >= 0.90
    assert table["set wrong, second check"]["drift model"] >= 0.97


def test_stuck_adjusters_are_found_as_soon_as_they_can_be(table):
    first = table["stuck, first check after failing"]
    assert first["drift model"] >= first["bound"] - 0.07
    assert table["stuck, of those truly out by then"]["drift model"] >= 0.93
    assert table["stuck, second check"]["drift model"] >= 0.96


@pytest.mark.parametrize("measure", [BEFORE, OUTSIDE])
def test_small_deficits_are_found_nearly_as_well_as_can_be(table, drawn, measure):
    drifting = np.isin(drawn.kind, (1, 2)) & (truth_of(drawn).first_out < drawn.world.checks)
    bound = table[measure]["bound"]
    # The bound knows every parameter and looks for nothing else; two standard errors of counting.
    counting = 2 * np.sqrt(bound * (1 - bound) / drifting.sum())
    assert table[measure]["drift model"] >= bound - 0.03 - counting


@pytest.mark.parametrize("measure", [BEFORE, OUTSIDE])
def test_small_deficits_are_found_far_sooner_than_by_the_last_reading(table, measure):
    row = table[measure]
    assert row["drift model"] >= row["last reading outside"] + 0.10


def test_the_state_is_named_right(drawn, watched):
    found = names_right(drawn, watched)
    assert found["named right when first flagged"] >= 0.85
    assert found["named right a check later"] >= 0.90


@pytest.mark.parametrize(("name", "ahead"), [("p_out_now", 0), ("p_out_next", 1)])
def test_probabilities_come_true(drawn, watched, name, ahead):
    checks = drawn.world.checks
    p = getattr(watched, name)[:, : checks - ahead]
    # Sudden failures to come are an input of the judgement, and none is given here.
    began_after = drawn.began[:, None] >= np.arange(1, checks + 1 - ahead)
    steady = ~(began_after & np.isin(drawn.kind, (1, 2, 3))[:, None])
    happened = truth_of(drawn).out[:, ahead:]
    table = reliability(p[steady], happened[steady], bins=5)
    se = (table["p"] * (1 - table["p"]) / table["n"]).sqrt()
    assert (table["gap"].abs() <= 0.05 + 2 * se).all(), table


def changed(**columns):
    return lambda frame: frame.with_columns(**columns)


BLIND = changed(
    wear_mm=pl.lit(None, dtype=pl.Float64),
    wear_sd_mm=pl.lit(None, dtype=pl.Float64),
)
UNDATED = changed(
    set_source=pl.lit("first_reading"), weeks_since_set=pl.col("weeks_since_set") - 12.0
)
POORER = {
    "no lining readings": (DriftWorld(checks=5), BLIND),
    "no setting on record": (DriftWorld(checks=5), UNDATED),
    "marks never lined up": (DriftWorld(checks=5), changed(marks_aligned=pl.lit(value=False))),
    "strokes rounded to 5 mm": (DriftWorld(checks=5, stroke_step_mm=5.0), changed()),
    "travel ends early": (DriftWorld(checks=5, stop_ratio=0.24), changed()),
    "travel unknown": (DriftWorld(checks=5), changed(stop_ratio=pl.lit(None, dtype=pl.Float64))),
}


@pytest.mark.proof
@pytest.mark.parametrize(("world", "change"), POORER.values(), ids=POORER.keys())
def test_poorer_records_raise_no_storm_of_alarms(world, change):
    taught, judged = (draw_strokes(700, seed=seed, world=world) for seed in (311, 312))
    w = watch(taught, judged, changed=change, simulated=500)
    found = shares(judged, w.flagged)
    # 560 healthy wheel-end-years: 1 in 100 is 5.6 flags, and 2.4 is one standard error.
    assert found[FALSE] < 0.03
    assert found["stuck, second check"] > 0.90
    for name in ("p_trouble", "p_out_now", "p_out_next"):
        assert np.isfinite(getattr(w, name)).all()
    right = names_right(judged, w)
    assert right["  stuck, when first flagged"] > 0.7


def test_one_check_is_enough_for_what_is_plain_and_for_no_more():
    world = DriftWorld(checks=1)
    judged = draw_strokes(1500, seed=322, world=world)
    w = watch(draw_strokes(1500, seed=321, world=world), judged, simulated=300)
    healthy = truth_of(judged).healthy
    assert w.flagged[healthy].mean() < 0.01
    assert shares(judged, w.flagged)["set wrong, first check"] > 0.85


def test_equal_false_flags_are_equal(drawn):
    score = np.random.default_rng(1).random(drawn.true_ratio.shape)
    flagged = at_equal_false_flags(drawn, score, per_year=0.05)
    assert shares(drawn, flagged)[FALSE] == pytest.approx(0.05, rel=0.05)


def test_a_fleet_of_one_wheel_end_is_judged_by_the_priors():
    one = draw_strokes(1, seed=5, world=DriftWorld(checks=4, shares=(0, 0, 0, 1, 0)))
    w = watch(one, one, simulated=300)
    assert np.isfinite(w.p_trouble).all()
    assert readings_frame(one, 3).height == 4
