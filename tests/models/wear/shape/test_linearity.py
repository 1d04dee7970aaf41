"""Departures from a straight line: seen when drawn, not seen when not, and words for both."""

import numpy as np
import polars as pl
import pytest

from models.mixed.blocks import blocks_from_rows
from models.mixed.fit import fit_mixed
from models.mixed.satterthwaite import wald_test
from models.wear.shape.linearity import (
    _amplitude_limits,
    _bedding_column,
    _bedding_kappa,
    _single,
    readings_rows,
    tried,
    wear_departures,
)
from tests.fleets.linings import DrawnFleet, FleetTruth, draw_fleet


def departures(fleet: DrawnFleet, **options):
    found = wear_departures(fleet.readings, fleet.reading_km, **options)
    return {d.kind: d for d in found}


@pytest.fixture(scope="module")
def bent():
    truth = FleetTruth(bedding_mm=0.6, bedding_km=10_000.0, season_mm=0.3)
    return departures(draw_fleet(1, 100, truth))


def test_bedding_in_is_measured_and_said(bent):
    bedding = bent["bedding-in"]
    assert bedding.estimate == pytest.approx(0.6, abs=4 * bedding.se)
    assert bedding.p_adjusted < 1e-6
    assert "New linings lose" in bedding.sentence
    assert "in about their first" in bedding.sentence


def test_season_is_measured_beside_it(bent):
    season = bent["season"]
    assert season.estimate == pytest.approx(0.3, abs=4 * season.se)
    assert "swing with the season" in season.sentence


def test_bedding_in_does_not_pass_for_curvature(bent):
    assert bent["curvature"].p_adjusted > 0.05
    assert "Wear is steady" in bent["curvature"].sentence


def test_bedding_in_pays_for_the_list_it_was_chosen_from():
    fleet = draw_fleet(3, 40, FleetTruth(bedding_mm=0.05))
    rows = readings_rows(fleet.readings, fleet.reading_km, 1_000)[0]
    trial = tried(rows, {"bedding-in": _bedding_column(rows, 3_000.0)})
    once, thrice = (_single("bedding-in", trial, 1.0, tries) for tries in (1, 3))
    assert thrice.p == pytest.approx(min(3 * once.p, 1.0))
    assert _bedding_kappa(rows)[1] == 3


def test_a_straight_fleet_is_called_straight():
    """Eight straight fleets, three tests each, Holm-adjusted: 0.4 false alarms are expected."""
    alarms = [
        d.p_adjusted < 0.05 for seed in range(8) for d in departures(draw_fleet(seed, 40)).values()
    ]
    assert len(alarms) == 24
    assert sum(alarms) <= 2


def test_a_rate_that_grows_is_seen_as_curvature():
    fleet = draw_fleet(5, 80)
    km = pl.col("km_since_reline") / 1e4
    grown = fleet.readings.with_columns(
        lining_mm=pl.col("lining_mm") - pl.when("start_known").then(0.005 * km**2).otherwise(0.0)
    ).filter("start_known")
    found = departures(DrawnFleet(grown, fleet.reading_km))["curvature"]
    assert found.estimate == pytest.approx(0.01, abs=4 * found.se)
    assert "not steady" in found.sentence


def test_large_fleets_are_tested_on_every_kth_unit():
    fleet = draw_fleet(7, 90)
    part = departures(fleet, most_lives=150)
    whole = departures(fleet)
    assert part["curvature"].df < whole["curvature"].df
    assert part["curvature"].se > whole["curvature"].se


def test_thin_data_get_a_sentence_instead_of_a_number():
    for found in departures(draw_fleet(1, 2)).values():
        assert found.estimate is None
        assert "could not be tested: it takes 20 linings" in found.sentence


def test_no_readings_at_all_get_a_sentence():
    fleet = draw_fleet(1, 1)
    none = wear_departures(fleet.readings.clear(), fleet.reading_km.clear())
    assert [d.p for d in none] == [None] * 3


def test_a_year_is_too_short_for_a_season():
    fleet = draw_fleet(2, 60, FleetTruth(checks=5, change_share=0.0))
    season = departures(fleet)["season"]
    assert season.p is None
    assert "all quarters" in season.sentence


def test_an_f_test_of_two_contrasts_is_exact_in_a_balanced_design():
    """Nine blocks measured alike, slopes by group of three: F is that of a one-way analysis of the
    slopes, with 2 and 6 degrees of freedom."""
    rng = np.random.default_rng(3)
    block, t = np.repeat(np.arange(9), 5), np.tile(np.arange(5.0) - 2.0, 9)
    slope = rng.normal(1.0, 1.0, 9)
    y = rng.normal(0, 2, 9)[block] + slope[block] * t + rng.normal(0, 0.5, 45)
    group = block // 3
    ones = (group[:, None] == np.arange(3)).astype(float)
    x = np.column_stack([ones, t, t * (group == 1), t * (group == 2)])
    fit = fit_mixed(blocks_from_rows(y, x, t, block))
    test = wald_test(fit, np.eye(6)[-2:])
    slopes = np.array([np.polyfit(t[block == b], y[block == b], 1)[0] for b in range(9)])
    means = slopes.reshape(3, 3).mean(axis=1)
    between = 3 * ((means - slopes.mean()) ** 2).sum() / 2
    within = ((slopes.reshape(3, 3) - means[:, None]) ** 2).sum() / 6
    assert test.f == pytest.approx(between / within, rel=1e-6)
    assert test.df2 == pytest.approx(6.0, rel=1e-5)


def test_few_readings_do_not_show_that_wear_is_steady():
    """Absence of a seen bend is not steadiness: ten units, five checks."""
    found = departures(draw_fleet(5, 10, FleetTruth(checks=5)))["curvature"]
    assert found.p > 0.05
    assert found.steady is False
    assert "nor is it shown to be steady" in found.sentence


def test_limits_of_an_amplitude_hold_the_origin_where_the_region_does():
    """A circle of radius 1 about (3, 0) lies between 2 and 4; about (0.5, 0) it holds 0."""
    limits = _amplitude_limits(np.array([3.0, 0.0]), np.eye(2), 1.0)
    assert limits == pytest.approx((2, 4), abs=1e-4)
    assert _amplitude_limits(np.array([0.5, 0.0]), np.eye(2), 1.0)[0] == 0.0
