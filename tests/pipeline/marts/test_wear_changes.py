"""A fleet that went over to another make of lining: what is told of it, and forecast with."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.relines.forecast.lines import new_lining_moments
from models.wear.generations.names import axle_type_of, fitted_since, newest
from pipeline.marts.adjustment import wear_since_setting
from pipeline.marts.wear import wear_comparisons, write_wear_marts
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import forecast_relines, known_fleet, linings_now
from pipeline.stages.origins import origins
from pipeline.warehouse import warehouse
from tests.worlds.fleet import ENDS_ON, lived
from tests.worlds.lake import counted
from tests.worlds.world import WORLDS

RATIO = WORLDS["another make of lining half-way"].later_linings
AS_OF = ENDS_ON - dt.timedelta(days=365)
# The records' middle: a year before the as-of day.
SINCE = AS_OF - dt.timedelta(days=365)


@pytest.fixture(scope="module")
def fleet():
    return lived(replace(WORLDS["another make of lining half-way"], units=50), 901)


@pytest.fixture(scope="module")
def run(fleet, tmp_path_factory):
    with counted(fleet, tmp_path_factory.mktemp("another_make"), AS_OF) as made:
        yield made


@pytest.fixture(scope="module")
def fits(run):
    found = fit_wear_and_use(run.con, run.settings, AS_OF)
    write_wear_marts(run.con, found)
    return found


def test_the_change_stands_in_its_mart_and_rates_are_those_of_now(run, fits):
    changes = warehouse.fetch(run.con, "from mart.wear_changes", order="axle_type, duty")
    over_all = changes.filter(pl.col("duty").is_null())
    assert over_all["axle_type"].to_list() == ["front", "rear"]
    for row in over_all.to_dicts():
        assert abs((row["since_on"] - SINCE).days) <= 91
        se = np.log(row["ci_high"] / row["ci_low"]) / 3.92
        assert np.log(row["ratio"]) == pytest.approx(np.log(RATIO), abs=3.0 * se)
        assert row["ci_low"] > 1.05
        assert min(row["units_before"], row["lives_since"]) > 0
    rates = warehouse.fetch(run.con, "from mart.wear_rates", order="axle_type")
    assert rates["axle_type"].to_list() == ["front", "rear"]
    before = changes.filter(pl.col("duty").is_not_null())
    assert (rates["mm_per_10000km"] / before["before_mm_per_10000km"]).to_list() == pytest.approx(
        before["ratio"].to_list()
    )
    for row, since in zip(rates.to_dicts(), over_all["since_on"], strict=True):
        assert f"linings fitted since {since}" in row["note"]
    assert set(wear_comparisons(fits.wear)["axle_type"]) <= {"front", "rear"}


def test_linings_stand_where_they_are_and_new_ones_wear_as_fitted_now(run, fits, fleet):
    model = known_fleet(run.con, fits)
    ends = warehouse.fetch(run.con, "from reduce.wheel_ends_now", order="wheel_end_id")
    moments = new_lining_moments(model.lines)
    late = (ends["fitted_on"] > SINCE).fill_null(value=False).to_numpy()
    assert late.any()
    assert not late.all()
    for axle_type in ("front", "rear"):
        here = (ends["axle_type"] == axle_type).to_numpy()
        ratio = np.mean(moments.rate[here & ~late]) / np.mean(model.lines.rate[here & ~late])
        # Linings in place before the change against those that will follow them.
        assert ratio == pytest.approx(RATIO, rel=0.12)
        same = np.mean(moments.rate[here & late]) / np.mean(model.lines.rate[here & late])
        assert same == pytest.approx(1.0, rel=0.06)
    told = linings_now(run.con, model)
    true = dict(zip(fleet.wheel_end_ids, fleet.lining_mm(AS_OF), strict=True))
    off = told["lining_mm"] - pl.Series([true[i] for i in told["wheel_end_id"]])
    assert off.mean() == pytest.approx(0.0, abs=0.1)  # 0.2 with one rate for all time


def test_nothing_is_told_of_a_wheel_end_that_was_never_read(run, fits):
    """One side that is never measured may wear otherwise than the other: nobody knows."""
    before = forecast_relines(run.con, fits, AS_OF)
    never = before.linings["wheel_end_id"][0]
    run.con.begin()
    run.con.execute(
        """delete from stage.lining_readings where life_id in (
            select life_id from stage.lining_lives where wheel_end_id = ?
        )""",
        [never],
    )
    after = forecast_relines(run.con, fits, AS_OF)
    run.con.rollback()
    for told in ("linings", "dates"):
        of_all = getattr(before, told)
        assert getattr(after, told).equals(of_all.filter(pl.col("wheel_end_id") != never))
    # It wears, and is relined, all the same.
    assert np.array_equal(after.fleet.lines.now_mm, before.fleet.lines.now_mm)


def test_wear_since_a_setting_is_that_of_the_lining_in_place(run, fits):
    since = wear_since_setting(run.con, fits).join(
        warehouse.fetch(run.con, "from stage.stroke_readings"),
        on=["episode_id", "inspected_on", "as_left"],
    )
    km = warehouse.fetch(run.con, "from reduce.stroke_reading_km")
    lives = warehouse.fetch(
        run.con, "select life_id, axle_type, started_on from stage.lining_lives"
    )
    both = (
        since.join(km, on=["episode_id", "inspected_on", "as_left"])
        .join(lives, on="life_id")
        .filter(pl.col("km") > 10_000)
        .with_columns(late=(pl.col("started_on") > SINCE).fill_null(value=False))
    )
    rate = both.group_by("axle_type", "late").agg(rate=pl.col("wear_mm").sum() / pl.col("km").sum())
    for axle_type in ("front", "rear"):
        by = dict(rate.filter(pl.col("axle_type") == axle_type).select("late", "rate").iter_rows())
        assert by[True] / by[False] == pytest.approx(RATIO, rel=0.12)


def test_on_earlier_days_it_was_found_from_what_was_known_then(run, fits):
    """A quarter earlier it may be known; from before the change, nothing of it."""
    assert all(fitted_since(name) for name in newest(fits.wear.axle_types).values())
    then = list(origins(run.con, run.settings, AS_OF, (), range(1, 7)))
    before = [o for o in then if o.as_of < SINCE and o.fleet is not None]
    assert before
    for origin in before:
        columns = origin.fleet.lines.duty_column
        assert len(np.unique(columns)) == len({axle_type_of(n) for n in fits.wear.axle_types})
