"""What findings of late say of those to come: by hand, and against fleets drawn from the truth."""

import numpy as np
import pytest

from models.lives.decisions.found import (
    PRIOR,
    QUARTERS,
    FoundFactor,
    Watched,
    assumed_life,
    expected_of,
)
from models.lives.fits.distributions import (
    ASSUMED_SHAPE,
    STANDARD_DISTRIBUTIONS,
    LifeDistribution,
)

WEAR_OUT = LifeDistribution(STANDARD_DISTRIBUTIONS["weibull"], float(np.log(4e5)), np.log(0.4))
YEAR = np.array([45.0, 137.0, 228.0, 320.0])


def factor_of(found: list[float], expected: float) -> FoundFactor:
    """``found`` from the earliest quarter to the latest."""
    return FoundFactor(np.array(found[::-1], float), np.full((1, len(found)), expected), 0.0)


def test_one_quarter_is_the_conjugate_posterior_whatever_is_forgotten():
    assert factor_of([30], 20.0).mean[0] == pytest.approx((PRIOR + 30) / (PRIOR + 20))


def test_steady_findings_are_nearly_summed_and_a_jump_is_followed():
    steady = factor_of([10, 11, 9, 10, 10, 9, 11, 10, 10, 10, 9, 11], 20.0)
    assert steady.mean[0] == pytest.approx(0.5, abs=0.03)
    jumped = factor_of([44] * 6 + [10] * 4, 20.0)
    assert jumped.mean[0] == pytest.approx(0.5, abs=0.1)
    rng = np.random.default_rng(1)
    spreads = []
    for each in (steady, jumped):
        many = FoundFactor(each.found, np.repeat(each.expected, 4000, axis=0), 0.0)
        drawn = many.drawn(YEAR, rng)
        assert drawn.mean() == pytest.approx(each.mean[0], rel=0.03)
        spreads.append(drawn.std() / drawn.mean())
    # A level that has jumped once may again.
    assert spreads[1] > 1.5 * spreads[0]


def test_a_life_that_agrees_with_findings_is_left_as_it_is_and_another_follows_them():
    near, far = (
        FoundFactor(np.full(QUARTERS, y), np.full((1, QUARTERS), 10.0)).mean[0] for y in (9.0, 5.0)
    )
    assert 0.95 < near < 1.0
    assert far == pytest.approx(0.5, abs=0.03)


def test_limits_hold_what_comes_where_the_level_is_off_and_steady():
    """True factors as the prior has them, Poisson findings, eight chances in ten."""
    rng = np.random.default_rng(2)
    held = []
    for _ in range(300):
        truth = rng.gamma(PRIOR, 1.0 / PRIOR)
        found = rng.poisson(12.0 * truth, QUARTERS).astype(float)
        factor = FoundFactor(found, np.full((300, QUARTERS), 12.0)).drawn(YEAR, rng)
        low, high = np.quantile(rng.poisson(12.0 * factor).sum(axis=1), [0.1, 0.9])
        held.append(low <= rng.poisson(48.0 * truth) <= high)
    # Wider than were it known that the level never drifts.
    assert 0.8 <= np.mean(held) <= 0.97


def test_adjusters_that_were_looked_at_are_found_failed_as_often_as_expected():
    """Of adjusters of unknown age at the first look, those that work are looked at every quarter
    until they fail."""
    rng = np.random.default_rng(3)
    ages = np.array([[0.0, 1e5, 2e5, 3e5]])
    n, step = 40_000, 25_000.0
    age = rng.choice(ages[0], n)
    failed = rng.random(n) * WEAR_OUT.survival(age)
    life = WEAR_OUT.quantile(1.0 - failed)
    looks = np.arange(QUARTERS + 1) * step
    rows, found = [], np.zeros(QUARTERS)
    for quarter in range(QUARTERS):
        works = life > age + looks[quarter]
        found[quarter] = (works & (life <= age + looks[quarter + 1])).sum()
        between = looks[quarter], looks[quarter + 1], quarter
        rows.append([np.full(works.sum(), each) for each in between])
    start, end, quarter = (np.concatenate(column) for column in zip(*rows, strict=True))
    watched = Watched(np.repeat(ages, len(start), axis=0), start, end, quarter)
    expected = expected_of([watched], WEAR_OUT)
    assert np.all(np.abs(found - expected) < 4.0 * np.sqrt(expected))


def test_an_assumed_life_expects_what_was_found():
    ages = np.linspace(0.0, 4e5, 40)[:, None]
    run = Watched(ages, np.zeros(40), np.full(40, 1e5), np.arange(40) % QUARTERS)
    life = assumed_life(lambda _: [run], 3.0)
    assert expected_of([run], life.distribution).sum() == pytest.approx(3.0, rel=1e-6)
    assert life.distribution.shape == pytest.approx(ASSUMED_SHAPE)
