"""Fleets that reline at thicker readings at one time of every year, and others that do not."""

from dataclasses import replace

import numpy as np
import pytest

from models.relines.fleet import _usual_policy
from models.relines.forecast.relining import chance_decided, reline_forecast
from models.relines.policy.decisions import some_decisions
from models.relines.policy.fit import (
    PolicyFit,
    YearlyRise,
    drawn_policies,
    fit_policy,
    mean_policy,
)
from models.relines.policy.yearly import TimeOfYear
from models.relines.simulation.counts import Calendar
from models.relines.simulation.simulate import FleetModel, simulate_relines
from tests.models.relines.test_campaigns import EVENTS, GROUPS, decided, raised, threshold
from tests.reline_world import World, known_fleet, lived

QUARTERS = Calendar(91.0 * np.arange(1, 9), 91.0 * np.arange(1, 9))


@pytest.mark.parametrize("quarters", [(1,), (2,), (0, 3)])
def test_a_time_of_the_year_is_found_and_the_rest_keeps_its_own_threshold(quarters):
    those = [q for q in range(10) if q % 4 in quarters]
    policy, campaigns = _usual_policy(decided(raised(*those)), GROUPS, EVENTS)
    assert policy.yearly is not None
    day = np.arange(364)
    found = policy.yearly.when.is_in(day)
    # What has happened is 1.25 days later each year than quarters of 91 days.
    assert (found ^ np.isin(day // 91, quarters)).sum() <= 4
    assert policy.yearly.mm == pytest.approx(2.5, abs=3.0 * policy.yearly.doubt)
    assert policy.yearly.doubt < 0.2
    usual = threshold(fit_policy(decided(raised()), GROUPS))
    assert threshold(policy) == pytest.approx(usual, abs=0.1)
    assert campaigns == ()
    assert policy.changed_quarters == 0


@pytest.mark.parametrize(("latest", "days"), [(70, 30), (350, 45), (140, 63)])
def test_a_month_or_two_of_the_year_are_found(latest, days):
    when = TimeOfYear(latest, days)
    decisions = decided(raised())
    early = when.is_in(decisions.days_ago) & (decisions.low < 5.0)
    relined = decisions.low_relined | early
    policy = fit_policy(replace(decisions, low_relined=relined, high_relined=relined), GROUPS)
    assert policy.yearly is not None
    # Some days have one decision or two of that kind in two years.
    day = np.arange(365)
    assert (policy.yearly.when.is_in(day) ^ when.is_in(day)).sum() <= 4
    assert policy.yearly.mm == pytest.approx(3.5, abs=0.5)


def test_parts_of_a_time_of_the_year():
    """By hand: halves; and no part of one is longer than a quarter."""
    assert TimeOfYear(355.25, 40.0).parts == (TimeOfYear(355.25, 20.0), TimeOfYear(10.0, 20.0))
    assert [part.days for part in TimeOfYear(0, 280).parts] == [70.0] * 4


@pytest.mark.parametrize(
    "quarters",
    [
        pytest.param((), id="the same always"),
        pytest.param((2, 7), id="two campaigns"),
        pytest.param((4,), id="one"),
        pytest.param((0, 1, 2), id="raised since"),
        pytest.param(tuple(range(5, 10)), id="lowered"),
    ],
)
def test_what_does_not_come_every_year_is_no_time_of_the_year(quarters):
    assert fit_policy(decided(raised(*quarters)), GROUPS).yearly is None


def test_a_year_and_a_half_of_records_tells_of_no_time_of_the_year():
    decisions = decided(raised(1, 5))
    young = decisions.quarters_ago < 6
    policy = fit_policy(some_decisions(decisions, np.flatnonzero(young)), GROUPS)
    assert policy.yearly is None


def test_days_of_the_next_such_time():
    """By hand: 91 to 181 days ago, and a year of 365.25 days later."""
    when = TimeOfYear(91, 91)
    assert when.next_days == (184, 274)
    assert when.holds(np.array([183.0, 185.0, 274.0, 276.0])).tolist() == [False, True, True, False]
    assert when.holds(np.array([-90.0, -92.0, -181.0, -183.0])).tolist() == [
        False,
        True,
        True,
        False,
    ]
    over_two = TimeOfYear(273, 182)
    assert over_two.next_days[1] - over_two.next_days[0] == 181
    first, last = over_two.next_days
    assert over_two.holds(np.array([first, last])).all()
    assert not over_two.holds(np.array([first - 2.0, last + 2.0])).any()


def test_drawn_rises_have_the_estimates_mean_and_doubt():
    policy = fit_policy(decided(raised(1, 5, 9)), GROUPS)
    assert policy.yearly is not None
    drawn = drawn_policies(policy, 4_000, np.random.default_rng(1))
    rises = np.array([each.rise_mm for each in drawn])
    assert rises.mean() == pytest.approx(policy.yearly.mm, abs=0.01)
    assert rises.std() == pytest.approx(policy.yearly.doubt, rel=0.06)
    # The threshold then is known better than the rise is.
    both = rises + np.array([each.threshold_mm[0] for each in drawn])
    assert both.std() < rises.std()


@pytest.fixture(scope="module")
def fleet() -> FleetModel:
    return known_fleet(lived(World(units=60, years_after=0.5), 5))


def yearly(fleet: FleetModel, quarter: int, mm: float = 5.0) -> FleetModel:
    """Relined early in one quarter of the year, counted back."""
    none = np.zeros(len(fleet.policy.mean))
    rise = YearlyRise(TimeOfYear(91 * quarter, 91), mm, none, 0.0, 0.0)
    return replace(fleet, policy=replace(fleet.policy, yearly=rise))


def test_relines_to_come_lie_in_that_time_of_the_year(fleet):
    (usual,) = simulate_relines(fleet, QUARTERS, draws=60, seed=3)
    for ahead in range(4):
        (counts,) = simulate_relines(yearly(fleet, 3 - ahead), QUARTERS, draws=60, seed=3)
        by_quarter = counts.relines.sum(axis=2).mean(axis=0)
        often = by_quarter / usual.relines.sum(axis=2).mean(axis=0)
        assert by_quarter[:4].argmax() == ahead
        assert often[ahead] > 1.5
        assert often[(ahead + 1) % 4 + 4 * (ahead == 3)] < 0.7


def test_dates_lie_in_it_as_in_the_simulation(fleet):
    """The mean share relined within half a year, wheel end by wheel end, by both ways."""
    early = yearly(fleet, 2)
    assert mean_policy(early.policy).raised.threshold_mm == pytest.approx(
        mean_policy(early.policy).threshold_mm + 5.0
    )
    levels = np.linspace(0.025, 0.975, 39)
    dates = reline_forecast(early.lines, early.ends, early.usage, early.policy, levels.tolist())
    before = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy, levels.tolist())

    def within(days: np.ndarray, first: float, last: float) -> float:
        return float(((days > first) & (days <= last)).mean())

    assert within(dates.days, 91.0, 182.0) > 2.0 * within(before.days, 91.0, 182.0)
    (counts,) = simulate_relines(early, QUARTERS, draws=100, seed=5)
    first = counts.relines.sum(axis=2).mean(axis=0)[:2].sum() / len(fleet.ends)
    assert within(dates.days, 0.0, 182.0) == pytest.approx(first, rel=0.08)


def test_what_the_last_visit_decided_hangs_on_its_time_of_the_year(fleet):
    ends = replace(
        fleet.ends,
        above_mm=np.full(len(fleet.ends), 4.0),
        just_relined=np.zeros(len(fleet.ends), bool),
        age_days=np.full(len(fleet.ends), 500.0),
        age_at_visit=np.full(len(fleet.ends), 450.0),
    )

    def decided_then(policy: PolicyFit) -> float:
        return float(chance_decided(ends, policy).mean())

    usual = decided_then(fleet.policy)
    # Fifty days ago is of the latest quarter.
    assert decided_then(yearly(fleet, 0).policy) > 0.5 > 10 * usual
    assert decided_then(yearly(fleet, 1).policy) == pytest.approx(usual)
