"""A fleet whose linings all wear faster since a day: what is told of it, and forecast with."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.relines.forecast.lines import new_lining_moments
from models.wear.generations.names import era_name
from pipeline.marts.adjustment import wear_since_setting
from pipeline.marts.wear import fleet_sums, wear_comparisons, write_wear_marts
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import known_fleet, linings_now
from pipeline.stages.origins import origins
from pipeline.stages.wear_by_day import sums_by_era
from pipeline.warehouse import warehouse
from tests.drawing import warehouse_of
from tests.worlds.fleet import ENDS_ON, lived
from tests.worlds.lake import counted
from tests.worlds.world import WORLDS

WORLD = WORLDS["all linings wear a third faster since ten months"]
AS_OF = ENDS_ON - dt.timedelta(days=365)
SINCE = AS_OF - dt.timedelta(days=304)


@pytest.fixture(scope="module")
def fleet():
    return lived(replace(WORLD, units=50, two_duties=True), 902)


@pytest.fixture(scope="module")
def run(fleet, tmp_path_factory):
    with counted(fleet, tmp_path_factory.mktemp("rougher"), AS_OF) as made:
        yield made


@pytest.fixture(scope="module")
def fits(run):
    found = fit_wear_and_use(run.con, run.settings, AS_OF)
    write_wear_marts(run.con, found)
    return found


def test_the_change_stands_in_its_mart_and_rates_are_those_of_now(run, fits):
    changes = warehouse.fetch(run.con, "from mart.wear_changes", order="axle_type, duty")
    assert set(changes["counted"]) == {"run"}
    over_all = changes.filter(pl.col("duty").is_null())
    assert over_all["axle_type"].to_list() == ["front", "rear"]
    for row in over_all.to_dicts():
        assert abs((row["since_on"] - SINCE).days) <= 61
        se = np.log(row["ci_high"] / row["ci_low"]) / 3.92
        # A month of the old wear among ten of the new moves it by 2 or 3 %.
        error = 3.0 * se + 0.03
        assert np.log(row["ratio"]) == pytest.approx(np.log(WORLD.later_wear), abs=error)
        assert row["ci_low"] > 1.1
        assert min(row["units_before"], row["lives_since"]) > 0
    rates = warehouse.fetch(run.con, "from mart.wear_rates", order="axle_type, duty")
    assert set(rates["duty"]) == {"round town", "trunk"}
    before = changes.filter(pl.col("duty").is_not_null())
    assert before.select("axle_type", "duty").rows() == rates.select("axle_type", "duty").rows()
    assert (rates["mm_per_10000km"] / before["before_mm_per_10000km"]).to_list() == pytest.approx(
        before["ratio"].to_list()
    )
    since = over_all["since_on"][0]
    assert all(f"on km run since {since}" in note for note in rates["note"])
    compared = wear_comparisons(fits.wear)
    assert set(compared["duty_a"]) | set(compared["duty_b"]) == {"round town", "trunk"}


def test_linings_stand_where_they_are_and_all_wear_on_as_since(run, fits, fleet):
    model = known_fleet(run.con, fits)
    assert model.lines.duties == ("round town", "trunk")
    assert model.changed_quarters in {3, 4}
    told = linings_now(run.con, model)
    true = dict(zip(fleet.wheel_end_ids, fleet.lining_mm(AS_OF), strict=True))
    off = told["lining_mm"] - pl.Series([true[i] for i in told["wheel_end_id"]])
    assert off.mean() == pytest.approx(0.0, abs=0.08)  # 0.3 with one rate for all time
    # Those in place and those that will follow them: a third more than was worn a year ago.
    life = fleet.lives.at(fleet.day(AS_OF), np.arange(len(fleet.ends)))
    duty = fleet.roads.duty[fleet.ends.unit, fleet.day(AS_OF)]
    expected = life["rate"] * np.array([0.36, 0.90])[duty] * WORLD.later_wear
    place = {name: n for n, name in enumerate(fleet.wheel_end_ids)}
    at = np.array([place[i] for i in model.ends.wheel_end_id])
    assert np.mean(model.lines.rate / expected[at]) == pytest.approx(1.0, abs=0.05)
    new = new_lining_moments(model.lines).rate
    assert np.mean(new / expected[at]) == pytest.approx(1.0, abs=0.06)


def test_wear_since_a_setting_is_that_of_its_day(run, fits):
    since = wear_since_setting(run.con, fits)
    km = warehouse.fetch(run.con, "from reduce.stroke_reading_km").filter(pl.col("duty") == "trunk")
    keys = ["episode_id", "inspected_on", "as_left"]
    both = since.join(km, on=keys).filter(pl.col("km") > 10_000)
    late = both["inspected_on"] > SINCE + dt.timedelta(days=61)
    rate = [
        part["wear_mm"].sum() / part["km"].sum() for part in (both.filter(~late), both.filter(late))
    ]
    assert rate[1] / rate[0] == pytest.approx(WORLD.later_wear, rel=0.12)


def test_on_earlier_days_it_was_found_from_what_was_known_then(run):
    """From before the change, nothing of it; half a year after, all of it."""
    told = {
        o.as_of: o.fleet.changed_quarters
        for o in origins(run.con, run.settings, AS_OF, (), range(1, 6))
        if o.fleet is not None
    }
    assert [quarters for day, quarters in sorted(told.items()) if day < SINCE] == [0, 0]
    assert told[max(told)] in {2, 3}


CHECKS = """
    unit_id | axle_no | side | inspected_on | odometer_km | lining_mm
    K1      | 1       | L    | 2025-01-01   | 100000      | 9
    K1      | 1       | L    | 2025-04-11   | 120000      | 8
    K1      | 1       | L    | 2025-07-20   | 140000      | 7
"""


def test_km_are_cut_at_the_end_of_the_day_before():
    """By hand: 200 km a day, so 49 days' before 20 February and 51 days' up to the second check."""
    con = warehouse_of(inspections=CHECKS)
    warehouse.build(con, "30_reduce")
    (duty,) = fleet_sums(con).duties
    days = (dt.date(2025, 2, 20), dt.date(2025, 7, 20))
    sums = sums_by_era(con, {duty: days})
    eras = (duty, *(era_name(duty, day) for day in days))
    assert sums.duties == eras
    assert sums.last_km[:, 0].tolist() == pytest.approx([9_800, 30_000, 200])
    # Three readings: 0, 9,800 and 9,800 km before, 0, 10,200 and 30,000 since, and the last day's.
    means = [19_600 / 3, 40_200 / 3, 200 / 3]
    assert sums.gauge.duty_mean_km[:, 0].tolist() == pytest.approx(means)


def test_eras_add_up_to_their_duty(run):
    plain = fleet_sums(run.con)
    cuts = {"trunk": (SINCE - dt.timedelta(days=200), SINCE), "round town": (SINCE,)}
    cut = sums_by_era(run.con, cuts)
    assert cut.life_id.equals(plain.life_id)
    for duty, eras in (("trunk", 3), ("round town", 2)):
        own = [d for d, name in enumerate(cut.duties) if name.startswith(duty)]
        assert len(own) == eras
        place = plain.duties.index(duty)
        for name in ("duty_mean_km", "s_duty_km", "s_duty_mm"):
            whole = getattr(plain.gauge, name)[place]
            assert getattr(cut.gauge, name)[own].sum(axis=0) == pytest.approx(whole, abs=1e-3)
        assert cut.last_km[own].sum(axis=0) == pytest.approx(plain.last_km[place], abs=1e-6)
    # Uncut, they are the same to the last digit but for how they were made.
    same = sums_by_era(run.con, {})
    assert same.duties == plain.duties
    assert same.gauge.s_duty_km == pytest.approx(plain.gauge.s_duty_km)
