"""Fleets whose units are checked at intervals of two lengths, and relined accordingly or not."""

import numpy as np
import polars as pl
import pytest

from models.relines.fleet import _grouped
from models.relines.policy.decisions import PolicyGroups, two_intervals
from models.relines.policy.fit import fit_policy, mean_policy
from tests.reline_world import World, decision_rows, lived, wheel_end_rows


def test_the_medians_of_two_lengths_are_told():
    """By hand: six weeks and thirteen, a few days about them."""
    own = np.array([40, 42, 43, 42, 41, 90, 91, 92, 91, 91, 89], np.float64)
    assert two_intervals(own) == pytest.approx((42.0, 91.0))


@pytest.mark.parametrize(
    "own",
    [
        pytest.param(np.full(40, 84.0), id="one length"),
        pytest.param(np.linspace(40.0, 120.0, 60), id="all between two"),
        pytest.param(np.repeat([42.0, 91.0], [60, 3]), id="three units at another"),
        pytest.param(np.repeat([84.0, 98.0], 30), id="hardly apart"),
        pytest.param(np.exp(np.random.default_rng(1).normal(4.4, 0.4, 80)), id="scattered"),
        pytest.param(np.zeros(0), id="nothing known"),
    ],
)
def test_of_other_fleets_no_two_lengths_are_told(own):
    assert two_intervals(own) is None


def of_two(short: tuple[float, float], long: tuple[float, float]) -> tuple[pl.DataFrame, ...]:
    """Decisions and wheel ends of 60 units checked every six weeks and 60 every 18, relined at such
    thresholds by depot."""
    parts = [
        lived(World(check_days=days, threshold=threshold, units=60), seed)
        for seed, (days, threshold) in enumerate(((42.0, short), (126.0, long)), start=3)
    ]
    ends = [
        wheel_end_rows(part).with_columns(pl.format("{}-{}", pl.lit(n), "unit_id").alias("unit_id"))
        for n, part in enumerate(parts)
    ]
    return pl.concat([decision_rows(part) for part in parts]), pl.concat(ends)


def test_who_is_checked_seldom_and_relined_early_has_thresholds_of_its_own():
    groups, counted = _grouped(*of_two((0.8, 1.2), (3.0, 3.4)))
    assert groups.every_days == (42.0, 126.0)
    assert [days for _, days in groups.kinds] == [42.0, 42.0, 126.0, 126.0]
    threshold = mean_policy(fit_policy(counted, groups)).threshold_mm.reshape(4, 2)
    assert threshold == pytest.approx(np.array([[0.8, 1.2]] * 2 + [[3.0, 3.4]] * 2), abs=0.25)


def test_who_is_relined_at_the_same_readings_is_not_told_apart():
    groups, _ = _grouped(*of_two((1.4, 2.1), (1.4, 2.1)))
    assert groups.every_days == ()


def test_a_unit_whose_interval_is_not_known_is_counted_as_most_are():
    groups = PolicyGroups(("a", "b"), ("", "North"), (40.0, 120.0))
    found = groups.group(
        pl.Series(["a", "b", "b", "a", "b"]),
        pl.Series([None, "North", "North", None, "North"], dtype=pl.String),
        pl.Series([41, 118, None, 90, 130]),
    )
    # Kinds in turn: a and b of units checked sooner, then of the others; 69 days lie between.
    assert found.tolist() == [0, 7, 7, 4, 7]
