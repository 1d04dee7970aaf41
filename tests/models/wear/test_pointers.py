"""Wear pointers: bias, scale and precision recovered, and the ones nobody reset found by name."""

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.wear.fit import fit_wear
from models.wear.pointers import calibrate_pointers, fit_wear_with_pointers, not_reset_probability
from models.wear.predict import lining_lines, predict_lining
from models.wear.sums import lining_life_sums
from tests.fleets.linings import DrawnFleet, FleetTruth, draw_fleet, reduced
from tests.oracles.wear_crossing import probability_worn

TRUTH = FleetTruth(pointer_share=0.7, unreset_share=0.15)


def reduced_fleet(fleet):
    tables = reduced(fleet.readings, fleet.reading_km)
    return lining_life_sums(*list(tables.values())[:3]), tables["reduce.lining_pointer_pairs"]


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(2, 120, TRUTH)


@pytest.fixture(scope="module")
def joint(fleet):
    return fit_wear_with_pointers(*reduced_fleet(fleet))


def test_bias_and_precision_are_recovered(joint):
    for found, true in zip(joint.calibration.biases, TRUTH.pointer_bias, strict=True):
        assert found.bias_mm == pytest.approx(true, abs=4 * found.bias_se)
    assert joint.calibration.reading_sd_mm == pytest.approx(TRUTH.pointer_sd, rel=0.05)
    assert joint.calibration.setting_sd_mm < 0.2


def test_the_joint_fit_estimates_the_bias_again(joint):
    at = joint.fit.columns.where("pointer")
    se = np.sqrt(np.diag(joint.fit.covariance)[at])
    assert joint.fit.beta[at] == pytest.approx(TRUTH.pointer_bias, abs=4 * se.max())
    assert any("from the gauge on carrying" in note for note in joint.calibration.notes)


def test_pointers_set_with_an_error_leave_the_reading_error_and_the_starts_true():
    """Readings of one life share the setting's error; taken as apart they would narrow the fit."""
    truth = FleetTruth(pointer_share=0.9, pointer_sd=0.5, pointer_setting_sd=1.2)
    joint = fit_wear_with_pointers(*reduced_fleet(draw_fleet(7, 150, truth)))
    found = joint.fit.components
    reading_sd = np.hypot(truth.residual_sd, truth.round_to_mm / np.sqrt(12))
    assert joint.calibration.setting_sd_mm == pytest.approx(truth.pointer_setting_sd, rel=0.1)
    assert found.residual_sd == pytest.approx(reading_sd, rel=0.03)
    assert found.intercept_sd == pytest.approx(truth.intercept_sd, rel=0.2)


def test_linings_that_do_not_wear_straight_leave_the_gauges_error_as_it_is():
    """Both instruments stray with the lining, which their gap hides: weighed by the gap alone,
    pointers would make every reading, and so every band, out to be wider."""
    truth = FleetTruth(pointer_share=0.9, pointer_sd=0.3, bedding_mm=1.5, bedding_km=30_000.0)
    sums, pairs = reduced_fleet(draw_fleet(11, 200, truth))
    alone = fit_wear(sums).components
    both = fit_wear_with_pointers(sums, pairs).fit.components
    assert both.residual_sd == pytest.approx(alone.residual_sd, rel=0.02)


def test_what_pointers_know_of_the_start_is_found_in_the_readings():
    """Of 300 units: put upright at the reline (the trade's way), or showing the thickness itself.

    Linings then spread at their start as drawn; taken for the other kind, pointers would say a
    third less (or, followed, more).
    """
    for follows in (0.0, 1.0):
        truth = FleetTruth(pointer_share=0.9, pointer_sd=0.5, pointer_follows_start=follows)
        joint = fit_wear_with_pointers(*reduced_fleet(draw_fleet(9, 300, truth)))
        weight = joint.calibration.weight
        assert weight is not None
        assert (weight.zeroed is None) == (follows == 1.0)
        assert joint.calibration.setting_sd_mm < 0.2
        found = joint.fit.components
        assert found.intercept_sd == pytest.approx(
            truth.intercept_sd, abs=3 * found.intercept_sd_se
        )


def test_pointers_nobody_reset_are_named(fleet, joint):
    """Renewed thickness is some 10 mm beside a reading error of 1 mm: none is missed or wronged."""
    read = fleet.readings.filter(pl.col("pointer_lining_mm").is_not_null())["life_id"].unique()
    true = fleet.unreset & set(read)
    found = joint.calibration.not_reset
    assert len(true) > 20
    assert set(found["life_id"]) == true
    assert (found["probability"] > 0.5).all()
    note = joint.calibration.notes[-1]
    assert "not reset" in note
    assert found["wheel_end_id"][0] in note


def test_forgotten_pointers_would_spoil_the_calibration_if_kept(fleet, joint):
    """The plain mean gap is off by the share forgotten times the thickness renewed: by five of our
    standard errors and more on the axle type relined often, where ours is within two."""
    both = fleet.readings.filter(pl.col("pointer_lining_mm").is_not_null())
    plain = both.group_by("axle_type").agg(
        (pl.col("pointer_lining_mm") - pl.col("lining_mm")).mean().alias("gap")
    )
    carrying, true = joint.calibration.biases[0], TRUTH.pointer_bias[0]
    gap = plain.filter(pl.col("axle_type") == "carrying")["gap"].item()
    assert abs(gap - true) > 5 * carrying.bias_se
    assert abs(carrying.bias_mm - true) < 2 * carrying.bias_se


def test_pointers_add_to_what_the_gauge_says(fleet):
    """With one gauge reading in four kept, pointers shrink a lining's uncertainty and stay true."""
    sparse = fleet.readings.with_columns(
        pl.when(pl.int_range(pl.len()).over("life_id") % 4 == 0)
        .then("lining_mm")
        .alias("lining_mm")
    ).filter(pl.col("lining_mm").is_not_null() | pl.col("pointer_lining_mm").is_not_null())
    sums, pairs = reduced_fleet(DrawnFleet(sparse, fleet.reading_km))
    joint = fit_wear_with_pointers(sums, pairs)
    with_pointers = lining_lines(joint.fit, joint.sums)
    alone = lining_lines(fit_wear(sums), sums)
    now = predict_lining(with_pointers, np.zeros((3, with_pointers.n_lives)))
    gauge_now = predict_lining(alone, np.zeros((3, alone.n_lives)))
    both = np.isin(with_pointers.life_id.to_numpy(), alone.life_id.to_numpy())
    assert np.median(now.sd_mm[both]) < 0.9 * np.median(gauge_now.sd_mm)
    last = pl.col("inspected_on").max()
    same = (
        fleet.readings.group_by("life_id")
        .agg(last)
        .join(sparse.group_by("life_id").agg(last), on=["life_id", "inspected_on"])
    )
    truth = fleet.lines.join(same, on="life_id")
    frame = pl.DataFrame({"life_id": with_pointers.life_id, "mean": now.mean_mm, "sd": now.sd_mm})
    z = truth.join(frame, on="life_id").select((pl.col("true_mm") - pl.col("mean")) / pl.col("sd"))
    inside = np.abs(z.to_series().to_numpy()) < stats.norm.ppf(0.975)
    assert len(inside) > 400
    assert inside.mean() == pytest.approx(0.95, abs=0.025)


def test_a_pointer_that_drum_wear_drives_on_is_rescaled():
    fleet = draw_fleet(6, 120, FleetTruth(pointer_share=0.8, pointer_scale=0.15))
    sums, pairs = reduced_fleet(fleet)
    joint = fit_wear_with_pointers(sums, pairs)
    for found in joint.calibration.biases:
        assert found.scale == pytest.approx(0.15, abs=4 * found.scale_se)
        assert found.scale_se < 0.02
    assert any("moves 1.1" in note for note in joint.calibration.notes)
    for rate, alone in zip(joint.fit.rates, fit_wear(sums).rates, strict=True):
        assert rate.mm_per_10000km == pytest.approx(alone.mm_per_10000km, abs=2 * alone.se)


@pytest.mark.proof
def test_a_scale_that_is_right_is_not_called_wrong():
    """Gauge error alone tilts the regression of gap on thickness; 12 fleets, 24 scales."""
    z = []
    for seed in range(12):
        fleet = draw_fleet(20 + seed, 30, FleetTruth(pointer_share=0.9))
        sums, pairs = reduced_fleet(fleet)
        found = calibrate_pointers(sums, pairs, fit_wear(sums)).biases
        z += [b.scale / b.scale_se for b in found]
    assert np.mean(z) == pytest.approx(0.0, abs=3 / np.sqrt(24))
    assert np.std(z) == pytest.approx(1.0, abs=0.45)


def test_the_probability_of_no_reset_follows_bayes():
    """Share 0.1, gap -6 mm, variance 4, whole lining 12 mm: by hand."""
    reset = 0.9 * np.exp(-36 / 8) / np.sqrt(2 * np.pi * 4)
    lost = 0.1 / 12
    p = not_reset_probability(np.array([-6.0, 6.0]), np.array([4.0, 4.0]), 0.1, np.array([12.0]))
    assert p == pytest.approx([lost / (lost + reset), 0.0])


def test_gaps_beyond_any_density_are_still_judged():
    p = not_reset_probability(np.array([-500.0, 500.0]), np.array([1.0]), 0.1, np.array([12.0]))
    assert p.tolist() == [1.0, 0.0]


def test_too_few_pairs_leave_the_pointers_out_and_say_so():
    fleet = draw_fleet(3, 2, FleetTruth(pointer_share=0.05))
    joint = fit_wear_with_pointers(*reduced_fleet(fleet))
    assert joint.calibration.weight is None
    assert "left out" in joint.calibration.notes[0]
    assert joint.fit.pointer_weight is None


def test_no_pointers_is_a_sentence():
    joint = fit_wear_with_pointers(*reduced_fleet(draw_fleet(3, 10)))
    assert joint.calibration.notes == ("No wear pointer readings.",)


def test_a_fleet_with_pointers_only_is_fitted_by_them():
    fleet = draw_fleet(4, 40, FleetTruth(pointer_share=1.0, pointer_bias=(0.0, 0.0)))
    only = fleet.readings.with_columns(lining_mm=pl.lit(None, pl.Float64))
    sums, pairs = reduced_fleet(DrawnFleet(only, fleet.reading_km))
    joint = fit_wear_with_pointers(sums, pairs)
    assert joint.fit.components.residual_sd == pytest.approx(0.9, rel=0.1)
    lines = lining_lines(joint.fit, joint.sums)
    assert np.isfinite(probability_worn(lines, 5.0, np.zeros((3, lines.n_lives)))).all()
