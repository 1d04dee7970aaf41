"""Scores of whole distributions: by hand, by what theory says of them, and against a rival's."""

import numpy as np
import pytest
from scipy import stats

from models.relines import scores

LEVELS = np.array([0.25, 0.5, 0.75])


def test_the_histogram_of_two_counts_by_hand():
    """Czado, Gneiting & Held 2009, equation 2: an outcome spreads over its own probability."""
    # The first lies evenly between 0.1 and 0.5, the second between 0.45 and 0.55.
    found = scores.pit_histogram(np.array([0.1, 0.45]), np.array([0.5, 0.55]), bins=5)
    by_hand = np.array([0.1 / 0.4, 0.2 / 0.4, 0.1 / 0.4, 0, 0]) / 2 + np.array([0, 0, 1, 0, 0]) / 2
    assert found == pytest.approx(by_hand, abs=1e-12)


@pytest.mark.parametrize("law", [stats.binom(3, 0.4), stats.poisson(2.5), stats.nbinom(4, 0.3)])
def test_calibrated_counts_have_a_flat_histogram(law):
    """Their section 2: the mean of F(u | x) over the forecast's own law is u. Few counts, so that a
    transform at P(X <= x) alone would be far from flat."""
    counts = np.arange(60)
    chance = law.pmf(counts)
    each = [scores.pit_histogram(law.cdf([x - 1]), law.cdf([x])) for x in counts]
    assert np.average(each, axis=0, weights=chance) == pytest.approx(np.full(10, 0.1), abs=1e-6)


def test_an_outcome_still_to_come_is_spread_over_what_is_left():
    # By day 100 half was to have come: what has not lies in the upper half.
    days = np.array([[50.0], [100.0], [150.0]])
    below, by = scores.day_probabilities(LEVELS, days, np.array([np.inf]), 120.0)
    assert (below[0], by[0]) == (0.625, 1.0)
    assert scores.pit_histogram(below, by, bins=4) == pytest.approx([0, 0, 1 / 3, 2 / 3])


def test_a_day_that_quantiles_share_has_their_probability():
    days = np.array([[50.0, 84.0], [100.0, 84.0], [150.0, 200.0]])
    below, by = scores.day_probabilities(LEVELS, days, np.array([70.0, 84.0]), 400.0)
    assert below == pytest.approx([0.375, 0.125])
    assert by == pytest.approx([0.375, 0.625])


def test_probabilities_that_fall_are_refused():
    with pytest.raises(ValueError, match="do not fall"):
        scores.pit_histogram(np.array([0.5]), np.array([0.4]))
    with pytest.raises(ValueError, match="do not fall"):
        scores.pit_histogram(np.zeros(0), np.zeros(0))


def test_crps_of_a_standard_normal_at_its_mean():
    """Gneiting & Raftery 2007, equation 21: sigma (2 phi(0) - 1 / sqrt(pi)) = 0.2337 sigma."""
    expected = 2.0 * (2.0 / np.sqrt(2.0 * np.pi) - 1.0 / np.sqrt(np.pi))
    assert scores.crps_of_normal(np.zeros(1), np.full(1, 2.0), np.zeros(1)) == pytest.approx(
        expected
    )


def test_crps_of_draws_by_hand():
    """E|X - y| - E|X - X'| / 2: draws 1 and 3 against 4 are off by 2 on average, and by 1 from each
    other (2 in half of the pairs), so 2 - 0.5."""
    assert scores.crps_of_draws(np.array([[1.0], [3.0]]), np.array([4.0])) == pytest.approx(1.5)


def test_crps_of_days_by_hand_and_not_beyond_the_watching():
    """A point forecast's is its absolute error: 20 days; and none where both are beyond day 100."""
    days = np.array([[80.0, 300.0]] * 3)
    found = scores.crps_of_days(LEVELS, days, np.array([100.0, np.inf]), 100.0)
    assert found == pytest.approx(np.mean([2.0 / 3.0 * sum(LEVELS) * 20.0, 0.0]))
    assert 2.0 / 3.0 * sum(LEVELS) == pytest.approx(1.0)


def test_a_forecast_that_knows_scores_better_than_one_that_does_not():
    rng = np.random.default_rng(1)
    mean = rng.normal(0.0, 3.0, 500)
    came = mean + rng.normal(0.0, 1.0, 500)
    knows = scores.crps_of_normal(mean, np.ones(500), came)
    bold = scores.crps_of_normal(mean, np.full(500, 0.2), came)
    vague = scores.crps_of_normal(np.zeros(500), np.full(500, np.hypot(3.0, 1.0)), came)
    assert knows < bold < vague
