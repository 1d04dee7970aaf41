"""Control charts against published examples and tables, and against simulation."""

import numpy as np
import pytest

from models.common.control_charts import cusum, cusum_limit, cusum_run_length
from tests.oracles.siegmund import siegmund_run_length

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: group means of a process on 325.
E_HANDBOOK_CUSUM = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
# The two tables below were read second-hand, as the examples of the R package spc quote them.
# Lucas & Crosier (1982) Technometrics 24:199, table 1: two-sided, allowance 0.5, limit 4;
# shift, run length from zero, run length from a head start of 2 (three figures printed).
LUCAS_CROSIER_1982 = [
    *((0.00, 168.0, 149.0), (0.25, 74.2, 62.7), (0.50, 26.6, 20.1), (0.75, 13.3, 8.97)),
    *((1.00, 8.38, 5.29), (1.50, 4.75, 2.86), (2.00, 3.34, 2.01), (2.50, 2.62, 1.59)),
    *((3.00, 2.19, 1.32), (4.00, 1.71, 1.07), (5.00, 1.31, 1.01)),
]
# Vance (1986) Journal of Quality Technology 18: one-sided, allowance 0, limit 10.
VANCE_1986 = [(-0.25, 2071.51), (-0.125, 400.28), (0.0, 124.66), (0.5, 20.37), (1.0, 10.75)]


def test_cusum_of_the_e_handbook() -> None:
    chart = cusum(E_HANDBOOK_CUSUM, target=325.0, allowance=0.3175, limit=4.1959)
    assert chart.signal == 13  # group 14
    np.testing.assert_allclose(chart.upper[[12, 13, 19]], [3.0075, 4.94, 19.035], atol=1e-9)
    np.testing.assert_allclose(chart.lower[[3, 6, 7, 12]], [0.3325, 0.5575, 0.715, 0], atol=1e-9)


@pytest.mark.parametrize(("shift", "from_zero", "from_head_start"), LUCAS_CROSIER_1982)
def test_cusum_run_lengths_of_lucas_and_crosier(
    shift: float, from_zero: float, from_head_start: float
) -> None:
    three_figures = 5e-3
    assert cusum_run_length(0.5, 4, shift) == pytest.approx(from_zero, rel=three_figures)
    headed = cusum_run_length(0.5, 4, shift, head_start=2)
    assert headed == pytest.approx(from_head_start, rel=three_figures)


@pytest.mark.parametrize(("shift", "published"), VANCE_1986)
def test_one_sided_cusum_run_lengths_of_vance(shift: float, published: float) -> None:
    mine = cusum_run_length(0.0, 10.0, shift, two_sided=False)
    # Two decimals printed; the first row needs more nodes than were usual then (2071.572).
    assert mine == pytest.approx(published, abs=0.006, rel=4e-5)


@pytest.mark.parametrize("run_length", [20.0, 168.0, 433.0, 5000.0])
def test_limits_have_the_run_length_asked_for(run_length: float) -> None:
    assert cusum_run_length(0.5, cusum_limit(0.5, run_length)) == pytest.approx(run_length)


def test_run_length_asked_for_is_seen_in_simulation() -> None:
    wanted, series, steps = 120.0, 4000, 1500
    limit = cusum_limit(0.5, wanted)
    draws = np.random.default_rng(20260301).standard_normal((series, steps))
    signal = cusum(draws, target=0.0, allowance=0.5, limit=limit).signal
    assert np.all(signal >= 0)
    # A run length is nearly geometric: its mean over 4000 series has 1.6 % standard error.
    assert (signal + 1).mean() == pytest.approx(wanted, rel=0.05)


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 2.0])
def test_siegmunds_approximation_agrees_with_the_integral_equation(shift: float) -> None:
    exact = cusum_run_length(0.5, 5.0, shift)
    assert siegmund_run_length(0.5, 5.0, shift) == pytest.approx(exact, rel=0.06)


def test_siegmunds_approximation_without_drift_is_its_limit() -> None:
    near = siegmund_run_length(0.5, 4.0, 0.5 + 1e-7)
    assert siegmund_run_length(0.5, 4.0, 0.5) == pytest.approx(near, rel=1e-5)


def test_missing_values_leave_the_charts_where_they_were() -> None:
    seen = [1.0, 2.0, -1.0, 3.0]
    gaps = [1.0, np.nan, 2.0, np.nan, -1.0, 3.0]
    full = cusum(seen, target=0.0, allowance=0.5, limit=9.0)
    holed = cusum(gaps, target=0.0, allowance=0.5, limit=9.0)
    np.testing.assert_array_equal(holed.upper[[0, 2, 4, 5]], full.upper)


def test_charts_of_many_series_equal_charts_one_by_one() -> None:
    draws = np.random.default_rng(3).standard_normal((5, 30))
    together = cusum(draws, target=0.0, allowance=0.5, limit=3.0)
    for i, series in enumerate(draws):
        alone = cusum(series, target=0.0, allowance=0.5, limit=3.0)
        np.testing.assert_array_equal(together.upper[i], alone.upper)
        assert together.signal[i] == alone.signal


def test_a_series_of_nothing_gives_no_signal() -> None:
    assert cusum(np.empty((2, 0)), target=0.0, allowance=0.5, limit=4.0).signal.tolist() == [-1, -1]


def test_an_impossible_run_length_is_refused() -> None:
    with pytest.raises(ValueError, match="shorter than any limit gives"):
        cusum_limit(0.5, 1.0)
