"""From readings to histories: order, splits, misreadings, rounding and wear."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.adjustment.strokes.histories import FARTHEST_HIGH, without_saturated
from models.adjustment.strokes.parameters import COARSE_STEP_MM, Source
from models.adjustment.strokes.readings import (
    GROUP_WEAR_CV,
    MOST_READINGS,
    UNREAD_CV,
    UNREAD_MM_PER_KM,
    prepare_readings,
)
from tests.models.adjustment.test_explanations import histories
from tests.models.adjustment.test_verdicts import RATIO_PER_MM, readings
from tests.oracles.drift_wear import wear_since_setting

FINE = [19, 18, 20, 19, 18, 20]


def test_one_history_per_setting_in_order_of_time():
    later = readings("A/1L", [19, 20]).with_columns(
        episode_id=pl.lit("A/1L@2"), inspected_on=pl.col("inspected_on") + dt.timedelta(weeks=90)
    )
    prepared = prepare_readings(pl.concat([later, readings("B/2R", [19]), readings("A/1L", FINE)]))
    parts = prepared.episodes.select("part_id", "order", "from_last", "readings").rows()
    assert parts == [("A/1L@1#0", 0, 1, 6), ("A/1L@2#0", 1, 0, 2), ("B/2R@1#0", 0, 0, 1)]
    np.testing.assert_allclose(prepared.histories.growth[0], RATIO_PER_MM * np.arange(6))
    assert prepared.histories.used.sum(axis=1).tolist() == [6, 2, 1]


def test_a_single_misreading_is_left_out_and_counted():
    prepared = prepare_readings(readings("A/1L", [19, 18, 91, 19, 18]))
    assert prepared.histories.readings.tolist() == [4]
    assert (prepared.misread, prepared.readings) == (1, 5)
    assert 91 / 150 not in prepared.histories.ratio


def test_the_last_reading_is_never_taken_for_a_misreading():
    assert prepare_readings(readings("A/1L", [19, 18, 20, 91])).misread == 0


def test_a_stroke_that_comes_back_starts_a_part_without_a_setting():
    prepared = prepare_readings(readings("A/1L", [19, 18, 19, 38, 45, 19, 18]))
    assert prepared.episodes["readings"].to_list() == [5, 2]
    assert prepared.histories.source.tolist() == [Source.ADJUSTER_REPLACED, Source.FIRST_READING]
    # The second part counts wear and weeks from its own first reading, on the same adjuster.
    np.testing.assert_allclose(prepared.histories.growth[1, :2], [0.0, RATIO_PER_MM])
    np.testing.assert_allclose(prepared.histories.weeks[1, :2], [0.0, 12.0])
    assert prepared.episodes["same_adjuster"].to_list() == [False, True]


def test_strokes_that_keep_coming_back_are_re_settings_not_misreadings():
    prepared = prepare_readings(readings("A/1L", [19, 18, 38, 19, 18, 39, 19]))
    assert prepared.misread == 0
    assert prepared.episodes["readings"].to_list() == [3, 3, 1]


def test_another_arm_is_another_adjuster():
    frame = readings("A/1L", FINE).with_columns(
        arm_length_mm=pl.when(pl.col("weeks_since_set") < 30).then(150.0).otherwise(165.0)
    )
    prepared = prepare_readings(frame)
    assert prepared.episodes["readings"].to_list() == [3, 3]
    assert prepared.episodes["same_adjuster"].to_list() == [False, False]
    np.testing.assert_allclose(prepared.histories.arm_mm[:, 0], [150.0, 165.0])


def test_unusable_rows_are_passed_over():
    frame = readings("A/1L", FINE)
    spoilt = frame.with_columns(
        stroke_ratio=pl.Series([0.12, None, float("nan"), 0.13, 0.12, 0.13]),
        arm_length_mm=pl.Series([150.0, 150, 150, 0.0, 150, 150]),
    )
    assert prepare_readings(spoilt).histories.readings.tolist() == [3]
    none = prepare_readings(frame.clear())
    assert len(none.histories) == 0


def test_very_long_records_are_thinned():
    strokes = [19 + (i % 3) for i in range(120)]
    prepared = prepare_readings(readings("A/1L", strokes, wear_mm=0.05))
    assert prepared.histories.readings.tolist() == [MOST_READINGS]
    assert prepared.histories.weeks[0, [0, -1]].tolist() == [0.0, 12.0 * 119]


def rounded(reader, step_mm, seed, count=400):
    rng = np.random.default_rng(seed)
    strokes = np.round(rng.normal(19, 2, count) / step_mm) * step_mm
    return pl.concat(
        readings(f"{reader}{i}/1L", [s]).with_columns(reader=pl.lit(reader))
        for i, s in enumerate(strokes.tolist())
    )


def test_readers_who_round_coarsely_are_found():
    frame = pl.concat([rounded("fine", 1.0, 1), rounded("coarse", COARSE_STEP_MM, 2)])
    h = prepare_readings(frame).histories
    var = h.rounding_var_mm2[:, 0]
    coarse = prepare_readings(frame).episodes["wheel_end_id"].str.starts_with("coarse").to_numpy()
    # Uniform over 5 mm has a variance of 25/12; a fine reader's 15 or 20 is just that.
    assert var[coarse].mean() == pytest.approx(25 / 12, rel=0.05)
    assert var[~coarse].mean() < 0.3


def test_inches_are_not_taken_for_coarse_rounding():
    h = prepare_readings(rounded("inch", 25.4 / 16, 3)).histories
    assert h.rounding_var_mm2.max() == 0


def test_wear_nobody_measured_follows_the_groups_rate():
    known = readings("A/1L", FINE, wear_mm=0.9)
    blind = readings("B/1L", FINE).with_columns(
        wear_mm=pl.lit(None, dtype=pl.Float64), wear_sd_mm=pl.lit(None, dtype=pl.Float64)
    )
    h = prepare_readings(pl.concat([known, blind])).histories
    np.testing.assert_allclose(h.growth[1], h.growth[0])
    np.testing.assert_allclose(h.wear_cv, [0.12, GROUP_WEAR_CV])
    alone = prepare_readings(blind).histories
    np.testing.assert_allclose(alone.growth[0, -1], UNREAD_MM_PER_KM * 120_000 * RATIO_PER_MM)
    assert alone.wear_cv.tolist() == [UNREAD_CV]


def test_wear_never_shrinks():
    frame = readings("A/1L", FINE).with_columns(wear_mm=pl.Series([0.0, 1.2, 0.8, -0.5, 2.0, 1.9]))
    h = prepare_readings(frame).histories
    np.testing.assert_allclose(h.growth[0] / RATIO_PER_MM, [0.0, 1.2, 1.2, 1.2, 2.0, 2.0])


def test_readings_past_the_first_extreme_one_are_left_out():
    h = without_saturated(histories([[0.12, 0.13, 0.34, 0.40, 0.41]], 0.13 * np.arange(1, 6)))
    assert h.readings.tolist() == [3]
    assert h.ratio[0, 2] > FARTHEST_HIGH
    assert h.growth[0].tolist() == pytest.approx([0.13, 0.26, 0.39, 0.39, 0.39])


def test_wear_from_thickness_is_shrunk_toward_its_group():
    rng = np.random.default_rng(3)
    n = 3000
    km = np.tile(25_000.0 * np.arange(6), (n, 1))
    rate = rng.normal(4e-5, 6e-6, n)
    lining = 17.0 - rate[:, None] * km + rng.normal(0.0, 0.5, km.shape)
    found = wear_since_setting(np.round(lining * 2) / 2, km, np.zeros(n, dtype=np.int64))
    error = found.mm_per_km - rate
    own = -np.polyfit(km[0], lining.T, 1)[0] - rate
    # In theory 0.79: sqrt(between / (between + own)) with SDs of 6.0 and 4.7 mm per 1,000,000 km.
    assert error.std() == pytest.approx(0.80 * own.std(), rel=0.05)
    # The stated uncertainty is the real one, to the noise of the draws and of its own estimate.
    assert (error / (found.cv * found.mm_per_km)).std() == pytest.approx(1.0, abs=0.08)


def test_wear_without_thickness_readings_is_wide_and_positive():
    km = np.array([[0.0, 1e4, 2e4]])
    found = wear_since_setting(np.full((1, 3), np.nan), km, np.zeros(1, dtype=np.int64))
    assert found.cv[0] == pytest.approx(0.5)
    assert np.all(np.diff(found.wear_mm) > 0)
