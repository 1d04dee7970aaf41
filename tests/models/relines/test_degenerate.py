"""Fleets with next to no records: a sane answer or a word, never a number that is none."""

import dataclasses

import numpy as np
import polars as pl
import pytest

from models.relines.backtest import backtest_frame, pit_frame
from models.relines.budget import budget_frame, budget_months, outlook_frame
from models.relines.fleet import fleet_from_tables
from models.relines.forecast.minimum import minimum_forecast, minimum_frame
from models.relines.forecast.relining import reline_forecast, reline_frame
from models.relines.look_back import date_rows, past_totals, totals_rows
from models.relines.policy.decisions import axle_decisions
from models.relines.scenario_table import scenario_frame
from models.relines.simulation.scenario import AS_NOW, RelineCosts, Scenario
from models.relines.simulation.simulate import FleetModel, simulate_relines
from models.usage.fit import fit_usage
from models.wear.fit import fit_wear
from models.wear.sums import lining_life_sums
from tests.oracles.reline_policy_tables import habit_facts, threshold_frame
from tests.reline_world import (
    NO_EVENTS,
    ORIGIN,
    World,
    decision_rows,
    life_rows,
    lived,
    readings_after,
    relines_after,
    units_frame,
    usage_rows,
    wheel_end_rows,
)

MONTHS = budget_months(ORIGIN, 12)
EVENTS = NO_EVENTS.with_columns(
    axle_type=pl.lit(None, pl.String),
    depot=pl.lit(None, pl.String),
    above_mm=pl.lit(None, pl.Float64),
    drums=pl.lit(0),
    cost=pl.lit(0.0),
    costed=pl.lit(0),
)


def fleet_of(history, **changed) -> FleetModel:
    tables = {
        "units": units_frame(history),
        "usage": usage_rows(history),
        "now": wheel_end_rows(history),
        "decisions": decision_rows(history),
        **changed,
    }
    usage = fit_usage(tables["units"], tables["usage"], ORIGIN)
    sums = lining_life_sums(*life_rows(history))
    return fleet_from_tables(
        fit_wear(sums), sums, usage, tables["now"], tables["decisions"], NO_EVENTS
    )


def every_frame(fleet: FleetModel, history, decisions=None) -> dict[str, pl.DataFrame]:
    """All that a run publishes of this fleet."""
    scenarios = (AS_NOW, Scenario("latest", reline="latest", wait_for_visit=False))
    all_event_counts = simulate_relines(
        fleet, MONTHS.calendar, draws=10, seed=1, scenarios=scenarios
    )
    costs, ends = RelineCosts(lining_kit=10, downtime=5), fleet.ends
    minimum = minimum_forecast(fleet.lines, ends.minimum_mm, fleet.usage)
    reline = reline_forecast(fleet.lines, ends, fleet.usage, fleet.policy)
    until = MONTHS.span_ends[-1]
    after = relines_after(history), readings_after(history)
    past = past_totals(fleet, until, *after, usage_rows(history), draws=10, seed=1)
    judged = [*date_rows(fleet, until, *after), *(totals_rows([past], 1) if past else [])]
    return {
        "minimum": minimum_frame(ends.wheel_end_id, np.zeros(len(ends)), minimum, ORIGIN),
        "reline": reline_frame(ends.wheel_end_id, reline, ORIGIN),
        "budget": budget_frame(fleet, all_event_counts[0], MONTHS, costs),
        "outlook": outlook_frame(all_event_counts[0], MONTHS, costs),
        "scenarios": scenario_frame(scenarios, all_event_counts, MONTHS, costs),
        "thresholds": threshold_frame(fleet.policy, EVENTS),
        "facts": habit_facts(
            fleet.policy,
            EVENTS,
            axle_decisions(
                decision_rows(history) if decisions is None else decisions, fleet.policy.groups
            ),
        ),
        "backtest": backtest_frame(judged),
        "backtest_pit": pit_frame(judged),
    }


def not_numbers(frames: dict[str, pl.DataFrame]) -> list[str]:
    """Columns that hold NaN or infinity."""
    return [
        f"{name}.{column}"
        for name, frame in frames.items()
        for column in frame.select(pl.col(pl.Float64)).columns
        if not frame[column].drop_nulls().is_finite().all()
    ]


WORLDS = {
    "one axle of one unit": World(units=1, axles=1, years_after=1.5),
    "half a year of records": World(units=4, years_before=0.6, years_after=1.5),
    "nothing was ever read twice": World(units=6, years_before=0.4, unread=0.6, years_after=1.5),
    "no spread at all": World(
        units=6,
        wear_unit_sd=0.0,
        wear_life_sd=0.0,
        start_sd=0.0,
        use_unit_sd=0.0,
        use_noise_sd=0.0,
        jitter_days=0.0,
        skipped=0.0,
        years_after=1.5,
    ),
    "linings that hardly wear": World(units=6, rates=((0.001, 0.001),) * 2, years_after=1.5),
    "a visit a month": World(units=6, check_days=28.0, jitter_days=2.0, years_after=1.5),
}


@pytest.mark.parametrize("world", WORLDS.values(), ids=WORLDS.keys())
def test_every_table_is_whole(world):
    history = lived(world, 1)
    frames = every_frame(fleet_of(history), history)
    assert not_numbers(frames) == []
    assert frames["budget"]["relines_mean"].null_count() == 0
    dates = frames["reline"]
    undated = dates.filter(pl.col("reline_on_p90").is_null())
    assert (undated["reline_word"] != "").all()


def test_linings_that_hardly_wear_are_not_dated_but_may_be_relined_for_other_reasons():
    history = lived(WORLDS["linings that hardly wear"], 1)
    frame = every_frame(fleet_of(history), history)["minimum"]
    late = frame.filter(pl.col("min_on_p90").is_null())
    assert late.height > 0
    assert late["min_word"].str.contains("30 years").all()


def test_without_use_on_record_dates_are_words_and_the_budget_is_empty():
    history = lived(World(units=4, years_after=1.5), 1)
    fleet = fleet_of(history, usage=usage_rows(history).clear())
    frames = every_frame(fleet, history)
    assert not_numbers(frames) == []
    assert frames["minimum"]["min_on_p50"].null_count() == len(fleet.ends)
    assert frames["minimum"]["min_word"].unique().to_list() == ["No km on record for its duty."]


def test_without_a_single_decision_the_habit_is_a_guess():
    history = lived(World(units=4, years_after=1.5), 1)
    fleet = fleet_of(history, decisions=decision_rows(history).clear())
    assert fleet.policy.is_guess
    frames = every_frame(fleet, history)
    assert not_numbers(frames) == []
    # Wide: the threshold of a fleet that nobody has seen reline anything.
    assert frames["thresholds"]["se_mm"][0] > 1.5


def test_depots_may_be_missing():
    history = lived(World(units=4, years_after=1.5), 1)
    nowhere = {
        "units": units_frame(history),
        "usage": usage_rows(history),
        "now": wheel_end_rows(history),
        "decisions": decision_rows(history),
    }
    nowhere = {n: f.with_columns(depot=pl.lit(None, pl.String)) for n, f in nowhere.items()}
    fleet = fleet_of(history, **nowhere)
    frame = every_frame(fleet, history, nowhere["decisions"])["budget"]
    parts = frame.filter(pl.col("axle_type").is_not_null())
    assert parts["depot"].null_count() == parts.height > 0
    assert set(parts["axle_type"]) == {"drive", "trailing"}


def test_odometer_offsets_do_not_matter():
    """Forecasts hang on km run, not on where an odometer stands."""
    history = lived(World(units=10, years_after=0.5), 2)
    first = fleet_of(history)
    far = wheel_end_rows(history).with_columns(
        pl.col("seen_km", "start_km", "line_km", "last_km") + 1e7
    )
    second = fleet_of(history, now=far)
    assert second.lines.now_mm == pytest.approx(first.lines.now_mm, abs=1e-6)
    days = [minimum_forecast(f.lines, f.ends.minimum_mm, f.usage).days for f in (first, second)]
    assert days[1] == pytest.approx(days[0], abs=0.4)


def test_a_lining_of_an_unknown_axle_type_counts_in_totals_but_has_no_date():
    history = lived(World(units=10, years_after=0.5), 2)
    strange = wheel_end_rows(history).with_columns(
        axle_type=pl.when(pl.col("unit_id") == "U0000").then(pl.lit("other")).otherwise("axle_type")
    )
    fleet = fleet_of(history, now=strange)
    assert fleet.lines.is_known.sum() == len(fleet.ends) - 6
    relines = simulate_relines(dataclasses.replace(fleet), MONTHS.calendar, draws=20, seed=1)[
        0
    ].relines
    other = fleet.cells.frame().filter(pl.col("axle_type") == "other")["cell"].to_list()
    assert relines[:, :, other].sum() > 0
