"""The fleet's habit: likelihood by hand and against another library, recovery, few records."""

from dataclasses import fields, replace

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import optimize, special, stats
from statsmodels.tools.numdiff import approx_hess3

from models.relines.policy import fit
from models.relines.policy.changes import (
    CHANGE_SCORE,
    THRESHOLD,
    LikelyChange,
    _likeliest,
)
from models.relines.policy.decisions import (
    AxleDecisions,
    LiningAges,
    PolicyGroups,
    axle_decisions,
    policy_groups,
    some_decisions,
)
from models.relines.policy.fit import (
    PolicyFit,
    _fitted,
    _Form,
    drawn_policies,
    fit_policy,
    mean_policy,
    reline_timing,
)
from models.relines.policy.hazard import STEP_MM, grid_mm, hazard_table
from models.relines.policy.likelihood import decision_sums, policy_loglik, slopes_by_group
from tests.oracles.reline_policy_tables import habit_facts, threshold_frame, threshold_of
from tests.reline_world import World, decision_rows, lived

ONE_GROUP = PolicyGroups(("front",), ("North",))
NAN = float("nan")


def decisions(rows, ends=2) -> AxleDecisions:
    """Rows of (group, low, high, other, other ends, low relined, high relined, visits)."""
    g, low, high, other, other_ends, a, b, n = (np.array(c) for c in zip(*rows, strict=True))
    return AxleDecisions(
        group=g,
        low=low.astype(float),
        high=high.astype(float),
        has_high=np.full(len(g), ends == 2),
        other=other.astype(float),
        other_ends=other_ends.astype(float),
        low_relined=a.astype(bool),
        high_relined=b.astype(bool),
        visits=n.astype(float),
        days_ago=np.zeros(len(g), int),
        ages=unknown_ages(len(g)),
    )


def unknown_ages(rows: int) -> LiningAges:
    """Of linings of which no fitting is on record."""
    none, never = np.zeros(rows), np.zeros(rows, bool)
    return LiningAges(none, never, none, never, none)


SHAPE = np.array([np.log(0.4), *special.logit([0.1, 0.02, 0.01, 0.8, 0.3]), np.log(4.0)])


def test_the_likelihood_of_each_outcome_is_as_worked_by_hand():
    # Threshold 2 mm, spread 0.4: 1.6 and 2.8 are wanted with 0.9 * Phi(1) and 0.9 * Phi(-2).
    p = 1 - 0.99 * (1 - 0.9 * stats.norm.cdf(1.0))
    q = 1 - 0.99 * (1 - 0.9 * stats.norm.cdf(-2.0))
    # The other axle reads 1.6 as well and has two ends.
    e = 0.3 * (1 - (1 - 0.9 * stats.norm.cdf(1.0)) * 0.99**2)
    # About 4 mm is nearly new: 2.8 goes along with 0.8 * Phi(1.2), 1.6 with 0.8 * Phi(2.4).
    none = (1 - e) * (1 - p) * (1 - q)
    low = (1 - e) * (1 - 0.8 * stats.norm.cdf(1.2)) * p * (1 - q)
    high = (1 - e) * (1 - 0.8 * stats.norm.cdf(2.4)) * q * (1 - p)
    expected = [none, low, high, 1 - none - low - high]
    for outcome, chance in zip([(0, 0), (1, 0), (0, 1), (1, 1)], expected, strict=True):
        row = decisions([(0, 1.6, 2.8, 1.6, 2, *outcome, 1)])
        assert np.exp(
            policy_loglik(decision_sums(row), np.array([2.0]), SHAPE)[0]
        ) == pytest.approx(chance)


def test_slopes_of_groups_are_those_of_their_decisions_alone():
    """Held against the likelihood of each group's rows, whose slopes a test below holds against
    differences."""
    data = random_decisions(np.random.default_rng(3))
    threshold = np.linspace(1.0, 3.0, 6)
    found = slopes_by_group(decision_sums(data), threshold, SHAPE)
    for group in range(6):
        own = some_decisions(data, np.flatnonzero(data.group == group))
        _, in_threshold, in_shape = policy_loglik(decision_sums(own), threshold, SHAPE)
        assert found[:, group] == pytest.approx([in_threshold[group], *in_shape[1:6]])


def test_what_groups_add_to_going_along_is_theirs_alone():
    """Held against the likelihood of each group's rows with that chance for all, and the gradient
    in it against differences."""
    data = random_decisions(np.random.default_rng(4))
    data = replace(data, high_relined=data.high_relined & data.has_high)
    own = np.random.default_rng(5).normal([[2.0], [0.0], [0.0]], 0.8, (3, 6))
    whole, in_own, in_shape = policy_loglik(decision_sums(data), own, SHAPE)
    alone = 0.0
    for group in range(6):
        rows = some_decisions(data, np.flatnonzero(data.group == group))
        moved = SHAPE + np.pad(own[1:, group], (4, 1))
        alone += policy_loglik(decision_sums(rows), own[0], moved)[0]
    assert whole == pytest.approx(alone)
    assert in_own[1:].sum(axis=1) == pytest.approx(in_shape[4:6])
    numeric = optimize.approx_fprime(
        own.ravel(), lambda x: policy_loglik(decision_sums(data), x.reshape(3, 6), SHAPE)[0], 1e-6
    )
    assert in_own.ravel() == pytest.approx(numeric, rel=1e-3, abs=5e-2)
    assert slopes_by_group(decision_sums(data), own, SHAPE)[[0, 4, 5]] == pytest.approx(in_own)


def test_an_end_at_its_minimum_or_not_read_is_decided_apart():
    at_limit = decisions([(0, 0.0, NAN, 8.0, 0, 1, 0, 1)], ends=1)
    chance = 1 - 0.99 * (1 - 0.98)
    assert np.exp(
        policy_loglik(decision_sums(at_limit), np.array([2.0]), SHAPE)[0]
    ) == pytest.approx(chance)
    unread = decisions([(0, NAN, NAN, 8.0, 0, 1, 0, 1)], ends=1)
    assert np.exp(policy_loglik(decision_sums(unread), np.array([2.0]), SHAPE)[0]) == pytest.approx(
        0.01
    )


def random_decisions(rng, rows=400, groups=6) -> AxleDecisions:
    low = rng.uniform(-1, 6, rows)
    high = np.where(rng.random(rows) < 0.2, NAN, low + rng.exponential(1, rows))
    return AxleDecisions(
        group=rng.integers(0, groups, rows),
        low=low,
        high=high,
        has_high=rng.random(rows) < 0.9,
        other=rng.uniform(0, 8, rows),
        other_ends=rng.integers(0, 5, rows).astype(float),
        low_relined=rng.random(rows) < 0.4,
        high_relined=rng.random(rows) < 0.3,
        visits=rng.integers(1, 9, rows).astype(float),
        days_ago=91 * rng.integers(0, 9, rows),
        ages=unknown_ages(rows),
    )


def test_the_gradient_is_the_derivative():
    rng = np.random.default_rng(1)
    data = random_decisions(rng)
    data = AxleDecisions(
        **{
            name: getattr(data, name)
            if name != "high_relined"
            else data.high_relined & data.has_high
            for name in AxleDecisions.__slots__
        }
    )
    data = decision_sums(data)
    at = np.concatenate([rng.normal(2, 0.3, 6), SHAPE])

    def loglik(x):
        return policy_loglik(data, x[:6], x[6:])[0]

    _, in_threshold, in_shape = policy_loglik(data, at[:6], at[6:])
    numeric = optimize.approx_fprime(at, loglik, 1e-6)
    # Forward differences of a sum near 1e4 are good to about 1e-3.
    assert np.concatenate([in_threshold, in_shape]) == pytest.approx(numeric, rel=1e-3, abs=5e-2)


def test_the_likelihood_of_many_decisions_is_the_product_of_each():
    """What is summed up by reading says the same as every row alone, visits and all."""
    data, at = random_decisions(np.random.default_rng(7), rows=200), np.full(6, 2.0)
    data = replace(data, low=np.round(data.low, 1), high=np.round(data.high, 1))
    data = replace(data, high_relined=data.high_relined & data.has_high)
    alone = [
        policy_loglik(decision_sums(some_decisions(data, slice(i, i + 1))), at, SHAPE)
        for i in range(200)
    ]
    together = policy_loglik(decision_sums(data), at, SHAPE)
    for part, whole in zip(zip(*alone, strict=True), together, strict=True):
        assert np.sum(part, axis=0) == pytest.approx(whole, rel=1e-10)


def test_without_lapses_it_is_the_probit_regression_of_another_library():
    """statsmodels' Probit of 'relined' on the reading, one end per axle."""
    rng = np.random.default_rng(2)
    x = rng.uniform(0.1, 5, 600)
    relined = rng.random(600) < stats.norm.cdf((2.0 - x) / 0.5)
    fit = sm.Probit(relined, sm.add_constant(x)).fit(disp=0, tol=1e-12)
    a, b = fit.params
    data = decisions([(0, v, NAN, 8.0, 0, r, 0, 1) for v, r in zip(x, relined, strict=True)], 1)
    never = np.full(6, -40.0)
    ours, gradient, in_shape = policy_loglik(
        decision_sums(data), np.array([-a / b]), np.array([np.log(-1 / b), *never])
    )
    assert ours == pytest.approx(fit.llf, rel=1e-9)
    assert [gradient[0], in_shape[0]] == pytest.approx([0.0, 0.0], abs=1e-4)


def history_fit(world: World, seed: int) -> tuple[PolicyFit, pl.DataFrame]:
    rows = decision_rows(lived(world, seed))
    groups = policy_groups(rows)
    return fit_policy(axle_decisions(rows, groups), groups), rows


def test_the_habit_of_a_simulated_fleet_is_recovered_from_readings_censored_or_not():
    fit, _ = history_fit(World(units=200, unit_together=0.3, pair=0.8), 1)
    policy = mean_policy(fit)
    assert fit.relines > 1000
    # North and South for each of two axle types; standard errors are 0.02 to 0.04 mm.
    assert policy.threshold_mm == pytest.approx([1.4, 2.1, 1.4, 2.1], abs=0.13)
    # Its stated error is 0.02 mm; that the unit's other axles are summed up by their thinnest
    # lining adds to it.
    assert policy.spread_mm == pytest.approx(0.3, abs=0.1)
    assert policy.missed == pytest.approx(0.08, abs=0.05)
    assert policy.pair == pytest.approx(0.8, abs=0.06)
    assert policy.unit == pytest.approx(0.3, abs=0.06)
    assert policy.premature == pytest.approx(0.002, abs=0.0015)
    assert fit.read_share == pytest.approx(0.95, abs=0.01)
    assert fit.converged


def test_a_third_of_the_kinds_of_decisions_tell_what_all_do_and_all_are_counted(monkeypatch):
    rows = decision_rows(lived(World(units=200, pair=0.8), 1))
    groups = policy_groups(rows)
    data = axle_decisions(rows, groups)
    every = fit_policy(data, groups)
    monkeypatch.setattr(fit, "MOST_ROWS", len(data.low) // 3 + 1)
    third = fit_policy(data, groups)
    assert (third.relines, third.visits) == (every.relines, every.visits)
    assert third.group_visits == pytest.approx(every.group_visits)
    # A third has standard errors of 0.04 to 0.07 mm, and knows no more than a third.
    apart = mean_policy(third).threshold_mm - mean_policy(every).threshold_mm
    assert 0.0 < np.abs(apart).max() < 0.15
    assert mean_policy(third).pair == pytest.approx(mean_policy(every).pair, abs=0.06)
    assert (third.changed_quarters, every.changed_quarters) == (0, 0)
    spread = groups.design().shape[1]  # the first of the shape: the log of the spread
    wider = np.sqrt(third.covariance[spread, spread] / every.covariance[spread, spread])
    assert 1.3 < wider < 2.4  # the root of 3; which of the telling decisions it has is chance


def test_depots_of_very_unlike_habits_are_told_apart():
    """From one threshold for all the search ends at 1 mm for both, the rest for other reasons."""
    policy = mean_policy(history_fit(World(units=60, threshold=(0.4, 5.0)), 1)[0])
    assert policy.threshold_mm == pytest.approx([0.4, 5.0, 0.4, 5.0], abs=0.25)
    assert policy.premature == pytest.approx(0.002, abs=0.002)


def test_depots_that_reline_along_differently_are_told_apart_and_have_not_changed():
    """One relines the worn end alone, the other both and mostly the whole unit."""
    world = World(units=100, pair=(0.05, 0.95), unit_together=(0.0, 0.8))
    found, _ = history_fit(world, 6)
    policy = mean_policy(found)
    assert found.along_by_depot
    assert policy.pair == pytest.approx([0.05, 0.95, 0.05, 0.95], abs=0.06)
    assert policy.unit == pytest.approx([0.0, 0.8, 0.0, 0.8], abs=0.08)
    assert (found.changed_quarters, found.changed_chances) == (0, ())
    drawn = drawn_policies(found, 400, np.random.default_rng(1))
    assert np.mean([p.pair for p in drawn], axis=0) == pytest.approx(policy.pair, abs=0.03)


def test_a_change_where_depots_reline_along_differently_is_told_of_each():
    """Linings of 2 mm are due; the other end went along in two and seven cases of ten, and goes in
    six and nine and a half since: the same on the scale of logits."""
    rng, rows = np.random.default_rng(8), 6000
    low, quarter, group = (
        rng.uniform(0.0, 6.0, rows),
        *(rng.integers(0, n, rows) for n in (9, 2)),
    )
    high = low + rng.uniform(0.5, 3.0, rows)
    since, before = (special.expit(np.array([-1.4, 0.85]) + move)[group] for move in (1.9, 0.0))
    goes = rng.random(rows) < np.where(quarter < 3, since, before)
    told = [low, high, np.full(rows, 8.0), np.zeros(rows), low <= 2.0]
    told = [group, *told, (low <= 2.0) & (goes | (high <= 2.0)), np.ones(rows)]
    data = replace(decisions(np.transpose(told)), group=group, days_ago=91 * quarter)
    fit = fit_policy(data, PolicyGroups(("front",), ("North", "South")))
    assert fit.along_by_depot
    assert (fit.changed_quarters, fit.changed_depots) == (3, ())
    (chance,) = [each for each in fit.changed_chances if each.name == "pair"]
    # Some 500 decisions a depot before, and 250 since.
    assert special.expit(chance.before) == pytest.approx([0.2, 0.7], abs=0.06)
    assert special.expit(chance.since) == pytest.approx([0.62, 0.94], abs=0.06)
    assert special.expit(chance.since) == pytest.approx(mean_policy(fit).pair)
    assert np.shape(chance.before_sd) == (2,)


@pytest.mark.parametrize("seed", range(3))
def test_depots_that_reline_along_alike_are_not_told_apart(seed):
    world = World(units=60, pair=0.6, unit_together=0.3, years_after=0.5)
    assert not history_fit(world, 20 + seed)[0].along_by_depot


def test_a_nearly_new_lining_that_is_left_on_is_told_from_a_share_of_all():
    policy = mean_policy(history_fit(World(units=200, pair=0.9, along_below_mm=7.0), 5)[0])
    assert policy.pair == pytest.approx(0.9, abs=0.03)
    assert policy.along_below_mm == pytest.approx(7.0, abs=1.0)


def test_its_stated_errors_are_those_of_repeated_fleets():
    found = [history_fit(World(units=40, years_after=0.5), s)[0] for s in range(8)]
    weight = np.ones(found[0].groups.n_groups)
    middle, se = np.array([threshold_of(f, weight) for f in found]).T
    z = (middle - 1.75) / se
    # Chi-square with 8 degrees of freedom: between 1.3 and 23 with probability 0.993.
    assert 1.3 < (z**2).sum() < 23.0


@pytest.mark.parametrize("by_depot", [False, True])
def test_its_covariance_is_the_inverse_of_the_curvature(by_depot):
    """Against statsmodels' numerical Hessian of the penalised likelihood, in every parameter."""
    rows = decision_rows(lived(World(units=60), 2))
    groups = policy_groups(rows)
    changed = LikelyChange(2, (THRESHOLD, "premature", "pair"), (), 0.0)
    form = _Form(by_depot=True) if by_depot else None
    found = _fitted(axle_decisions(rows, groups), groups, changed, form)
    hessian = approx_hess3(found.at, lambda at: found.task.cost(at)[0])
    # Second differences of a sum near 1e3, taken from single values, are good to about 1e-5.
    assert found.covariance @ hessian == pytest.approx(np.eye(len(found.at)), abs=1e-3)


def test_a_fleet_that_never_relined_has_a_guess_and_says_so():
    data = decisions([(0, 6.0, 7.0, 8.0, 2, 0, 0, 50)])
    fit = fit_policy(data, ONE_GROUP)
    assert fit.is_guess
    # Only what the records rule out has moved the guess: nothing was relined at 6 mm or above.
    assert mean_policy(fit).threshold_mm[0] == pytest.approx(1.0, abs=0.5)
    assert threshold_of(fit, np.ones(1))[1] > 1.0


def test_no_records_at_all_leave_the_guess():
    empty = axle_decisions(
        pl.DataFrame(
            schema={
                "axle_type": pl.String,
                "depot": pl.String,
                "every_days": pl.Int64,
                "days_ago": pl.Int64,
                "ends": pl.Int64,
                "low_mm": pl.Float64,
                "high_mm": pl.Float64,
                "other_mm": pl.Float64,
                "other_ends": pl.Int64,
                **{f"{end}_age_days": pl.Int64 for end in ("low", "high", "other")},
                **{f"{end}_age_known": pl.Boolean for end in ("low", "high")},
                "low_relined": pl.Boolean,
                "high_relined": pl.Boolean,
                "visits": pl.Int64,
            }
        ),
        ONE_GROUP,
    )
    fit = fit_policy(empty, ONE_GROUP)
    assert (fit.relines, fit.read_share, fit.is_guess) == (0.0, 1.0, True)
    assert mean_policy(fit).threshold_mm[0] == pytest.approx(1.0)


def test_a_type_with_few_relines_leans_on_the_fleet():
    rng = np.random.default_rng(3)
    rows = []
    for group, threshold, count in ((0, 2.0, 400), (1, 2.0, 400), (2, 3.5, 6)):
        for x in rng.uniform(0.5, 6, count):
            relined = rng.random() < stats.norm.cdf((threshold - x) / 0.3)
            rows.append((group, x, NAN, 8.0, 0, relined, 0, 1))
    groups = PolicyGroups(("a", "b", "c"), ("North",))
    fit = fit_policy(decisions(rows, ends=1), groups)
    a, b, c = mean_policy(fit).threshold_mm
    assert [a, b] == pytest.approx([2.0, 2.0], abs=0.15)
    assert 2.1 < c < 3.4
    se = [threshold_of(fit, row)[1] for row in np.eye(3)]
    assert se[2] > 3 * se[0]


def test_draws_spread_as_the_fit_says():
    fit, _ = history_fit(World(units=40, years_after=0.5), 3)
    drawn = drawn_policies(fit, 4_000, np.random.default_rng(1))
    middle = np.array([h.threshold_mm.mean() for h in drawn])
    expected, se = threshold_of(fit, np.ones(4))
    # 4000 draws: the mean is known to se / 63, the SD to 1.1 %.
    assert middle.mean() == pytest.approx(expected, abs=4 * se / 63)
    assert middle.std() == pytest.approx(se, rel=0.05)


def test_the_hazard_table_is_the_habit_averaged_over_readings():
    fit, _ = history_fit(World(units=20, years_after=0.5), 4)
    policy = mean_policy(fit)
    table = hazard_table(policy, reading_sd=0.5, read_share=0.9)
    rng = np.random.default_rng(2)
    for above in (-0.5, 0.8, 2.0, 3.5):
        reading = above + rng.normal(0, 0.5, 400_000)
        z = (policy.threshold_mm[0] - reading) / policy.spread_mm
        replaced = np.where(
            reading > 0, (1 - policy.missed) * stats.norm.cdf(z), 1 - policy.missed_below
        )
        expected = 1 - (1 - policy.premature) * (1 - 0.9 * replaced.mean())
        place = round((above - grid_mm()[0]) / STEP_MM)
        # Monte Carlo error below 0.001; the table's 400 points are good to 0.002.
        assert 1 - np.exp(table.own[0, place]) == pytest.approx(expected, abs=0.003)


def decided(
    rng,
    old_mm: float,
    new_mm: float,
    changed: int,
    rows: int = 2500,
    soiled: tuple[float, float] = (0.0, 0.0),
) -> AxleDecisions:
    """One end of an axle each, relined at or below a threshold that changed some quarters ago; or
    since it was ``soiled``, by such a chance until then and another since."""
    low, quarter = rng.uniform(0.0, 8.0, rows), rng.integers(0, 9, rows)
    threshold = np.where(quarter >= changed, old_mm, new_mm) + rng.normal(0.0, 0.4, rows)
    nothing = np.zeros(rows)
    done = (low <= threshold) | (rng.random(rows) < np.where(quarter >= changed, *soiled))
    told = (nothing, low, np.full(rows, NAN), np.full(rows, 8.0), nothing, done)
    found = decisions(np.transpose([*told, nothing, np.ones(rows)]), ends=1)
    return replace(found, group=np.zeros(rows, int), days_ago=91 * quarter)


def test_a_policy_that_changed_is_that_of_since():
    """Those before would have it at 1.5 mm or so."""
    fit = fit_policy(decided(np.random.default_rng(11), 1.0, 3.0, 3), ONE_GROUP)
    assert fit.changed_quarters == 3
    assert len(fit.mean) == len(fit.covariance) == 3 + len(SHAPE)
    # Some 300 decisions within a millimetre of it: a standard error of 0.06.
    assert mean_policy(fit).threshold_mm == pytest.approx([3.0], abs=0.2)
    assert np.exp(fit.mean[-len(SHAPE)]) == pytest.approx(0.4, abs=0.1)
    assert fit.raised_mm == pytest.approx(2.0, abs=0.2)
    assert 0.02 < fit.raised_sd < 0.15


def at_depots(
    rng, *changes: tuple[float, float], soiled: tuple[float, float] = (0.0, 0.0)
) -> tuple[AxleDecisions, PolicyGroups]:
    """As ``decided``, at as many depots, each from so much to so much three quarters ago; at the
    first of them ``soiled``."""
    oil = [soiled, *[(0.0, 0.0)] * (len(changes) - 1)]
    every = [decided(rng, *mm, 3, 1200, by) for mm, by in zip(changes, oil, strict=True)]
    arrays = {
        f.name: np.concatenate([getattr(each, f.name) for each in every])
        for f in fields(AxleDecisions)
        if f.name != "ages"
    }
    arrays["group"] = np.repeat(np.arange(len(changes)), 1200)
    depots = tuple(f"D{number}" for number in range(len(changes)))
    joined = AxleDecisions(**arrays, ages=unknown_ages(len(arrays["low"])))
    return joined, PolicyGroups(("front",), depots)


def test_a_policy_that_changed_at_some_depots_is_that_of_since_there_and_of_always_elsewhere():
    rng = np.random.default_rng(13)
    found, groups = at_depots(rng, (1.0, 3.0), (1.5, 1.5), (2.0, 2.0), (1.2, 3.2))
    fit = fit_policy(found, groups)
    assert (fit.changed_quarters, fit.changed_depots) == (3, ("D0", "D3"))
    assert mean_policy(fit).threshold_mm == pytest.approx([3.0, 1.5, 2.0, 3.2], abs=0.2)
    assert fit.raised_mm == pytest.approx(2.0, abs=0.2)
    # Where all change they are not told one by one.
    found, groups = at_depots(rng, (1.0, 3.0), (1.5, 3.5), (1.2, 3.2))
    everywhere = fit_policy(found, groups)
    assert (everywhere.changed_quarters, everywhere.changed_depots) == (3, ())


def test_relines_for_a_reason_that_has_ceased_are_not_expected_any_more():
    """Of 800 decisions before 60 or so were made for it, of 400 since none."""
    rng = np.random.default_rng(14)
    fit = fit_policy(decided(rng, 2.0, 2.0, 3, 1200, soiled=(0.08, 0.0)), ONE_GROUP)
    (chance,) = fit.changed_chances
    assert (fit.changed_quarters, fit.raised_mm, chance.name) == (3, None, "premature")
    before, since = special.expit([chance.before, chance.since])
    assert before == pytest.approx(0.08, abs=0.025)
    assert since == mean_policy(fit).premature < 0.005
    # Its bound is that of none among 200 decisions about thick linings: 3 in 200.
    assert special.expit(chance.since + 1.96 * chance.since_sd) < 0.015
    assert mean_policy(fit).threshold_mm == pytest.approx([2.0], abs=0.2)


def test_a_reason_that_has_ceased_at_one_depot_is_told_of_that_one():
    rng = np.random.default_rng(15)
    found, groups = at_depots(rng, (1.0, 1.0), (1.5, 1.5), (2.0, 2.0), soiled=(0.1, 0.0))
    fit = fit_policy(found, groups)
    assert (fit.changed_quarters, fit.changed_depots) == (3, ("D0",))
    assert [chance.name for chance in fit.changed_chances] == ["premature"]
    assert mean_policy(fit).premature < 0.005


def left_on_lately(seed: int, often: tuple[float, ...], rows: int = 400) -> AxleDecisions:
    """Linings of 1.5 mm and less are due, and relined until two quarters ago; since, so many are
    left on at each depot."""
    rng, n = np.random.default_rng(seed), rows * len(often)
    group, parts = np.repeat(np.arange(len(often)), rows), []
    for each in often:
        low, quarter = rng.uniform(0.0, 8.0, rows), rng.integers(0, 9, rows)
        stays = (quarter < 2) & (rng.random(rows) < each)
        parts.append((low, quarter, (low <= 1.5) & ~stays))
    low, quarter, done = (np.concatenate(each) for each in zip(*parts, strict=True))
    told = [group, low, np.full(n, NAN), np.full(n, 8.0), np.zeros(n), done, np.zeros(n)]
    made = decisions(np.transpose([*told, np.ones(n)]), ends=1)
    return replace(made, group=group, days_ago=91 * quarter)


@pytest.mark.parametrize("seed", [1, 4])
def test_a_chance_that_hardly_was_is_told_of_all_depots_where_it_changed_at_all(seed):
    """By scores alone the change is that of the depot where most were left on, and then it is not
    likely enough to be told."""
    found = left_on_lately(seed, (0.6, 0.3, 0.3))
    fit = fit_policy(found, PolicyGroups(("front",), ("A", "B", "C")))
    assert (fit.changed_quarters, fit.changed_depots) == (2, ())
    # Of some 50 that were due.
    assert mean_policy(fit).missed == pytest.approx(0.4, abs=0.15)


@pytest.mark.parametrize("seed", [1, 2])
def test_linings_left_on_at_one_depot_alone_are_told_of_it(seed):
    """Nearly all at one depot, none at the others."""
    found = left_on_lately(seed, (0.95, 0.0, 0.0), rows=1500)
    fit = fit_policy(found, PolicyGroups(("front",), ("A", "B", "C")))
    assert (fit.changed_quarters, fit.changed_depots) == (2, ("A",))


def test_a_change_of_two_things_is_told_of_both():
    rng = np.random.default_rng(20)
    fit = fit_policy(decided(rng, 1.0, 3.0, 3, soiled=(0.0, 0.08)), ONE_GROUP)
    assert fit.raised_mm == pytest.approx(2.0, abs=0.2)
    assert [chance.name for chance in fit.changed_chances] == ["premature"]
    assert mean_policy(fit).premature == pytest.approx(0.08, abs=0.03)


def test_a_sharp_threshold_is_found_among_many_relines_for_another_reason():
    """From afar a threshold that varies by two millimetres looks likelier."""
    rng = np.random.default_rng(17)
    low = rng.uniform(0.0, 10.0, 4000)
    done = (low <= 1.5) | (rng.random(4000) < 0.04 * (low < 4.0))
    rows = (np.zeros(4000), low, np.full(4000, NAN), np.full(4000, 8.0), np.zeros(4000), done)
    told = decisions(np.transpose([*rows, np.zeros(4000), np.ones(4000)]), ends=1)
    fit = fit_policy(replace(told, group=np.zeros(4000, int)), ONE_GROUP)
    assert mean_policy(fit).threshold_mm == pytest.approx([1.5], abs=0.05)
    assert mean_policy(fit).spread_mm < 0.1


@pytest.mark.parametrize("depots", [2, 5, 12])
def test_some_depots_of_many_are_asked_for_more(depots):
    """Scores without a change exceed what is asked of them in four of a thousand fleets."""
    rng = np.random.default_rng(depots)
    scores = []
    for _ in range(1500):
        bend = np.full((13, depots), 40.0)
        slope = rng.normal(0.0, np.sqrt(bend))
        scores.append(_likeliest(0, slope, bend).score)
    assert np.mean(np.array(scores) > CHANGE_SCORE) < 0.01


@pytest.mark.proof
def test_a_policy_that_did_not_change_is_seldom_taken_for_one_that_did():
    """Stated ten in a thousand; four or more of 60 have a chance of 0.3 %."""
    rng = np.random.default_rng(12)
    fits = [
        fit_policy(decided(rng, 2.0, 2.0, 3, 300, soiled=(oil, oil)), ONE_GROUP)
        for oil in np.repeat([0.0, 0.02], 30)
    ]
    assert sum(fit.changed_quarters > 0 for fit in fits) <= 3


EVENTS = pl.DataFrame(
    {
        "axle_type": ["front", "front", "front"],
        "depot": ["North"] * 3,
        "recorded": [True, True, False],
        "lag_days": [0, 30, None],
        "reason": ["worn", "worn", None],
        "with_partner": [True, True, True],
        "above_mm": [1.0, 2.0, None],
        "relines": [6, 2, 2],
        "drums": [3, 0, 0],
        "cost": [900.0, None, None],
        "costed": [6, 0, 0],
    }
)


def test_relines_done_later_than_their_visit_keep_their_delay():
    timing = reline_timing(EVENTS)
    assert timing.later_share == pytest.approx(0.25)
    assert timing.later_days.tolist() == [30.0, 30.0]


def test_tables_say_what_is_behind_each_figure():
    data = decisions([(0, 1.0, 2.0, 8.0, 2, 1, 1, 5), (0, 4.0, 5.0, 8.0, 2, 0, 0, 60)])
    fit = fit_policy(data, ONE_GROUP, reline_timing(EVENTS))
    fleet, by_type, cell = threshold_frame(fit, EVENTS).rows(named=True)
    assert (fleet["axle_type"], fleet["depot"], by_type["depot"]) == (None, None, None)
    assert cell["relines"] == 10
    assert cell["relined_at_p50_mm"] == 1.0
    assert cell["ci_low_mm"] < cell["threshold_mm"] < cell["ci_high_mm"]
    facts = {row["fact"]: row for row in habit_facts(fit, EVENTS, data).rows(named=True)}
    assert facts["relines written down"]["value"] == pytest.approx(0.8)
    assert facts["relined at a check visit"]["value"] == pytest.approx(0.75)
    assert facts["cost of a reline on record"]["value"] == pytest.approx(150.0)
    assert facts["drum with a reline"]["value"] == pytest.approx(3 / 8)
    pair = facts["other end of the axle goes along"]
    assert 0 < pair["ci_low"] < pair["value"] < pair["ci_high"] < 1


def test_an_unknown_group_is_named():
    with pytest.raises(ValueError, match="not among the groups"):
        ONE_GROUP.group(pl.Series(["rear"]), pl.Series(["North"]))
