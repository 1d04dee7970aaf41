"""Before and after: by hand, recovered, and none found where none was drawn."""

import itertools

import numpy as np
import pytest

from models.changes.course import WARM_UP, standardised, watched_course
from models.changes.interrupted import Windows, effect


def drawn(rng, factor, units=60, share=0.5, trend=0.8, spread=0.4):
    """Counts of units that differ and keep their difference; all change by ``trend`` meanwhile."""
    changed = np.arange(units) < share * units
    own = rng.gamma(1 / spread**2, spread**2, units)
    before, after = rng.uniform(5.0, 15.0, (2, units))
    # What a unit has of its own drifts a little as well: months are not independent.
    later = own * rng.lognormal(0.0, 0.2, units)
    rate = np.where(changed, factor, 1.0) * trend
    return Windows(
        rng.poisson(2.0 * own * before).astype(float),
        before,
        rng.poisson(2.0 * later * rate * after).astype(float),
        after,
        changed,
        np.ones(units, bool),
    )


def test_by_hand():
    """Changed: 6 / 10 after, 12 / 10 before; others 9 / 10 after, 12 / 10 before: .5 / .75."""
    windows = Windows(
        np.array([4.0, 4.0, 4.0, 4.0, 4.0, 4.0, 9.0]),
        np.array([4.0, 3.0, 3.0, 4.0, 3.0, 3.0, 1.0]),
        np.array([2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 0.0]),
        np.array([4.0, 3.0, 3.0, 4.0, 3.0, 3.0, 0.0]),
        np.array([True, True, True, False, False, False, True]),
        np.array([True, True, True, True, True, True, False]),
    )
    found = effect(windows)
    assert found.ratio == pytest.approx(0.5 / 0.75)
    assert (found.before, found.after) == pytest.approx((1.2, 0.6))
    # Residuals: (2 - .6 x) / 6 - (4 - 1.2 x) / 12 = 0 for every unit: they all changed alike;
    # the seventh went out of service, and is left out.
    assert found.low == pytest.approx(found.high)


@pytest.mark.parametrize("factor", [1.0, 0.7])
def test_intervals_cover_what_was_drawn(factor):
    """300 fleets of 60 units: 95 % each; below 273 or so once in 1,000 tries at a true 94 %."""
    rng = np.random.default_rng(1)
    found = [effect(drawn(rng, factor)) for _ in range(300)]
    assert sum(f.low <= factor <= f.high for f in found) >= 272
    logs = np.log([f.ratio for f in found])
    assert abs(logs.mean() - np.log(factor)) < 3 * logs.std() / np.sqrt(300)


@pytest.mark.proof
@pytest.mark.parametrize("factor", [1.0, 0.7])
def test_few_units_find_nothing_oftener_and_hold_as_often_as_stated(factor):
    """Ten units changed of sixty that differ much; t finds 5.9 % for nothing, holds 93.5 %."""
    rng = np.random.default_rng(2)
    found = [effect(drawn(rng, factor, share=1 / 6, spread=0.7)) for _ in range(1_000)]
    held = sum(f.low <= factor <= f.high for f in found)
    assert 933 <= held <= 966  # once in 100 tries on either side
    if factor == 1.0:
        assert sum(f.p < 0.05 for f in found) <= 67
        assert sum(f.p < 0.01 for f in found) <= 19


def test_few_units_are_judged_by_every_way_to_deal_the_change_out():
    """Five of ten: 252 ways, all of them tried here by formulas written out unit by unit."""
    rng = np.random.default_rng(11)
    windows = drawn(rng, 0.5, units=10)
    a0, x0, a1, x1 = windows[:4]

    def size(chosen):
        value, variance = [], []
        for group in (chosen, np.setdiff1d(np.arange(10), chosen)):
            rates = a1[group].sum() / x1[group].sum(), a0[group].sum() / x0[group].sum()
            value.append(np.log(rates[0] / rates[1]))
            parts = [
                (a[group] - r * x[group]) / a[group].sum() / (1 - x[group] / x[group].sum())
                for a, x, r in ((a1, x1, rates[0]), (a0, x0, rates[1]))
            ]
            variance.append(4 / 5 * np.sum((parts[0] - parts[1]) ** 2))
        return abs(value[0] - value[1]) / np.sqrt(sum(variance))

    every = [size(np.array(c)) for c in itertools.combinations(range(10), 5)]
    exact = np.mean(np.array(every) >= size(np.arange(5)) * (1 - 1e-9))
    found = effect(windows)
    assert found.p == pytest.approx(exact, abs=3 * np.sqrt(exact * (1 - exact) / 499) + 2 / 500)
    assert (found.low <= 1.0 <= found.high) == (found.p >= 0.05)


def test_many_units_are_judged_by_t_and_three_have_no_other():
    """Welch's t on the same sums; dealing out needs ways enough to deal."""
    rng = np.random.default_rng(12)
    for units in (6, 80):
        found = effect(drawn(rng, 0.8, units=units))
        log_half = np.log(found.high / found.low) / 2
        assert np.log(found.ratio) == pytest.approx(np.log(found.low) + log_half)


def test_without_units_that_stayed_it_is_before_and_after_alone():
    rng = np.random.default_rng(3)
    windows = drawn(rng, 1.0, share=1.0)
    found = effect(windows)
    assert not found.controlled
    assert found.ratio == pytest.approx(found.after / found.before)


def test_too_few_units_and_rates_of_nought_say_nothing():
    two = Windows(np.ones(2), np.ones(2), np.ones(2), np.ones(2), *np.ones((2, 2), bool))
    assert effect(two) is None
    none = Windows(np.ones(9), np.ones(9), np.zeros(9), np.ones(9), *np.ones((2, 9), bool))
    assert effect(none) is None


def test_standardised_months_are_standard_normal_where_nothing_changes():
    rng = np.random.default_rng(4)
    distance = rng.uniform(1.0, 5.0, (3_000, 40))
    rates = 2.0 + rng.standard_normal(distance.shape) / np.sqrt(distance)
    values = np.array([standardised(r * x, x) for r, x in zip(rates, distance, strict=True)])
    judged = values[:, WARM_UP:]
    assert np.isnan(values[:, :WARM_UP]).all()
    assert judged.mean() == pytest.approx(0.0, abs=0.01)
    assert judged.std() == pytest.approx(1.0, abs=0.01)
    assert abs(np.corrcoef(judged[:, 0], judged[:, 1])[0, 1]) < 0.06


def test_false_alarms_come_as_far_apart_as_stated():
    """60 months between alarms for the test's sake: in 120 months a fresh chart signals with about
    1 - exp(-(120 - 6) / 60) = 85 % (run lengths are near exponential)."""
    rng = np.random.default_rng(5)
    signals = 0
    for _ in range(400):
        distance = rng.uniform(1.0, 5.0, 120)
        amount = rng.poisson(20.0 * distance).astype(float)
        signals += len(watched_course(amount, distance, months_between=60.0).rises) > 0
    assert signals / 400 == pytest.approx(0.85, abs=0.06)


def test_a_slow_worsening_is_found_and_dated():
    """2 % a month from month 30 on; false alarms before it are few."""
    rng = np.random.default_rng(6)
    growth = np.where(np.arange(60) < 30, 1.0, 1.02 ** np.maximum(np.arange(60) - 30, 0))
    found = [watched_course(rng.poisson(400.0 * growth) / 1.0, np.ones(60)) for _ in range(100)]
    signals = np.array([f.rises[0].signal if f.rises else 99 for f in found])
    assert np.mean(signals < 50) > 0.95
    assert np.mean(signals < 30) < 0.15
    began = [f.rises[0].began for f in found if f.rises and f.rises[0].signal >= 30]
    assert 26 <= np.median(began) <= 38
    # What goes on is not over.
    assert np.mean([f.rises[-1].ended is None for f in found if f.rises]) > 0.95


def test_a_rise_that_is_over_ends_and_a_later_one_is_found_again():
    """Twice as many from month 30 to 43 and from month 70 on."""
    rng = np.random.default_rng(7)
    month = np.arange(100)
    level = np.where((month >= 30) & (month < 44) | (month >= 70), 2.0, 1.0)
    found = [watched_course(rng.poisson(30.0 * level) / 1.0, np.ones(100)) for _ in range(100)]
    twice = [f.rises for f in found if len(f.rises) == 2]
    assert len(twice) > 80
    # A small allowance dates beginnings early.
    assert 24 <= np.median([first.began for first, _ in twice]) <= 31
    assert np.median([first.ended for first, _ in twice]) == 44
    assert np.mean([abs(first.ended - 44) <= 1 for first, _ in twice]) > 0.8
    assert np.mean([second.signal >= 44 for _, second in twice]) > 0.9
    assert np.mean([second.ended is None for _, second in twice]) > 0.9
    short = [watched_course(rng.poisson(30.0 * level[:60]) / 1.0, np.ones(60)) for _ in range(100)]
    # By chance a chart of 60 months has signalled in one of five.
    assert np.mean([f.rise[-1] > f.limit for f in short]) < 0.2
