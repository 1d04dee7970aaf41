"""The distribution-free curve: published masses, its optimality conditions, other libraries."""

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from scipy import optimize, stats

from models.lives.fits.data import counts_from_rows
from models.lives.fits.distributions import life_distribution
from models.lives.fits.npmle import fit_npmle, npmle_limits
from models.lives.fits.npmle_solver import life_cells, loglik_at, solved
from tests.life_published import (
    Rows,
    both_arms,
    channing_men,
    channing_women,
    cosmesis,
    exact,
    shock_rows,
    turbine_wheels,
)


def masses(rows: Rows) -> dict[tuple[float, float], float]:
    cells = life_cells(rows.counts)
    after = np.exp(-np.cumsum(solved(cells).hazard))
    mass = -np.diff(after, prepend=1.0)
    ends = zip(cells.start_age.tolist(), cells.end_age.tolist(), mass.tolist(), strict=True)
    return {(start, end): m for start, end, m in ends if m > 1e-9}


def test_published_masses_of_the_cosmesis_radiotherapy_arm():
    # Finkelstein & Wolfe (1985), solved to a Kuhn-Tucker gradient below 4e-13.
    published = {
        (4, 5): 0.0463467740,
        (6, 7): 0.0333633709,
        (7, 8): 0.0886673681,
        (11, 12): 0.0707529218,
        (24, 25): 0.0926458366,
        (33, 34): 0.0817857649,
        (38, 40): 0.1208798274,
        (46, 48): 0.4655581364,
    }
    # Printed to 10 decimals; Newton stops at 1e-10 of a count per adjuster.
    assert masses(cosmesis("Rad")) == pytest.approx(published, abs=2e-9)


@pytest.mark.parametrize(
    ("rows", "loglik"),
    [
        (cosmesis("Rad"), -58.0600220),
        (cosmesis("RadChem"), -65.6369649),
        (both_arms(), -136.963804),
    ],
    ids=["rad", "radchem", "pooled"],
)
def test_published_log_likelihoods(rows, loglik):
    curve = fit_npmle(rows.counts)
    assert curve.loglik == pytest.approx(loglik, abs=6e-7)
    assert curve.kkt_violation < 1e-9


def test_published_channing_house_curve_conditional_on_816_months():
    # Hyde (1977), women; R 4.2 survfit, to 10 decimals.
    curve = fit_npmle(channing_women().counts, from_age=816.0)
    want = [0.8644385126, 0.7451130510, 0.5033284476, 0.2957032602]
    np.testing.assert_allclose(curve.survival_at([900, 960, 1020, 1080]), want, atol=1e-10)


def test_the_early_collapse_of_the_channing_men_is_named_and_stepped_over():
    curve = fit_npmle(channing_men().counts)
    assert {t.kind: t.age for t in curve.diagnostics} == {
        "nobody_watched": 782.0,
        "collapse": 781.0,
    }
    assert curve.from_age == 782.0
    assert 0.1 < curve.survival_at([1080])[0] < 0.4
    cells = life_cells(channing_men().counts)
    unconditional = np.exp(-np.cumsum(solved(cells).hazard))
    assert unconditional[cells.end_age >= 781].max() == 0.0


def mass_gradient(rows: Rows, cells, mass: np.ndarray) -> np.ndarray:
    """d loglik / d mass per adjuster by the definition, one adjuster and one cell at a time.

    The last entry is the mass beyond every cell. A cell is (start, end], or the point end itself.
    """
    start = np.append(cells.start_age, np.inf)
    end = np.append(cells.end_age, np.inf)
    point = start == end
    slope = np.zeros_like(mass)
    for entry, left, right in zip(*rows, strict=True):
        seen = (start >= entry) & (end > entry)
        if left == right:
            holds = point & (end == right)
        else:
            holds = (start >= left) & (end <= right) & (~point | (end > left))
        slope += holds / mass[holds].sum() - seen / mass[seen].sum()
    return slope / rows.entry.size


def watched(seed: int, count: int, grid: float = 0.0, late: float = 0.5) -> Rows:
    """Lives Weibull(2.5, 200) with checks 20 apart and entries up to 150, ages on a grid or not."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(5 * count) < late, rng.uniform(0, 150, 5 * count), 0.0)
    phase = rng.uniform(0, 20, 5 * count)
    if grid:
        entry, phase = np.ceil(entry / grid) * grid, np.ceil(phase / grid) * grid
    life = 200 * rng.weibull(2.5, 5 * count)
    kept = np.flatnonzero(life > entry)[:count]
    life, entry, phase = life[kept], entry[kept], phase[kept]
    missed = np.floor((life - entry - phase) / 20)
    left = np.where(missed < 0, entry, entry + phase + missed * 20)
    right = entry + phase + (missed + 1) * 20
    last = entry + np.floor(rng.uniform(2, 10, count)) * 20 + phase
    failed = right <= last
    return Rows(
        entry, np.where(failed, left, np.minimum(left, last)), np.where(failed, right, np.inf)
    )


@pytest.mark.parametrize(
    "rows",
    [
        both_arms(),
        watched(1, 400, late=0.0),
        watched(2, 400, grid=1.0),
        watched(3, 400),
        shock_rows(1, 2),
        Rows(*(a[watched(4, 60).entry < 90] for a in watched(4, 60))),
    ],
    ids=["cosmesis", "no-entry", "grid", "entry", "exact", "few"],
)
def test_kuhn_tucker_conditions_hold_in_the_masses(rows):
    cells = life_cells(rows.counts)
    hazard = solved(cells).hazard
    # The exact zero of an endless hazard is approached, so that the ratios below stay defined.
    before = np.exp(-np.append(0.0, np.cumsum(np.minimum(hazard, 50.0))))
    mass = np.append(-np.diff(before), before[-1])
    slope = mass_gradient(rows, cells, mass)
    if before[-1] < 1e-12:
        slope, mass = slope[:-1], mass[:-1]
    assert slope.max() < 1e-6
    assert np.abs(slope[mass > 1e-9]).max() < 1e-6


def test_random_small_records_with_ties_entries_and_exact_ages_are_all_solved():
    rng = np.random.default_rng(20)
    for _ in range(150):
        count = int(rng.integers(2, 14))
        entry = rng.integers(0, 4, count).astype(float) * rng.integers(0, 2, count)
        left = entry + rng.integers(0, 6, count)
        width = rng.integers(0, 4, count)
        right = np.where(rng.random(count) < 0.6, left + width, np.inf)
        right = np.where((right == left) & (entry == left), np.inf, right)
        right = np.where(right == 0.0, np.inf, right)
        cells = life_cells(counts_from_rows(entry, left, right))
        solution = solved(cells)
        broken = np.where(solution.hazard > 0, np.abs(solution.gradient), solution.gradient)
        assert broken.max(initial=0.0) < 1e-7
        for _ in range(5):  # concave: no other hazards do better
            other = np.where(np.isinf(solution.hazard), np.inf, rng.exponential(0.3, broken.size))
            assert loglik_at(cells, other) <= solution.loglik + 1e-9


@pytest.mark.parametrize("rows", [shock_rows(1, 2), channing_women()], ids=["shock", "channing"])
def test_exact_ages_give_the_product_limit_curve_and_its_greenwood_limits(rows):
    curve = fit_npmle(rows.counts, from_age=0.0)
    entry = rows.entry if rows.entry.any() else None
    other = KaplanMeierFitter().fit(rows.left, np.isfinite(rows.right), entry=entry)
    at = curve.end_age[:-1]
    np.testing.assert_allclose(
        curve.survival[:-1], other.survival_function_at_times(at).to_numpy(), rtol=1e-10
    )
    limits = other.confidence_interval_.loc[at].to_numpy()
    monotone = np.column_stack(
        [np.maximum.accumulate(limits[::-1, 0])[::-1], np.minimum.accumulate(limits[:, 1])]
    )
    # lifelines' log(-log) limits are not made to fall with age; ours are.
    low = np.maximum.accumulate(np.append(limits[:, 0], curve.low[-1])[::-1])[::-1][:-1]
    np.testing.assert_allclose(curve.low[:-1], low, rtol=1e-8)
    np.testing.assert_allclose(curve.high[:-1], monotone[:, 1], rtol=1e-8)


def test_scipy_agrees_on_right_censored_ages():
    rows = shock_rows(1, 2)
    failed = np.isfinite(rows.right)
    data = stats.CensoredData(rows.left[failed], right=rows.left[~failed])
    other = stats.ecdf(data).sf
    np.testing.assert_allclose(
        fit_npmle(rows.counts).survival_at(rows.left), other.evaluate(rows.left), rtol=1e-12
    )


def test_current_status_is_a_monotone_regression_of_the_failed_share():
    # Turbine wheels, Nelson (1982): with one look each, the curve pools adjacent violators
    # (Ayer et al. 1955, Ann. Math. Stat. 26:641), which scipy does independently.
    counts = turbine_wheels()
    hours = np.unique(np.concatenate([counts.right, counts.censored_at]))
    failed = np.array([counts.failed[counts.right == h].sum() for h in hours])
    seen = failed + [counts.censored[counts.censored_at == h].sum() for h in hours]
    share = optimize.isotonic_regression(failed / seen, weights=seen).x
    np.testing.assert_allclose(1.0 - fit_npmle(counts).survival_at(hours), share, atol=1e-9)


def test_counts_weigh_like_repeated_rows():
    rows = watched(5, 80, grid=5.0)
    times = np.random.default_rng(0).integers(1, 6, 80)
    weighted = fit_npmle(counts_from_rows(*rows, times.astype(float)))
    repeated = fit_npmle(Rows(*(np.repeat(a, times) for a in rows)).counts)
    np.testing.assert_allclose(weighted.survival, repeated.survival, rtol=1e-9)
    np.testing.assert_allclose(weighted.low, repeated.low, rtol=1e-7)


def test_limits_hold_the_truth_at_given_ages_about_as_often_as_stated():
    truth, ages = life_distribution("weibull", 2.5, 200.0), np.array([80.0, 140.0, 200.0])
    inside = np.zeros(ages.size)
    for seed in range(60):
        curve = fit_npmle(watched(seed, 500, grid=10.0).counts)
        true = truth.survival(ages) / truth.survival(np.array([curve.from_age]))
        low, high = curve.limits_at(ages)
        inside += (low <= true) & (true <= high)
    # 60 draws at 95 %: a count below 51 (85 %) has probability 0.2 % at each age.
    assert inside.min() >= 51


def test_likelihood_ratio_limits_are_the_binomials_when_all_are_watched_to_the_age():
    # Without censoring, survival to an age is a binomial share whatever the other ages are.
    life = np.arange(1.0, 41.0)
    curve = counts_from_rows(np.zeros(40), life, life)
    [limits] = npmle_limits(curve, [10.0])
    for end in (limits.low, limits.high):
        lost = 30 * np.log(0.75 / end) + 10 * np.log(0.25 / (1 - end))
        assert 2 * lost == pytest.approx(stats.chi2.ppf(0.95, 1), rel=1e-4)


def test_likelihood_ratio_limits_before_any_failure_are_the_zero_failure_bound():
    rows = shock_rows(1, 2)  # 38 watched through 5,000 km, none failed
    [limits] = npmle_limits(rows.counts, [5000.0])
    assert (limits.estimate, limits.high) == (1.0, 1.0)
    assert limits.low == pytest.approx(np.exp(-0.5 * stats.chi2.ppf(0.95, 1) / 38), rel=1e-9)


def test_likelihood_ratio_limits_agree_with_information_limits_when_many_are_watched():
    counts = watched(6, 4000, grid=10.0).counts
    curve = fit_npmle(counts)
    place = np.searchsorted(curve.end_age, [100.0, 180.0], "right") - 1
    limits = npmle_limits(counts, curve.end_age[place], from_age=curve.from_age)
    np.testing.assert_allclose([i.estimate for i in limits], curve.survival[place], rtol=1e-9)
    np.testing.assert_allclose([i.low for i in limits], curve.low[place], atol=5e-3)
    np.testing.assert_allclose([i.high for i in limits], curve.high[place], atol=5e-3)


def test_likelihood_ratio_limits_when_the_curve_has_reached_zero():
    life = np.arange(1.0, 11.0)
    [limits] = npmle_limits(counts_from_rows(np.zeros(10), life, life), [10.0])
    assert (limits.estimate, limits.low) == (0.0, 0.0)
    # Ten of ten failed: likelihood-ratio bound 1 - exp(-q / 20).
    assert limits.high == pytest.approx(1 - np.exp(-0.5 * stats.chi2.ppf(0.95, 1) / 10), rel=1e-4)


def test_no_failure_gives_a_flat_curve_that_says_so():
    curve = fit_npmle(counts_from_rows(np.zeros(3), np.full(3, 9e4), np.full(3, np.inf)))
    assert [diagnostic.kind for diagnostic in curve.diagnostics] == ["no_failure"]
    assert curve.survival_at([0.0, 9e4]).tolist() == [1.0, 1.0]
    assert np.isnan(curve.survival_at([9.1e4]))[0]


def test_one_adjuster_and_equal_intervals_drop_in_one_cell():
    for count in (1, 7):
        rows = Rows(np.zeros(count), np.full(count, 5.0), np.full(count, 9.0))
        curve = fit_npmle(rows.counts)
        assert (curve.start_age[0], curve.end_age[0], curve.survival[0]) == (5.0, 9.0, 0.0)
        assert [diagnostic.kind for diagnostic in curve.diagnostics] == ["ends_at_zero"]


def test_a_gap_in_watching_starts_the_curve_after_it():
    rows = exact(
        [3.0, 4.0, *np.arange(20.0, 60.0)], [True, False] + [True] * 40, [0.0, 0.0] + [15.0] * 40
    )
    curve = fit_npmle(rows.counts)
    assert curve.from_age == 15.0
    assert curve.diagnostics[0].kind == "nobody_watched"
    assert curve.survival_at([39.5])[0] == pytest.approx(0.5)


def test_failures_among_too_few_are_stepped_over_only_while_more_are_to_come():
    early = exact([2.0, 30.0, 30.0], [True, False, False])
    late = exact(np.arange(20.0, 60.0), [True] * 40, [10.0] * 40)
    rows = Rows(*(np.concatenate(pair) for pair in zip(early, late, strict=True)))
    curve = fit_npmle(rows.counts)
    assert next((t.kind, t.age) for t in curve.diagnostics) == ("thin_start", 2.0)
    assert fit_npmle(early.counts).from_age == 0.0


def test_a_start_within_a_cell_leaves_that_cell_out():
    # Where in (4, 5] the drop lies is unknown, so a curve from 4.5 takes it as survived.
    rows = cosmesis("Rad")
    whole, part = fit_npmle(rows.counts), fit_npmle(rows.counts, from_age=4.5)
    assert part.start_age[0] == 6.0
    reached = whole.survival_at([8.0])[0] / whole.survival_at([5.0])[0]
    assert part.survival_at([8.0])[0] == pytest.approx(reached, rel=1e-12)


def test_the_unit_of_age_does_not_matter():
    rows = watched(7, 300)
    base, scaled = fit_npmle(rows.counts), fit_npmle(Rows(*(1e5 * a for a in rows)).counts)
    np.testing.assert_allclose(base.survival, scaled.survival, rtol=1e-9)
