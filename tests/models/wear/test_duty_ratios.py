"""Ratios of wear rates between duties: Fieller's interval, its test, and coverage."""

import numpy as np
import pytest
from scipy import stats

from models.wear.duty_ratios import (
    METHOD,
    RateRatio,
    WearComparisons,
    compare_duties,
    comparisons_frame,
    fieller_limits,
)
from models.wear.fit import fit_wear
from tests.fleets.linings import AXLES, DUTIES, FleetTruth, draw_fleet, sums_of
from tests.models.wear.test_fit import drawn_lives, early_fleet, straight

TRUTH = FleetTruth()


@pytest.fixture(scope="module")
def fit():
    return fit_wear(sums_of(draw_fleet(1, 120)))


def test_fieller_limits_solve_their_own_equation():
    covariance = np.array([[0.04, 0.01], [0.01, 0.02]])
    for rho in fieller_limits(3.0, 2.0, covariance, 1.96):
        spread = covariance[0, 0] - 2 * rho * covariance[0, 1] + rho**2 * covariance[1, 1]
        assert abs(3.0 - 2.0 * rho) / np.sqrt(spread) == pytest.approx(1.96)


def test_a_rate_not_clearly_above_zero_gives_no_limits():
    assert fieller_limits(1.0, 0.1, np.diag([0.01, 0.01]), 1.96) is None


def test_ratios_are_near_the_truth_with_their_limits(fit):
    ratios = compare_duties(fit).ratios
    assert len(ratios) == 6
    hits = 0
    for r in ratios:
        rates = TRUTH.rates[AXLES.index(r.axle_type)]
        true = rates[DUTIES.index(r.duty_a)] / rates[DUTIES.index(r.duty_b)]
        hits += r.ci_low <= true <= r.ci_high
        assert r.ci_low < r.ratio < r.ci_high
    assert hits >= 5


def test_the_test_agrees_with_the_interval(fit):
    """p below 5 % exactly when 1 is outside the 95 % limits, up to the change in df."""
    for r in compare_duties(fit).ratios:
        assert (r.p < 0.05) == (not r.ci_low <= 1.0 <= r.ci_high)
        assert r.p_adjusted >= r.p


def test_adjusted_p_is_holm_s(fit):
    ratios = sorted(compare_duties(fit).ratios, key=lambda r: r.p)
    steps = np.maximum.accumulate([(6 - i) * r.p for i, r in enumerate(ratios)])
    assert [r.p_adjusted for r in ratios] == pytest.approx(np.minimum(steps, 1.0).tolist())


@pytest.mark.proof
def test_equal_duties_are_called_different_as_often_as_stated():
    """20 fleets with one rate in all duties: 120 dependent tests at 5 %."""
    same = FleetTruth(rates=np.full((2, 3), 0.4))
    p = [
        r.p
        for s in range(20)
        for r in compare_duties(fit_wear(sums_of(draw_fleet(s, 20, same)))).ratios
    ]
    assert np.mean(np.array(p) < 0.05) <= stats.binom.ppf(0.999, 40, 0.05) / 40


def test_thin_groups_are_not_compared():
    fit = fit_wear(sums_of(early_fleet(draw_fleet(1, 120))))
    found = compare_duties(fit)
    thin = {(r.axle_type, r.duty) for r in fit.rates if r.units < 2}
    assert thin
    for r in found.ratios:
        assert (r.axle_type, r.duty_a) not in thin
        assert (r.axle_type, r.duty_b) not in thin
    assert "Too few units to compare" in found.notes[0]


def test_one_duty_leaves_nothing_to_compare():
    assert compare_duties(fit_wear(drawn_lives(straight(30, [1e4, 5e4, 9e4])))).ratios == ()


def test_a_fit_without_rates_says_why():
    found = compare_duties(fit_wear(drawn_lives([])))
    assert found.ratios == ()
    assert found.notes == ("No lining readings: no wear rates.",)


def test_the_table_has_the_contract_columns(fit):
    frame = comparisons_frame(compare_duties(fit))
    assert frame.columns == [
        "axle_type", "measure", "duty_a", "duty_b", "ratio", "ci_low", "ci_high", "p",
        "p_adjusted", "method",
    ]  # fmt: skip
    assert frame["method"].unique().to_list() == [METHOD]
    assert comparisons_frame(compare_duties(fit_wear(drawn_lives([])))).is_empty()


def test_a_ratio_of_wear_is_never_below_zero():
    """Few readings leave a rate's sign open; linings do not grow."""
    common = {"axle_type": "drive", "duty_a": "a", "duty_b": "b", "df": 2.0, "p": 0.5}
    ratios = [
        RateRatio(**common, ratio=0.8, ci_low=-0.7, ci_high=3.0, p_adjusted=0.5),
        RateRatio(**common, ratio=-0.2, ci_low=-0.7, ci_high=0.1, p_adjusted=0.5),
        RateRatio(**common, ratio=float("inf"), ci_low=None, ci_high=None, p_adjusted=0.5),
    ]
    found = comparisons_frame(WearComparisons(tuple(ratios), ()))
    assert found["ratio"].to_list() == [0.8, None, None]
    assert found["ci_low"].to_list() == [0.0, None, None]
    assert found["ci_high"].to_list() == [3.0, None, None]
