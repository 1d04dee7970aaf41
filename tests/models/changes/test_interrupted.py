"""Before and after: by hand, recovered, and none found where none was drawn."""

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


def test_nothing_is_found_oftener_than_stated_where_nothing_was_drawn():
    """Ten units changed of sixty, where t with few degrees of freedom matters."""
    rng = np.random.default_rng(2)
    found = [effect(drawn(rng, 1.0, share=1 / 6)).p < 0.05 for _ in range(400)]
    # 5 %; 34 or more of 400 happen once in 1,000 tries. Few units: some points above are known.
    assert sum(found) <= 36


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
        signals += watched_course(amount, distance, months_between=60.0).signal is not None
    assert signals / 400 == pytest.approx(0.85, abs=0.06)


def test_a_slow_worsening_is_found_and_dated():
    """2 % a month from month 30 on; false alarms before it are few."""
    rng = np.random.default_rng(6)
    growth = np.where(np.arange(60) < 30, 1.0, 1.02 ** np.maximum(np.arange(60) - 30, 0))
    found = [watched_course(rng.poisson(400.0 * growth) / 1.0, np.ones(60)) for _ in range(100)]
    signals = np.array([f.signal if f.signal is not None else 99 for f in found])
    assert np.mean(signals < 50) > 0.95
    assert np.mean(signals < 30) < 0.15
    began = [f.began for f in found if f.signal is not None and f.signal >= 30]
    assert 26 <= np.median(began) <= 38
