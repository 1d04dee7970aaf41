"""Visits that are missed are no habit of the units that missed them, and no sign that they left."""

import datetime as dt

import numpy as np
import pytest

from models.usage import interval_distribution
from tests.models.usage.test_holes import AS_OF, KM, usage

EVERY, MISSED, UNITS = 182, 0.25, 120


def half_yearly(
    seed: int,
    *,
    years: int = 5,
    apart: dict[int, int] | None = None,
    hole: tuple[int, int] = (0, 0),
) -> list[tuple]:
    """Rows of ``reduce.unit_usage`` of some years: each unit due every 182 days in its own phase,
    or every ``apart`` times as far for some, one visit in four missed and all within a ``hole``
    (days after as-of), nobody ever leaving."""
    rng = np.random.default_rng(seed)
    rows = []
    for u in range(UNITS):
        days = np.arange(-(EVERY * u) // UNITS, -years * 365, -EVERY * (apart or {}).get(u, 1))[
            ::-1
        ]
        days = days[rng.random(len(days)) >= MISSED]
        days = days[(days < hole[0]) | (days >= hole[1])]
        for a, b in zip(days[:-1].tolist(), days[1:].tolist(), strict=True):
            on = AS_OF + dt.timedelta(days=a)
            rows.append((f"U{u:03d}", "North", "haul", True, on, b - a, KM * (b - a), True))
    return rows


@pytest.mark.parametrize("seed", range(3))
def test_units_that_missed_visits_keep_the_pace_of_all(seed):
    pace = usage(half_yearly(seed)).interval_distribution.pace
    assert np.abs(pace).max() < 0.01


def test_a_unit_that_is_due_half_as_often_has_a_pace_of_its_own():
    rare = range(0, UNITS, 10)
    found = usage(half_yearly(7, years=10, apart=dict.fromkeys(rare, 2)))
    pace = found.interval_distribution.pace
    seen = [u for u, name in enumerate(found.unit_ids) if int(name[1:]) in rare]
    others = np.delete(pace, seen)
    assert np.median(pace[seen]) > np.median(others) + 0.3
    assert np.abs(others - np.median(others)).max() < 0.05


@pytest.mark.parametrize("seed", [0, 1, 3, 7])
def test_nobody_is_surely_gone_for_missing_visits_as_all_do(seed):
    """Some have missed three visits together, or four: seldom, but not beyond what all do."""
    present = usage(half_yearly(seed)).present
    assert present.mean() > 0.98
    assert present.min() > 0.05


def test_intervals_that_span_a_hole_tell_how_long_they_had_lasted():
    """Half a year without checks: the longer an interval, the likelier it spans it. Without those,
    one in ten or fifteen would seem to be missed where one in four is."""
    found = []
    for seed in range(6):
        rows = half_yearly(seed, hole=(-900, -725))
        sample = usage(rows).interval_distribution.after_road
        found.append(sample.weight[sample.length > 1.5].sum())
    assert np.mean(found) == pytest.approx(MISSED, abs=0.025)


def test_a_part_of_the_intervals_tells_what_all_do(monkeypatch):
    """Open ones are not thinned: each of the part stands for several."""
    rows = half_yearly(3)
    every = usage(rows).interval_distribution
    monkeypatch.setattr(interval_distribution, "MOST_CARDS", 60)
    part = usage(rows).interval_distribution
    whole, some = every.after_road, part.after_road
    assert len(some) < len(whole) / 8
    assert some.on_record == pytest.approx(len(whole), rel=0.02)
    assert some.mean(some.length) == pytest.approx(whole.mean(whole.length), rel=0.05)
    assert some.weight.max() < 3.0 / len(some)
    assert part.leave.present.mean() == pytest.approx(every.leave.present.mean(), abs=0.03)
    assert part.leaving == pytest.approx(every.leaving, rel=0.3)
