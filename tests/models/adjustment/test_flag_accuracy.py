"""Precision with open flags counted both ways, and recall corrected for who was looked at."""

import numpy as np
import polars as pl
import pytest

from models.adjustment.flag_accuracy import precision_bounds, recall


def test_open_flags_are_counted_both_ways():
    """20 confirmed, none wrong, 16 open: between 20 and 36 of 36, not 1."""
    found = precision_bounds(pl.DataFrame({"confirmed": [20], "false_alarms": [0], "open": [16]}))
    assert found["precision_least"][0] == pytest.approx(20 / 36)
    assert found["precision_most"][0] == 1.0
    assert found["bounds_low"][0] < 20 / 36
    assert found["bounds_high"][0] == pytest.approx(1.0)


def test_without_flags_nothing_is_said():
    found = precision_bounds(pl.DataFrame({"confirmed": [0], "false_alarms": [0], "open": [0]}))
    assert found.select("precision_least", "bounds_high").row(0) == (None, None)


def counts(**changed):
    usual = {
        "flags": 50, "confirmed": 30, "false_alarms": 10,
        "unflagged": 950, "looked_at": 190, "missed": 4,
    }  # fmt: skip
    return pl.DataFrame({name: [changed.get(name, value)] for name, value in usual.items()})


def test_faults_without_a_flag_are_scaled_up_to_all_that_were_not_looked_at():
    """By hand: 50 x 30/40 = 37.5 faults flagged, 950 x 4/190 = 20 not: 37.5 of 57.5."""
    found = recall(counts())
    assert found["recall"][0] == pytest.approx(37.5 / 57.5)
    assert found["recall_ci_low"][0] < 37.5 / 57.5 < found["recall_ci_high"][0]


@pytest.mark.parametrize(
    "nothing", [{"looked_at": 0, "missed": 0}, {"confirmed": 0, "false_alarms": 0}]
)
def test_recall_needs_looks_on_both_sides(nothing):
    assert recall(counts(**nothing))["recall"][0] is None


def test_limits_hold_the_truth_though_flags_draw_looks():
    """1,000 wheel ends, 8 % faulty, flags right for 70 % of the faults; nine in ten flagged and one
    in four others looked at. 400 draws: 95 % would miss 33 or more with a chance of 1 in 500."""
    rng, missed = np.random.default_rng(1), 0
    for _ in range(400):
        fault = rng.random(1000) < 0.08
        flag = rng.random(1000) < np.where(fault, 0.7, 0.02)
        look = rng.random(1000) < np.where(flag, 0.9, 0.25)
        row = counts(
            flags=int(flag.sum()),
            confirmed=int((flag & fault & look).sum()),
            false_alarms=int((flag & ~fault & look).sum()),
            unflagged=int((~flag).sum()),
            looked_at=int((~flag & look).sum()),
            missed=int((~flag & look & fault).sum()),
        )
        low, high = recall(row).select("recall_ci_low", "recall_ci_high").row(0)
        missed += not low <= 0.7 <= high
    assert missed <= 32
