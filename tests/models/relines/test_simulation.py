"""The steps of the simulation one by one, against what they must come to."""

import dataclasses

import numpy as np
import pytest
from scipy import special

from models.relines.fleet import handed_back
from models.relines.forecast.lines import new_lining_moments
from models.relines.forecast.relining import chance_decided, chance_done_unwritten, chance_pending
from models.relines.policy.fit import HandedBack, RelineTiming
from models.relines.policy.likelihood import SHAPE
from models.relines.simulation.counts import Calendar, EventLog, Events
from models.relines.simulation.draws import Luck, draw_fleet, stream
from models.relines.simulation.filter import (
    Knowledge,
    chance_crossing,
    is_at_risk,
    kalman_predict,
    kalman_update,
    latest_share,
)
from models.relines.simulation.layout import batch_layout
from models.relines.simulation.scenario import DutyMove, Scenario
from models.relines.simulation.simulate import FleetModel, simulate_relines
from models.relines.simulation.state import first_state, reline
from tests.reline_world import World, known_fleet, lived

YEAR = Calendar(np.array([365.0]), np.array([365.0]))


@pytest.fixture(scope="module")
def fleet() -> FleetModel:
    return known_fleet(lived(World(units=20, years_after=0.5), 5))


def test_units_that_change_duty_take_its_rate_for_this_lining_and_the_next(fleet):
    draw = draw_fleet(fleet.lines, fleet.usage, fleet.policy, Luck(stream(1, 0, -1), 3))
    move = Scenario("move", duty_moves=(DutyMove("haul", "local", 1.0),))
    now, moved = (
        batch_layout(fleet.ends, fleet.lines, fleet.usage, fleet.cells, draw, s)
        for s in (Scenario("as_is"), move)
    )
    ends, day = np.arange(len(now.unit)), np.zeros(len(now.unit))
    was_haul = np.tile(fleet.lines.duty, 3)[now.unit] == 0
    column = np.tile(fleet.lines.duty_column, (3, 1))
    change = draw.theta[now.copy, column[:, 1]] - draw.theta[now.copy, column[:, 0]]
    for relined in (False, True):
        rates = []
        for layout in (now, moved):
            state = first_state(draw, layout, fleet.usage)
            if relined:
                log = EventLog(YEAR, len(fleet.ends), 3, fleet.cells.n_cells)
                reline(state, layout, draw, ends, day, log, own_visit=False)
            rates.append(state.rate)
        assert rates[1] - rates[0] == pytest.approx(np.where(was_haul, change, 0.0), abs=1e-12)
    expected = np.log(160 / 300)  # the world's km per day
    assert moved.level_change[np.tile(fleet.lines.duty, 3) == 0].mean() == pytest.approx(
        expected, abs=0.15
    )
    assert (moved.cell - now.cell == was_haul).all()


def test_linings_left_on_below_their_minimum_cross_it_once_each(fleet):
    calendar = Calendar(np.array([3650.0]), np.array([3650.0]))
    late = Scenario("late", reline="threshold", threshold_mm=-1.5, together="wheel_end")
    (event_counts,) = simulate_relines(fleet, calendar, draws=20, seed=1, scenarios=(late,))
    crossings, relines = event_counts.crossings.sum(), event_counts.relines.sum()
    # Every relined lining has crossed, but for a few relined early for other reasons; those that
    # have crossed at the end and still wait are fewer than the wheel ends.
    assert 0.93 * relines < crossings < relines + 20 * len(fleet.ends)
    assert relines > 2 * 20 * len(fleet.ends)


def test_relines_for_other_reasons_come_at_their_rate(fleet):
    mean = fleet.policy.mean.copy()
    mean[len(mean) - len(SHAPE) + SHAPE.index("premature")] = special.logit(0.05)
    policy = dataclasses.replace(fleet.policy, mean=mean, covariance=0 * fleet.policy.covariance)
    thick = dataclasses.replace(
        fleet.lines, now_mm=fleet.lines.new_mm + 20.0, var_now=0 * fleet.lines.var_now
    )
    changed = dataclasses.replace(fleet, policy=policy, lines=thick)
    alone = Scenario("alone", reline="latest", together="wheel_end")
    (event_counts,) = simulate_relines(changed, YEAR, draws=100, seed=2, scenarios=(alone,))
    visits = 365.0 / (fleet.usage.interval_distribution.after_road.length.mean() * 84.0)
    # 2400 relines: known to 2 %; the first interval has begun already.
    assert event_counts.relines.sum() / 100 == pytest.approx(
        0.05 * visits * len(fleet.ends), rel=0.12
    )


def test_units_that_leave_with_new_linings_are_relined_whole_at_their_last_visit(fleet):
    """Thick linings that nobody relines: what is relined is all of the units that leave."""
    spread = fleet.usage.interval_distribution
    leave = dataclasses.replace(spread.leave, shape=400.0, days=400.0 * 730.0)
    usage = dataclasses.replace(
        fleet.usage, interval_distribution=dataclasses.replace(spread, leave=leave)
    )
    thick = dataclasses.replace(
        fleet.lines, now_mm=fleet.lines.new_mm + 20.0, var_now=0 * fleet.lines.var_now
    )
    alone = Scenario("alone", reline="latest", together="wheel_end")
    found = {}
    for share in (0.0, 0.5, 1.0):
        policy = dataclasses.replace(
            fleet.policy, handed_back=HandedBack(share, share, share) if share else None
        )
        changed = dataclasses.replace(fleet, usage=usage, lines=thick, policy=policy)
        (counts,) = simulate_relines(changed, YEAR, draws=100, seed=3, scenarios=(alone,))
        found[share] = counts.relines.sum() / 100
    # One of two years: 1 - exp(-1/2), less those that leave after the year's last visit.
    leavers = len(fleet.ends) * -np.expm1(-365.0 / 730.0)
    assert 0.75 * leavers < found[1.0] - found[0.0] < 1.02 * leavers
    assert found[0.5] - found[0.0] == pytest.approx((found[1.0] - found[0.0]) / 2.0, rel=0.1)


def test_units_that_left_with_new_linings_are_told_from_those_that_happened_to(fleet):
    ends, usage = fleet.ends, fleet.usage
    gone = np.arange(len(usage)) < 8
    usage = dataclasses.replace(usage, present=np.where(gone, 0.0, 1.0))
    worn = np.full(len(ends), 300.0)

    def with_new(units: np.ndarray) -> HandedBack | None:
        age = np.where(np.isin(ends.unit, units), 0.0, worn)
        known = np.ones(len(ends), bool)
        return handed_back(dataclasses.replace(ends, age_at_visit=age, age_known=known), usage)

    most = with_new(np.arange(7))
    assert most is not None
    assert most.share == pytest.approx(7 / 8, abs=0.1)
    assert 0.3 < most.ci_low < most.share < most.ci_high < 1.0
    # Two of eight may have happened to be; and where those that stay are new too it is no habit.
    assert with_new(np.arange(2)) is None
    assert with_new(np.arange(20)) is None
    one_end = dataclasses.replace(
        ends, age_at_visit=np.where(ends.partner < np.arange(len(ends)), 0.0, worn)
    )
    assert handed_back(one_end, usage) is None


def test_relines_after_the_last_month_scrap_nothing():
    log = EventLog(YEAR, 4, 1, 1)
    zero = np.zeros(2, np.int64)
    log.add_relines(
        Events(zero, zero),
        np.array([100.0, 400.0]),
        zero,
        np.array([2.0, 5.0]),
        np.full(2, 10.0),
    )
    event_counts = log.counted()
    assert event_counts.relines.sum() == 1
    assert event_counts.scrapped_mm.tolist() == [2.0]
    assert event_counts.scrapped_share.tolist() == [pytest.approx(0.2)]


def test_what_is_known_of_a_lining_is_the_posterior_of_a_straight_line(fleet):
    """Filtered reading by reading, against one dense Gaussian conditioning."""
    km, readings = np.array([0.8, 1.3, 0.5]), np.array([6.1, 5.2, 5.3])
    prior_mean = np.array([7.0, 0.6])
    prior = np.array([[0.5, 0.06], [0.06, 0.04]])
    known = Knowledge(
        above_mm=prior_mean[:1].copy(),
        rate=prior_mean[1:].copy(),
        var_above=prior[:1, 0].copy(),
        cov=prior[:1, 1].copy(),
        var_rate=prior[1:, 1].copy(),
        fresh=new_lining_moments(fleet.lines),
        reading_var=0.25,
    )
    for x, y in zip(km, readings, strict=True):
        kalman_predict(known, np.array([x]))
        kalman_update(known, np.ones(1, bool), np.array([y]))
    design = np.column_stack([np.ones(3), -np.cumsum(km)])
    gain = prior @ design.T @ np.linalg.inv(design @ prior @ design.T + 0.25 * np.eye(3))
    mean = prior_mean + gain @ (readings - design @ prior_mean)
    cov = prior - gain @ design @ prior
    ahead = np.array([1.0, -km.sum()])
    assert known.above_mm[0] == pytest.approx(ahead @ mean)
    assert known.rate[0] == pytest.approx(mean[1])
    assert known.var_above[0] == pytest.approx(ahead @ cov @ ahead)
    assert known.cov[0] == pytest.approx(ahead @ cov[:, 1])
    assert known.var_rate[0] == pytest.approx(cov[1, 1])


def test_the_latest_share_of_an_interval_just_keeps_the_risk(fleet):
    known = Knowledge(
        above_mm=np.array([2.0, 0.1, 9.0]),
        rate=np.full(3, 1.0),
        var_above=np.full(3, 0.1),
        cov=np.zeros(3),
        var_rate=np.full(3, 0.01),
        fresh=new_lining_moments(fleet.lines),
        reading_var=0.25,
    )
    ends, km = np.arange(3), np.full(3, 2.0)
    share = latest_share(known, ends, km, 0.01, 0.05)
    assert 0.0 < share[0] < 1.0
    # Seven halvings: to 1 % of the interval.
    assert chance_crossing(known, ends, km * share, 0.01)[0] == pytest.approx(0.05, abs=0.006)
    assert share[1] == 0.0
    assert share[2] == pytest.approx(1.0, abs=0.01)
    chance = chance_crossing(known, ends, km, 0.01)
    assert is_at_risk(known, km, 0.01, 0.05).tolist() == (chance > 0.05).tolist()


def test_linings_that_were_due_may_be_new_already_where_relines_go_unwritten(fleet):
    ends = dataclasses.replace(
        fleet.ends,
        above_mm=np.where(np.arange(len(fleet.ends)) < 60, 0.5, np.nan),
    )
    timing = RelineTiming(0.0, np.zeros(0), unwritten_share=0.4)
    policy = dataclasses.replace(fleet.policy, timing=timing)
    decided, unwritten = chance_decided(ends, policy), chance_done_unwritten(ends, policy)
    assert decided[:60].min() > 0.9
    # Bayes: of those decided on, 0.4 leave no trace; of the rest, all are still the old lining.
    expected = 0.4 * decided / (0.4 * decided + 1 - decided)
    assert unwritten == pytest.approx(expected)
    assert (unwritten[60:] == 0.0).all()
    half = Calendar(np.array([200.0]), np.array([200.0]))
    plain = dataclasses.replace(fleet, ends=ends)
    low = dataclasses.replace(
        fleet.lines, now_mm=np.where(np.arange(len(ends)) < 60, 7.5, fleet.lines.now_mm)
    )
    before, after = (
        simulate_relines(dataclasses.replace(plain, lines=low, policy=h), half, draws=60, seed=3)[
            0
        ].relines.sum()
        / 60
        for h in (fleet.policy, policy)
    )
    # 60 linings at half a millimetre: nearly all relined in the first case, few in the second.
    assert before - after == pytest.approx(unwritten[:60].sum(), rel=0.15)


def test_relines_decided_but_not_done_yet_are_waited_for(fleet):
    ends = dataclasses.replace(fleet.ends, above_mm=np.full(len(fleet.ends), 0.5))
    timing = RelineTiming(1.0, np.array([10.0, 20.0, 30.0, 40.0]))
    policy = dataclasses.replace(fleet.policy, timing=timing)
    decided = chance_decided(ends, policy)
    since = np.full(len(ends), 25.0)
    # Two of four delays are over: those relines would have been done by now.
    expected = 0.5 * decided / (1 - 0.5 * decided)
    assert chance_pending(ends, policy, since) == pytest.approx(expected)
    assert chance_pending(ends, fleet.policy, since).tolist() == [0.0] * len(ends)
