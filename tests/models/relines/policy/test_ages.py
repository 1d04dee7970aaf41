"""Relines for the lining's age: by hand, recovered from drawn fleets, in dates and in futures."""

import dataclasses

import numpy as np
import pytest
from scipy import optimize, special, stats
from statsmodels.tools.numdiff import approx_fprime

from models.relines.forecast.relining import chance_decided, reline_forecast
from models.relines.policy.age_evidence import AgeEvidence
from models.relines.policy.ages import AgeRule
from models.relines.policy.changes import THRESHOLD, LikelyChange
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
    RelineTiming,
    _covariance,
    _fitted,
    _Form,
    drawn_policies,
    fit_policy,
    mean_policy,
)
from models.relines.policy.likelihood import decision_sums, policy_loglik
from models.relines.simulation.counts import Calendar
from models.relines.simulation.scenario import AS_NOW, Scenario
from models.relines.simulation.simulate import FleetModel, simulate_relines
from tests.reline_world import World, decision_rows, known_fleet, lived

AXLE_SHAPE = np.array([np.log(0.4), *special.logit([0.1, 0.02, 0.01, 0.8, 0.3]), np.log(4.0)])
RULE = np.array([np.log(30.0), special.logit(0.9)])


def decisions(rng: np.random.Generator, rows: int, groups: int = 3) -> AxleDecisions:
    """Any decisions at all."""
    low, has_high = rng.uniform(-1, 6, rows).round(1), rng.random(rows) < 0.9
    high = np.where(rng.random(rows) < 0.2, np.nan, low + rng.exponential(1, rows).round(1))
    weeks, known = rng.integers(0, 150, (3, rows)) * 7.0, np.ones(rows, bool)
    return AxleDecisions(
        group=rng.integers(0, groups, rows),
        low=low,
        high=high,
        has_high=has_high,
        other=rng.integers(0, 16, rows) / 2.0,
        other_ends=2.0 * rng.integers(0, 3, rows),
        low_relined=rng.random(rows) < 0.4,
        high_relined=(rng.random(rows) < 0.3) & has_high,
        visits=rng.integers(1, 9, rows).astype(float),
        days_ago=91 * rng.integers(0, 9, rows),
        ages=LiningAges(weeks[0], known, weeks[1], known, weeks[2]),
    )


def test_a_reading_and_an_age_are_two_chances_to_be_relined():
    """Threshold 2 mm ± 0.4, 600 days ± 30: 1.6 mm after 630, 2.8 mm after 540; 1.5 mm and 660 days
    on the unit's other axle."""
    data = some_decisions(decisions(np.random.default_rng(1), 1, 1), slice(0, 1))
    ages = LiningAges(*(np.array([x]) for x in (630.0, True, 540.0, True, 660.0)))
    row = dataclasses.replace(data, low=np.array([1.6]), high=np.array([2.8]), ages=ages)
    row = dataclasses.replace(row, has_high=np.array([True]), visits=np.ones(1))
    row = dataclasses.replace(row, other=np.array([1.6]), other_ends=np.array([2.0]))
    norm = stats.norm.cdf
    left = {x: 1 - 0.9 * norm((2.0 - x) / 0.4) for x in (1.6, 2.8)}
    young = {a: 1 - 0.9 * norm((a - 600.0) / 30.0) for a in (630.0, 540.0, 660.0)}
    p, q = 1 - 0.99 * left[1.6] * young[630.0], 1 - 0.99 * left[2.8] * young[540.0]
    e = 0.3 * (1 - left[1.6] * young[660.0] * 0.99**2)
    none = (1 - e) * (1 - p) * (1 - q)
    low = (1 - e) * (1 - 0.8 * norm(1.2)) * p * (1 - q)
    high = (1 - e) * (1 - 0.8 * norm(2.4)) * q * (1 - p)
    shape = np.concatenate([AXLE_SHAPE, RULE, [np.log(600.0)]])
    for done, chance in (((0, 0), none), ((1, 0), low), ((0, 1), high), ((1, 1), None)):
        relined = [np.array([bool(x)]) for x in done]
        told = dataclasses.replace(row, low_relined=relined[0], high_relined=relined[1])
        found = policy_loglik(decision_sums(told, by_age=True), np.array([2.0]), shape)[0]
        expected = 1 - none - low - high if chance is None else chance
        assert np.exp(found) == pytest.approx(expected)


def test_the_gradient_is_the_derivative_and_sums_are_those_of_each_row():
    rng = np.random.default_rng(2)
    data = decisions(rng, 300)
    at = np.concatenate([rng.normal(2, 0.3, 3), AXLE_SHAPE, RULE, np.log([450.0, 600.0, 800.0])])
    sums = decision_sums(data, by_age=True)
    value, in_threshold, in_shape = policy_loglik(sums, at[:3], at[3:])
    numeric = optimize.approx_fprime(at, lambda x: policy_loglik(sums, x[:3], x[3:])[0], 1e-6)
    # Forward differences of a sum near 1e4 are good to about 1e-3.
    assert np.concatenate([in_threshold, in_shape]) == pytest.approx(numeric, rel=1e-3, abs=5e-2)
    rows = (some_decisions(data, slice(i, i + 1)) for i in range(300))
    alone = [policy_loglik(decision_sums(r, by_age=True), at[:3], at[3:])[0] for r in rows]
    assert sum(alone) == pytest.approx(value, rel=1e-10)


def test_linings_that_never_grow_so_old_say_what_readings_say():
    data = decisions(np.random.default_rng(3), 200)
    at = np.full(3, 2.0)
    never = np.concatenate([AXLE_SHAPE, RULE, np.full(3, np.log(1e5))])
    aged = policy_loglik(decision_sums(data, by_age=True), at, never)
    plain = policy_loglik(decision_sums(data), at, AXLE_SHAPE)
    assert aged[0] == pytest.approx(plain[0], rel=1e-12)
    assert aged[1] == pytest.approx(plain[1], rel=1e-12)


def test_a_search_begins_at_the_age_that_gains_most_and_with_what_it_gains():
    """Nine of ten linings of 20 weeks or more are relined at visits at which a fiftieth would be by
    their reading; the younger ones are as readings have it."""
    slope = np.array([1.0 / 0.02 - 1.0, -1.0])  # of relined and of left: 1 + slope c
    rows = [
        (age, slope[i], 100.0 * p)
        for age, q in ((70.0, 0.02), (140.0, 0.9), (210.0, 0.9))
        for i, p in enumerate((q, 1.0 - q))
    ]
    age, slopes, times = np.array(rows).T
    found = AgeEvidence(age, slopes, times, np.zeros(6, int))
    days, gain = found.best()
    assert days == 140.0
    c = np.array([0.6, 0.9])  # of those that are tried; 0.9 is near the best
    by_hand = 2.0 * (180.0 * np.log1p(c * slope[0]) + 20.0 * np.log1p(-c))
    assert gain == pytest.approx(by_hand.max())
    never = AgeEvidence(age[:2], slopes[:2], times[:2], np.zeros(2, int))
    assert never.best()[1] == 0.0
    both = found.begins(np.zeros(1, int))
    assert both[0].tolist() == [140.0]
    assert both[1] == pytest.approx(gain)


def history_fit(world: World, seed: int) -> PolicyFit:
    rows = decision_rows(lived(world, seed))
    groups = policy_groups(rows)
    return fit_policy(axle_decisions(rows, groups), groups, usual_days=world.check_days)


UNEVEN = World(years_after=0.5, check_days=60.0, jitter_days=25.0, threshold=(1.4, 1.4))


@pytest.mark.parametrize("seed", [1, 2])
def test_the_age_is_recovered_with_its_stated_error(seed):
    fit = history_fit(dataclasses.replace(UNEVEN, age_days=(600.0, 600.0)), seed)
    rule = mean_policy(fit).by_age
    log_days = [np.log(p.by_age.days) for p in drawn_policies(fit, 400, np.random.default_rng(1))]
    se = np.std(log_days, axis=0)
    assert (se < 0.05).all()
    # Ages are in whole weeks: half of one on either side.
    assert (np.abs(np.log(rule.days / 600.0)) < 3.5 * se + 3.5 / 600.0).all()
    assert rule.spread_days < 20.0
    assert rule.kept > 0.9
    assert 0.4 < fit.age_share < 1.0
    # Thresholds are told apart from it, from fewer linings that came so far.
    assert mean_policy(fit).threshold_mm == pytest.approx(np.full(4, 1.4), abs=0.6)
    assert fit.converged


def test_a_depot_may_have_its_own_age_or_none():
    world = dataclasses.replace(UNEVEN, age_days=(480.0, 760.0))
    north, south = mean_policy(history_fit(world, 3)).by_age.days[:2]
    assert (north, south) == (pytest.approx(480.0, rel=0.06), pytest.approx(760.0, rel=0.06))
    world = dataclasses.replace(UNEVEN, age_days=(600.0, np.inf))
    north, south = mean_policy(history_fit(world, 3)).by_age.days[:2]
    assert north == pytest.approx(600.0, rel=0.06)
    # Beyond where its linings get.
    assert south > 850.0


def test_a_rule_that_is_kept_at_some_visits_only_is_told_from_one_that_always_is():
    world = dataclasses.replace(UNEVEN, age_days=(600.0, 600.0), age_kept=0.5)
    rule = mean_policy(history_fit(world, 4)).by_age
    # Both ends of an axle are done or left: 1 - (1 - kept)^2 of axles.
    assert 1.0 - (1.0 - rule.kept) ** 2 == pytest.approx(0.5, abs=0.12)
    assert rule.days == pytest.approx(np.full(4, 600.0), rel=0.08)


def test_its_covariance_is_the_inverse_of_the_curvature():
    """Against statsmodels' differences of the penalised likelihood's gradient, which the test above
    holds against the likelihood, in every parameter."""
    rows = decision_rows(lived(dataclasses.replace(UNEVEN, age_days=(600.0, 600.0)), 1))
    groups = policy_groups(rows)
    data = axle_decisions(rows, groups)
    form = _Form((fit_policy(data, groups).mean,), by_age=True)
    found = _fitted(data, groups, LikelyChange(2, (THRESHOLD, "missed"), (), 0.0), form)
    # In units of its standard errors: ages are known to days, their spread to a factor.
    covariance = _covariance(found.task, found.at)
    se = np.sqrt(np.diag(covariance))
    slope = approx_fprime(
        np.zeros(len(se)), lambda z: se * found.task.cost(found.at + se * z)[1], 1e-4, centered=True
    )
    assert covariance / np.outer(se, se) @ slope == pytest.approx(np.eye(len(se)), abs=5e-3)


@pytest.mark.parametrize("seed", [1, 2])
def test_drawn_ages_stay_between_what_was_left_on_and_what_was_relined(seed):
    """Checks every 182 days: linings of 728 days are left on and those of 910 relined, by each of
    two depots and on both kinds of axles. The age may be any between, and none below."""
    world = World(
        units=30, years_before=7.0, years_after=0.5, check_days=182.0, jitter_days=1.0, skipped=0.0,
        km_per_day=(100.0, 80.0), threshold=(0.5, 0.5), missed=0.0, age_days=(735.0, 735.0),
    )  # fmt: skip
    fit = history_fit(world, seed)
    assert fit.age_share > 0.8
    rules = [p.by_age for p in drawn_policies(fit, 400, np.random.default_rng(1))]
    ages, groups = np.array([[726.0], [912.0]]), np.arange(4)
    left, done = np.mean([[rule.chance(age, groups) for age in ages] for rule in rules], axis=0)
    assert (left < 0.06).all()
    assert (done > 0.85).all()


def test_no_age_is_found_where_there_is_none():
    """Of 280 fleets drawn so, of seven habits, one had (``tests/bench/WORLDS.md``): one of 20 has a
    chance of 7 %, two of 20 one of 0.3 %."""
    fleets = [history_fit(World(units=30, years_after=0.5), seed) for seed in range(20)]
    assert sum(fit.age_share > 0.0 for fit in fleets) <= 1


ONE_GROUP = PolicyGroups(("front",), ("North",))


def test_an_age_that_is_not_known_lies_between_its_bound_and_where_it_would_have_been_relined():
    rule = AgeRule(np.array([600.0]), 1e-3, 1.0)
    age, known = np.array([400.0, 400.0, 900.0]), np.array([True, False, False])
    since, group = np.full(3, 100.0), np.zeros(3, int)
    places = rule.ages(age, known, since, group, np.array([[0.0], [1.0]]))
    assert places.tolist() == [[400.0, 400.0, 900.0], [400.0, 700.0, 900.0]]
    # Of 400 to 700 days, a third is beyond 600: by eight points, 3 of 8 or 2 of 8.
    chance = rule.chance_at_visit(age, known, since, group)
    assert chance == pytest.approx([0.0, 1.0 / 3.0, 1.0], abs=1.0 / 8.0)


@pytest.fixture(scope="module", params=[0, 1], ids=["all known", "a fifth not known"])
def aged(request) -> FleetModel:
    """Relined at 1.4 mm or 700 days; of every fifth unit no fitting is on record."""
    world = World(units=40, years_after=0.5, age_days=(700.0, 700.0))
    fleet = known_fleet(lived(world, 5))
    assert fleet.policy.age_share > 0.3
    if not request.param:
        return fleet
    unknown = fleet.ends.unit % 5 == 0
    ends = dataclasses.replace(
        fleet.ends,
        age_known=fleet.ends.age_known & ~unknown,
        age_days=np.where(unknown, np.minimum(fleet.ends.age_days, 200.0), fleet.ends.age_days),
    )
    return dataclasses.replace(fleet, ends=ends)


def share_relined(fleet: FleetModel, day: float) -> float:
    """Wheel ends relined at least once by a day, in simulation."""
    edges = np.array([day])
    (counts,) = simulate_relines(fleet, Calendar(edges, edges), draws=600, seed=5)
    return counts.relines.sum(axis=(1, 2)).mean() - counts.second.mean()


def test_dates_agree_with_the_simulation(aged):
    """Both count wheel ends relined at least once by a day; the code has nothing in common."""
    levels = np.linspace(0.02, 0.98, 33)
    days = reline_forecast(aged.lines, aged.ends, aged.usage, aged.policy, levels).days
    grid = np.concatenate([[0.0], levels, [1.0]])
    padded = np.vstack([np.zeros(days.shape[1]), days, days[-1] + 200.0])
    for day in (120.0, 250.0, 400.0):
        closed = sum(np.interp(day, np.minimum(d, 1e9), grid) for d in padded.T)
        # 240 wheel ends, as where none is relined for its age: 5 %.
        assert closed == pytest.approx(share_relined(aged, day), rel=0.05)


def test_no_lining_stays_on_long_after_its_age(aged):
    levels = [0.1, 0.5, 0.9]
    days = reline_forecast(aged.lines, aged.ends, aged.usage, aged.policy, levels).days
    known = aged.ends.age_known
    oldest = mean_policy(aged.policy).by_age.days.max() + 3.0 * aged.usage.usual_days.max()
    assert (days[1] + aged.ends.age_days < oldest)[known].all()
    never = dataclasses.replace(aged.policy, mean=aged.policy.mean[: _plain(aged.policy)])
    later = reline_forecast(aged.lines, aged.ends, aged.usage, never, levels).days
    assert (later[2] + aged.ends.age_days > oldest)[known].any()


def _plain(policy: PolicyFit) -> int:
    """Parameters of the policy that know nothing of ages."""
    return policy.groups.design().shape[1] + len(AXLE_SHAPE)


def test_a_scenario_that_says_when_to_reline_sets_the_rule_aside(aged):
    edges = np.array([365.0, 730.0])
    thin = Scenario("thin", reline="threshold", threshold_mm=0.5)
    now, then = simulate_relines(
        aged, Calendar(edges, edges), draws=60, seed=1, scenarios=(AS_NOW, thin)
    )
    assert then.relines.sum() < 0.8 * now.relines.sum()
    assert then.scrapped_mm.mean() / then.relines.sum() < now.scrapped_mm.mean() / now.relines.sum()


def test_a_lining_that_was_old_at_the_last_visit_may_have_been_relined_without_a_word(aged):
    policy = dataclasses.replace(
        aged.policy, timing=RelineTiming(0.0, np.zeros(0), unwritten_share=0.5)
    )
    thick = dataclasses.replace(
        aged.ends, above_mm=np.full(len(aged.ends), 8.0), age_known=np.ones(len(aged.ends), bool)
    )
    old = np.full(len(thick), 900.0)
    decided = chance_decided(dataclasses.replace(thick, age_at_visit=old), policy)
    fresh = chance_decided(dataclasses.replace(thick, age_at_visit=0.0 * old), policy)
    assert decided.min() > 0.8
    assert fresh.max() < 0.05
