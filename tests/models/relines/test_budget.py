"""The budget's simulation: what must add up, what must not change, and what scenarios do."""

import dataclasses
import datetime as dt

import numpy as np
import pytest

from models.relines.budget import budget_frame, budget_months, inflation, money, outlook_frame
from models.relines.forecast.lines import line_moments
from models.relines.policy.fit import RelineTiming
from models.relines.scenario_table import scenario_frame
from models.relines.simulation.counts import Calendar
from models.relines.simulation.scenario import AS_NOW, DutyMove, RelineCosts, Scenario
from models.relines.simulation.simulate import FleetModel, fleet_model, simulate_relines
from tests.reline_world import ORIGIN, World, known_fleet, lived

COSTS = RelineCosts(
    lining_kit=80, reline_labour=60, drum=150, drum_share=0.3, downtime=50, inflation_per_year=0.03
)
MONTHS = budget_months(ORIGIN, 24)


@pytest.fixture(scope="module")
def fleet() -> FleetModel:
    return known_fleet(lived(World(units=30, years_after=0.5), 2))


def side_by_side(fleet, scenarios, months=MONTHS, *, draws, seed):
    """``as_now`` and the scenarios in the same futures, a row each."""
    every = (AS_NOW, *(s for s in scenarios if s != AS_NOW))
    drawn = simulate_relines(fleet, months.calendar, draws=draws, seed=seed, scenarios=every)
    return scenario_frame(every, drawn, months, COSTS, seed)


@pytest.fixture(scope="module")
def event_counts(fleet):
    return simulate_relines(fleet, MONTHS.calendar, draws=120, seed=1)[0]


def test_the_parts_means_add_up_to_the_totals(fleet, event_counts):
    frame = budget_frame(fleet, event_counts, MONTHS, COSTS)
    total = frame.filter(frame["depot"].is_null()).sort("month")
    means = ("relines_mean", "cost_mean")
    parts = frame.filter(frame["depot"].is_not_null()).select("month", *means)
    summed = parts.group_by("month").sum().sort("month")
    for name in means:
        assert total[name].to_numpy() == pytest.approx(summed[name].to_numpy(), rel=1e-9)
    assert total.height == 24
    assert frame.height == 24 * (1 + 2 * 2 * 2)
    assert set(frame.columns[:5]) == {"month", "days", "depot", "axle_type", "duty"}
    assert not frame.select("relines_mean", "cost_p90").null_count().sum_horizontal().item()


def test_quantiles_are_in_order_and_whole_relines(fleet, event_counts):
    frame = budget_frame(fleet, event_counts, MONTHS, COSTS)
    low, middle, high = (frame[f"relines_{q}"].to_numpy() for q in ("p10", "p50", "p90"))
    assert ((low <= middle) & (middle <= high)).all()
    assert (middle == np.round(middle)).all()
    assert (frame["cost_p10"] <= frame["cost_p90"]).all()


def test_the_outlook_is_the_months_put_together(event_counts):
    outlook = outlook_frame(event_counts, MONTHS, COSTS)
    year = outlook.filter(outlook["months"] == 12).row(0, named=True)
    assert year["from_on"] == dt.date(2025, 7, 1)
    assert year["until_on"] == dt.date(2026, 6, 30)
    draws = event_counts.span_relines[:, :12].sum(axis=1)
    assert year["relines_mean"] == pytest.approx(draws.mean())
    quarters = outlook.filter(outlook["months"] == 3).sort("from_on")
    whole = outlook.filter(outlook["months"] == 24)["relines_mean"].item()
    assert quarters.height == 8
    assert quarters["relines_mean"].sum() == pytest.approx(whole)
    # The as-of day is a month's last: calendar months and months from as-of are the same.
    assert whole == pytest.approx(event_counts.relines.sum(axis=(1, 2)).mean())


def test_doubt_that_all_share_does_not_average_out(fleet):
    """The same variance of every rate, once shared through the fixed effects, once each its own
    (of linings whose own readings say nothing of their rates)."""
    rates = np.unique(fleet.lines.rate_column)
    unread = np.zeros_like(fleet.lines.rate_gradient)
    unread[np.arange(len(unread)), fleet.lines.rate_column] = 1.0
    lines = dataclasses.replace(
        fleet.lines, now_gradient=np.zeros_like(unread), rate_gradient=unread
    )
    cov = np.zeros_like(lines.theta_cov)
    cov[rates, rates] = 0.06**2
    shared = dataclasses.replace(lines, theta_cov=cov)
    together, own = (
        line_moments(shared),
        line_moments(dataclasses.replace(lines, theta_cov=0 * cov)),
    )
    apart = dataclasses.replace(
        lines,
        theta_cov=0 * cov,
        var_now=lines.var_now + together.var_now - own.var_now,
        cov_now_rate=lines.cov_now_rate + together.cov - own.cov,
        var_rate=lines.var_rate + together.var_rate - own.var_rate,
    )
    spread = [
        simulate_relines(
            dataclasses.replace(fleet, lines=each), MONTHS.calendar, draws=1000, seed=3
        )[0]
        .span_relines[:, :12]
        .sum(axis=1)
        .var()
        for each in (shared, apart)
    ]
    # 2,000 draws say 1.51; that of 1,000 is known to 6 %.
    assert spread[0] > 1.25 * spread[1]


def test_the_same_seed_gives_the_same_budget_and_another_does_not(fleet, event_counts):
    again = simulate_relines(fleet, MONTHS.calendar, draws=120, seed=1)[0]
    other = simulate_relines(fleet, MONTHS.calendar, draws=120, seed=2)[0]
    assert (again.relines == event_counts.relines).all()
    assert (other.relines != event_counts.relines).any()


def test_a_scenario_that_changes_nothing_meets_the_same_fate(fleet, event_counts):
    same = Scenario("as it is", use_factor=1.0, check_interval_factor=1.0)
    first, second = simulate_relines(
        fleet, MONTHS.calendar, draws=120, seed=1, scenarios=(same, AS_NOW)
    )
    assert (first.relines == second.relines).all()
    assert (first.relines == event_counts.relines).all()


def test_an_axles_ends_are_relined_together_where_the_scenario_says_so(fleet):
    apart, pairs, units = simulate_relines(
        fleet,
        Calendar(np.array([400.0]), np.array([400.0])),
        draws=60,
        seed=4,
        scenarios=(
            Scenario("apart", reline="threshold", threshold_mm=2, together="wheel_end"),
            Scenario("pairs", reline="threshold", threshold_mm=2, together="axle"),
            Scenario("units", reline="threshold", threshold_mm=2, together="unit"),
        ),
    )
    assert (pairs.relines.sum(axis=(1, 2)) % 2 == 0).all()
    assert (units.relines.sum(axis=(1, 2)) % 6 == 0).all()
    assert (apart.relines.sum(axis=(1, 2)) % 2 == 1).any()
    means = [t.relines.sum(axis=(1, 2)).mean() for t in (apart, pairs, units)]
    assert means[0] < means[1] < means[2]


def compared(fleet, *scenarios, draws=80):
    frame = side_by_side(fleet, scenarios, draws=draws, seed=5)
    return {row["scenario"]: row for row in frame.rows(named=True)}


def test_scenarios_move_relines_scrap_and_crossings_as_they_must(fleet):
    found = compared(
        fleet,
        Scenario("thicker", reline="threshold", threshold_mm=4.0),
        Scenario("thinner", reline="threshold", threshold_mm=1.0),
        Scenario("guarded", guard=True),
        Scenario("latest", reline="latest"),
        Scenario("harder", use_factor=1.3),
        Scenario("lower minimum", minimum_mm={"drive": 5.0, "trailing": 5.0}),
        Scenario("rarer checks", reline="threshold", threshold_mm=1.0, check_interval_factor=2.0),
        Scenario("local work", duty_moves=(DutyMove("haul", "local", 1.0),)),
    )
    now = found["as_now"]
    change = {name: row["relines_change_mean"] for name, row in found.items()}
    assert now["relines_change_p90"] == now["cost_change_mean"] == 0.0
    assert change["thicker"] > 0 > change["thinner"]
    assert change["harder"] > 0 > change["lower minimum"]
    thick, thin = found["thicker"], found["thinner"]
    assert thick["scrapped_mm_per_reline"] > 1.5 + thin["scrapped_mm_per_reline"]
    assert (
        thick["crossings_mean"] < thin["crossings_mean"] < found["rarer checks"]["crossings_mean"]
    )
    assert found["guarded"]["crossings_mean"] < now["crossings_mean"]
    assert found["latest"]["scrapped_mm_per_reline"] < now["scrapped_mm_per_reline"]
    # Local work wears nearly twice as fast per km and runs about half the km.
    assert found["local work"]["relines_change_mean"] == pytest.approx(
        0, abs=0.25 * now["relines_mean"]
    )


def test_the_latest_visit_keeps_the_risk_it_was_given(fleet):
    """A lining is left on only while its chance to cross before the next visit is below it."""
    found = compared(
        fleet,
        Scenario("one", reline="latest", risk=0.01),
        Scenario("ten", reline="latest", risk=0.1),
        draws=150,
    )
    one, ten = found["one"]["crossings_mean"], found["ten"]["crossings_mean"]
    assert one < ten
    # At the last visit it is left on that chance is anywhere below the risk, mostly far below:
    # wear between visits is three SDs of what is known of a lining.
    assert one / found["one"]["relines_mean"] < 0.01
    assert 0.004 < ten / found["ten"]["relines_mean"] < 0.1


def test_visits_of_their_own_come_later_scrap_less_and_cost_downtime(fleet):
    found = compared(
        fleet,
        Scenario("wait", reline="latest", together="axle"),
        Scenario("own", reline="latest", together="axle", wait_for_visit=False),
    )
    wait, own = found["wait"], found["own"]
    assert wait["own_visits_mean"] == 0.0 < own["own_visits_mean"]
    assert own["relines_mean"] < wait["relines_mean"]
    assert own["scrapped_mm_per_reline"] < wait["scrapped_mm_per_reline"]
    assert 2 * own["own_visits_mean"] <= own["relines_mean"] + 1e-9


def test_relines_that_this_fleet_does_late_are_visits_of_their_own(fleet):
    late = RelineTiming(0.5, np.array([20.0, 40.0]))
    policy = dataclasses.replace(fleet.policy, timing=late)
    changed = dataclasses.replace(fleet, policy=policy)
    before, after = (
        simulate_relines(f, MONTHS.calendar, draws=80, seed=6)[0] for f in (fleet, changed)
    )
    relines = after.relines.sum(axis=(1, 2)).mean()
    assert relines == pytest.approx(before.relines.sum(axis=(1, 2)).mean(), rel=0.06)
    # Half of them, two to an axle at most times.
    assert after.visits.sum(axis=(1, 2)).mean() == pytest.approx(relines / 4, rel=0.25)


def test_money_is_relines_times_prices_at_their_month():
    relines = np.array([[10, 20]])
    price = inflation(COSTS, np.array([365.25, 730.5]))
    assert price == pytest.approx([1.03**0.5, 1.03**1.5])
    plain = dataclasses.replace(COSTS, drum_share=0.0)
    assert money(relines, np.array([[2, 0]]), price, plain, 1) == pytest.approx(
        np.array([[(1400 + 100) * price[0], 2800 * price[1]]])
    )
    drums = money(np.full((2_000, 1), 10), np.zeros((2_000, 1), int), np.ones(1), COSTS, 1)
    # 20,000 relines: the share of drums is known to 0.3 %.
    assert drums.mean() == pytest.approx(10 * (140 + 0.3 * 150), rel=0.015)


def test_a_month_that_has_begun_holds_only_its_days_ahead():
    months = budget_months(dt.date(2025, 6, 17), 3)
    assert months.starts == (dt.date(2025, 6, 1), dt.date(2025, 7, 1), dt.date(2025, 8, 1))
    assert months.days_ahead == [13, 31, 31]
    assert months.span_ends[-1] == dt.date(2025, 9, 17)
    with pytest.raises(ValueError, match="at least 1 month"):
        budget_months(ORIGIN, 0)


def test_a_horizon_of_one_month_and_a_fleet_that_is_gone(fleet):
    month = budget_months(ORIGIN, 1)
    (event_counts,) = simulate_relines(fleet, month.calendar, draws=20, seed=1)
    assert budget_frame(fleet, event_counts, month, COSTS)["month"].unique().to_list() == [
        dt.date(2025, 7, 1)
    ]
    gone = dataclasses.replace(fleet.usage, present=np.zeros(len(fleet.usage)))
    (none,) = simulate_relines(
        dataclasses.replace(fleet, usage=gone), MONTHS.calendar, draws=5, seed=1
    )
    assert none.relines.sum() == none.crossings.sum() == 0
    frame = side_by_side(dataclasses.replace(fleet, usage=gone), (), month, draws=5, seed=1)
    assert frame["cost_mean"].to_list() == [0.0]


def test_what_a_scenario_cannot_be_is_said_in_words(fleet):
    with pytest.raises(ValueError, match="risk must be between"):
        Scenario("x", risk=0.0)
    with pytest.raises(ValueError, match="use_factor must be above 0"):
        Scenario("x", use_factor=-1.0)
    with pytest.raises(ValueError, match="share of units"):
        Scenario("x", duty_moves=(DutyMove("haul", "local", 1.5),))
    nobody = Scenario("x", duty_moves=(DutyMove("haul", "quarry", 0.5),))
    with pytest.raises(ValueError, match="nobody runs the duty 'quarry'"):
        simulate_relines(fleet, MONTHS.calendar, draws=1, seed=1, scenarios=(nobody,))
    with pytest.raises(ValueError, match="at least 1"):
        simulate_relines(fleet, MONTHS.calendar, draws=0, seed=1)
    half = dataclasses.replace(fleet.usage, unit_ids=fleet.usage.unit_ids[:2])
    with pytest.raises(ValueError, match="do not fit"):
        fleet_model(fleet.ends, fleet.lines, half, fleet.policy)
