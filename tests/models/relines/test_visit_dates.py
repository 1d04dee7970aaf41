"""Days of relines where visits keep no calendar: in order, and those of their mixture."""

import datetime as dt
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from models.relines.forecast.relining import _mixture_quantiles
from pipeline.cli import main
from tests.lakes import irregular_lake

PROBABILITIES = np.array([0.1, 0.5, 0.9])
CHANCES = st.lists(st.floats(0.0, 1.0), min_size=2, max_size=30)


@given(st.lists(CHANCES, min_size=1, max_size=5), st.floats(0.0, 0.8), st.floats(-0.5, 0.0))
def test_quantiles_of_dates_are_in_order_and_where_the_mixture_reaches_them(hazards, sd, memory):
    visits = min(len(h) for h in hazards) - 1
    stays = np.cumprod(1.0 - np.array([h[: visits + 1] for h in hazards]).T, axis=0)
    done = 1.0 - stays
    number = np.arange(visits)
    spread = sd * np.sqrt(np.maximum(1.0 + number + 2.0 * memory * number, 1.0))
    found = _mixture_quantiles(done, spread, PROBABILITIES)
    assert (found[:-1] <= found[1:]).all()
    for k, p in enumerate(PROBABILITIES):
        for n in np.flatnonzero(np.isfinite(found[k]) & (done[0] < p)):
            # Within a step of the grid, a sixteenth of the time between visits.
            before, after = (
                done[0, n]
                + np.diff(done[:, n])
                @ special.ndtr((found[k, n] + off - number) / np.maximum(spread, 1e-3))
                for off in (-1 / 16, 1 / 16)
            )
            assert before <= p + 1e-9
            assert after >= p - 1e-9


@pytest.mark.slow
@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 8), st.integers(0, 12))
def test_a_fleet_without_a_calendar_is_forecast_to_the_end(seed, shortest_weeks, more_weeks):
    """From two to twenty weeks between checks: the run ends, and its dates are in order."""
    with TemporaryDirectory() as folder:
        _run_irregular(Path(folder), seed, (shortest_weeks, shortest_weeks + more_weeks))


def test_eight_to_twenty_weeks_between_checks(tmp_path):
    _run_irregular(tmp_path, 1, (8, 20))


def _run_irregular(folder: Path, seed: int, weeks: tuple[int, int]) -> None:
    lake = irregular_lake(folder / "lake", seed, weeks)
    out = folder / "out"
    assert main(["run", str(lake), "--out", str(out)]) == 0
    with duckdb.connect(str(out / "drumline.duckdb"), read_only=True) as con:
        dates = con.sql(
            "select reline_on_p10, reline_on_p50, reline_on_p90 from mart.wheel_end_status"
        ).pl()
    days = [
        (dates[name].drop_nulls() - dt.date(2020, 1, 1)).dt.total_days() for name in dates.columns
    ]
    assert len(days[0]) > dates.height / 2
    in_order = dates.drop_nulls().select(
        (pl.col("reline_on_p10") <= pl.col("reline_on_p50"))
        & (pl.col("reline_on_p50") <= pl.col("reline_on_p90"))
    )
    assert in_order.to_series().all()
