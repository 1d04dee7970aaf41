"""Linings that contradict their records: found among a thousand that do not, and named."""

import numpy as np
import polars as pl
import pytest

from models.wear.doubtful import plausible_sums, robust_scores
from models.wear.fit import fit_wear
from models.wear.pointers import fit_wear_with_pointers
from models.wear.sums import lining_life_sums
from tests.fleets.linings import DrawnFleet, FleetTruth, draw_fleet, reduced

TRUTH = FleetTruth(unknown_share=0.2)


def sums_and_pairs(fleet):
    tables = reduced(fleet.readings, fleet.reading_km)
    return lining_life_sums(*list(tables.values())[:3]), tables["reduce.lining_pointer_pairs"]


def read_often(fleet, *, known, worn_mm):
    """Linings read five times and more that wore as far as that; the first twenty by name."""
    worn = pl.col("lining_mm").max() - pl.col("lining_mm").min()
    lives = fleet.readings.group_by("life_id", "start_known").agg(pl.len(), worn.alias("worn"))
    chosen = (pl.col("len") >= 5) & (pl.col("worn") > worn_mm) & (pl.col("start_known") == known)
    return lives.filter(chosen)["life_id"].sort().head(20)


def with_false_starts(fleet, lives, mm):
    """The same readings, so much thicker than the reline on record would have them."""
    thicker = pl.when(pl.col("life_id").is_in(lives.implode())).then(mm).otherwise(0.0)
    return DrawnFleet(
        fleet.readings.with_columns(lining_mm=pl.col("lining_mm") + thicker), fleet.reading_km
    )


def with_unseen_relines(fleet, lives):
    """The same readings, those of the later half thicker by all that was worn until then."""
    at = pl.int_range(pl.len()).over("life_id")
    late = at >= pl.len().over("life_id") / 2
    worn = pl.col("lining_mm").max() - pl.col("lining_mm").min()
    more = pl.when(late & pl.col("life_id").is_in(lives.implode())).then(worn.over("life_id"))
    return DrawnFleet(
        fleet.readings.sort("life_id", "inspected_on").with_columns(
            lining_mm=pl.col("lining_mm") + more.otherwise(0.0)
        ),
        fleet.reading_km,
    )


def ends_of(fleet, lives):
    frame = fleet.readings.filter(pl.col("life_id").is_in(lives.implode()))
    return sorted(frame["wheel_end_id"].unique())


@pytest.fixture(scope="module")
def fleet():
    return draw_fleet(3, 200, TRUTH)


def test_of_linings_that_are_as_they_should_be_none_is_doubted(fleet):
    found = plausible_sums(sums_and_pairs(fleet)[0])
    assert found.sums.n_lives > 1_000
    assert len(found.false_start) == len(found.relined_unseen) == 0
    assert found.notes == ()


@pytest.mark.parametrize("mm", [7.0, -7.0])
def test_false_starts_are_named_and_the_spread_of_starts_stays_true(fleet, mm):
    lives = read_often(fleet, known=True, worn_mm=3.0)
    assert len(lives) == 20
    spoiled = with_false_starts(fleet, lives, mm)
    sums, pairs = sums_and_pairs(spoiled)
    found = plausible_sums(sums)
    assert sorted(set(found.false_start)) == ends_of(fleet, lives)
    assert "its start is taken as unknown" in found.notes[0]
    fit = fit_wear_with_pointers(sums, pairs).fit
    assert fit.notes[0] == found.notes[0]
    se = fit.components.intercept_sd_se
    assert fit.components.intercept_sd == pytest.approx(TRUTH.intercept_sd, abs=3 * se)
    assert fit_wear(sums).components.intercept_sd > 2 * TRUTH.intercept_sd


def test_linings_relined_in_between_are_left_out(fleet):
    """Where the start is not on record either, three in four stand out; the rest were read at too
    few places. None is named that wore as it should."""
    lives = read_often(fleet, known=False, worn_mm=5.0)
    sums, _ = sums_and_pairs(with_unseen_relines(fleet, lives))
    found = plausible_sums(sums)
    named = set(found.relined_unseen)
    assert named <= set(ends_of(fleet, lives))
    assert len(named) >= 0.75 * len(lives)
    assert found.sums.n_lives == sums.n_lives - len(found.relined_unseen)
    assert "nobody wrote down" in found.notes[-1]


def test_scores_are_judged_by_their_own_group_where_it_is_large_enough():
    rng = np.random.default_rng(2)
    scores = np.concatenate([rng.normal(0, 1, 500), rng.normal(0, 3, 500), [4.0, np.nan]])
    group = np.repeat([0, 1, 2], [500, 500, 2])
    found = robust_scores(scores, group)
    assert found[:500].std() == pytest.approx(1.0, abs=0.15)
    assert found[500:1000].std() == pytest.approx(1.0, abs=0.15)
    assert 1.5 < found[1000] < 4.0
    assert found[1001] == 0.0


def test_nothing_read_is_nothing_doubted():
    fleet = draw_fleet(1, 1)
    sums, _ = sums_and_pairs(DrawnFleet(fleet.readings.clear(), fleet.reading_km.clear()))
    assert plausible_sums(sums).sums.n_lives == 0
