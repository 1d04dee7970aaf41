"""A hole of the records and a fall of use, in drawn fleets: in their marts, and told from there."""

import datetime as dt
import re
from dataclasses import replace

import polars as pl
import pytest

from dashboards.sentences.uneven_past import (
    past_clause,
    past_said,
    returning_said,
    silence_said,
    year_said,
)
from models.usage.holes import holes_of_records, holes_told, watched_until
from pipeline.marts import marts
from pipeline.stages.backtesting import records_since, write_backtest
from pipeline.warehouse import warehouse
from tests.models.usage.test_holes import checked, table
from tests.worlds.fleet import ENDS_ON, lived
from tests.worlds.lake import counted
from tests.worlds.world import WORLDS

HOLED, LESS = "nobody checked for ten months", "all units run a third less since a year"
AS_OF = ENDS_ON - dt.timedelta(days=365)


@pytest.fixture(scope="module")
def past(tmp_path_factory):
    """(holes, changes of use) of a world's fleet."""

    def made(name, as_of=AS_OF):
        fleet = lived(replace(WORLDS[name], units=24), 905)
        with counted(fleet, tmp_path_factory.mktemp("past"), as_of) as run:
            since = records_since(run.con, None, as_of)
            write_backtest(run.con, [], [], marts.empty("flag_precision"), since, None)
            return tuple(
                warehouse.fetch(run.con, f"from mart.{name}")
                for name in ("record_holes", "use_changes")
            )

    return made


def test_a_hole_is_told_with_its_days_and_how_many_ran_on(past):
    holes, use = past(HOLED)
    (row,) = holes.to_dicts()
    assert row["depot"] is None
    assert row["units"] == 24
    assert 290 <= (row["until_on"] - row["from_on"]).days <= 320
    assert use.is_empty()
    (said,) = past_said(holes, use)
    assert said.startswith("No check is on record between ")
    assert re.search(r"\(4[345] weeks\), though 24 units ran on", said)


def test_records_that_end_before_the_day_are_told_and_nothing_is_judged_by_what_came_since(past):
    as_of = ENDS_ON + dt.timedelta(days=80)
    holes, _ = past("checks exactly every 12 weeks", as_of)
    (row,) = holes.to_dicts()
    assert (row["depot"], row["until_on"], row["units"]) == (None, None, 24)
    assert past_said(holes, None) == ()
    (said,) = silence_said(holes, as_of)
    assert re.match(
        r"No check of any unit is on record since \d+ Aug 2026, 1[12] weeks before", said
    )
    assert past_clause(holes, None) == "; no check on record since August 2026"
    assert watched_until([(row["from_on"], as_of)], ENDS_ON, as_of) <= ENDS_ON


def test_use_that_fell_is_told_with_its_month_and_limits(past):
    holes, use = past(LESS)
    assert holes.is_empty()
    (row,) = use.to_dicts()
    assert abs((AS_OF - row["since_on"]).days - 365) <= 60
    assert row["ci_low"] < 0.67 < row["ci_high"]
    (said,) = past_said(holes, use)
    assert said.startswith("Since about ")
    assert "so did 24 of the 24 units seen before and since" in said


@pytest.mark.parametrize("name", ["season of use", "half-year pauses", "all of these"])
def test_of_a_fleet_that_runs_and_is_checked_as_ever_nothing_is_told(past, name):
    holes, use = past(name)
    assert past_said(holes, use) == ()
    assert past_clause(holes, use) == ""


def told(intervals):
    return holes_told(intervals, holes_of_records(intervals))


def test_a_depot_has_holes_of_its_own_and_one_of_the_fleet_is_told_once():
    north, south = checked(20, hole=True), checked(20, hole=False, depot="South")
    of_one = told(table([*north, *south]))
    assert of_one["depot"].to_list() == ["North"]
    assert of_one["units"].to_list() == [20]
    both = told(table([*north, *checked(20, hole=True, depot="South")]))
    assert both["depot"].to_list() == [None]
    assert both["units"].to_list() == [40]


def hole(year: int, depot: str | None = None) -> dict[str, object]:
    days = {"from_on": dt.date(year, 4, 3), "until_on": dt.date(year, 12, 31)}
    return {"depot": depot, **days, "units": 1}


def test_of_many_holes_the_latest_are_told_and_the_others_counted():
    holes = pl.DataFrame([hole(2018), hole(2021, "North"), hole(2022), hole(2024)])
    *told, others = past_said(holes, None)
    assert [said.partition("(")[0][-17:] for said in told] == [
        " and 31 Dec 2024 ",
        " and 31 Dec 2022 ",
        " and 31 Dec 2021 ",
    ]
    assert told[2].startswith("No check at North is on record between 3 Apr 2021 and")
    assert "though 1 unit ran on" in told[0]
    assert others == "1 earlier such time in mart.record_holes."
    assert past_clause(holes, None) == "; no check on record from April 2024 to December 2024"


def test_a_rise_is_said_with_limits_in_order():
    rise = {"since_on": dt.date(2025, 2, 1), "ratio": 1.3, "ci_low": 1.21, "ci_high": 1.4}
    use = pl.DataFrame([{**rise, "units": 50, "units_same": 41}])
    (said,) = past_said(None, use)
    assert said.startswith(
        "Since about February 2025 units run 30 % more (21 to 40) than before: so did 41 of the 50 "
    )
    assert past_clause(None, use) == "; units run 30 % more since about February 2025"


def test_a_fall_that_may_be_over_soon_is_said_at_the_top_with_what_it_would_bring():
    fall = {"since_on": dt.date(2025, 2, 1), "until_on": None, "ratio": 0.2, "ci_low": 0.15}
    more = {"p_returns": 0.65, "relines_12m": 41.2, "relines_12m_if_returned": 68.4}
    use = pl.DataFrame([{**fall, **more, "ci_high": 0.25, "units": 50, "units_same": 41}])
    (said,) = returning_said(use)
    assert said.startswith("Use fell by 80 % about February 2025, and it is too early to tell")
    assert said.endswith("65 chances in 100 that the former comes back: if it returns at once, "
                         "about 68 relines, not 41.")  # fmt: skip
    (beside,) = past_said(None, use)
    assert "too early to tell" in beside
    nothing = use.with_columns(relines_12m=pl.lit(None), relines_12m_if_returned=pl.lit(None))
    assert returning_said(nothing)[0].endswith("that the former comes back.")
    assert returning_said(use.with_columns(p_returns=pl.lit(None))) == ()
    assert returning_said(None) == ()


def test_a_stretch_that_is_over_is_said_with_its_months():
    days = {"since_on": dt.date(2025, 2, 1), "until_on": dt.date(2025, 5, 3)}
    limits = {"ratio": 0.2, "ci_low": 0.15, "ci_high": 0.25, "p_returns": None}
    use = pl.DataFrame([{**days, **limits, "units": 50, "units_same": 50}])
    (said,) = past_said(None, use)
    assert said.startswith(
        "From about February 2025 to May 2025 units ran 80 % less (75 to 85) than before and since"
    )
    clause = "; units ran 80 % less from about February 2025 to May 2025, which is over"
    assert past_clause(None, use) == clause
    assert returning_said(use) == ()


def test_units_that_left_at_once_are_said_beside_the_forecast():
    days = {"from_on": dt.date(2024, 1, 9), "until_on": dt.date(2024, 3, 28)}
    left = pl.DataFrame([{**days, "units": 31, "units_there": 62}])
    (said,) = past_said(None, None, left)
    assert said.startswith(
        "31 units of 62 then in the fleet were last seen between 9 Jan 2024 and 28 Mar 2024: they "
    )
    clause = past_clause(None, None, left)
    assert clause == "; 31 units that left about March 2024 counted as gone for good"
    assert past_said(None, None, left.clear()) == ()
    assert past_clause(None, None, left.clear()) == ""


def test_the_year_is_said_where_it_swings_and_where_nobody_is_checked() -> None:
    row = {
        "depot": None,
        "duty": None,
        "most_on": dt.date(2026, 7, 12),
        "most_ratio": 1.52,
        "least_on": dt.date(2027, 1, 3),
        "least_ratio": 0.051,
        "p": 1e-5,
        "closed_from_on": dt.date(2026, 11, 3),
        "closed_until_on": dt.date(2027, 4, 2),
    }
    year = pl.DataFrame([row], marts.empty("use_over_the_year").schema)
    swing, closed = (" ".join(said.split()) for said in year_said(year))
    assert swing == (
        "Units run most about July, 1.5 times the year's mean, and least about January, 0.051 "
        "times; forecasts take each month's use so."
    )
    assert closed == (
        "Between about 3 Nov 2026 and 2 Apr 2027 nobody is checked, as in every year on record: "
        "forecasts have no check then, and no reline."
    )
    assert year_said(year.clear()) == year_said(None) == ()
    of_depot = year.with_columns(depot=pl.lit("Overmarsh"), closed_from_on=None)
    (own,) = year_said(of_depot)
    assert own.startswith("Units at Overmarsh run most about July")
    (own,) = year_said(of_depot.with_columns(depot=None, duty=pl.lit("grit")))
    assert own.startswith("Units of duty grit run most about July")
    without = year.with_columns(most_on=None, closed_from_on=None)
    assert year_said(without) == ()
