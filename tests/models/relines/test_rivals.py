"""The plain forecasts that ours are held against: small enough to do by hand."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.relines.rivals import (
    last_years_totals,
    straight_line_days,
    straight_line_totals,
    thickness_at_relines,
)

ORIGIN = dt.date(2025, 6, 30)


def day(n: int) -> dt.date:
    return ORIGIN + dt.timedelta(days=n)


RELINES = pl.DataFrame(
    {
        "wheel_end_id": ["A", "A", "B", "C"],
        "relined_on": [day(-500), day(-300), day(-364), day(20)],
    }
)
# A wears 0.01 mm a day since its reline; B was read once since; D never.
READINGS = pl.DataFrame(
    {
        "wheel_end_id": ["A", "A", "A", "A", "B", "B", "D"],
        "inspected_on": [day(n) for n in (-301, -200, -100, 0, -365, -50, 5)],
        "above_mm": [1.0, 8.0, 7.0, 6.0, 2.0, 9.5, 4.0],
    }
)


def test_last_year_again_counts_the_year_before_the_origin_alone():
    found = last_years_totals(RELINES, ORIGIN, np.array([0.5, 91.8125, 365.75]))
    # B on the first day of the year before, and A: two; a quarter and three quarters of a year.
    assert found.mean == pytest.approx([0.5, 1.5])
    # In pairs: 2 × 0.5 for what comes, and for last year 2 × 2 on a quarter squared.
    assert found.sd[0] == pytest.approx(np.sqrt(1.0 + 0.25))


def test_a_straight_line_goes_through_the_readings_since_the_reline():
    ids = pl.Series(["A", "B", "C", "D"])
    # Relines were read at 1 mm (A, a day before) and 2 mm (B): 1.5 mm on average.
    assert thickness_at_relines(READINGS, RELINES.head(3)) == 1.5
    found = straight_line_days(ids, RELINES, READINGS, ORIGIN)
    assert found[0] == pytest.approx(450.0)
    # One reading: the fleet's slope, here that of A alone.
    assert found[1] == pytest.approx(-50 + 800.0)
    assert np.isinf(found[2:]).all()
    totals = straight_line_totals(found, np.array([0.5, 365.5, 730.5, 1000.5]))
    assert totals.mean.tolist() == [0.0, 1.0, 1.0]


def test_without_a_line_there_is_no_day():
    ids = pl.Series(["A"])
    found = straight_line_days(ids, RELINES.clear(), READINGS.clear(), ORIGIN)
    assert np.isinf(found).all()
