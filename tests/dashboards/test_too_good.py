"""Records that are better than the rest of the fleet's can be, and records that merely are good."""

import polars as pl
import pytest

from dashboards.sentences.measures import Fleet, Measures
from dashboards.sentences.too_good import too_good_said
from dashboards.sentences.words import plain

MEASURES = Measures(Fleet())


def findings(failed: int, outside: int, tests: int = 2_490) -> pl.DataFrame:
    """Birch's, beside an honest depot's."""
    ash = {"depot": "Ash", "tests": 2_430, "failed": 216, "strokes": 2_430, "outside": 340}
    birch = {"depot": "Birch", "tests": tests, "failed": failed}
    return pl.DataFrame([ash, birch | {"strokes": tests, "outside": outside}])


def lowest(**other: object) -> pl.DataFrame:
    row = {"depot": "Birch", "axle_type": "drive", "lowest_mm": 6.5, "min_mm": 6.0}
    row |= {"readings": 1_840, "at_lowest": 400, "near_lowest": 120}
    return pl.DataFrame([row | other])


def test_a_depot_where_nothing_ever_fails_is_told_and_the_honest_one_is_not():
    tests, strokes = map(plain, too_good_said(findings(0, 3), None, MEASURES))
    assert tests.startswith(
        "None of 2,490 return tests failed at Birch, against 9 % elsewhere: tests that are ticked"
    )
    assert strokes.startswith(
        "3 of 2,490 strokes as found at Birch were outside the band, against 14 % elsewhere"
    )


@pytest.mark.parametrize(
    "found",
    [findings(60, 90), findings(0, 0, tests=100), findings(0, 0).head(1), None],
    ids=["fewer, not none", "few tests", "one depot alone", "nothing on record"],
)
def test_good_depots_are_not_suspected(found):
    assert too_good_said(found, None, MEASURES) == ()


def test_a_heap_of_the_thinnest_readings_is_a_number_written_for_less():
    (said,) = map(plain, too_good_said(None, lowest(), MEASURES))
    assert said.startswith(
        "Linings of drive at Birch are hardly ever read thinner than 6.5 mm, which 22 % of 1,840 "
        "readings are, where their minimum is 6.0 mm"
    )


@pytest.mark.parametrize(
    "other",
    [{"at_lowest": 40}, {"near_lowest": 250}, {"lowest_mm": 5.5}, {"readings": 90}],
    ids=["a tail", "relined at that", "below the minimum", "too few"],
)
def test_a_fleet_that_relines_early_has_no_heap(other):
    assert too_good_said(None, lowest(**other), MEASURES) == ()
