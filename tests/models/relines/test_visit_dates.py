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

from models.relines.forecast.relining import _quantiles
from models.usage.interval_distribution import IntervalSample, Pool
from models.usage.visits import (
    POINTS,
    VisitSlots,
    _left_of,
    _on_grid,
    visit_density,
    visit_slots,
)
from pipeline.cli import main
from tests.lakes import irregular_lake

PROBABILITIES = np.array([0.1, 0.5, 0.9])
CHANCES = st.lists(st.floats(0.0, 1.0), min_size=2, max_size=30)


LENGTHS = st.lists(st.floats(0.2, 3.0), min_size=1, max_size=12)


def pile_of(lengths: list[float]) -> Pool:
    length = np.sort(np.array(lengths))
    one, none = np.ones(len(length)), np.zeros(len(length))
    sample = IntervalSample(length, one, none, none.astype(bool), 84.0 * length, one / len(length))
    return Pool(sample)


def slots_of(pool: Pool, age: int, slots: int) -> VisitSlots:
    """Of one class of units."""
    on_road = np.zeros(1, bool)
    return visit_slots((pool,), np.zeros(1, int), on_road, np.array([age]), np.array([slots]))


def come_by_then(slots: VisitSlots) -> np.ndarray:
    """Share of each slot's visits that has come by each point of the grid."""
    return np.clip(slots.line - np.arange(int(slots.slots[0]))[:, None], 0.0, 1.0)


@settings(deadline=None)
@given(st.lists(CHANCES, min_size=1, max_size=5), LENGTHS, st.integers(0, 60))
def test_quantiles_of_dates_are_in_order_and_where_the_mixture_reaches_them(hazards, lengths, age):
    """Whatever the intervals between visits are, and however long the open one has lasted."""
    visits = min(len(h) for h in hazards) - 1
    stays = np.cumprod(1.0 - np.array([h[: visits + 1] for h in hazards]).T, axis=0)
    done = 1.0 - stays
    slots = slots_of(pile_of(lengths), age, visits + 1)
    reached = come_by_then(slots)[:visits]
    found = _quantiles(done, np.zeros(done.shape[1], int), slots, PROBABILITIES)
    assert (found[:-1] <= found[1:]).all()
    for k, p in enumerate(PROBABILITIES):
        for n in np.flatnonzero(np.isfinite(found[k]) & (done[0] < p)):
            at = round(found[k, n] * POINTS)
            chance = done[0, n] + np.diff(done[:, n]) @ reached
            assert chance[at] >= p - 1e-6
            assert at == 0 or chance[:at].max() < p + 1e-6


@settings(deadline=None)
@given(st.lists(st.floats(0.5, 3.0), min_size=1, max_size=12), st.integers(0, 90))
def test_visits_come_when_drawn_intervals_say(lengths, age):
    """The visits expected by a day, against drawing intervals one by one."""
    pool = pile_of(lengths)
    slots = slots_of(pool, age, 6)
    rng = np.random.default_rng(1)
    length = pool.after_road.length
    kept = length[length > age / POINTS] - age / POINTS
    first = rng.choice(kept, 20_000) if len(kept) else rng.random(20_000)
    drawn = np.column_stack([first, rng.choice(length, (20_000, 30))]) * POINTS
    # A length between two points of the grid is split between them, its mean kept.
    split = np.floor(drawn) + (rng.random(drawn.shape) < drawn % 1.0)
    days = np.cumsum(split, axis=1) / POINTS
    told = slots.expected[0] @ come_by_then(slots)
    for day in (0.6, 1.7, 3.3):
        low, high = (
            (days <= day + off).sum(axis=1).mean() for off in (-1.0 / POINTS, 1.0 / POINTS)
        )
        assert low - 0.05 <= np.interp(day, np.arange(slots.points) / POINTS, told) <= high + 0.05


@settings(deadline=None)
@given(LENGTHS, st.integers(0, 60))
def test_the_density_of_visits_solves_the_renewal_equation(lengths, age):
    """Term by term, as Feller writes it, against all at once; to rounding, as terms are below 1."""
    pool, points = pile_of(lengths), 300
    left = _left_of(pool.after_road, age / POINTS)
    first, later = _on_grid(*left), _on_grid(pool.after_road.length, pool.after_road.weight)
    expected = np.zeros(points)
    for k in range(points):
        back = later[1 : min(k, len(later) - 1) + 1]
        expected[k] = (first[k] if k < len(first) else 0.0) + back @ expected[k - len(back) : k][
            ::-1
        ]
    found = visit_density(pool.after_road, [left, left], points)
    assert found[0] == pytest.approx(expected, abs=1e-12)
    assert found[1] == pytest.approx(expected, abs=1e-12)


@pytest.mark.proof
@settings(max_examples=4, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 8), st.integers(0, 12))
def test_a_fleet_without_a_calendar_is_forecast_to_the_end(seed, shortest_weeks, more_weeks):
    """From two to twenty weeks between checks: the run ends, and its dates are in order."""
    with TemporaryDirectory() as folder:
        _run_irregular(Path(folder), seed, (shortest_weeks, shortest_weeks + more_weeks))


@pytest.mark.proof
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
