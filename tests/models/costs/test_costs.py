"""Costs per km: by hand, with intervals that cover, and no unit named where none stands out."""

import numpy as np
import pytest
from scipy import stats

from models.costs.ahead import failures_per_km, relines_per_km
from models.costs.rates import ratio_rate
from models.costs.units import funnel_limit, unit_costs


def test_the_rate_and_its_error_by_hand():
    """Costs 1, 3, 2 over 1, 1, 2 km: rate 6/4; residuals -.5, 1.5, -1; SE sqrt(3/2 * 3.5) / 4."""
    found = ratio_rate(np.array([1.0, 3.0, 2.0]), np.array([1.0, 1.0, 2.0]))
    half = stats.t.ppf(0.975, 2) * np.sqrt(1.5 * 3.5) / 4 / 1.5
    assert found.rate == pytest.approx(1.5)
    assert (found.low, found.high) == pytest.approx((1.5 * np.exp(-half), 1.5 * np.exp(half)))


def test_units_that_did_not_run_and_lone_units_get_no_limits():
    assert ratio_rate(np.array([5.0]), np.array([0.0])).units == 0
    lone = ratio_rate(np.array([5.0, 1.0]), np.array([2.0, 0.0]))
    assert (lone.rate, lone.units) == (2.5, 1)
    assert np.isnan(lone.low)


def jobs(rng, factors, km, rate=2.0):
    """Costs of units whose jobs come at random, 100 or 500 each."""
    return np.array(
        [rng.choice([100.0, 500.0], rng.poisson(f * rate * x)).sum() for f, x in zip(factors, km)]  # noqa: B905
    )


def test_intervals_cover_the_rate_drawn_when_units_differ():
    """200 fleets of 40 units that differ by a third: 95 % each; fewer than 180 covering would
    happen once in 1,000 tries at a true 94 %."""
    rng = np.random.default_rng(1)
    covered = 0
    for _ in range(200):
        km, factors = rng.uniform(1.0, 4.0, 40), rng.gamma(9.0, 1 / 9.0, 40)
        found = ratio_rate(jobs(rng, factors, km), km)
        covered += found.low <= 2.0 * 300.0 <= found.high
    assert covered >= 180


SCALE = (100.0**2 + 500.0**2) / 2 / 300.0


@pytest.mark.proof
@pytest.mark.parametrize("spread", [0.0, 0.3])
def test_no_unit_is_named_where_none_stands_out(spread):
    """5 % of fleets may have one named, whether or not units differ anyway: of 200, 22 or more
    happen once in 1,000 tries."""
    rng = np.random.default_rng(2)
    named = 0
    for _ in range(200):
        km = rng.uniform(2.0, 8.0, 60)
        factors = rng.gamma(1 / spread**2, spread**2, 60) if spread else np.ones(60)
        named += unit_costs(jobs(rng, factors, km), 600.0 * km, SCALE).named.any()
    assert named <= 21


def test_a_unit_far_out_is_named_and_one_with_few_jobs_is_not():
    rng = np.random.default_rng(3)
    km, factors = np.full(60, 30.0), np.ones(60)
    factors[0], factors[1], km[1] = 3.0, 3.0, 0.15
    found = unit_costs(jobs(rng, factors, km), 600.0 * km, SCALE)
    assert np.flatnonzero(found.named).tolist() == [0]
    assert 1.0 < found.pooled[0] < found.raw[0]


def test_pooled_factors_are_nearer_the_truth_than_raw_ones():
    rng = np.random.default_rng(4)
    km, factors = rng.uniform(1.0, 10.0, 300), rng.gamma(9.0, 1 / 9.0, 300)
    found = unit_costs(jobs(rng, factors, km), 600.0 * km, SCALE)
    raw, pooled = (np.sqrt(np.mean((f - factors) ** 2)) for f in (found.raw, found.pooled))
    assert pooled < 0.8 * raw
    assert found.spread == pytest.approx(1 / 3, abs=0.1)
    covered = np.mean((found.low <= factors) & (factors <= found.high))
    # Matched moments, not the exact law of such sums: within four points of 95 %.
    assert covered == pytest.approx(0.95, abs=0.04)


def test_the_funnel_is_that_of_poisson_where_units_do_not_differ():
    mean = np.array([3.0, 12.0, 40.0])
    found = unit_costs(mean * SCALE, mean * SCALE, SCALE)
    for factor, m in zip(found.funnel_high, mean, strict=True):
        assert stats.gamma.sf(m * 1.0, factor * m + 1.0) == pytest.approx(0.999, abs=2e-4)


def test_the_funnel_is_that_of_the_mixture_where_units_differ():
    """Scipy's negative binomial, which is the gamma mixture of Poisson counts."""
    shape = 4.0
    for mean in (3.0, 12.0, 40.0):
        high, low = (funnel_limit(np.array([mean]), shape, p)[0] * mean for p in (0.999, 0.001))
        law = stats.nbinom(shape, shape / (shape + mean))
        # Between whole numbers the limit lies between theirs.
        assert law.cdf(np.floor(high)) <= 0.999 <= law.cdf(np.ceil(high))
        assert low == 0.0 or law.cdf(np.floor(low)) <= 0.001 <= law.cdf(np.ceil(low))


def test_expectations_must_be_positive():
    with pytest.raises(ValueError, match="must be positive"):
        unit_costs(np.ones(2), np.array([1.0, 0.0]), 1.0)


def test_long_run_rates_by_hand():
    """0.5 mm per 10,000 km of 10 mm: a reline every 200,000 km."""
    found = relines_per_km(0.5, 0.4, 0.6, 10.0)
    assert (found.rate, found.low, found.high) == pytest.approx((1 / 2e5, 1 / 2.5e5, 6e-6))
    assert failures_per_km(2e5, 1e5, 4e5).high == pytest.approx(1e-5)
    with pytest.raises(ValueError, match="above 0"):
        relines_per_km(0.5, 0.4, 0.6, 0.0)
