"""A line far above what was read of its lining last comes down to it, and is doubted."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.relines.fleet import fleet_from_tables
from models.relines.forecast.last_reading import ERRORS, held_to_readings
from models.relines.forecast.lines import WheelEndLines
from models.usage.fit import fit_usage
from models.wear.fit import fit_wear
from models.wear.shape.scale import WearScale
from models.wear.sums import lining_life_sums
from tests.reline_world import (
    NO_EVENTS,
    ORIGIN,
    World,
    decision_rows,
    life_rows,
    lived,
    units_frame,
    usage_rows,
    wheel_end_rows,
)


@pytest.fixture(scope="module")
def lines() -> WheelEndLines:
    history = lived(World(units=30, years_after=0.5), 4)
    usage = fit_usage(units_frame(history), usage_rows(history), ORIGIN)
    sums = lining_life_sums(*life_rows(history))
    now, decisions = wheel_end_rows(history), decision_rows(history)
    return fleet_from_tables(fit_wear(sums), sums, usage, now, decisions, NO_EVENTS).lines


def read(lines: WheelEndLines, last_mm: np.ndarray, km_ago: float = 0.0) -> pl.DataFrame:
    return pl.DataFrame({"last_mm": last_mm, "last_km": 100_000.0 - km_ago}).with_columns(
        seen_km=pl.lit(100_000.0)
    )


@pytest.mark.parametrize("km_ago", [0.0, 5_000.0])
def test_a_line_above_its_reading_comes_down_to_it(lines, km_ago):
    since = lines.rate * km_ago / 10_000
    low = lines.now_mm + since - 1.2 * ERRORS * lines.reading_sd
    held = held_to_readings(lines, read(lines, low, km_ago))
    assert held.now_mm == pytest.approx(low - since)
    # What the line said before lies within about two standard deviations.
    assert (lines.now_mm - held.now_mm < 2.0 * np.sqrt(held.var_now)).all()
    assert (held.var_now > lines.var_now).all()


def test_a_line_within_errors_of_its_reading_or_below_it_stays(lines):
    for off in (-0.8 * ERRORS, 0.0, 5.0 * ERRORS, np.nan):
        held = held_to_readings(lines, read(lines, lines.now_mm + off * lines.reading_sd))
        assert np.array_equal(held.now_mm, lines.now_mm)
        assert np.array_equal(held.var_now, lines.var_now)


def test_on_a_scale_on_which_wear_is_even_the_reading_is_put_on_it(lines):
    least, usable = np.full(len(lines), 6.0), np.full(len(lines), 12.0)
    scaled = replace(lines, scale=WearScale(1.0, least, usable))
    held = held_to_readings(scaled, read(lines, np.full(len(lines), 6.5)))
    assert scaled.scale is not None
    even = scaled.scale.even_lining_mm(np.full(len(lines), 6.5))
    high = lines.now_mm - even > ERRORS * lines.reading_sd * 3.0
    assert high.any()
    assert held.now_mm[high] == pytest.approx(even[high])
