"""Failures that checks will find: constant rates by hand, and places that live through visits."""

import numpy as np
import pytest

from models.lives.decisions.failures import (
    AdjusterGroup,
    failures_to_come,
    found_at_visits,
    some_of,
)
from models.lives.fits.distributions import LifeDistribution, life_distribution
from models.lives.fits.parametric import fit_life
from models.usage.drawn.visits import DrawnVisits
from tests.models.lives.test_parametric import drawn

EXPONENTIAL = life_distribution("weibull", 1.0, 100_000.0)
WEAR_OUT = life_distribution("weibull", 2.5, 100_000.0)


@pytest.fixture(scope="module")
def fit():
    return fit_life(drawn(1, 2000, life_distribution("weibull", 2.5, 2e5)).counts, "weibull")


def visits_every(days: float, km: float, visits: int, units: int, there: float = 1.0):
    """All units' visits, evenly apart, one copy of the fleet."""
    shape = (visits, 1, units)
    number = np.arange(1, visits + 1)[:, None, None] * np.ones(shape)
    return DrawnVisits(days * number, km * number, np.full(shape, there))


def found_in_simulated_places(
    life: LifeDistribution,
    age: float,
    km: np.ndarray,
    finds: float,
    renewed: float,
    seed: int,
    places: int,
) -> np.ndarray:
    """Places in which each visit finds a failure: lived one event after the other."""
    rng = np.random.default_rng(seed)
    fails_at = life.quantile_beyond(np.full(places, age), rng.random(places)) - age
    found = np.empty((len(km), places), bool)
    for visit, run in enumerate(km):
        found[visit] = (fails_at <= run) & (rng.random(places) < finds)
        fresh = run + life.quantile_beyond(np.zeros(places), rng.random(places))
        anew = (fails_at > run) & (rng.random(places) < renewed)
        fails_at = np.where(found[visit] | anew, fresh, fails_at)
    return found


def test_checks_of_a_constant_rate_find_the_same_share_every_time():
    """Every place works after every check, whatever it is aged: 1 - exp(-km / mean) fail to the
    next, by hand."""
    km = visits_every(30.0, 20_000.0, 6, 1).km
    found = found_at_visits(EXPONENTIAL, np.array([0.0, 250_000.0]), np.array([0, 0]), km)
    np.testing.assert_allclose(found, 1.0 - np.exp(-0.2), rtol=1e-12)


def test_a_check_that_misses_leaves_its_share_to_the_next():
    """By hand: half of what stands failed is found; the rest waits, what works goes on failing."""
    fails = 1.0 - np.exp(-0.2)
    km = visits_every(30.0, 20_000.0, 2, 1).km
    found = found_at_visits(EXPONENTIAL, np.zeros(1), np.zeros(1, int), km, finds=0.5)
    first = fails / 2
    # At the second: what the first left, what failed of those working, and of its replacements.
    second = (fails / 2 + (1.0 - fails) * fails + first * fails) / 2
    np.testing.assert_allclose(found[:, 0, 0], [first, second], rtol=1e-12)


@pytest.mark.parametrize(
    ("age", "finds", "renewed"),
    [(0.0, 1.0, 0.0), (90_000.0, 1.0, 0.0), (90_000.0, 0.7, 0.0), (60_000.0, 1.0, 0.3),
     (60_000.0, 0.6, 0.1)],
)  # fmt: skip
def test_expected_findings_agree_with_simulated_places(age, finds, renewed):
    km = np.array([15e3, 32e3, 80e3, 95e3, 140e3, 150e3, 260e3])
    expected = found_at_visits(
        WEAR_OUT, np.array([age]), np.zeros(1, int), km[:, None, None], finds, renewed
    )[:, 0, 0]
    places = 40_000
    seen = found_in_simulated_places(WEAR_OUT, age, km, finds, renewed, 5, places).mean(axis=1)
    # Four standard errors of a share.
    allowed = 4 * np.sqrt(np.maximum(expected * (1.0 - expected), 1e-4) / places)
    assert np.all(np.abs(seen - expected) < allowed)


def group_of(fits, units: int, rng, places: int = 3, whose=("drive", "long")) -> AdjusterGroup:
    return AdjusterGroup(
        fits,
        whose,
        rng.uniform(0.0, 3e5, units),
        np.arange(units),
        rng.integers(0, places, units),
        rng.integers(1, 4, units).astype(float),
    )


def test_months_add_up_over_places_weights_and_presence(fit):
    rng = np.random.default_rng(6)
    group = group_of(((fit, 1.0),), 300, rng)
    visits = visits_every(84.0, 20_000.0, 5, 300, there=0.9)
    ends = np.arange(1, 13) * 30.5
    found = failures_to_come([group], visits, 3, ends, rng=rng, draws=50)
    by_visit = found_at_visits(fit.distribution, group.age_km, group.unit, visits.km)
    inside = visits.day[:, 0, 0] <= ends[-1]
    direct = 0.9 * (by_visit[inside, 0] @ group.weight).sum()
    assert found.expected.sum() == pytest.approx(direct)
    east = group.place == 1
    own = 0.9 * (by_visit[inside, 0][:, east] @ group.weight[east]).sum()
    assert found.expected[1].sum() == pytest.approx(own)
    # Visits every 84 days: four in a year, each in the month it falls into.
    assert np.flatnonzero(found.expected.sum(axis=0) > 1e-6).tolist() == [2, 5, 8, 11]
    np.testing.assert_allclose(found.under["weibull"], found.expected)


def test_doubt_of_the_life_is_shared_by_the_fleet_and_does_not_average_out(fit):
    relative = []
    for units in (10, 1000):
        group = AdjusterGroup(
            ((fit, 1.0),), "all", np.full(units, 1e5), np.arange(units),
            np.zeros(units, int), np.ones(units),
        )  # fmt: skip
        visits = visits_every(84.0, 20_000.0, 3, units)
        found = failures_to_come(
            [group], visits, 1, np.array([300.0]), rng=np.random.default_rng(7), draws=400
        )
        relative.append(np.std(found.drawn) / found.expected.sum())
    assert relative[0] == pytest.approx(relative[1], rel=1e-6)  # the same numbers were drawn
    assert relative[0] > 0.01


def test_groups_that_borrow_one_life_err_together_and_others_apart(fit):
    def spread(whose):
        rng = np.random.default_rng(8)
        groups = [
            AdjusterGroup(
                ((fit, 1.0),), name, np.full(50, 1e5), np.arange(50), np.zeros(50, int), np.ones(50)
            )
            for name in whose
        ]
        visits = visits_every(84.0, 20_000.0, 3, 50)
        drawn = failures_to_come(groups, visits, 1, np.array([300.0]), rng=rng, draws=4000).drawn
        return np.std(np.log(drawn))

    # Two equal sums of one error, or of two: apart by the root of two; 4,000 draws know it to 2 %.
    assert spread(("a", "a")) / spread(("a", "b")) == pytest.approx(np.sqrt(2.0), rel=0.06)


def test_counts_scatter_as_those_of_simulated_places_do(fit):
    """Places most of which fail once in the time ahead: far less scattered than Poisson."""
    km = np.array([35e3, 70e3])
    known = fit.__class__(
        WEAR_OUT, 1e-12 * np.eye(2), fit.loglik, fit.adjusters, fit.failures, fit.convergence,
        1e-12 * np.eye(2),
    )  # fmt: skip
    units, worlds = 30, 3000
    group = AdjusterGroup(
        ((known, 1.0),), "a", np.full(units, 70e3), np.arange(units),
        np.zeros(units, int), np.ones(units),
    )  # fmt: skip
    visits = DrawnVisits(
        np.array([84.0, 168.0])[:, None, None] * np.ones((2, 1, units)),
        km[:, None, None] * np.ones((2, 1, units)),
        np.ones((2, 1, units)),
    )
    rng = np.random.default_rng(9)
    found = failures_to_come([group], visits, 1, np.array([200.0]), rng=rng, draws=worlds)
    counts = found.counts(rng).sum(axis=(1, 2))
    lived = found_in_simulated_places(WEAR_OUT, 70e3, km, 1.0, 0.0, 10, units * worlds)
    lived = lived.sum(axis=0).reshape(worlds, units).sum(axis=1)
    # 3,000 worlds know a mean to 2 % of an SD, an SD to 1.3 %.
    assert counts.mean() == pytest.approx(lived.mean(), abs=0.08 * lived.std())
    assert lived.std() < 0.8 * np.sqrt(lived.mean())
    assert counts.std() == pytest.approx(lived.std(), rel=0.12)


def test_some_of_a_large_group_stand_for_all_of_it(fit):
    rng = np.random.default_rng(11)
    group = group_of(((fit, 1.0),), 6_000, rng)
    few = some_of(group, 1_500)
    assert 1_400 < len(few.age_km) < 1_600
    visits = visits_every(84.0, 20_000.0, 5, 6_000)
    whole, part = (
        failures_to_come([g], visits, 3, np.array([400.0]), rng=rng, draws=2).expected
        for g in (group, few)
    )
    # Evenly by age: far closer than a draw of so many, whose error would be 2 %.
    np.testing.assert_allclose(part, whole, rtol=0.01)
    for place in range(3):
        own, all_of_it = few.weight[few.place == place], group.weight[group.place == place]
        assert own.sum() == pytest.approx(all_of_it.sum())


def test_a_month_of_one_day_moves_with_a_life_as_its_neighbours_do():
    """Slopes in a life are taken on one course in four; where on these that day sees none but new
    adjusters, their slope is not that of the old ones which other courses find there."""
    few = fit_life(drawn(3, 60, life_distribution("weibull", 2.5, 2e5)).counts, "weibull")
    copies, old, new = 8, 0, 1
    day, km = np.full((2, copies, 2), 50.0), np.full((2, copies, 2), 20_000.0)
    day[0], km[0] = 20.0, 8_000.0
    on_fourth = np.arange(copies) % 4 == 0
    day[0, ~on_fourth, old] = 30.5
    day[0, on_fourth, new], km[0, on_fourth, new] = 30.5, 50.0
    visits = DrawnVisits(day, km, np.ones_like(day))
    group = AdjusterGroup(
        ((few, 1.0),), "one", np.array([150e3, 0.0]), np.arange(2), np.zeros(2, int), np.ones(2)
    )
    draws, ends = 4_000, np.array([30.0, 31.0, 60.0])
    found = failures_to_come([group], visits, 1, ends, rng=np.random.default_rng(2), draws=draws)
    # Exactly: the same under each of so many lives.
    theta = np.random.default_rng(3).multivariate_normal(few.theta, few.covariance, 500)
    lives = [LifeDistribution(few.distribution.standard, *each) for each in theta]
    that_day = [
        found_at_visits(life, group.age_km, group.unit, km)[0, ~on_fourth, old].sum() / copies
        for life in lives
    ]
    assert found.expected[0, 1] == pytest.approx(np.median(that_day), rel=0.2)
    assert found.drawn[:, 0, 1].mean() == pytest.approx(np.mean(that_day), rel=0.3)
