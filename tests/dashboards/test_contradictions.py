"""Records that contradict each other are told at the top; honest ones are not."""

import datetime as dt

import polars as pl
import pytest

from dashboards.page_data import Fleet
from dashboards.sentences.contradictions import (
    relines_said,
    reused_said,
    rising_said,
    thinner_said,
)
from dashboards.sentences.measures import Measures
from dashboards.sentences.words import plain


def held(*rows: dict[str, object]) -> pl.DataFrame:
    row = {"depot": "Ash", "alone": False, "told": 200, "missed": 0, "grown": 6}
    row |= {"other_side": 0, "from_rear": 0, "late": 0}
    return pl.DataFrame([row | other for other in rows])


MISSED = {"told": 190, "missed": 130, "grown": 150}


def test_relines_that_no_reading_shows_are_told_with_the_likely_cause():
    (said,) = map(plain, relines_said(held({}, MISSED | {"depot": "Birch", "from_rear": 100})))
    assert said.startswith(
        "Of 190 relines on record at Birch that readings tell of, 130 show no thicker lining "
        "afterwards, and 150 linings there grew without one; in 100 of them it was the same side "
        "of the axle that has the job's number counted from the other end of the unit: the jobs' "
        "axles may be counted from the rear. Relines that the readings contradict are not counted"
    )
    (said,) = map(plain, relines_said(held(MISSED | {"other_side": 80})))
    assert "it was the axle's other end that grew: the sides may be written otherwise" in said
    (said,) = map(plain, relines_said(held(MISSED | {"late": 80})))
    assert "jobs may be dated long after they were done" in said


def test_depots_of_one_cause_are_told_at_once():
    both = [MISSED | {"depot": depot, "from_rear": 100} for depot in ("Birch", "Ash")]
    (said,) = map(plain, relines_said(held(*both)))
    assert said.startswith("Of 380 relines on record at Ash and Birch that readings tell of, 260")


def test_relines_of_one_end_are_told_of_where_those_of_whole_axles_show_nothing():
    alone = {"alone": True, "told": 15, "missed": 5, "grown": 13, "other_side": 4}
    (said,) = map(plain, relines_said(held({"grown": 13}, alone)))
    assert said.startswith(
        "Of 15 relines on record of one end of an axle alone at Ash that readings tell of, 5 show "
        "no thicker lining afterwards, and 13 linings there grew without one; in 4 of them"
    )


def test_a_few_that_moved_with_their_wheels_are_not_blamed_on_how_axles_are_counted():
    moved = {"missed": 40, "grown": 90, "from_rear": 40}
    (said,) = map(plain, relines_said(held(moved)))
    assert "grew without one: jobs may be written down for other wheel ends or not done, or" in said


@pytest.mark.parametrize(
    "found", [held({}), held({"missed": 4}), held({"missed": 12}), held({}).clear(), None]
)
def test_a_few_slips_are_no_habit(found):
    assert relines_said(found) == ()


def test_a_depot_that_writes_what_is_worn_off_is_told():
    honest = {"depot": "Ash", "units": 28, "rising": 0, "steps": 0, "rose": 0}
    rising = {"depot": "Birch", "units": 27, "rising": 26, "steps": 1_900, "rose": 1_520}
    (said,) = map(plain, rising_said(pl.DataFrame([honest, rising])))
    assert said.startswith(
        "Lining readings of 26 of 27 units at Birch rise from check to check (80 % of 1,900 "
        "readings that differ from the one before are thicker), and linings only wear: what is "
        "written may be what is worn off, not what is left. None of these readings is used"
    )
    assert rising_said(pl.DataFrame([honest])) == ()
    assert rising_said(None) == ()


def test_a_number_that_went_to_another_unit_is_told():
    row = {"unit_id": "V1", "on_date": dt.date(2024, 1, 30), "before_km": 210_000.0}
    found = pl.DataFrame([row | {"odometer_km": 11_000.0, "linings": 4}])
    (said,) = map(plain, reused_said(found))
    assert said.startswith(
        "Units were once found with an odometer that had begun anew and with nearly all linings "
        "new, without a job: V1 on 30 Jan 2024. A number that went to another unit looks like that."
    )
    (said,) = map(plain, reused_said(pl.concat([found] * 6)))
    assert "6 times found" in said
    assert "and 2 more. A number" in said
    assert reused_said(found.clear()) == reused_said(None) == ()


MEASURES = Measures(Fleet())


def apart(**visits: int) -> pl.DataFrame:
    """``minus_1=3``: three visits read a millimetre thinner than those about them."""
    by = {"minus_2": -2.0, "minus_1": -1.0, "even": 0.0, "plus_1": 1.0}
    rows = [{"depot": "North", "apart_mm": by[name], "visits": n} for name, n in visits.items()]
    return pl.DataFrame(rows)


def test_visits_that_read_all_linings_thinner_are_told() -> None:
    """Once a year with the drum off, and else through a hole; a gauge that errs, errs both ways."""
    (said,) = map(plain, thinner_said(apart(minus_2=10, minus_1=10, even=180), MEASURES))
    assert "At 20 of 200 visits at North all linings were read thinner" in said
    assert "by 1.5 mm on average" in said
    assert "reach their minimum sooner, than is told" in said
    # Depots that do are told together, and those that do not are left out.
    other = apart(minus_2=10, even=90).with_columns(depot=pl.lit("Ash"))
    honest = apart(even=500).with_columns(depot=pl.lit("South"))
    every = pl.concat([apart(minus_1=10, even=90), honest, other])
    (both,) = map(plain, thinner_said(every, MEASURES))
    assert "At 20 of 200 visits at Ash and North all linings were read thinner" in both
    # A visit beside one of two millimetres less reads one more.
    assert thinner_said(apart(minus_2=20, even=170, plus_1=10), MEASURES)
    assert thinner_said(apart(minus_1=20, even=170, plus_1=10), MEASURES) == ()
    assert thinner_said(apart(minus_1=7, even=100), MEASURES) == ()
    assert thinner_said(apart(minus_1=20, even=2000), MEASURES) == ()
    assert thinner_said(None, MEASURES) == ()
