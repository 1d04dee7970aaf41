"""Parametric lives: published fits, other libraries on the same data, recovery, edge cases."""

import numpy as np
import pytest
from lifelines import LogLogisticFitter, LogNormalFitter, WeibullFitter
from scipy import stats

from models.lives.fits.data import LifeCounts, counts_from_rows, pooled_counts
from models.lives.fits.distributions import (
    STANDARD_DISTRIBUTIONS,
    LifeDistribution,
    life_distribution,
)
from models.lives.fits.likelihood import evaluate, likelihood_terms
from models.lives.fits.parametric import LifeFit, NoLifeFit, choose_life, fit_life
from tests.life_published import (
    Rows,
    channing_women,
    cosmesis,
    cracked_parts,
    diesel_fans,
    shock_rows,
    turbine_wheels,
)

# (counts, distribution, published shape and scale, log-likelihood). Sources beside the data.
# Values computed with R 4.2's survreg, or to convergence in 40 digits; 9 to 12 digits are given.
PUBLISHED = [
    pytest.param(cosmesis("Rad").counts, 1.12161285, 57.5130959, -64.7314706, id="cosmesis-rad"),
    pytest.param(
        cosmesis("RadChem").counts, 2.03023843, 28.0424741, -75.7150684, id="cosmesis-radchem"
    ),
    pytest.param(turbine_wheels(), 2.175779909, 46.77723025, -189.2871934, id="turbine-wheels"),
    pytest.param(cracked_parts(), 1.484767544, 2182.004140, -309.6311809, id="cracks"),
    pytest.param(
        channing_women().counts, 9.61577132441, 1058.39495031, -801.747015073, id="channing"
    ),
    pytest.param(
        shock_rows(1, 2).counts, 3.16047031453, 27718.7181285, -123.995361189, id="shock-absorbers"
    ),
    pytest.param(
        shock_rows(1).counts, 3.38394623251, 31205.7979367, -81.4979764174, id="shock-mode-1"
    ),
    pytest.param(
        shock_rows(2).counts, 2.8222110291, 40865.8612221, -49.6361449767, id="shock-mode-2"
    ),
    pytest.param(
        diesel_fans().counts, 1.05844584994, 26296.8451748, -135.152719943, id="diesel-fans"
    ),
]


def fitted(counts: LifeCounts, name: str = "weibull") -> LifeFit:
    fit = fit_life(counts, name)
    assert isinstance(fit, LifeFit)
    assert fit.convergence.certified
    return fit


@pytest.mark.parametrize(("counts", "shape", "scale", "loglik"), PUBLISHED)
def test_published_weibull_fits(counts, shape, scale, loglik):
    fit = fitted(counts)
    # The references print at least eight significant digits.
    assert fit.shape == pytest.approx(shape, rel=1e-8)
    assert fit.scale == pytest.approx(scale, rel=1e-8)
    assert fit.loglik == pytest.approx(loglik, abs=1e-7)


def test_published_lognormal_fits():
    shock, cracks = (
        fitted(shock_rows(1, 2).counts, "lognormal"),
        fitted(cracked_parts(), "lognormal"),
    )
    got = [shock.distribution.mu, shock.shape, cracks.distribution.mu, cracks.shape]
    want = [10.1447706903, 0.5300680304, 7.442418400, 0.9989999746]
    np.testing.assert_allclose(got, want, rtol=1e-9)
    np.testing.assert_allclose([shock.loglik, cracks.loglik], [-124.60855, -311.8822544], atol=1e-7)


def test_published_standard_errors():
    # Channing House: 12 digits from 40-digit arithmetic; turbine wheels: R survreg.
    got = [
        np.sqrt(np.diag(fitted(c).covariance)) for c in (channing_women().counts, turbine_wheels())
    ]
    want = [[0.010485579178, 0.115241741842], [0.0639365547, 0.1244697691]]
    np.testing.assert_allclose(got, want, rtol=1e-8)


def test_two_modes_add_up_to_the_competing_risks_likelihood():
    # Meeker & Escobar (1998), example 15.6: independent modes factor the likelihood.
    both = fitted(shock_rows(1).counts).loglik + fitted(shock_rows(2).counts).loglik
    assert both == pytest.approx(-81.4979764174 - 49.6361449767, abs=1e-8)


def test_ignoring_delayed_entry_gives_another_answer():
    rows = channing_women()
    naive = fitted(rows._replace(entry=np.zeros_like(rows.entry)).counts)
    assert naive.shape == pytest.approx(14.845288, rel=1e-6)
    assert naive.scale == pytest.approx(1097.0022, rel=1e-6)


LIFELINES = {
    "weibull": WeibullFitter,
    "lognormal": LogNormalFitter,
    "loglogistic": LogLogisticFitter,
}


def drawn(seed: int, count: int, standard: LifeDistribution, late: float = 0.5) -> Rows:
    """Inspected lives: checks every 12 weeks at about 1,800 km a week, some already in service."""
    rng = np.random.default_rng(seed)
    entry = np.where(
        rng.random(6 * count) < late, rng.uniform(0, 0.8 * standard.scale, 6 * count), 0.0
    )
    life = standard.quantile_beyond(np.zeros_like(entry), rng.uniform(size=entry.size))
    seen = np.flatnonzero(life > entry)[:count]
    life, entry, step = life[seen], entry[seen], 12 * 1_800.0
    phase = rng.uniform(0.0, step, seen.size)
    last = entry + rng.uniform(0.3, 1.2, seen.size) * standard.scale
    missed = np.floor((life - entry - phase) / step)
    left = np.where(missed < 0, entry, entry + phase + missed * step)
    right = entry + phase + (missed + 1) * step
    end = np.maximum(entry, entry + phase + np.floor((last - entry - phase) / step) * step)
    failed = right <= last
    return Rows(entry, np.where(failed, left, end), np.where(failed, right, np.inf))


@pytest.mark.parametrize("name", LIFELINES)
def test_lifelines_agrees_on_intervals_with_delayed_entry(name):
    rows = drawn(3, 400, life_distribution(name, 0.5 if name == "lognormal" else 2.5, 200_000.0))
    fit = fitted(rows.counts, name)
    # In units of 100,000 km: lifelines does not converge from its start in km.
    entry, left, right = (ages / 1e5 for ages in rows)
    other = LIFELINES[name]().fit_interval_censoring(left, right, entry=entry)
    # lifelines stops its optimiser at about 1e-5 relative.
    assert fit.loglik == pytest.approx(other.log_likelihood_, abs=1e-3)
    assert fit.loglik >= other.log_likelihood_ - 1e-8
    assert fit.b10 == pytest.approx(1e5 * other.percentile(0.9), rel=2e-4)


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_scipy_agrees_on_mixed_censoring(name):
    rows = drawn(
        4, 150, life_distribution(name, 0.5 if name == "lognormal" else 2.0, 90_000.0), late=0
    )
    exact = np.arange(rows.left.size) % 3 == 0
    left = np.where(exact & np.isfinite(rows.right), rows.right, rows.left)
    fit = fitted(counts_from_rows(rows.entry, left, rows.right), name)
    data = stats.CensoredData.interval_censored(left / 1e5, rows.right / 1e5)
    frozen = {"weibull": stats.weibull_min, "lognormal": stats.lognorm, "loglogistic": stats.fisk}
    shape, _, scale = frozen[name].fit(data, floc=0.0)
    # scipy's simplex search ends at 1e-4 in its parameters.
    assert [fit.shape, fit.scale / 1e5] == pytest.approx([shape, scale], rel=5e-4)


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_gradient_and_hessian_are_the_likelihoods_own(name):
    standard = STANDARD_DISTRIBUTIONS[name]
    rows = drawn(5, 60, life_distribution("weibull", 2.0, 80_000.0))
    seen = np.arange(60) % 4 == 0
    terms = likelihood_terms(
        counts_from_rows(
            rows.entry, np.where(seen & np.isfinite(rows.right), rows.right, rows.left), rows.right
        )
    )
    rng = np.random.default_rng(6)
    for theta in np.array([11.3, -0.7]) + rng.normal(0.0, 0.3, (5, 2)):
        at, step = evaluate(standard, terms, theta[None]), 1e-5
        moved = [theta + step * sign * axis for axis in np.eye(2) for sign in (1, -1)]
        around = evaluate(standard, terms, np.array(moved))
        slope = (around.value[::2] - around.value[1::2]) / (2 * step)
        bend = (around.gradient[::2] - around.gradient[1::2]) / (2 * step)
        # Central differences at 1e-5 are good to about 1e-9 of the value here.
        np.testing.assert_allclose(at.gradient[0], slope, rtol=1e-6, atol=1e-5)
        np.testing.assert_allclose(at.hessian[0], bend, rtol=1e-6, atol=1e-4)


@pytest.mark.parametrize("unit", [1e-4, 1.0, 1e7])
def test_the_unit_of_age_moves_the_scale_and_nothing_else(unit):
    rows = drawn(9, 300, life_distribution("weibull", 2.5, 200_000.0))
    base, scaled = fitted(rows.counts), fitted(Rows(*(unit * a for a in rows)).counts)
    assert scaled.shape == pytest.approx(base.shape, rel=1e-9)
    assert scaled.scale == pytest.approx(unit * base.scale, rel=1e-9)


def test_splitting_or_merging_rows_changes_nothing():
    rows = drawn(10, 500, life_distribution("weibull", 2.5, 200_000.0))
    halves = [Rows(*(a[part] for a in rows)).counts for part in (slice(0, 200), slice(200, 500))]
    whole = fitted(pooled_counts(halves))
    assert whole.loglik == pytest.approx(fitted(rows.counts).loglik, rel=1e-12)


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
@pytest.mark.parametrize("shape", [0.7, 2.5])
def test_simulated_truth_is_recovered_within_its_own_standard_error(name, shape):
    truth = life_distribution(name, shape, 200_000.0)
    fit = fitted(drawn(11, 4000, truth).counts, name)
    off = (fit.theta - [truth.mu, truth.log_sigma]) / np.sqrt(np.diag(fit.covariance))
    assert np.abs(off).max() < 3.0  # six such draws: one beyond 3 happens once in sixty runs
    assert np.sqrt(np.diag(fit.covariance)).max() < 0.08


def test_shape_below_one_is_an_ordinary_fit():
    fit = fitted(drawn(12, 2000, life_distribution("weibull", 0.6, 150_000.0)).counts)
    assert fit.shape < 0.8


def test_narrow_intervals_are_densities():
    rows = shock_rows(1, 2)
    width = 2.0**-20  # exact in floating point beside these ages
    narrow = counts_from_rows(
        rows.entry, rows.left, np.where(np.isfinite(rows.right), rows.left + width, np.inf)
    )
    by_width = fitted(narrow).loglik - 11 * np.log(width)
    assert by_width == pytest.approx(fitted(rows.counts).loglik, abs=1e-6)


def test_no_failures_have_no_fit_but_a_reason():
    none = counts_from_rows(np.zeros(5), np.full(5, 9e4), np.full(5, np.inf))
    for name in STANDARD_DISTRIBUTIONS:
        result = fit_life(none, name)
        assert isinstance(result, NoLifeFit)
        assert "no failure" in result.reason


ONE_JUMP = {
    "one adjuster": Rows(np.zeros(1), np.array([1e4]), np.array([2e4])),
    "one exact failure": Rows(np.zeros(1), np.array([2e4]), np.array([2e4])),
    "all intervals equal": Rows(np.zeros(9), np.full(9, 1e4), np.full(9, 2e4)),
    "all exact failures at one age": Rows(np.zeros(4), np.full(4, 2e4), np.full(4, 2e4)),
    "late entries": Rows(np.full(3, 9e3), np.full(3, 1e4), np.full(3, 2e4)),
}


@pytest.mark.parametrize("rows", ONE_JUMP.values(), ids=ONE_JUMP)
def test_records_explained_by_one_jump_say_so(rows):
    result = fit_life(rows.counts, "weibull")
    assert isinstance(result, NoLifeFit)
    assert "shape" in result.reason


def test_entry_at_the_last_good_age_adds_nothing():
    rows = drawn(13, 300, life_distribution("weibull", 2.0, 90_000.0))
    idle = Rows(*(np.append(a, b) for a, b in zip(rows, (5e4, 5e4, np.inf), strict=True)))
    at_entry = fitted(idle.counts)
    assert at_entry.loglik == pytest.approx(fitted(rows.counts).loglik, rel=1e-12)
    assert at_entry.adjusters == 301


def test_all_failed_is_an_ordinary_fit():
    rng = np.random.default_rng(14)
    life = 1e5 * rng.weibull(3.0, 400)
    fit = fitted(counts_from_rows(np.zeros(400), life, life))
    scipy_shape, _, scipy_scale = stats.weibull_min.fit(life, floc=0.0)
    assert [fit.shape, fit.scale] == pytest.approx([scipy_shape, scipy_scale], rel=1e-4)


@pytest.mark.parametrize(
    ("entry", "left", "right", "words"),
    [
        ([5.0], [4.0], [9.0], "known good before"),
        ([4.0], [4.0], [4.0], "very age of entry"),
        ([0.0], [9.0], [4.0], "left <= right"),
        ([0.0], [-1.0], [4.0], "known good before"),
        ([0.0], [np.nan], [np.inf], "finite"),
    ],
)
def test_impossible_rows_are_refused(entry, left, right, words):
    with pytest.raises(ValueError, match=words):
        counts_from_rows(np.array(entry), np.array(left), np.array(right))


def test_the_family_that_made_the_data_is_chosen():
    chosen = {
        name: choose_life(drawn(15, 6000, life_distribution(name, shape, 150_000.0)).counts)
        for name, shape in (("weibull", 2.5), ("lognormal", 0.5), ("loglogistic", 4.0))
    }
    assert {name: choice.chosen.name for name, choice in chosen.items()} == {
        name: name for name in STANDARD_DISTRIBUTIONS
    }
    assert all(sum(choice.weights.values()) == pytest.approx(1.0) for choice in chosen.values())


def test_few_failures_cannot_tell_families_apart_and_say_so():
    choice = choose_life(shock_rows(1, 2).counts)
    assert choice.chosen.name == "weibull"
    assert "within 2 of its AIC" in choice.verdict
    # AICc with 11 failures and two parameters adds 2 * 2 * 3 / 8.
    assert choice.chosen.criterion == pytest.approx(choice.chosen.aic + 1.5)


def test_a_choice_without_failures_is_words():
    none = counts_from_rows(np.zeros(5), np.full(5, 9e4), np.full(5, np.inf))
    choice = choose_life(none)
    assert choice.chosen is None
    assert "no failure" in choice.verdict


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_distribution_functions_agree_with_scipy(name):
    shape = 0.8
    frozen = {
        "weibull": stats.weibull_min(shape, scale=300.0),
        "lognormal": stats.lognorm(shape, scale=300.0),
        "loglogistic": stats.fisk(shape, scale=300.0),
    }[name]
    ours, age = life_distribution(name, shape, 300.0), np.array([1e-3, 5.0, 300.0, 4000.0])
    np.testing.assert_allclose(ours.survival(age), frozen.sf(age), rtol=1e-12)
    np.testing.assert_allclose(ours.failed(age), frozen.cdf(age), rtol=1e-11)
    np.testing.assert_allclose(ours.density(age), frozen.pdf(age), rtol=1e-11)
    np.testing.assert_allclose(ours.hazard(age), frozen.pdf(age) / frozen.sf(age), rtol=1e-11)
    np.testing.assert_allclose(ours.quantile(0.1), frozen.ppf(0.1), rtol=1e-12)
    assert ours.survival(np.array([0.0]))[0] == 1.0


@pytest.mark.parametrize(
    ("name", "shape"), [("weibull", 0.8), ("lognormal", 0.8), ("loglogistic", 1.5)]
)
def test_means_agree_with_scipy(name, shape):
    frozen = {"weibull": stats.weibull_min, "lognormal": stats.lognorm, "loglogistic": stats.fisk}
    ours = life_distribution(name, shape, 300.0)
    assert ours.mean() == pytest.approx(frozen[name](shape, scale=300.0).mean(), rel=1e-10)


def test_a_log_logistic_mean_is_infinite_when_its_tail_is_too_heavy():
    assert life_distribution("loglogistic", 1.0, 300.0).mean() == np.inf


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_residual_lives_follow_the_conditional_law(name):
    ours, age = life_distribution(name, 1.7, 300.0), 250.0
    uniform = np.linspace(0.0005, 0.9995, 1000)
    life = ours.quantile_beyond(np.full(1000, age), uniform)
    np.testing.assert_allclose(
        ours.survival(life) / ours.survival(np.array([age])), uniform, rtol=1e-9
    )
