"""The mart that says at what reading the fleet relines, and since when."""

import dataclasses
import datetime as dt

import duckdb
import numpy as np
import polars as pl
import pytest

from models.relines.policy.campaigns import CampaignTold
from models.relines.policy.decisions import PolicyGroups
from models.relines.policy.fit import (
    ChangedChance,
    HandedBack,
    PolicyFit,
    RelineTiming,
    YearlyRise,
)
from models.relines.policy.frame import chances_frame, policy_frame
from models.relines.policy.likelihood import SHAPE
from models.relines.policy.yearly import TimeOfYear
from pipeline.marts import marts
from pipeline.marts.budget import write_budget_marts
from pipeline.warehouse import warehouse

AS_OF = dt.date(2025, 8, 31)
GROUPS = PolicyGroups(("drive", "steer"), ("", "North"))


def policy(quarters: int, raised_mm: float | None) -> PolicyFit:
    """Thresholds of 2 mm, 0.5 more on drive axles and 0.3 less in the north."""
    mean = np.array([2.0, 0.5, 0.0, 0.0, -0.3, np.log(0.4), -2.0, -2.0, -5.0, 1.0, -3.0, 2.0])
    assert len(mean) == 5 + len(SHAPE)
    return PolicyFit(
        groups=GROUPS,
        mean=mean,
        covariance=0.01 * np.eye(len(mean)),
        type_sd=0.3,
        depot_sd=0.3,
        relines=120.0,
        visits=900.0,
        group_visits=np.array([100.0, 200.0, 250.0, 350.0]),
        read_share=1.0,
        timing=RelineTiming(0.0, np.zeros(0)),
        converged=True,
        changed_quarters=quarters,
        raised_mm=raised_mm,
        raised_sd=0.25,
    )


def written(fit: PolicyFit, *campaigns: CampaignTold) -> pl.DataFrame:
    """As the mart holds it."""
    with duckdb.connect() as con:
        con.execute("create schema mart")
        marts.write(con, "reline_policy", policy_frame(fit, AS_OF, campaigns))
        return warehouse.fetch(con, "from mart.reline_policy", order="axle_type, threshold_mm")


def test_a_changed_policy_says_since_when_and_by_how_much() -> None:
    rows = written(policy(4, 1.5))
    assert rows["changed_on"].unique().to_list() == [dt.date(2024, 9, 1)]  # 4 x 91 days before
    assert rows["raised_mm"].unique().to_list() == [1.5]
    # 1.96 standard errors of 0.25 either way.
    assert rows["raised_ci_low"][0] == pytest.approx(1.01, abs=0.001)
    assert rows["raised_ci_high"][0] == pytest.approx(1.99, abs=0.001)


def test_a_change_at_one_depot_stands_in_its_rows_alone() -> None:
    rows = written(dataclasses.replace(policy(4, 1.5), changed_depots=("",)))
    told = rows.filter(pl.col("depot").is_null())
    assert told["raised_mm"].to_list() == [1.5, 1.5]
    assert rows.filter(depot="North")["changed_on"].null_count() == 2


def test_a_chance_that_changed_stands_beside_what_it_was() -> None:
    """Of relines for another reason, at the depot without a name; the others' rows say nothing of
    a change, and readings were not raised."""
    chance = ChangedChance("premature", before=-3.0, before_sd=0.1, since=-5.0, since_sd=0.1)
    fit = dataclasses.replace(policy(4, None), changed_depots=("",), changed_chances=(chance,))
    assert written(fit)["changed_on"].null_count() == 4
    rows = habits_written(fit)
    assert rows.height == 5 * 2
    changed = rows.drop_nulls("changed_on").row(0, named=True)
    assert rows["changed_on"].null_count() == 9
    assert (changed["habit"], changed["depot"]) == ("relined for another reason", None)
    # 1 / (1 + e^3), and 1.96 standard errors of 0.1 either way on the scale of logits.
    assert changed["share_before"] == pytest.approx(0.0474, abs=1e-4)
    assert changed["share_before_ci_low"] == pytest.approx(0.0393, abs=1e-4)
    assert changed["share_before_ci_high"] == pytest.approx(0.0571, abs=1e-4)
    since = rows.filter(habit="relined for another reason")
    assert since["share"].to_list() == [pytest.approx(1 / (1 + np.exp(5.0)))] * 2


def habits_written(fit: PolicyFit) -> pl.DataFrame:
    """As the mart holds them."""
    with duckdb.connect() as con:
        con.execute("create schema mart")
        marts.write(con, "reline_habits", chances_frame(fit, AS_OF))
        return warehouse.fetch(con, "from mart.reline_habits", order="habit, depot nulls first")


def test_what_goes_along_stands_by_depot_where_that_differs() -> None:
    """The other end's logit is 1 and 2 less in the north, where it was 1.5 until a year ago; the
    other axles' is -3 and 1 more there."""
    fit = policy(4, None)
    mean = np.concatenate([fit.mean, [0.0, -2.0], [0.0, 1.0]])
    chance = ChangedChance("pair", np.array([3.5, 1.5]), np.array([0.1, 0.2]), 1.0, 0.1)
    told = {"mean": mean, "covariance": 0.01 * np.eye(len(mean)), "along_by_depot": True}
    told |= {"changed_depots": ("North",), "changed_chances": (chance,)}
    rows = habits_written(dataclasses.replace(fit, **told))
    alone, north = rows.filter(habit="other end goes along").rows(named=True)
    assert [alone["share"], north["share"]] == pytest.approx([0.7311, 0.2689], abs=1e-4)
    # Fleet and depot each known to 0.1.
    half = 1.96 * np.sqrt(0.02)
    assert north["share_ci_low"] == pytest.approx(1 / (1 + np.exp(1.0 + half)), rel=1e-4)
    assert (alone["changed_on"], alone["share_before"]) == (None, None)
    assert north["share_before"] == pytest.approx(1 / (1 + np.exp(-1.5)))
    assert north["share_before_ci_high"] == pytest.approx(1 / (1 + np.exp(-1.892)), rel=1e-4)
    axles = rows.filter(habit="other axles go along")["share"]
    assert axles.to_list() == pytest.approx([0.0474, 0.1192], abs=1e-4)
    assert rows.filter(habit="due and left on")["share"].n_unique() == 1


def test_units_that_leave_with_new_linings_are_a_habit_of_every_depot() -> None:
    fit = dataclasses.replace(policy(0, None), handed_back=HandedBack(0.9, 0.7, 0.98))
    rows = habits_written(fit).filter(habit="all renewed when a unit leaves")
    assert rows["depot"].to_list() == [None, "North"]
    shares = rows.select("share", "share_ci_low", "share_ci_high").unique().rows()
    assert shares == [(0.9, 0.7, 0.98)]
    assert habits_written(policy(0, None)).height == 5 * 2


def test_thresholds_stand_by_axle_type_and_depot() -> None:
    rows = written(policy(0, None)).rows(named=True)
    found = {(r["axle_type"], r["depot"]): (r["threshold_mm"], r["visits"]) for r in rows}
    assert found == {
        ("drive", None): (pytest.approx(2.5), 100),
        ("drive", "North"): (pytest.approx(2.2), 200),
        ("steer", None): (pytest.approx(2.0), 250),
        ("steer", "North"): (pytest.approx(1.7), 350),
    }
    assert {r["relines"] for r in rows} == {120}
    # Fleet, axle type and depot each known to 0.1 mm.
    assert rows[0]["threshold_sd"] == pytest.approx(np.sqrt(0.03))


def test_without_a_change_nothing_is_said_of_one() -> None:
    rows = written(policy(0, None))
    for name in ("changed_on", "raised_mm", "raised_ci_low", "raised_ci_high"):
        assert rows[name].null_count() == rows.height


def test_relines_for_their_age_say_at_which_and_how_many() -> None:
    fit = policy(0, None)
    for name in ("age_days", "age_ci_low", "age_ci_high", "age_kept", "age_share"):
        assert written(fit)[name].null_count() == 4
    # 600 days; a tenth more on drive axles. Spread 20 days, kept 9 times in 10.
    aged = [np.log(20.0), np.log(9.0), np.log(600.0), np.log(1.1), 0.0, 0.0, 0.0]
    mean = np.concatenate([fit.mean, aged])
    doubt = np.diag(np.repeat(1e-4, len(mean)))
    rows = written(dataclasses.replace(fit, mean=mean, covariance=doubt, age_share=0.4))
    days = dict(zip(rows["axle_type"], rows["age_days"], strict=True))
    assert days == {"drive": pytest.approx(660.0), "steer": pytest.approx(600.0)}
    # Fleet, axle type and depot each known to one per cent.
    half = 1.96 * np.sqrt(3e-4)
    assert rows["age_ci_low"][-1] == pytest.approx(600.0 * np.exp(-half), rel=1e-4)
    assert rows["age_ci_high"][-1] == pytest.approx(600.0 * np.exp(half), rel=1e-4)
    assert rows["age_kept"].to_list() == [pytest.approx(0.9)] * 4
    assert rows["age_share"].to_list() == [0.4] * 4


def test_a_campaign_says_between_which_days_and_how_much_was_relined() -> None:
    none = written(policy(0, None))
    assert none["campaigns"].to_list() == [0] * 4
    names = [f"campaign_{name}" for name in ("from_on", "until_on", "relines", "usual")]
    assert none.select(names).null_count().row(0) == (4,) * 4
    # Found one by one: two quarters, the one before them, and one of long before.
    told = (CampaignTold(2, 3, 90.0, 30.0), CampaignTold(9, 9, 50.0, 15.0))
    rows = written(policy(0, None), *told, CampaignTold(4, 4, 40.0, 15.0))
    assert rows["campaigns"].to_list() == [2] * 4
    # Three quarters of 91 days, the last of them ending 182 days before the as-of day.
    assert set(rows.select(names).rows()) == {
        (dt.date(2024, 6, 3), dt.date(2025, 3, 2), 130, 45.0),
    }


def test_a_pause_and_a_campaign_before_it_are_two() -> None:
    rows = written(policy(0, None), CampaignTold(0, 1, 9.0, 60.0), CampaignTold(2, 2, 70.0, 30.0))
    assert rows["campaigns"].to_list() == [2] * 4
    row = rows.row(0, named=True)
    assert (row["campaign_relines"], row["campaign_usual"]) == (9, 60.0)
    assert row["campaign_until_on"] == AS_OF


def test_a_campaign_of_longer_ago_than_quarters_are_told_apart_has_no_first_day() -> None:
    row = written(policy(0, None), CampaignTold(11, 12, 50.0, 15.0)).row(0, named=True)
    assert (row["campaign_from_on"], row["campaign_until_on"]) == (None, dt.date(2022, 12, 4))


def test_thresholds_that_hang_on_how_often_units_are_checked_have_rows_of_their_own() -> None:
    mean = np.insert(policy(0, None).mean, 3, [1.0, 1.5])
    groups = dataclasses.replace(GROUPS, every_days=(42.0, 126.0))
    fit = dataclasses.replace(
        policy(0, None),
        groups=groups,
        mean=mean,
        covariance=0.01 * np.eye(len(mean)),
        group_visits=np.arange(1.0, 9.0),
    )
    rows = written(fit).filter(pl.col("depot").is_null()).sort("every_days", "axle_type")
    assert rows.select("every_days", "axle_type", "threshold_mm", "visits").rows() == [
        (42.0, "drive", 2.5, 1),
        (42.0, "steer", 2.0, 3),
        (126.0, "drive", 3.0, 5),
        (126.0, "steer", 3.5, 7),
    ]


def test_without_a_forecast_the_mart_is_empty() -> None:
    with duckdb.connect() as con:
        con.execute("create schema mart")
        write_budget_marts(con, None)
        assert con.sql("select count(*) from mart.reline_policy").fetchall() == [(0,)]


def test_a_time_of_the_year_says_when_it_is_next_and_how_much_is_relined_early() -> None:
    fit = policy(0, None)
    for name in ("from_on", "until_on", "mm", "ci_low", "ci_high"):
        assert written(fit)[f"yearly_{name}"].null_count() == 4
    rise = YearlyRise(TimeOfYear(91, 91), 4.0, np.zeros(len(fit.mean)), 0.1, 0.1)
    row = written(dataclasses.replace(fit, yearly=rise)).row(0, named=True)
    # 91 to 181 days before the as-of day, and a year later.
    assert (row["yearly_from_on"] - AS_OF).days == 184
    assert (row["yearly_until_on"] - AS_OF).days == 274
    assert row["yearly_mm"] == 4.0
    assert row["yearly_ci_low"] == pytest.approx(4.0 - 0.196, abs=1e-3)
    assert row["yearly_ci_high"] == pytest.approx(4.0 + 0.196, abs=1e-3)
