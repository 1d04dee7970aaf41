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
    units: int = UNITS,
    leaving: float = 0.0,
) -> list[tuple]:
    """Rows of ``reduce.unit_usage`` of some years: each unit due every 182 days in its own phase,
    or every ``apart`` times as far for some, one visit in four missed and all within a ``hole``
    (days after as-of); ``leaving``: units of a hundred a year, from the second year on."""
    rng, leaves = np.random.default_rng(seed), np.random.default_rng([seed, 1])
    rows = []
    for u in range(units):
        days = np.arange(-(EVERY * u) // units, -years * 365, -EVERY * (apart or {}).get(u, 1))[
            ::-1
        ]
        days = days[rng.random(len(days)) >= MISSED]
        days = days[(days < hole[0]) | (days >= hole[1])]
        if leaving:
            days = days[days < 730 - years * 365 + leaves.exponential(36_500 / leaving)]
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


def test_units_checked_far_less_often_than_those_beside_them_keep_their_own_interval():
    """Half of a depot every four weeks, half every 26, six and a half times as far apart: so most
    intervals are of four weeks."""
    rng, rows = np.random.default_rng(4), []
    for u in range(40):
        every, day = (28, 182)[u % 2], 0
        while day > -4 * 365:
            days = every + int(rng.integers(-4, 5))
            day -= days
            on = AS_OF + dt.timedelta(days=day)
            rows.append((f"U{u:03d}", "North", "haul", True, on, days, KM * days, True))
    found = usage(rows)
    seldom = np.array([int(name[1:]) % 2 == 1 for name in found.unit_ids])
    assert found.usual_days[seldom] == pytest.approx(182.0, rel=0.04)
    assert found.usual_days[~seldom] == pytest.approx(28.0, rel=0.04)


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


def test_nobody_is_gone_for_missing_more_visits_than_short_records_hold():
    """Less than two and a half usual intervals on either side of a hole: no interval of three is
    over, but some are cut by the hole, and who has not been seen since it may have missed two."""
    rows = (half_yearly(seed, years=3, hole=(-600, -430), units=300) for seed in range(6))
    found = [usage(each) for each in rows]
    assert np.mean([f.present.mean() for f in found]) > 0.97
    samples = [f.interval_distribution.after_road for f in found]
    means = [sample.mean(sample.length) for sample in samples]
    # Whoever missed two is back at the third: nothing longer was seen. A little short of it, since
    # some of the open ones are taken for units gone; without the cut ones it is short by 0.08.
    kept = 1.0 - MISSED
    assert np.mean(means) == pytest.approx(kept * (1 + 2 * MISSED) + 3 * MISSED**2, abs=0.05)
    assert {round(float(sample.length[-1])) for sample in samples} == {3}


def test_who_left_is_counted_by_the_time_in_which_it_may_have():
    """Ten of a hundred units a year: those who left in a hole had the whole of it to leave in."""
    found = [
        usage(half_yearly(seed, years=6, hole=(-700, -430), units=300, leaving=10.0))
        for seed in range(4)
    ]
    # Nobody leaves in the first two years.
    stayed = np.exp(-0.1 * 4.0)
    rate = (1.0 - stayed) / (2.0 + (1.0 - stayed) / 0.1)
    rates = [f.interval_distribution.leave.per_day * 365.0 for f in found]
    assert np.mean(rates) == pytest.approx(rate, rel=0.08)
    assert np.mean([f.present.sum() for f in found]) == pytest.approx(300 * stayed, rel=0.05)


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
