"""Intervals between checks, planned replacement, and too little data."""

import numpy as np
import pytest
from scipy import integrate

from models.lives.decisions.decisions import (
    age_replacement,
    optimal_replacement_age,
    replacement_cost_rate,
    undetected_share,
)
from models.lives.findings.few_failures import Beside, enough_failures, scarce_life
from models.lives.fits.data import counts_from_rows
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS, life_distribution
from models.lives.fits.parametric import fit_life, parameter_draws
from tests.life_published import shock_rows
from tests.models.lives.test_parametric import drawn
from tests.oracles.undetected_draws import undetected_by_interval

EXPONENTIAL = life_distribution("weibull", 1.0, 100.0)
WEAR_OUT = life_distribution("weibull", 2.5, 100.0)


@pytest.fixture(scope="module")
def fit():
    return fit_life(drawn(1, 2000, life_distribution("weibull", 2.5, 2e5)).counts, "weibull")


@pytest.mark.parametrize(
    ("shape", "ratio", "age"),
    [
        # Barlow & Proschan (1965), ch. 4, solved from the theory in 40 digits: T / scale.
        (1.5, 5, 0.675491992136),
        (2.0, 5, 0.510655224295),
        (2.5, 5, 0.493046957597),
        (3.0, 5, 0.502609582103),
        (3.0, 10, 0.382455531143),
    ],
)
def test_published_replacement_ages(shape, ratio, age):
    found = optimal_replacement_age(life_distribution("weibull", shape, 1e5), 1.0, ratio)
    assert found == pytest.approx(1e5 * age, rel=1e-11)


@pytest.mark.parametrize("shape", [0.6, 1.0])
def test_no_age_beats_running_to_failure_when_failures_do_not_grow_likelier(shape):
    assert optimal_replacement_age(life_distribution("weibull", shape, 1e5), 1.0, 50.0) is None


def test_no_age_beats_running_to_failure_when_a_failure_costs_no_more():
    assert optimal_replacement_age(WEAR_OUT, 10.0, 10.0) is None


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_the_optimum_is_the_least_cost_of_any_age(name):
    standard = life_distribution(name, 0.5 if name == "lognormal" else 3.0, 1e5)
    age = optimal_replacement_age(standard, 1.0, 5.0)
    least = replacement_cost_rate(standard, np.array([age]), 1.0, 5.0)[0]
    others = replacement_cost_rate(standard, np.geomspace(1e3, 1e7, 2000), 1.0, 5.0)
    assert least <= others.min()
    assert least == pytest.approx(others.min(), rel=1e-4)  # the grid steps by 0.5 %


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_the_mean_up_to_an_age_is_the_integral_of_survival(name):
    standard = life_distribution(name, 1.6, 100.0)
    for age in (20.0, 150.0, 900.0):
        integral = integrate.quad(
            lambda t: standard.survival(np.array([t]))[0], 0, age, epsabs=1e-10
        )[0]
        assert standard.mean_until(np.array([age]))[0] == pytest.approx(integral, rel=1e-9)


def test_the_decision_says_what_it_saves_and_how_sure_it_is(fit):
    decision = age_replacement(fit, 100.0, 800.0, rng=np.random.default_rng(1))
    assert decision.age_low < decision.age < decision.age_high
    assert decision.none_share == 0.0
    assert decision.cost_rate == pytest.approx((1 - decision.saving) * decision.run_to_failure_rate)
    assert "less than running to failure" in decision.words


@pytest.mark.parametrize(
    ("shape", "failed", "reason"),
    [
        (0.7, 800.0, "do not become likelier"),
        (2.5, 90.0, "costs no more"),
        (1.6, 110.0, "too cheap"),
    ],
)
def test_the_decision_says_why_no_age_is_better(shape, failed, reason):
    fitted = fit_life(drawn(2, 3000, life_distribution("weibull", shape, 2e5)).counts, "weibull")
    decision = age_replacement(fitted, 100.0, failed, rng=np.random.default_rng(2))
    assert decision.age is None
    assert reason in decision.words
    assert decision.none_share > 0.5


def test_undetected_share_of_a_constant_rate_is_known_in_closed_form():
    for tau in (1.0, 30.0, 400.0):
        cycle = tau / -np.expm1(-tau / 100.0)
        assert undetected_share(EXPONENTIAL, tau) == pytest.approx(1 - 100.0 / cycle, rel=1e-9)


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
@pytest.mark.parametrize("shape", [0.7, 1.8])
def test_undetected_share_agrees_with_the_ratio_of_means(name, shape):
    standard, tau = life_distribution(name, shape, 100.0), 35.0
    if np.isinf(standard.mean()):
        assert undetected_share(standard, tau) == 0.0
        return
    checks = tau * np.arange(400_000)
    cycle = tau * standard.survival(checks).sum()
    # Heavy tails reach beyond the last check; there the sum is its integral.
    cycle += standard.mean() - standard.mean_until(checks[-1:] + 0.5 * tau)[0]
    assert undetected_share(standard, tau) == pytest.approx(1 - standard.mean() / cycle, rel=1e-6)


def test_undetected_share_agrees_with_simulated_places():
    rng, tau = np.random.default_rng(3), 45.0
    life = WEAR_OUT.quantile_beyond(np.zeros(200_000), rng.uniform(size=200_000))
    cycles = tau * np.ceil(life / tau)
    share = np.sum(cycles - life) / cycles.sum()
    # Its standard error here is about 0.0003.
    assert undetected_share(WEAR_OUT, tau) == pytest.approx(share, abs=0.0012)


def test_longer_intervals_leave_more_undetected(fit):
    found = undetected_by_interval(fit, 1800.0, rng=np.random.default_rng(4))
    assert [interval.weeks for interval in found] == [4, 8, 12, 16, 26]
    assert np.all(np.diff([interval.share for interval in found]) > 0)
    assert all(interval.low < interval.share < interval.high for interval in found)
    # A failure waits half an interval on average: tau / 2 against a mean life of 180,000 km.
    wait = 0.5 * 4 * 1800.0
    expected = wait / (fit.distribution.mean() + wait)
    assert found[0].share == pytest.approx(expected, rel=0.01)


def test_an_interval_must_be_positive():
    with pytest.raises(ValueError, match="positive"):
        undetected_share(WEAR_OUT, 0.0)


def test_drawn_parameters_have_the_fits_mean_and_covariance(fit):
    laws = parameter_draws(fit, 4000, np.random.default_rng(9))
    thetas = np.array([[standard.mu, standard.log_sigma] for standard in laws])
    spread = np.sqrt(np.diag(fit.covariance))
    assert np.all(np.abs(thetas.mean(axis=0) - fit.theta) < 4 * spread / np.sqrt(4000))
    np.testing.assert_allclose(
        np.cov(thetas.T), fit.covariance, rtol=0.1, atol=0.1 * spread.min() ** 2
    )


def test_many_places_without_a_failure_give_the_rule_of_three():
    # The exact 95 % bound on a rate after no event is -log(0.05) = 2.996 over the exposure.
    none = counts_from_rows(np.zeros(50), np.full(50, 2e4), np.full(50, np.inf))
    bound = scarce_life(none, shape=1.0)
    assert bound.rate_high == pytest.approx(-np.log(0.05) / 1e6, rel=1e-12)
    assert bound.scale == np.inf
    assert bound.b10_low == pytest.approx(np.log(0.9) / np.log(0.05) * 1e6, rel=1e-12)
    assert bound.words.startswith("No failure among 50 adjusters of known age over 1,000,000")


def test_exposure_before_entry_does_not_count():
    entry, left = np.full(8, 3e4), np.full(8, 5e4)
    bound = scarce_life(counts_from_rows(entry, left, np.full(8, np.inf)), shape=2.0)
    run = 8 * (5e4**2 - 3e4**2)
    assert bound.scale_low == pytest.approx(np.sqrt(run / -np.log(0.05)), rel=1e-12)


def test_the_bound_under_the_right_shape_holds_as_often_as_stated():
    rng, held = np.random.default_rng(10), 0
    for _ in range(400):
        life = 100.0 * rng.weibull(2.0, 60)
        end = rng.uniform(5.0, 30.0, 60)
        left = np.minimum(life, end)
        counts = counts_from_rows(np.zeros(60), left, np.where(life <= end, life, np.inf))
        held += scarce_life(counts, shape=2.0).scale_low <= 100.0
    # Stated 95 %; watching that ends by time makes it cautious. Below 370 has probability 1 %.
    assert held >= 370


def test_words_name_the_assumption_and_count_one_failure_as_one():
    one = counts_from_rows(
        np.zeros(3), np.array([1e4, 2e4, 2e4]), np.array([1.2e4, np.inf, np.inf])
    )
    bound = scarce_life(one, shape=2.5)
    assert bound.words.startswith("1 failure among 3 adjusters")
    assert "shape 2.5 (assumed, not estimated)" in bound.words
    assert bound.scale > bound.scale_low


def test_where_replacements_state_no_reason_nothing_is_claimed():
    """They may have been failures: that 90 % last so far had been said of a fleet whose 184
    failures all were replaced without a word."""
    none = counts_from_rows(np.zeros(3), np.array([1e4, 2e4, 2e4]), np.full(3, np.inf))
    said = scarce_life(none, beside=Beside(failed=0, unstated=184)).words
    assert said.startswith("No failure among 3 adjusters of known age")
    assert "184 adjusters were replaced with no reason on record" in said
    assert "confidence" not in said
    assert "confidence" in scarce_life(none).words


def test_failures_of_adjusters_of_unknown_age_are_told_beside():
    none = counts_from_rows(np.zeros(3), np.array([1e4, 2e4, 2e4]), np.full(3, np.inf))
    said = scarce_life(none, beside=Beside(failed=62)).words
    assert "Of all adjusters 62 failures are on record, 62 of them of adjusters that" in said
    assert "confidence" in said


def test_enough_failures_is_a_stated_number():
    assert enough_failures(shock_rows(1, 2).counts)
    assert not enough_failures(shock_rows(1, 2).counts, fewest=12)


def test_nothing_watched_bounds_nothing():
    idle = counts_from_rows(np.full(2, 5.0), np.full(2, 5.0), np.full(2, np.inf))
    with pytest.raises(ValueError, match="nothing can be bounded"):
        scarce_life(idle)
    with pytest.raises(ValueError, match="shape must be positive"):
        scarce_life(idle, shape=0.0)
