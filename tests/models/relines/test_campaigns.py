"""Campaigns: told apart from changed habits and waves of wear, and left out of the policy."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.relines.fleet import _usual_policy
from models.relines.forecast.relining import reline_forecast
from models.relines.policy.campaigns import found_campaign
from models.relines.policy.decisions import AxleDecisions, PolicyGroups, some_decisions
from models.relines.policy.fit import (
    Instead,
    PolicyFit,
    drawn_policies,
    fit_policy,
    mean_policy,
)
from tests.models.relines.test_policy import unknown_ages
from tests.reline_world import World, known_fleet, lived

GROUPS = PolicyGroups(("drive",), ("East",))
EVENTS = pl.DataFrame(schema={"recorded": pl.Boolean, "lag_days": pl.Int64, "relines": pl.Float64})
QUARTERS = 10


def decided(threshold_by_quarter: list[float], wave: int | None = None) -> AxleDecisions:
    """250 axles read between 0 and 8 mm above the minimum at one visit a quarter (half of that in a
    wave of thin ones), and relined below a threshold, give or take half a millimetre."""
    rng, n = np.random.default_rng(1), 250 * QUARTERS
    quarter = np.repeat(np.arange(QUARTERS), 250)
    low = rng.uniform(0.0, 8.0, n) / np.where(quarter == wave, 2.0, 1.0)
    high = low + rng.exponential(0.5, n)
    limit = np.array(threshold_by_quarter)[quarter] + 0.5 * rng.standard_normal(n)
    relined = low < limit
    return AxleDecisions(
        group=np.zeros(n, np.int64),
        low=low,
        high=high,
        has_high=np.ones(n, bool),
        other=np.full(n, 8.0),
        other_ends=np.full(n, 4.0),
        low_relined=relined,
        high_relined=relined,
        visits=np.ones(n),
        days_ago=91 * quarter + np.arange(n) % 91,
        ages=unknown_ages(n),
    )


def raised(*quarters: int, by: float = 2.5) -> list[float]:
    return [1.5 + by * (quarter in quarters) for quarter in range(QUARTERS)]


def threshold(policy: PolicyFit) -> float:
    return float(mean_policy(policy).threshold_mm[0])


@pytest.mark.parametrize("quarters", [(1,), (3,), (4, 5)])
def test_a_campaign_is_found_in_its_quarters_and_the_policy_is_that_of_the_others(quarters):
    decisions = decided(raised(*quarters))
    found = found_campaign(decisions, GROUPS, fit_policy(decisions, GROUPS))
    assert found is not None
    assert tuple(found.quarters) == quarters
    policy, (told,) = _usual_policy(decisions, GROUPS, EVENTS)
    assert (told.first, told.last) == (quarters[0], quarters[-1])
    relined = decisions.low_relined & np.isin(decisions.quarters_ago, quarters)
    assert told.relines == 2 * relined.sum()
    # The same visits under the usual rule, of another draw.
    same = decided(raised()).low_relined.mean() * 250 * len(quarters) * 2
    assert told.usual == pytest.approx(same, rel=0.1)
    assert threshold(policy) == pytest.approx(
        threshold(fit_policy(decided(raised()), GROUPS)), abs=0.1
    )
    assert policy.changed_quarters == 0
    # With the campaign among them it is not that of the others.
    assert abs(threshold(fit_policy(decisions, GROUPS)) - threshold(policy)) > 0.15


@pytest.mark.parametrize(
    "thresholds",
    [
        pytest.param(raised(), id="the same always"),
        pytest.param(raised(0, 1, 2), id="raised three quarters ago"),
        pytest.param(raised(0, 1), id="raised half a year ago"),
        pytest.param(raised(0), id="raised in the last quarter: over, or for good?"),
        pytest.param(raised(*range(5, 10)), id="lowered"),
    ],
)
def test_what_lasts_is_no_campaign(thresholds):
    decisions = decided(thresholds)
    assert found_campaign(decisions, GROUPS, fit_policy(decisions, GROUPS)) is None


def test_a_wave_of_thin_linings_is_no_campaign():
    """As many more are relined as in a small campaign, by the usual rule."""
    decisions = decided(raised(), wave=3)
    assert found_campaign(decisions, GROUPS, fit_policy(decisions, GROUPS)) is None


def test_a_campaign_that_nothing_was_checked_since_may_be_a_habit():
    """Which of both is left open; a few checks that lean to the usual since settle it."""
    every = decided(raised(1))
    told = {}
    for since in (0, 250):
        last = np.flatnonzero(every.quarters_ago == 0)[since:]
        decisions = some_decisions(every, np.setdiff1d(np.arange(len(every.low)), last))
        policy, (campaign,) = _usual_policy(decisions, GROUPS, EVENTS)
        told[since] = policy, campaign.chance
    assert (told[250][0].instead, told[250][1]) == (None, 1.0)
    policy, chance = told[0]
    assert policy.instead is not None
    assert policy.instead.chance == chance == pytest.approx(0.5)
    drawn = drawn_policies(policy, 4000, np.random.default_rng(3))
    limits = np.array([each.threshold_mm[0] for each in drawn])
    usual = threshold(fit_policy(decided(raised()), GROUPS))
    assert np.mean(np.abs(limits - usual) < 0.3) == pytest.approx(0.5, abs=0.05)


def test_days_of_relines_are_those_of_both_policies_by_their_chances():
    """Each as likely by any day as under both, weighed: a median between theirs, and wider."""
    fleet = known_fleet(lived(World(units=20, years_after=0.5), 5))
    raised_by = 3.0 * (np.arange(len(fleet.policy.mean)) == 0)
    thicker = replace(fleet.policy, mean=fleet.policy.mean + raised_by)

    def days(policy: PolicyFit) -> np.ndarray:
        at = (0.25, 0.5, 0.75)
        return reline_forecast(fleet.lines, fleet.ends, fleet.usage, policy, at).days

    early, late = days(thicker), days(fleet.policy)
    assert np.array_equal(days(replace(fleet.policy, instead=Instead(thicker, 1.0))), early)
    assert np.array_equal(days(replace(fleet.policy, instead=Instead(thicker, 0.0))), late)
    both = days(replace(fleet.policy, instead=Instead(thicker, 0.5)))
    apart = np.isfinite(late).all(axis=0) & (early < late).all(axis=0)
    assert apart.sum() > 20
    early, both, late = (each[:, apart] for each in (early, both, late))
    assert ((early[1] <= both[1]) & (both[1] <= late[1])).all()
    assert ((both[2] - both[0]) > 0.99 * (late[2] - late[0])).mean() > 0.5


def test_two_campaigns_are_both_left_out_and_told():
    decisions = decided(raised(2, 7))
    policy, told = _usual_policy(decisions, GROUPS, EVENTS)
    assert sorted((each.first, each.last) for each in told) == [(2, 2), (7, 7)]
    assert threshold(policy) == pytest.approx(
        threshold(fit_policy(decided(raised()), GROUPS)), abs=0.1
    )


def left_on(decisions: AxleDecisions, *quarters: int) -> AxleDecisions:
    """Nine in ten axles that were due in some quarters left on."""
    rng = np.random.default_rng(2)
    stays = np.isin(decisions.quarters_ago, quarters) & (rng.random(len(decisions.low)) < 0.9)
    done = decisions.low_relined & ~stays
    return replace(decisions, low_relined=done, high_relined=done)


@pytest.mark.parametrize("quarters", [(0,), (0, 1), (0, 1, 2)])
def test_linings_left_on_of_late_are_a_pause_and_no_habit(quarters):
    decisions = left_on(decided(raised()), *quarters)
    habit = fit_policy(decisions, GROUPS)
    assert habit.changed_quarters == len(quarters)
    # Taken for a habit it is one of leaving linings on, or of a threshold below the minimum.
    assert mean_policy(habit).missed > 0.5 or threshold(habit) < 0.0
    policy, (told,) = _usual_policy(decisions, GROUPS, EVENTS)
    assert (told.first, told.last, told.is_pause) == (0, quarters[-1], True)
    relined = decisions.low_relined & np.isin(decisions.quarters_ago, quarters)
    assert told.relines == 2 * relined.sum() < 0.2 * told.usual
    assert policy.changed_quarters == 0
    assert mean_policy(policy).missed < 0.05
    before = some_decisions(decisions, np.flatnonzero(decisions.quarters_ago > quarters[-1]))
    assert threshold(policy) == pytest.approx(threshold(fit_policy(before, GROUPS)))


def test_linings_left_on_for_more_than_a_year_are_a_habit():
    policy, told = _usual_policy(left_on(decided(raised()), *range(6)), GROUPS, EVENTS)
    assert told == ()
    assert policy.changed_quarters == 6
    assert mean_policy(policy).missed > 0.5 or threshold(policy) < 0.0


def test_thinner_readings_at_relines_are_no_pause():
    policy, told = _usual_policy(decided(raised(0, 1, 2, by=-1.0)), GROUPS, EVENTS)
    assert told == ()
    assert policy.changed_quarters == 3
    assert threshold(policy) == pytest.approx(0.5, abs=0.3)
