"""Depots whose units are checked in rounds: what intervals have in common, and how it is drawn."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import norm

from models.usage.drawn.rounds import KNOTS, DrawnRounds, Rounds, rounds_kept
from models.usage.drawn.visits import UnitsNow, drawn_interval, drawn_intervals
from models.usage.fit import UsageFit
from models.usage.intervals import UsageGroups, UsageIntervals
from tests.models.usage.test_closed import fitted, intervals

EVERY, EARLY_LATE = 182.0, 9.0
DEPOTS, UNITS, ROUNDS = 3, 20, 9
USUAL = np.array([EVERY])


def in_rounds(
    seed: int, *, alone: float = 0.0, own: float = 1.0, rounds: int = ROUNDS, depots: int = DEPOTS
) -> tuple[UsageIntervals, UsageGroups]:
    """Intervals between the visits of units whose depots come early or late, all at once; some are
    taken ``alone``, as early or late by themselves."""
    rng = np.random.default_rng(seed)
    due = EVERY * np.arange(rounds) + rng.normal(0.0, EARLY_LATE, (depots, 1, rounds))
    day = due + rng.normal(0.0, own, (depots, UNITS, rounds))
    by_itself = EVERY * np.arange(rounds) + rng.normal(0.0, EARLY_LATE, day.shape)
    day = np.where(rng.random(day.shape) < alone, by_itself, day).reshape(-1, rounds) - 2_000.0
    days = np.diff(day, axis=1)
    every = np.ones(days.shape, bool)
    table = UsageIntervals(
        days=days,
        km=200.0 * days,
        middle_day=day[:, :-1] + days / 2.0,
        group=np.broadcast_to(np.repeat(np.arange(depots), UNITS)[:, None], days.shape),
        is_there=every,
        one_duty=every,
        to_visit=every,
        thinnest_mm=np.full(days.shape, np.nan),
    )
    return table, UsageGroups(tuple("ABCDEFGH"[:depots]), ("line",) * depots)


def kept(table: UsageIntervals, groups: UsageGroups) -> Rounds:
    length = table.days / EVERY
    return rounds_kept(table, length, np.abs(length - 1.0) < 0.5, groups, USUAL)


def test_units_that_go_together_are_seen_to():
    table, groups = in_rounds(1, rounds=40)
    found = kept(table, groups)
    assert found.follows == pytest.approx(1.0, abs=0.03)
    # Of an interval's variance that of the rounds at both its ends: 162 of 164.
    assert found.share > 0.95


def test_some_that_go_alone_are_told_from_all_going_loosely_together():
    some_alone = kept(*in_rounds(2, alone=0.15, rounds=60))
    loosely = kept(*in_rounds(2, own=5.8, rounds=60))
    # Both ends of an interval belong to the round in 0.72 of them.
    assert some_alone.follows.mean() == pytest.approx(0.85, abs=0.06)
    assert some_alone.share > 0.9
    # The rounds' 162 of 229.
    assert loosely.share == pytest.approx(0.71, abs=0.08)
    assert loosely.follows.mean() > 0.93


def test_pairs_are_counted_as_they_would_be_one_by_one():
    table, groups = in_rounds(3, alone=0.3, depots=1, rounds=30)
    found = kept(table, groups)
    begins, length = table.begins.ravel(), table.days.ravel()
    rank = (length[:, None] > length).sum(axis=1) + 1.0
    score = norm.ppf(rank / (len(rank) + 1.0))
    score = (score - score.mean()) / score.std()
    products = [
        score[i] * score[j]
        for i, j in itertools.combinations(range(len(score)), 2)
        if abs(begins[i] - begins[j]) <= 28.0
    ]
    assert found.follows[0] ** 2 * found.share == pytest.approx(np.mean(products), rel=1e-9)


def test_units_checked_each_for_itself_have_no_rounds():
    shown = 0
    for seed in range(200):
        table, groups = in_rounds(seed, alone=1.0)
        shown += kept(table, groups).are_kept
    assert shown == 0


def test_visits_all_exactly_as_far_apart_have_none():
    table, groups = in_rounds(4)
    same = table.days * 0.0 + EVERY
    assert not rounds_kept(table, same / EVERY, same > 0.0, groups, USUAL).are_kept
    assert not rounds_kept(table, same / EVERY, same < 0.0, groups, USUAL).are_kept


def drawn(follows: float, share: float, copies: int = 4_000) -> DrawnRounds:
    rounds = Rounds(np.array([0, 1]), np.full(2, follows), share, 28.0)
    course = np.random.default_rng(5).standard_normal((copies, 2, KNOTS))
    return DrawnRounds(rounds, course)


def moved(of: DrawnRounds, group: int, day: float, seed: int) -> np.ndarray:
    """One unit's number in every copy."""
    n = len(of.course)
    own = np.random.default_rng(seed).random(n)
    return of.moved(np.arange(n), np.full(n, group), np.full(n, day), own)


def test_drawn_numbers_stay_uniform_and_go_together_within_a_depot():
    of = drawn(follows=0.8, share=0.9)
    one, other = moved(of, 0, 3.0, 11), moved(of, 0, 3.0, 12)
    elsewhere, later = moved(of, 1, 3.0, 13), moved(of, 0, 3.0 + 90.0, 14)
    for numbers in (one, other, elsewhere, later):
        deciles = np.quantile(numbers, np.arange(0.1, 1.0, 0.1))
        assert deciles == pytest.approx(np.arange(0.1, 1.0, 0.1), abs=0.025)

    def together(a: np.ndarray, b: np.ndarray) -> float:
        return float(np.corrcoef(ndtri(a), ndtri(b))[0, 1])

    assert together(one, other) == pytest.approx(0.8**2 * 0.9, abs=0.05)
    assert abs(together(one, elsewhere)) < 0.05
    assert abs(together(one, later)) < 0.05


@pytest.fixture(scope="module")
def use() -> UsageFit:
    """Of forty units in one depot, each checked for itself."""
    return fitted(intervals(closed=False))


def ends(use: UsageFit, rounds: DrawnRounds | None, copies: int = 2_000) -> np.ndarray:
    """Days of the next visit of units that were all seen 60 days ago (copies, U)."""
    rng, size = np.random.default_rng(6), copies * len(use)
    found = drawn_intervals(use, copies, rng)
    assert found.rounds is None
    seen, none = np.full(size, -60.0), np.zeros(size)
    now = UnitsNow(seen, seen, late=none, off_road=none > 0.0, log_level=none)
    found = replace(found, rounds=rounds)
    usual = np.full(size, 84.0)
    numbers = rng.random(size), rng.standard_normal(size)
    interval = drawn_interval(use, now, usual, found, *numbers, is_first=True)
    return np.asarray(now.day + interval.days).reshape(copies, -1)


def test_a_unit_by_itself_is_drawn_as_without_rounds_and_a_depot_all_at_once(use):
    rounds = Rounds(np.zeros(len(use.groups), np.int64), np.ones(1), 0.95, 28.0)
    course = np.random.default_rng(7).standard_normal((2_000, 1, KNOTS))
    alone, together = ends(use, None), ends(use, DrawnRounds(rounds, course))
    for day in range(12, 40, 4):
        assert (together <= day).mean() == pytest.approx((alone <= day).mean(), abs=0.03)
    middle = float(np.median(alone))
    share = (together <= middle).mean(axis=1)
    assert np.mean((share < 0.15) | (share > 0.85)) > 0.6
    assert np.mean(np.abs((alone <= middle).mean(axis=1) - 0.5) < 0.3) > 0.99
