"""Visits that look at some of a unit's axles, and what that does to relines to come."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.relines.forecast.relining import reline_forecast
from models.relines.policy.looks import ALWAYS, MOST_WAITED, Looks, fitted_looks
from models.relines.simulation.counts import Calendar
from models.relines.simulation.scenario import Scenario
from models.relines.simulation.simulate import FleetModel, simulate_relines
from tests.reline_world import World, known_fleet, lived

IN_TURN = Looks(np.array([0.0, 0.0, *np.ones(MOST_WAITED - 2)]))
"""Every third visit."""
YEARS = Calendar(np.array([365.0, 730.0]), np.array([365.0, 730.0]))


def counts(rows: list[tuple[int, bool, int, int]]) -> pl.DataFrame:
    schema = {"waited": pl.Int32, "near": pl.Boolean, "visits": pl.Int64, "looked": pl.Int64}
    return pl.DataFrame(rows, schema, orient="row")


def test_axles_looked_at_in_turn_wait_for_it():
    found = fitted_looks(counts([(1, True, 900, 0), (2, True, 890, 0), (3, True, 880, 880)]), 1.0)
    assert found.chance[:3] == pytest.approx([0.0, 0.0, 1.0], abs=0.005)
    assert not found.always


def test_ends_that_are_read_by_chances_of_their_own_are_looked_at_always():
    """By hand: each of two ends unread at half of the visits, both at a quarter."""
    rows = [(1, True, 4000, 3000), (2, True, 1000, 750), (3, True, 250, 188)]
    assert fitted_looks(counts(rows), 0.5).always


def test_who_reads_what_is_thin_alone_looks_at_all_that_matters():
    rows = [(1, False, 900, 90), (2, False, 800, 80), (1, True, 400, 396), (2, True, 4, 3)]
    assert fitted_looks(counts(rows), 1.0).always
    assert not fitted_looks(counts(rows[:2]), 1.0).always


def test_few_visits_tell_nothing():
    assert fitted_looks(counts([(1, True, 20, 5)]), 1.0) is ALWAYS
    assert fitted_looks(counts([]), 1.0) is ALWAYS


@pytest.mark.parametrize("waited", [0, 1, 2, 7, MOST_WAITED])
def test_chances_of_visits_to_come_are_those_of_axles_followed_one_by_one(waited):
    rng = np.random.default_rng(waited)
    looks = Looks(rng.uniform(0.05, 0.9, MOST_WAITED))
    passed_by, seen = np.full(40_000, waited), []
    for _ in range(15):
        looked = looks.looked(passed_by, rng.random(len(passed_by)))
        passed_by = np.where(looked, 0, passed_by + 1)
        seen.append(looked.mean())
    assert looks.by_visit(15)[waited] == pytest.approx(seen, abs=0.011)


def test_every_third_visit_is_just_that():
    assert IN_TURN.by_visit(6)[0].tolist() == [0, 0, 1, 0, 0, 1]
    assert IN_TURN.by_visit(6)[2].tolist() == [1, 0, 0, 1, 0, 0]
    assert ALWAYS.by_visit(3).tolist() == np.ones((MOST_WAITED + 1, 3)).tolist()


@pytest.fixture(scope="module")
def fleet() -> FleetModel:
    return known_fleet(lived(World(units=60, years_after=0.5), 5))


def in_turn(fleet: FleetModel, passed_by: int) -> FleetModel:
    ends = replace(fleet.ends, unread_visits=np.full(len(fleet.ends), passed_by))
    return replace(fleet, ends=ends, policy=replace(fleet.policy, looks=IN_TURN))


def test_a_third_of_each_visit_is_as_a_whole_one_in_three(fleet):
    """Visits three times as often that look at each axle at every third: the same relines."""
    often = Scenario("often", check_interval_factor=1.0 / 3.0)
    whole, third, all_often = (
        simulate_relines(each, YEARS, draws=150, seed=3, scenarios=(scenario,))[0]
        for each, scenario in (
            (fleet, Scenario("as it is")),
            (in_turn(fleet, 0), often),
            (fleet, often),
        )
    )

    def of(counts) -> tuple[float, float]:
        return float(counts.relines.sum(axis=(1, 2)).mean()), float(
            counts.crossings.sum(axis=(1, 2)).mean()
        )

    assert of(third)[0] == pytest.approx(of(whole)[0], rel=0.04)
    assert of(third)[1] == pytest.approx(of(whole)[1], rel=0.25)
    # Looked at every time, far fewer linings reach their minimum in service.
    assert of(all_often)[1] < 0.6 * of(third)[1]


def test_dates_fall_on_visits_that_look(fleet):
    always = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy)
    by_turn = {
        k: reline_forecast(f.lines, f.ends, f.usage, f.policy).visit_days
        for k, f in ((k, in_turn(fleet, k)) for k in (0, 2))
    }
    usual = fleet.usage.usual_days[fleet.ends.unit]
    due = np.isfinite(always.visit_days) & (always.visit_days > 0.0)
    due &= always.visit_days < 0.9 * usual
    assert due.sum() > 5
    # Looked at next: as before; looked at at the third visit: two intervals later, or so.
    assert by_turn[2][due] == pytest.approx(always.visit_days[due], abs=1.0)
    assert by_turn[0][due] - always.visit_days[due] == pytest.approx(2 * usual[due], rel=0.3)
