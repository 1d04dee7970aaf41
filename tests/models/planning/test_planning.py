"""Visits, stock, hours and check intervals: by hand, and by simulation."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from models.lives.decisions.checking import CheckedGroup
from models.lives.fits.distributions import LifeDistribution, life_distribution
from models.lives.fits.parametric import fit_life
from models.planning.checks import (
    WEEKS_A_YEAR,
    by_worth,
    checks_a_year,
    share_unseen,
    upper_share_unseen,
    weeks_saved_per_check,
    weeks_within,
)
from models.planning.hours import HoursPerJob, lining_lost, month_hours
from models.planning.stock import chance_short, stock_for
from models.planning.visits import chance_at_visits, found_at_visits, visit_days
from tests.models.lives.test_parametric import drawn


def test_visits_stand_on_the_usual_interval():
    found = visit_days(np.array([84.0, 28.0]), np.array([4.0, -62.0]), 100.0)
    assert found[0, :2].tolist() == [4.0, 88.0]
    assert np.isnan(found[0, 2:]).all()
    assert found[1, :4].tolist() == [1.0, 29.0, 57.0, 85.0]


def test_chances_fall_to_visits_and_add_up():
    """.5 by day 50, .9 by day 150; visits on days 40, 100, 160 share it at days 70, 130, 190."""
    visits = np.array([[40.0, 100.0, 160.0, np.nan]])
    reached, levels = np.array([[50.0], [150.0]]), np.array([0.5, 0.9])
    found = chance_at_visits(visits, np.array([60.0]), reached, levels)
    assert found[0, :3] == pytest.approx([0.5 + 0.4 * 0.2, 0.4 * 0.6, 0.9 - 0.82])
    assert np.isnan(found[0, 3])
    never = chance_at_visits(visits, np.array([60.0]), np.full((2, 1), np.inf), levels)
    assert never[0, :3].tolist() == [0.0, 0.0, 0.0]


def test_failures_are_found_at_the_first_visit_after_them():
    law, rng = life_distribution("weibull", 2.0, 100.0), np.random.default_rng(1)
    ages = np.array([[60.0, 90.0, 120.0]])
    found = found_at_visits(law, np.array([50.0]), ages)[0]
    life = law.quantile_beyond(np.full(200_000, 50.0), rng.uniform(size=200_000))
    edges = np.concatenate([[50.0], ages[0]])
    simulated = np.histogram(life, edges)[0] / 200_000
    # Standard errors of about .001.
    assert found == pytest.approx(simulated, abs=0.004)


def test_the_service_level_is_reached_in_futures_of_its_own():
    """Stock from 2,000 futures of Poisson demand is enough in as many others as asked, and one
    part fewer is not; it is the Poisson's own quantile."""
    rng = np.random.default_rng(2)
    for mean, level in ((3.0, 0.9), (12.0, 0.95), (0.2, 0.95)):
        stock = stock_for(rng.poisson(mean, 2_000).astype(float), level)
        others = rng.poisson(mean, 100_000).astype(float)
        assert 1 - chance_short(others, stock) >= level - 0.012
        assert stock <= stats.poisson.ppf(level + 0.012, mean)
        assert chance_short(others, stock - 1) > 1 - level - 0.012
    with pytest.raises(ValueError, match="between 0 and 1"):
        stock_for(np.ones(3), 1.0)


def test_few_futures_leave_room_for_what_none_of_them_shows():
    """Stock from 39 futures of 20 parts' spread, at 95 %: the 38th of them (.95 x 40), which one
    more future exceeds with chance 2 / 40; 20,000 tries, standard error .0015."""
    rng = np.random.default_rng(4)
    demand = rng.normal(1_000.0, 200.0, (20_000, 40))
    stock = np.array([stock_for(of, 0.95) for of in demand[:, :39]])
    assert np.mean(demand[:, 39] <= stock) == pytest.approx(0.95, abs=0.005)
    assert stock_for(np.array([3.0, 5.0, 4.0]), 0.95) == 5


def test_hours_by_hand():
    """3 relines of 2 h, each with a drum of 1 h, 1 adjuster of .5 h, 40 checks of .1 h: 13.5 h."""
    rng = np.random.default_rng(3)
    each = HoursPerJob(reline=2.0, drum=1.0, adjuster=0.5, check=0.1)
    found = month_hours(
        np.array([[3.0]]), np.array([[1.0]]), np.array([40.0]), each, drum_share=1.0, rng=rng
    )
    assert found == pytest.approx(np.array([[13.5]]))


def test_work_done_a_visit_early_loses_what_would_have_been_worn():
    """6 hours over at 2 h each: three linings, each with 1 mm of 10 left."""
    assert lining_lost(6.0, 2.0, 1.0, 10.0) == pytest.approx(0.3)
    assert lining_lost(-1.0, 2.0, 1.0, 10.0) == 0.0


@pytest.fixture(scope="module")
def group():
    life = fit_life(drawn(1, 400, life_distribution("weibull", 2.5, 2e5)).counts, "weibull")
    return CheckedGroup("drive", "quarry", 100.0, 1_500.0, 12.0, ("drive", "quarry"), life)


def test_the_interval_keeps_the_share_and_a_longer_one_does_not(group):
    weeks = weeks_within(group, 0.02)
    assert share_unseen(group, weeks) == pytest.approx(0.02, rel=1e-3)
    sure = weeks_within(group, 0.02, surely=True)
    assert sure < weeks
    assert upper_share_unseen(group, sure) == pytest.approx(0.02, rel=1e-3)
    assert weeks_within(group, 1e-6) is None
    assert weeks_within(group, 0.99) == 104.0


def test_what_one_more_check_saves_by_hand(group):
    """At a small constant rate, half an interval unseen per failure: rate * interval² / 2 weeks."""
    law = LifeDistribution(group.life.distribution.standard, np.log(1e8), 0.0)
    rare = replace(group, life=replace(group.life, distribution=law))
    rate = 1_500.0 / 1e8
    assert weeks_saved_per_check(rare) == pytest.approx(rate * 12.0**2 / 2, rel=0.01)


def test_checks_are_worth_most_where_most_fails(group):
    busy = replace(group, duty="busy", km_per_week=3_000.0)
    assert [g.duty for g in by_worth([group, busy])] == ["busy", "quarry"]
    assert checks_a_year(group, 12.0) == pytest.approx(100.0 * WEEKS_A_YEAR / 12.0)
