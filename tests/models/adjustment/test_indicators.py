"""Weights of what else is found: stated by default, the fleet's own where it has records."""

import numpy as np
import polars as pl
import pytest

from models.adjustment.indicators import (
    INDICATORS,
    UNKNOWN,
    WORTH,
    default_tables,
    fitted_tables,
    indicator_codes,
    latest_findings,
    likelihood,
)
from models.adjustment.states import IN_BAND, SET_WRONG, STATES, STUCK
from models.adjustment.strokes.readings import with_all_columns
from tests.models.adjustment.test_verdicts import readings


def nothing(n):
    return {name: np.full(n, UNKNOWN) for name in INDICATORS}


def test_defaults_are_probabilities():
    for name, table in default_tables().items():
        assert table.shape == (len(STATES), len(INDICATORS[name].categories))
        np.testing.assert_allclose(table.sum(axis=1), 1.0, atol=1e-9, err_msg=name)
        assert table.min() > 0


def test_nothing_found_changes_nothing():
    np.testing.assert_array_equal(likelihood(nothing(3), default_tables()), 1.0)


def test_findings_multiply():
    codes = nothing(1) | {"return_test": np.array([1]), "marks": np.array([1])}
    tables = default_tables()
    found = likelihood(codes, tables)[0]
    product = tables["return_test"][:, 1] * tables["marks"][:, 1]
    np.testing.assert_allclose(found / found[STUCK], product / product[STUCK])


def test_records_outweigh_the_defaults():
    rng = np.random.default_rng(1)
    state = rng.choice(len(STATES), 20_000, p=[0.8, 0.05, 0.05, 0.05, 0.05])
    truth = np.array([0.02, 0.05, 0.30, 0.70, 0.10])
    codes = nothing(len(state)) | {"return_test": (rng.random(len(state)) < truth[state]) * 1}
    table = fitted_tables(codes, np.eye(len(STATES))[state])["return_test"]
    # 1,000 wheel ends per rare state: 1.5 % binomial SE at the most, and 30 default ones.
    np.testing.assert_allclose(table[:, 1], truth, atol=0.04)


def test_few_records_hardly_move_the_defaults():
    codes = nothing(2) | {"cap": np.array([1, 1])}
    table = fitted_tables(codes, np.eye(len(STATES))[[IN_BAND, STUCK]])["cap"]
    prior = default_tables()["cap"]
    assert table[IN_BAND, 1] == pytest.approx((1 + WORTH * prior[IN_BAND, 1]) / (1 + WORTH))
    np.testing.assert_array_equal(table[SET_WRONG], prior[SET_WRONG])


def test_a_mark_nobody_lines_up_comes_to_mean_nothing():
    n = 3000
    state = np.where(np.arange(n) % 20 == 0, STUCK, IN_BAND)
    codes = nothing(n) | {"marks": np.full(n, 2)}
    tables = fitted_tables(codes, np.eye(len(STATES))[state])
    found = likelihood({**nothing(1), "marks": np.array([2])}, tables)[0]
    assert 0.8 < found[STUCK] / found[IN_BAND] < 1.25


def test_categories_from_the_latest_findings():
    frame = with_all_columns(
        pl.concat(
            [
                readings("a/1L", [19, 19], marks_aligned=[True, False], return_test=["pass", None]),
                readings("b/1L", [19, 19], marks_aligned=[False, False], cap_state=["open", None]),
                readings("c/1L", [19], fault=["odd smell"], greasing_overdue=[True]),
                readings("d/1L", [19], applied_stroke_mm=[60.0], readjust_limit_mm=[60.0]),
            ],
            how="diagonal",
        )
    )
    found = latest_findings(frame).with_columns(wear_z=pl.Series([None, 2.5, 0.0, None]))
    codes = indicator_codes(found)
    assert codes["marks"].tolist() == [1, 2, UNKNOWN, UNKNOWN]
    assert codes["return_test"].tolist() == [0, UNKNOWN, UNKNOWN, UNKNOWN]
    assert codes["cap"].tolist() == [UNKNOWN, 1, UNKNOWN, UNKNOWN]
    assert codes["fault"].tolist() == [0, 0, 0, 0]
    assert codes["greasing"].tolist() == [UNKNOWN, UNKNOWN, 1, UNKNOWN]
    assert codes["wear"].tolist() == [UNKNOWN, 1, 0, UNKNOWN]
    assert codes["applied"].tolist() == [UNKNOWN, UNKNOWN, UNKNOWN, 1]
