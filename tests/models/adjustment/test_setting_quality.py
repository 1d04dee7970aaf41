"""Setting quality: intervals of published tables and of a library; who is named, and who not."""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from scipy import stats
from scipy.stats import binom

from models.adjustment.setting_quality import (
    funnel,
    setting_quality,
    wilson,
)

# Newcombe (1998) Statistics in Medicine 17:857, table I, score method (from memory).
NEWCOMBE_1998 = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("hits", "trials", "low", "high"), NEWCOMBE_1998)
def test_wilson_of_newcombe(hits, trials, low, high):
    found = wilson(hits, trials)
    assert (float(found.low), float(found.high)) == pytest.approx((low, high), abs=5.1e-5)


def test_intervals_of_an_independent_library():
    hits, trials = np.array([0, 1, 3, 9, 10, 120]), np.array([10, 10, 10, 10, 10, 900])
    mine = wilson(hits, trials)
    theirs = [
        stats.binomtest(int(x), int(n)).proportion_ci(method="wilson")
        for x, n in zip(hits, trials, strict=True)
    ]
    np.testing.assert_allclose(mine.low, [each.low for each in theirs], atol=1e-12)
    np.testing.assert_allclose(mine.high, [each.high for each in theirs], atol=1e-12)


def test_no_trials_say_nothing():
    assert (wilson(0, 0).low, wilson(0, 0).high) == (0.0, 1.0)


def outcomes(counts):
    """``{depot: (settings, out)}`` as a frame, in two months."""
    rows = [
        (depot, dt.date(2025, month, 1), made, found)
        for depot, (settings, out) in counts.items()
        for month, made, found in ((3, settings - 1, max(out - 1, 0)), (4, 1, min(out, 1)))
    ]
    return pl.DataFrame(rows, schema=["depot", "month", "settings", "out"], orient="row")


def test_the_worst_depot_is_named_only_with_evidence():
    clear = funnel(outcomes({"Ald": (400, 18), "Bry": (350, 15), "Cor": (200, 40)}))
    assert clear.depots.filter("named")["depot"].to_list() == ["Cor"]
    thin = funnel(outcomes({"Ald": (400, 18), "Bry": (350, 15), "Cor": (9, 3)}))
    assert not thin.depots["named"].any()
    # 3 of 9 is a third; shrunk toward the fleet's 5 % it is far less, and not certain.
    cor = thin.depots.filter(pl.col("depot") == "Cor")
    assert cor["shrunk"].item() < 0.75 * cor["share"].item()


def test_depots_that_are_alike_are_hardly_ever_named():
    rng = np.random.default_rng(8)
    named = 0
    for _ in range(60):
        drawn = {f"D{i}": (150, int(rng.binomial(150, 0.06))) for i in range(8)}
        named += int(funnel(outcomes(drawn)).depots["named"].sum())
    assert named <= 2  # 1 % of 60 fleets are expected to name one by chance


def test_funnel_limits_have_the_tail_they_state():
    table = funnel(outcomes({"A": (300, 20), "B": (80, 4), "C": (30, 2)}))
    for n, limit, expected in table.depots.select("settings", "limit_998", "expected").rows():
        # Interpolated between counts: the tail beyond is at most, and near, 0.1 %.
        assert binom.sf(np.floor(limit * n) + 1, n, expected) <= 0.001
        assert binom.sf(np.floor(limit * n) - 1, n, expected) > 0.001


def test_quality_by_depot_and_month():
    made = outcomes({"Ald": (20, 1), "Bry": (5, 5)})
    found = setting_quality(made)
    assert found.select("depot", "settings", "out").rows() == [
        ("Ald", 19, 0), ("Ald", 1, 1), ("Bry", 4, 4), ("Bry", 1, 1),
    ]  # fmt: skip
    assert found["ci_high"].to_list()[1:] == [1.0] * 3
    assert setting_quality(made, ()).select("settings", "out").rows() == [(25, 6)]
    assert setting_quality(made.clear()).height == 0
