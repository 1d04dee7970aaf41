"""Forecasts against what happened: estimators by hand and by another library, and recovery."""

import dataclasses
import datetime as dt

import numpy as np
import polars as pl
import pytest
from lifelines import KaplanMeierFitter

from models.relines.backtest import (
    DATE_LEVELS,
    Happened,
    backtest_frame,
    date_row,
    low_readings_row,
    median_bias_months,
    pit_frame,
    reached_by,
    reading_row,
    readings_nearest,
    relined_days,
    totals_row,
)
from models.relines.forecast.minimum import minimum_forecast
from models.relines.forecast.relining import reline_forecast
from models.relines.look_back import (
    date_rows,
    past_totals,
    relines_to_count,
    totals_rows,
    unhidden_limit_mm,
)
from models.relines.simulation.counts import Calendar
from models.relines.simulation.simulate import simulate_relines
from tests.reline_world import (
    ORIGIN,
    World,
    first_relines,
    known_fleet,
    lived,
    readings_after,
    relines_after,
    relines_between,
    usage_rows,
)
from tests.reline_world import (
    minimum_days as true_minimum_days,
)

ENDS = pl.Series(["A", "B", "C", "D"])


def day(n: int) -> dt.date:
    return ORIGIN + dt.timedelta(days=n)


def test_the_share_relined_by_a_date_is_the_product_limit_of_another_library():
    """One date for all wheel ends: lifelines' Kaplan-Meier curve at those days."""
    rng = np.random.default_rng(1)
    when = np.floor(rng.exponential(200, 300))
    watched = 365.0
    happened = Happened(np.where(when <= watched, when, np.inf), watched)
    curve = KaplanMeierFitter().fit(np.minimum(when, watched), when <= watched)
    days = np.array([50.0, 150.0, 300.0])
    found, _ = reached_by(np.repeat(days[:, None], 300, axis=1), happened)
    expected = 1.0 - curve.survival_function_at_times(days).to_numpy()
    assert found == pytest.approx(expected, abs=1e-12)


def test_wheel_ends_whose_date_was_not_watched_do_not_count_at_that_level():
    # A: relined in time. B: relined late. C: date beyond the watching, though relined. D: neither.
    quantiles = np.array([[10, 10, 10, 10], [50, 50, 400, 50], [90, 90, 500, 400.0]])
    happened = Happened(np.array([5.0, 70.0, 60.0, np.inf]), 100.0)
    found, at_risk = reached_by(quantiles, happened)
    # By p10: A of four. By p50: none of B and D. By p90: B of B alone.
    assert found == pytest.approx([0.25, 0.25, 1.0])
    assert at_risk == 2


def one_day(day: float, count: int) -> np.ndarray:
    """Every quantile of every date on one day."""
    return np.full((len(DATE_LEVELS), count), day)


def test_dates_hit_to_the_day_are_inside_their_bands():
    """Checks come exactly every 12 weeks: forecasts name one day, and it is the day that comes."""
    row = date_row("reline_on", ORIGIN, one_day(84.0, 50), Happened(np.full(50, 84.0), 400.0))
    assert (row["observed"], row["below"], row["above"]) == (1.0, 0.0, 0.0)
    assert row["strictly_inside"] == 0.0
    assert row["bias"] == 0.0
    assert row["crps"] == 0.0
    # The day holds all of the probability from below the 5 % level to above the 95 % one.
    assert row["pit"] == pytest.approx(np.full(10, 0.1), abs=0.04)


def test_days_beside_a_band_are_early_or_late():
    days = np.repeat(100.0 + 10.0 * np.arange(len(DATE_LEVELS))[:, None], 20, axis=1)
    # p10 is day 110, p90 day 270: five before, ten inside of which four on its ends, five after.
    came = np.array([*[109] * 5, *[110] * 2, *[150] * 6, *[270] * 2, *[271] * 5], float)
    row = date_row("reline_on", ORIGIN, days, Happened(came, 400.0))
    assert (row["below"], row["observed"], row["above"]) == pytest.approx((0.25, 0.5, 0.25))
    assert row["strictly_inside"] == pytest.approx(0.3)
    assert row["n"] == 20


def test_bias_is_the_median_shift_and_late_ones_only_need_to_be_late():
    middle = np.full(12, 100.0)
    seen = np.array([70, 80, 90, 95, 130.4375, 130.4375, 140, 150, *[np.inf] * 4], float)
    assert median_bias_months(middle, Happened(seen, 200.0)) == pytest.approx(1.0)
    assert median_bias_months(middle, Happened(seen, 99.0)) is None
    assert median_bias_months(middle[:4], Happened(seen[:4], 200.0)) is None


def test_few_cases_have_no_share():
    frame = backtest_frame(
        [date_row("reline_on", ORIGIN, one_day(50.0, 4), Happened(np.full(4, 60.0), 200.0))]
    )
    assert frame.select("observed", "below", "crps").null_count().row(0) == (1, 1, 1)
    assert frame.select("measure", "nominal", "n").row(0) == ("reline_on", 0.8, 4)


def test_outcomes_are_read_from_what_came_after_the_origin():
    relines = pl.DataFrame(
        {
            "wheel_end_id": ["A", "A", "B", "C"],
            "relined_on": [day(-10), day(40), day(400), day(20)],
        }
    )
    found = relined_days(ENDS, relines, ORIGIN, day(365))
    assert found.day.tolist() == [40.0, np.inf, 20.0, np.inf]
    assert found.watched == 365.0
    readings = pl.DataFrame(
        {
            "wheel_end_id": ["A", "A", "A", "B", "C", "C"],
            "inspected_on": [day(-5), day(30), day(60), day(90), day(10), day(20)],
            "above_mm": [3.0, 1.0, 11.0, None, 0.5, -0.5],
        }
    )
    seen = readings_nearest(ENDS, readings, found, ORIGIN, day(365), np.array([70.0, 0, 18, 0]))
    # A's nearest reading is of a new lining; as found on the day of a reline is still the old one.
    assert seen.above_mm[[0, 2]].tolist() == [1.0, -0.5]
    assert np.isnan(seen.above_mm[[1, 3]]).all()


def test_readings_and_totals_are_scored_as_they_say():
    mean = np.zeros(20)
    off = np.concatenate([np.full(16, 1.2), np.full(4, 1.5)])
    row = reading_row(ORIGIN, mean, np.ones(20), off, "min_on", 0.6)
    assert (row["measure"], row["observed"], row["bias"]) == ("min_on", 0.8, pytest.approx(2.0))
    chance = low_readings_row(ORIGIN, np.full(20, 0.1), np.where(np.arange(20) < 3, -0.5, 2.0))
    assert (chance["nominal"], chance["observed"]) == (pytest.approx(0.1), 0.15)
    draws = np.tile(np.arange(10.0, 30.0)[:, None], (1, 4))
    total = totals_row("relines_quarter", ORIGIN, draws, np.array([11.0, 10.0, 27.0, 40.0]))
    assert total["observed"] == 0.5
    # Of 20 draws from 10 to 29, p10 is 11 and p90 is 27: both are hit, and count as inside.
    assert (total["below"], total["above"], total["strictly_inside"]) == (0.25, 0.25, 0.0)
    assert total["bias"] == pytest.approx((88 - 78) / 78)
    none = totals_row("relines_quarter", ORIGIN, draws[:, :0], np.zeros(0))
    assert (none["n"], none.get("observed")) == (0, None)


@pytest.fixture(scope="module")
def replicates():
    """Ten fleets of 60 units, each fitted from its own three years of records."""
    found = []
    for seed in range(10):
        history = lived(World(), 100 + seed)
        found.append((history, known_fleet(history)))
    return found


@pytest.mark.proof
def test_reline_dates_cover_what_happened(replicates):
    """p10 to p90 over ten simulated fleets (tests/bench has 200 in several worlds)."""
    by = np.zeros((len(replicates), 3))
    for n, (history, fleet) in enumerate(replicates):
        days = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy).days
        by[n] = (first_relines(history) <= days).mean(axis=1)
    # 3600 wheel ends, alike within an axle and its unit: some 900 independent ones. Three binomial
    # standard errors of 900 at 0.8 are 0.04; the discreteness of visits adds up to 0.02.
    assert by[:, 2].mean() - by[:, 0].mean() == pytest.approx(0.8, abs=0.06)
    assert by[:, 1].mean() == pytest.approx(0.5, abs=0.06)


@pytest.mark.proof
def test_dates_at_the_minimum_cover_what_would_have_happened(replicates):
    by, off = np.zeros((len(replicates), 3)), []
    for n, (history, fleet) in enumerate(replicates):
        days = minimum_forecast(fleet.lines, fleet.ends.minimum_mm, fleet.usage).days
        true = true_minimum_days(history)
        by[n] = (true <= days).mean(axis=1)
        both = np.isfinite(true) & np.isfinite(days[1])
        off.append(true[both].mean() / days[1][both].mean() - 1)
    assert by[:, 2].mean() - by[:, 0].mean() == pytest.approx(0.8, abs=0.05)
    # Each fleet's mean is off by some 2 % from its unit effects and rates.
    assert np.mean(off) == pytest.approx(0.0, abs=0.02)


@pytest.mark.proof
def test_fleet_totals_per_quarter_cover_what_happened(replicates):
    ends = 91.3125 * np.arange(1, 9)
    inside, expected, observed = [], 0.0, 0
    for seed, (history, fleet) in enumerate(replicates):
        (event_counts,) = simulate_relines(fleet, Calendar(ends, ends), draws=200, seed=seed)
        total = event_counts.relines.sum(axis=2)
        edges = [0.0, *ends]
        true = [relines_between(history, a, b) for a, b in zip(edges, ends, strict=False)]
        low, high = np.quantile(total, [0.1, 0.9], axis=0)
        inside.append((true >= low) & (true <= high))
        expected, observed = expected + total.mean(axis=0).sum(), observed + sum(true)
    # 80 quarters, successive ones of a fleet a little alike: three binomial standard errors of 80
    # at 0.82 (whole numbers cover a little more than 0.8) are 0.13.
    assert np.mean(inside) == pytest.approx(0.82, abs=0.13)
    # 3000 relines in pairs: their own Poisson error is 2.6 %.
    assert expected / observed - 1 == pytest.approx(0.0, abs=0.05)


def looked_back(fleet, history, until: dt.date) -> list[dict[str, object]]:
    """Every row of one origin, nothing learned from errors before it."""
    records = relines_after(history), readings_after(history)
    past = past_totals(fleet, until, *records, usage_rows(history), draws=100, seed=1)
    totals = totals_rows([past], 1) if past else []
    return [*date_rows(fleet, until, *records), *totals]


@pytest.mark.proof
def test_the_backtest_of_a_simulated_fleet_finds_its_forecasts_calibrated(replicates):
    until = ORIGIN + dt.timedelta(days=731)
    rows = [row for history, fleet in replicates[:4] for row in looked_back(fleet, history, until)]
    found = (
        backtest_frame(rows)
        .group_by("measure")
        .agg(
            (pl.col("observed", "below", "above") * pl.col("n")).sum() / pl.col("n").sum(),
            pl.col("nominal").mean(),
            pl.col("n").sum(),
            pl.col("bias").mean(),
            pl.col("crps", "crps_straight_line").mean(),
        )
    )
    by = {row["measure"]: row for row in found.rows(named=True)}
    # 1440 wheel ends of 240 units; errors as in the tests above, and a half more.
    for name in ("min_on", "lining_mm"):
        assert by[name]["observed"] == pytest.approx(0.8, abs=0.07), name
    # A band of days holds its ends, so it holds more; neither end is passed too often.
    assert by["reline_on"]["observed"] > 0.73
    assert by["reline_on"]["below"] < 0.17
    assert by["reline_on"]["above"] < 0.17
    assert by["min_now"]["observed"] == pytest.approx(by["min_now"]["nominal"], abs=0.02)
    assert by["lining_mm"]["bias"] == pytest.approx(0.0, abs=0.1)
    assert by["reline_on"]["bias"] == pytest.approx(0.0, abs=1.0)
    assert by["min_on"]["bias"] == pytest.approx(0.0, abs=0.7)
    assert by["relines_quarter"]["n"] == 4 * 4
    assert by["relines_year"]["n"] == 4
    assert abs(by["relines_quarter"]["bias"]) < 0.12
    assert by["reline_on"]["crps"] < by["reline_on"]["crps_straight_line"]
    # Flat to three binomial standard errors of 240 units (0.06), where lumps of days smear it.
    pit = (
        pit_frame(rows)
        .filter(pl.col("measure") == "reline_on")
        .group_by("bin")
        .agg((pl.col("share") * pl.col("n")).sum() / pl.col("n").sum())
    )
    assert pit["share"].sum() == pytest.approx(1.0)
    assert (pit["share"] - 0.1).abs().max() < 0.06


@pytest.mark.proof
def test_a_forecast_that_is_wrong_is_found_out(replicates):
    """Wear taken for a quarter slower than it is: coverage falls and bias shows."""
    history, fleet = replicates[0]
    slow = dataclasses.replace(fleet.lines, rate=0.75 * fleet.lines.rate)
    until = ORIGIN + dt.timedelta(days=731)
    wrong = dataclasses.replace(fleet, lines=slow)
    by = {row["measure"]: row for row in looked_back(wrong, history, until)}
    right = {row["measure"]: row for row in looked_back(fleet, history, until)}
    assert by["reline_on"]["observed"] < 0.65
    assert by["reline_on"]["below"] > 0.3
    assert by["reline_on"]["bias"] < -1.0
    assert by["min_on"]["bias"] < -1.0
    assert by["relines_quarter"]["bias"] > 0.05
    for name in ("reline_on", "relines_quarter", "relines_year"):
        assert by[name]["crps"] > right[name]["crps"], name


@pytest.mark.proof
def test_the_limit_of_the_check_lies_above_every_threshold(replicates):
    fleet = replicates[0][1]
    assert unhidden_limit_mm(fleet) > 2.1 + 3 * 0.5


def test_a_short_watch_has_no_quarters():
    history = lived(World(units=10, years_after=0.5), 1)
    rows = looked_back(known_fleet(history), history, ORIGIN + dt.timedelta(days=40))
    assert "relines_quarter" not in {row["measure"] for row in rows}


@pytest.mark.proof
def test_relines_that_nobody_wrote_down_count_by_their_chance(replicates):
    """The last check may have ended with a reline that no reading has shown yet."""
    _, fleet = replicates[0]
    unwritten = dataclasses.replace(fleet.policy.timing, unwritten_share=0.25)
    now = dataclasses.replace(fleet, policy=dataclasses.replace(fleet.policy, timing=unwritten))
    seen = pl.DataFrame({"wheel_end_id": ["X"], "relined_on": [day(-400)]})
    counted = relines_to_count(seen, now)
    assert counted.head(1).rows() == [("X", day(-400), 1.0)]
    added = counted.slice(1)
    assert added["wheel_end_id"].is_in(fleet.ends.wheel_end_id.to_list()).all()
    assert added["weight"].is_between(0.0, 1.0).all()
    # A quarter of the relines of one round of checks, some 360 / 8 of them, is not on record.
    assert 1.0 < added["weight"].sum() < 30.0
    assert (added["relined_on"] <= ORIGIN).all()
    assert added["relined_on"].min() > day(-200)
    none = relines_to_count(seen, fleet)
    assert none.height == 1
