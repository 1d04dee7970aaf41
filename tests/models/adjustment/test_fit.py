"""The fleet's own parameters: recovered where there are records, the stated priors where not."""

import numpy as np
import polars as pl
import pytest

from models.adjustment.strokes.fit import fit_drift
from models.adjustment.strokes.parameters import (
    PRIOR_PER_YEAR,
    PRIOR_READING_SD_MM,
    WEEKS_PER_YEAR,
    Band,
    Kind,
    Source,
    prior_parameters,
)
from models.adjustment.strokes.readings import prepare_readings
from tests.fleets.strokes import (
    CHECK_WEEKS,
    SET_WRONG,
    STUCK,
    DriftWorld,
    draw_strokes,
    readings_frame,
)

REPLACED = Source.ADJUSTER_REPLACED


@pytest.fixture(scope="module")
def drawn():
    return draw_strokes(4000, seed=11, world=DriftWorld(checks=8))


@pytest.fixture(scope="module")
def fit(drawn):
    prepared = prepare_readings(readings_frame(drawn, 7))
    return fit_drift(prepared.histories, len(prepared.groups))


def test_the_fit_converges_uphill(fit):
    assert fit.converged
    # The priors count too, so the likelihood alone may dip by what they pull back.
    assert np.all(np.diff(fit.log_likelihood) > -1e-3)
    assert fit.log_likelihood[-1] > fit.log_likelihood[0]


def test_reading_error_and_setting_spread_are_recovered(fit, drawn):
    # 1 mm of error, rounded to whole mm; 28,000 readings know it to 0.5 %.
    assert fit.parameters.reading_sd_mm == pytest.approx(np.sqrt(1 + 1 / 12), rel=0.03)
    right = drawn.start[(drawn.kind != SET_WRONG)]
    assert fit.parameters.setting_sd[REPLACED] == pytest.approx(right.std(), rel=0.08)
    mean = fit.parameters.setting_mean[:, REPLACED].mean()
    assert mean == pytest.approx(right.mean(), abs=4 * right.std() / np.sqrt(len(right)))


def test_shares_of_wrong_settings_are_recovered(fit, drawn):
    share = fit.parameters.wrong_share[:, REPLACED].mean(axis=0)
    off = drawn.start[drawn.kind == SET_WRONG] - 0.125
    drawn_share = np.array([(off < 0).sum(), (off > 0).sum()]) / len(drawn)
    np.testing.assert_allclose(share, drawn_share, atol=0.012)  # 2.5 binomial SE, shrinkage
    np.testing.assert_allclose(
        fit.parameters.wrong_mean, [off[off < 0].mean(), off[off > 0].mean()], atol=0.005
    )


def test_the_rate_of_sticking_is_recovered(fit, drawn):
    late = (drawn.kind == STUCK) & (drawn.began > 0) & (drawn.began < drawn.world.checks)
    years = CHECK_WEEKS * np.where(late, drawn.began, drawn.world.checks) / WEEKS_PER_YEAR
    expected = late.sum() / years.sum()
    found = fit.parameters.per_year[:, Kind.STUCK].mean()
    # Those that stuck just before their last check cannot be seen yet.
    assert found == pytest.approx(expected, rel=0.20)


def test_few_records_leave_the_stated_priors_standing():
    few = prepare_readings(readings_frame(draw_strokes(6, seed=2), 1))
    parameters = fit_drift(few.histories, len(few.groups)).parameters
    assert parameters.reading_sd_mm == pytest.approx(PRIOR_READING_SD_MM, rel=0.10)
    np.testing.assert_allclose(parameters.per_year[0], PRIOR_PER_YEAR, rtol=0.25)


def test_no_records_at_all_give_exactly_the_priors():
    none = prepare_readings(readings_frame(draw_strokes(2, seed=2), 0)[:0])
    fit = fit_drift(none.histories, 1)
    prior = prior_parameters(1, Band())
    assert fit.episodes == 0
    assert fit.parameters.reading_sd_mm == prior.reading_sd_mm
    np.testing.assert_array_equal(fit.parameters.per_year, prior.per_year)


def test_a_group_of_its_own_is_told_apart_and_a_thin_one_follows_the_fleet():
    world = DriftWorld(checks=6, shares=(0.9, 0.05, 0.03, 0.01, 0.01))
    bad = DriftWorld(checks=6, shares=(0.5, 0.05, 0.03, 0.40, 0.02))
    frames = [
        readings_frame(draw_strokes(1500, 1, world), 5),
        readings_frame(draw_strokes(300, 2, bad), 5),
    ]
    frames[1] = frames[1].with_columns(
        duty=pl.lit("quarry"),
        axle_type=pl.lit("driven"),
        wheel_end_id=pl.lit("B") + pl.col("wheel_end_id"),
        episode_id=pl.lit("B") + pl.col("episode_id"),
    )
    prepared = prepare_readings(pl.concat(frames))
    rates = fit_drift(prepared.histories, len(prepared.groups) + 1).parameters.per_year
    stuck = dict(zip(prepared.groups, rates[:, Kind.STUCK], strict=False))
    others = [rate for pair, rate in stuck.items() if pair[1] != "quarry"]
    assert stuck["driven", "quarry"] > 5 * max(others)
    # The group nobody has seen lies at the fleet's rate, between the two.
    assert max(others) < rates[-1, Kind.STUCK] < stuck["driven", "quarry"]


def test_rates_are_the_same_whatever_the_order_of_the_records():
    frame = readings_frame(draw_strokes(500, seed=3), 3)
    shuffled = frame.sample(fraction=1.0, shuffle=True, seed=1)
    one, other = (fit_drift(prepare_readings(f).histories, 4).parameters for f in (frame, shuffled))
    np.testing.assert_allclose(one.per_year, other.per_year, rtol=1e-9)
    assert one.reading_sd_mm == pytest.approx(other.reading_sd_mm)
