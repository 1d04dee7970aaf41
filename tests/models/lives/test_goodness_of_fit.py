"""Goodness of fit and the frames that draw it."""

import numpy as np
import pytest

from models.lives.findings.curves import curve_ages, fitted_curve, free_curve, probability_plot
from models.lives.findings.goodness_of_fit import check_fit
from models.lives.fits.data import counts_from_rows
from models.lives.fits.distributions import life_distribution
from models.lives.fits.npmle import fit_npmle
from models.lives.fits.parametric import fit_life
from tests.life_published import channing_men, channing_women, cracked_parts, shock_rows
from tests.models.lives.test_parametric import drawn

WEIBULL, LOGNORMAL = (
    life_distribution("weibull", 2.5, 2e5),
    life_distribution("lognormal", 0.5, 2e5),
)


def check(counts, name):
    return check_fit(counts, fit_life(counts, name), fit_npmle(counts))


@pytest.mark.proof
def test_a_true_distribution_is_rejected_about_as_often_as_stated():
    p = np.array([check(drawn(3000 + s, 400, WEIBULL).counts, "weibull").p for s in range(150)])
    # 150 draws at 5 %: more than 17 has probability 0.06 %; at 50 %: outside 55..95 0.09 %.
    assert np.sum(p < 0.05) <= 17
    assert 55 <= np.sum(p < 0.5) <= 95


def test_a_wrong_distribution_is_noticed_and_the_words_say_where():
    checked = check(drawn(1, 4000, LOGNORMAL).counts, "weibull")
    assert checked.p < 1e-6
    assert "depart from the Weibull" in checked.words
    assert "were expected" in checked.words


def test_exact_failures_are_counted_in_their_bands_and_expected_by_their_hazards():
    counts = channing_women().counts
    checked = check(counts, "weibull")
    seen = np.histogram(counts.left, np.append(checked.band_start, 1e9), weights=counts.failed)[0]
    np.testing.assert_allclose(checked.observed, seen)
    fitted = fit_life(counts, "weibull").distribution
    ages = np.clip([checked.band_start, checked.band_end], None, 1e9)

    def run(age, weight):
        reached = -fitted.log_survival(np.minimum(age, ages[:, :, None])) @ weight
        return reached[1] - reached[0]

    expected = run(counts.left, counts.failed) + run(counts.censored_at, counts.censored)
    np.testing.assert_allclose(checked.expected, expected - run(counts.entry, counts.entered))


def test_grouped_data_give_nearly_the_classical_grouped_likelihood_ratio():
    # Nelson (1982), cracks: eight inspections for all, so the saturated multinomial is the
    # classical alternative. With bands between inspections the gain cannot exceed its.
    counts = cracked_parts()
    fit = fit_life(counts, "weibull")
    total = counts.failed.sum() + counts.censored.sum()
    cells = np.concatenate([counts.failed, counts.censored])
    saturated = 2 * (cells @ np.log(cells / total) - fit.loglik)
    checked = check(counts, "weibull")
    assert 0.8 * saturated < checked.chi_square <= saturated + 1e-6
    assert checked.p < 1e-3


def test_few_failures_are_not_judged():
    checked = check(shock_rows(1, 2).counts, "weibull")
    assert np.isnan(checked.p)
    assert checked.words == "11 failures are too few to judge how well the Weibull fits"
    assert 0.0 < checked.furthest < 0.2


def test_distance_is_measured_on_the_conditional_curve():
    counts = channing_men().counts
    checked, curve = check(counts, "weibull"), fit_npmle(counts)
    survival = fit_life(counts, "weibull").distribution.survival
    reached = survival(curve.end_age) / survival(np.array([782.0]))
    assert checked.furthest == pytest.approx(np.abs(reached - curve.survival).max())
    assert checked.outside == np.mean((reached < curve.low) | (reached > curve.high))


def test_the_fitted_curve_falls_within_limits_that_hold_it():
    counts = shock_rows(1, 2).counts
    frame = fitted_curve(counts, fit_life(counts, "weibull"), curve_ages(counts))
    survival, low, high = (frame[c].to_numpy() for c in ("survival", "ci_low", "ci_high"))
    assert np.all(np.diff(survival) < 0)
    assert np.all((low < survival) & (survival < high))
    assert frame["age"].max() == 28_100
    assert frame["method"].unique().to_list() == ["weibull"]


def test_the_free_curve_starts_at_one_and_holds_to_the_last_watched_age():
    frame = free_curve(fit_npmle(shock_rows(1, 2).counts))
    assert frame.row(0) == (0.0, 1.0, 1.0, 1.0, "npmle")
    assert frame["age"].last() == 28_100
    assert frame["survival"].last() == pytest.approx(0.287375901, abs=1e-9)


def test_a_free_curve_without_failures_is_a_flat_line():
    none = counts_from_rows(np.zeros(3), np.full(3, 9e4), np.full(3, np.inf))
    assert free_curve(fit_npmle(none))["survival"].to_list() == [1.0, 1.0]


def test_a_conditional_curve_is_put_on_the_fits_scale_by_the_fits_survival_to_its_start():
    counts = channing_men().counts
    curve, fit = fit_npmle(counts), fit_life(counts, "weibull")
    frame = probability_plot(curve, fit)
    reached = fit.distribution.survival(np.array([782.0]))[0]
    z = np.log(-np.log(reached * curve.survival[curve.survival > 0]))
    np.testing.assert_allclose(frame["z"], z, rtol=1e-9)


def test_points_of_the_true_distribution_lie_along_its_own_straight_line():
    counts = drawn(2, 6000, WEIBULL).counts
    frame = probability_plot(fit_npmle(counts), fit_life(counts, "weibull"))
    inner = frame.filter((frame["failed"] > 0.02) & (frame["failed"] < 0.98))
    slope, at_zero = np.polyfit(inner["log_age"], inner["z"], 1)
    assert slope == pytest.approx(2.5, rel=0.06)
    assert at_zero == pytest.approx(-2.5 * np.log(2e5), rel=0.06)
    held = (inner["z_low"] <= inner["z_fit"]) & (inner["z_fit"] <= inner["z_high"])
    assert held.mean() > 0.8
