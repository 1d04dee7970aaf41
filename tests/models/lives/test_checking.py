"""Failures that nobody has seen: by hand, against drawn lives, and what moves them."""

from dataclasses import replace

import numpy as np
import pytest

from models.lives.decisions.checking import CheckedGroup, moved, unseen_share_draws
from models.lives.decisions.decisions import undetected_share
from models.lives.fits.distributions import LifeDistribution, life_distribution
from models.lives.fits.parametric import fit_life, parameter_draws
from tests.models.lives.test_parametric import drawn


@pytest.fixture(scope="module")
def group():
    life = fit_life(drawn(1, 400, life_distribution("weibull", 2.5, 2e5)).counts, "weibull")
    return CheckedGroup("drive", "quarry", 100.0, 1_500.0, 12.0, ("drive", "quarry"), life)


def test_the_share_of_a_constant_rate_is_that_of_the_closed_form(group):
    """1 - m / (tau / (1 - exp(-tau / m))), by renewal-reward."""
    standard = LifeDistribution(group.life.distribution.standard, np.log(2e5), 0.0)
    constant = replace(group, life=replace(group.life, distribution=standard))
    share, _ = unseen_share_draws([constant], draws=10, seed=1)
    tau = 12.0 * 1_500.0
    assert share[0] == pytest.approx(1.0 - 2e5 / (tau / -np.expm1(-tau / 2e5)), rel=1e-9)


def test_draws_spread_as_the_share_does_over_lives_drawn_outright(group):
    """To first order on the log scale: against exact shares of 400 drawn lives, within 12 %, three
    standard errors of a spread from so many."""
    _, draws = unseen_share_draws([group], draws=4_000, seed=1)
    exact = [
        undetected_share(standard, 12.0 * 1_500.0)
        for standard in parameter_draws(group.life, 400, np.random.default_rng(2))
    ]
    assert np.log(draws).std() == pytest.approx(np.log(exact).std(), rel=0.12)
    assert draws.mean() == pytest.approx(np.mean(exact), rel=0.02)


def test_groups_that_borrow_a_life_err_together_and_others_apart(group):
    other = replace(group, duty="haul", km_per_week=900.0)
    _, draws = unseen_share_draws([group, other], draws=500, seed=3)
    assert np.corrcoef(draws.T)[0, 1] > 0.99
    apart = replace(other, whose=("drive", "haul"))
    _, draws = unseen_share_draws([group, apart], draws=500, seed=3)
    assert abs(np.corrcoef(draws.T)[0, 1]) < 0.15


def test_the_same_seed_meets_the_same_lives_at_every_interval(group):
    shares = [
        unseen_share_draws([replace(group, weeks=weeks)], draws=200, seed=4)[1]
        for weeks in (4.0, 12.0)
    ]
    assert (shares[0] < shares[1]).all()


def test_wheel_ends_move_with_their_duty(group):
    quarry, haul = group, replace(group, duty="haul", wheel_ends=50.0)
    after = moved([quarry, haul], [("quarry", "haul", 0.4)])
    assert [each.wheel_ends for each in after] == pytest.approx([60.0, 90.0])
    lonely = moved([quarry], [("quarry", "haul", 0.4)])
    assert [each.wheel_ends for each in lonely] == pytest.approx([60.0])
