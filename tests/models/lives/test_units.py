"""Lives counted by the unit they ran on: scores, covariance, limits, averages, and pools."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.lives.findings.averaging import averaged_quantile, open_fits, pool_test
from models.lives.fits.data import counts_from_rows
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS
from models.lives.fits.likelihood import evaluate, likelihood_terms
from models.lives.fits.npmle import fit_npmle
from models.lives.fits.npmle_solver import life_cells, solved
from models.lives.fits.parametric import choose_life, fit_life
from models.lives.fits.profile import life_intervals
from models.lives.fits.units import UnitLives, hazard_scores, life_scores, unit_lives
from tests.fleets.lives_of_units import draw_lives, nearest_law


@pytest.fixture(scope="module")
def drawn():
    return draw_lives(np.random.default_rng(3), 80, 0.6)


@pytest.mark.parametrize("name", list(STANDARD_DISTRIBUTIONS))
def test_scores_add_up_to_the_gradient(drawn, name):
    """At a point that is no maximum; both from the same formulas, rounding to 1e-9."""
    theta = np.array([np.log(150_000.0), np.log(0.7)])
    gradient = evaluate(
        STANDARD_DISTRIBUTIONS[name], likelihood_terms(drawn.counts), theta[None]
    ).gradient[0]
    scores = life_scores(STANDARD_DISTRIBUTIONS[name], theta, drawn.lives)
    assert scores.sum(axis=0) == pytest.approx(gradient, rel=1e-9)


def test_scores_of_exact_failures_add_up_too():
    entry, age = np.array([0.0, 5.0, 0.0]), np.array([30.0, 40.0, 60.0])
    right = np.array([30.0, 40.0, np.inf])
    lives = UnitLives(np.arange(3), entry, age, right, np.ones(3))
    counts = counts_from_rows(entry, age, right)
    theta = np.array([3.5, -0.4])
    gradient = evaluate(
        STANDARD_DISTRIBUTIONS["weibull"], likelihood_terms(counts), theta[None]
    ).gradient[0]
    scores = life_scores(STANDARD_DISTRIBUTIONS["weibull"], theta, lives)
    assert scores.sum(axis=0) == pytest.approx(gradient, rel=1e-9)


@pytest.mark.parametrize("coarse", [False, True])
def test_scores_of_hazards_are_what_the_likelihood_loses_with_each_unit(drawn, coarse):
    """Of each unit alone, by differences of its own likelihood; the same where ages are counted in
    steps and lives are not."""
    step = 250.0 if coarse else 0.0
    lives = drawn.lives
    entry, left, right = (
        np.round(a / step) * step if coarse else a for a in (lives.entry, lives.left, lives.right)
    )
    right = np.maximum(right, left + step)
    cells = life_cells(counts_from_rows(entry, left, right))
    hazard = solved(cells).hazard
    used = np.flatnonzero(hazard > 0.0)
    finite = np.isfinite(hazard[used])
    scores = hazard_scores(lives, cells.start_age[used], cells.end_age[used], hazard[used])
    # At the maximum they add up to nothing, to what the search leaves.
    assert np.abs(scores.sum(axis=0))[finite].max() < 1e-6 * lives.unit.size
    for unit in range(5):
        own = lives.unit == unit
        for place in range(0, finite.sum(), 3):
            ends = []
            for moved in (1e-6, -1e-6):
                x = np.minimum(hazard[used], 100.0) + moved * (np.arange(used.size) == place)
                at = np.append(0.0, np.cumsum(x))
                middle = 0.5 * (cells.start_age[used] + cells.end_age[used])
                come, begun = (at[np.searchsorted(middle, a[own])] for a in (left, entry))
                failed = np.isfinite(right[own])
                inside = at[np.searchsorted(middle, right[own])] - come
                ends.append(np.log(-np.expm1(-inside[failed])).sum() - (come - begun).sum())
            assert scores[unit, place] == pytest.approx((ends[0] - ends[1]) / 2e-6, abs=1e-5)


def test_limits_of_the_free_curve_widen_with_copies_as_if_they_were_one(drawn):
    """Adjusters written down thrice on their unit leave curve and limits where they were."""
    lives = drawn.lives
    copied = UnitLives(
        *(np.tile(getattr(lives, n), 3) for n in ("unit", "entry", "left", "right", "weight"))
    )
    counts = counts_from_rows(copied.entry, copied.left, copied.right)
    once, alone = fit_npmle(drawn.counts, lives=lives), fit_npmle(counts)
    thrice = fit_npmle(counts, lives=copied)
    assert thrice.survival == pytest.approx(once.survival, abs=1e-6)
    # Units differ here, so their own variance is the larger wherever the curve has fallen far.
    far = once.survival < 0.8
    assert thrice.low[far] == pytest.approx(once.low[far], abs=2e-3)
    assert (thrice.high - thrice.low)[far].min() > 1.4 * (alone.high - alone.low)[far].min()


def test_copies_of_a_unit_widen_limits_as_if_they_were_one(drawn):
    """Each adjuster written down three times on its unit: scores square to nine times, information
    is thrice, so standard errors stay what they were (to the factor for few units)."""
    lives = drawn.lives
    copied = UnitLives(
        *(np.tile(getattr(lives, n), 3) for n in ("unit", "entry", "left", "right", "weight"))
    )
    counts = counts_from_rows(copied.entry, copied.left, copied.right)
    once, thrice = fit_life(drawn.counts, "weibull", lives), fit_life(counts, "weibull", copied)
    assert np.diag(thrice.naive) == pytest.approx(np.diag(once.naive) / 3, rel=1e-6)
    assert np.diag(thrice.covariance) == pytest.approx(np.diag(once.covariance), rel=1e-6)


@pytest.mark.proof
def test_limits_hold_where_adjusters_of_a_unit_are_alike():
    """100 fleets of 60 units, frailty variance 0.6: the wanted 95 % would miss 11 or more with a
    chance of 1 in 90 (binomial); without units the scale's limits miss 15 or more."""
    truth, rng, held = nearest_law(0.6), np.random.default_rng(7), []
    for _ in range(100):
        fleet = draw_lives(rng, 60, 0.6)
        row = []
        for lives in (fleet.lives, None):
            found = life_intervals(fleet.counts, fit_life(fleet.counts, "weibull", lives))
            row += [found.shape.low <= truth.shape <= found.shape.high]
            row += [found.scale.low <= truth.scale <= found.scale.high]
        held.append(row)
    missed = 100 - np.sum(held, axis=0)
    assert missed[0] <= 10
    assert missed[1] <= 10
    assert missed[3] >= 15


def test_an_averaged_b10_lies_among_the_distributions_and_is_no_surer_than_the_best(drawn):
    choice = choose_life(drawn.counts, lives=drawn.lives)
    b10 = [fit.b10 for fit, _ in open_fits(choice)]
    averaged = averaged_quantile(choice, 0.10)
    assert min(b10) <= averaged.estimate <= max(b10)
    assert sum(weight for _, weight in open_fits(choice)) == pytest.approx(1.0)
    best = choice.chosen
    z = best.distribution.standard.quantile(np.array([0.1]))[0] * best.distribution.sigma
    own = np.sqrt(np.array([1.0, z]) @ best.covariance @ np.array([1.0, z]))
    quantile = stats.t.ppf(0.975, best.units - 1)
    assert np.log(averaged.high / averaged.estimate) > 0.8 * quantile * own


def test_groups_with_different_lives_are_no_law_together():
    rng = np.random.default_rng(1)
    alike = [draw_lives(rng, 80, 0.0) for _ in range(2)]
    slower = alike[0].lives
    far = counts_from_rows(slower.entry * 3, slower.left * 3, slower.right * 3)
    fitted = [(fleet.counts, choose_life(fleet.counts)) for fleet in alike]
    assert not pool_test(fitted).differs
    assert pool_test([*fitted, (far, choose_life(far))]).differs
    assert pool_test(fitted[:1]) is None


def test_pools_hold_all_lives_of_their_groups():
    frame = pl.DataFrame(
        {
            "unit_id": ["b", "a", "b"],
            "axle_type": ["drive", "drive", "steer"],
            "duty": ["town", "haul", "town"],
            "entry_age": [0.0, 10.0, 0.0],
            "left_age": [50.0, 60.0, 70.0],
            "right_age": [55.0, None, None],
            "weight": [1.0, 1.0, 0.5],
        }
    )
    lives = unit_lives(frame)
    assert lives["drive", None].unit.tolist() == [1, 0]
    assert lives[None, None].weight.sum() == 2.5
    assert np.isinf(lives["drive", "haul"].right).all()
