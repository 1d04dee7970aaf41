"""Flag limits, changes and sides of an axle: stated rates seen in simulation."""

from dataclasses import replace

import numpy as np
import pytest

from models.adjustment.flags import (
    CHANGE_ALLOWANCE,
    CHANGE_RUN_LENGTH,
    both_sides,
    flag_limit,
    one_step_errors,
    onsets,
    simulate_healthy,
    sudden_changes,
    trouble_by_check,
    usual_habits,
)
from models.adjustment.strokes.parameters import WEEKS_PER_YEAR, Band, Source, prior_parameters
from models.common.control_charts import cusum_limit, cusum_run_length
from tests.models.adjustment.test_explanations import histories

BAND = Band()
PRIORS = prior_parameters(1, BAND)


def healthy(seed, count=1200):
    return simulate_healthy(usual_habits(count), PRIORS, BAND, np.random.default_rng(seed))


def test_the_limit_has_the_rate_of_false_flags_it_was_chosen_for():
    limit, rate = flag_limit(
        healthy(1), PRIORS, BAND, years_per_false_flag=25.0, seed=4, simulated=1200
    )
    assert rate <= 0.04
    fresh = healthy(99, 1200)
    years = fresh.weeks[:, -1].sum() / WEEKS_PER_YEAR
    found = onsets(trouble_by_check(fresh, PRIORS, BAND) > limit) / years
    # Some 100 onsets on either side: each rate is known to about 10 %.
    assert found == pytest.approx(rate, rel=0.40)


def test_rarer_false_flags_need_a_higher_limit():
    limits = [
        flag_limit(healthy(1, 300), PRIORS, BAND, years_per_false_flag=years, simulated=500)[0]
        for years in (20.0, 100.0)
    ]
    assert limits[0] < limits[1]


def test_onsets_count_flags_raised_not_flags_standing():
    flagged = np.array([[0, 1, 1, 0, 1], [1, 1, 1, 1, 1], [0, 0, 0, 0, 0]], dtype=bool)
    assert onsets(flagged) == 3


def test_healthy_wheel_ends_stay_in_band_and_keep_pace():
    made = healthy(5)
    assert abs(made.ratio.mean() - BAND.target) < 5e-4
    reading_sd = PRIORS.reading_sd_mm / 150.0
    setting_sd = PRIORS.setting_sd[Source.ADJUSTER_SET]
    spread = np.hypot(reading_sd, setting_sd)
    assert made.ratio[:, 0].std() == pytest.approx(spread, rel=0.05)


def test_one_step_errors_of_healthy_wheel_ends_are_standard_normal_and_independent():
    habits = usual_habits()
    still = replace(habits, growth=np.zeros_like(habits.growth))
    errors = one_step_errors(
        simulate_healthy(still, PRIORS, BAND, np.random.default_rng(7)), PRIORS
    )
    # 30,000 errors: 0.6 % standard error.
    assert errors.std() == pytest.approx(1.0, abs=0.02)
    assert abs(errors.mean()) < 0.02
    lagged = np.corrcoef(errors[:, :-1].ravel(), errors[:, 1:].ravel())[0, 1]
    assert abs(lagged) < 0.02


def test_changes_are_as_rare_as_stated_on_healthy_wheel_ends():
    made = healthy(8, 3000)
    ever = sudden_changes(made, PRIORS).changed.mean()
    checks = made.ratio.shape[1]
    # Of 1,000 checks per false signal; creep of the keeping deficit adds to it.
    assert ever < 2.5 * checks / CHANGE_RUN_LENGTH
    limit = cusum_limit(CHANGE_ALLOWANCE, CHANGE_RUN_LENGTH)
    assert cusum_run_length(CHANGE_ALLOWANCE, limit) == pytest.approx(CHANGE_RUN_LENGTH)


def test_a_change_is_dated_to_the_reading_that_showed_it():
    level = [0.125, 0.122, 0.128, 0.124]
    found = sudden_changes(histories([[*level, 0.170, 0.230]], 0.13 * np.arange(1, 7)), PRIORS)
    assert found.changed.tolist() == [True]
    assert found.reading.tolist() == [4]


def test_a_wrong_setting_is_no_change():
    steady = [0.175, 0.172, 0.177, 0.174, 0.176, 0.173]
    found = sudden_changes(histories([steady], 0.13 * np.arange(1, 7)), PRIORS)
    assert found.changed.tolist() == [False]


def test_both_sides_of_an_axle():
    axle = np.array([4, 9, 4, 7, 9])
    ratio = np.array([0.15, 0.12, 0.10, 0.13, np.nan])
    apart, other = both_sides(axle, ratio, np.full(5, 0.004), 0.03)
    assert other.tolist() == [2, 4, 0, -1, 1]
    # 0.05 apart, SD 0.0057, limit 0.03: 3.5 SD beyond.
    assert apart[0] == apart[2] == pytest.approx(1.0, abs=1e-3)
    assert apart[[1, 3, 4]].tolist() == [0.0, 0.0, 0.0]
