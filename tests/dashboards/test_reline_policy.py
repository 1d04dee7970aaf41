"""What is told of how the fleet relines: readings that changed, ages, campaigns."""

import datetime as dt
from dataclasses import replace

import polars as pl
import pytest

from dashboards.page_data import Fleet, PageData
from dashboards.sections import relines
from dashboards.sentences.measures import Measures
from dashboards.sentences.reline_policy import (
    ages_said,
    along_said,
    campaign_said,
    habits_said,
    handed_said,
    intervals_said,
    policy_said,
    policy_told,
    yearly_said,
)
from dashboards.sentences.words import plain
from dashboards.summary import facts, of_depot
from pipeline.marts.marts import empty
from tests import dashboard_data

METRIC = Measures(Fleet(currency="EUR"))


@pytest.fixture(scope="module")
def data() -> PageData:
    return dashboard_data.month()


def told_of(*rows: dict[str, object]) -> pl.DataFrame:
    """Rows of the mart: nothing was found but what they name."""
    schema = empty("reline_policy").schema
    return pl.DataFrame([dict.fromkeys(schema) | {"campaigns": 0} | row for row in rows], schema)


RAISED = {"changed_on": dt.date(2025, 4, 2), "raised_mm": 1.04, "raised_ci_low": 0.53}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (RAISED | {"raised_ci_high": 1.55}, "thicker readings than before, by 1.0 mm (0.5–1.6)"),
        (
            {name: -v if isinstance(v, float) else v for name, v in RAISED.items()}
            | {"raised_ci_high": -0.53, "raised_ci_low": -1.55},
            "thinner readings than before, by 1.0 mm (0.5–1.6)",
        ),
    ],
)
def test_a_changed_policy_is_said_beside_the_forecast(
    data: PageData, change: dict[str, object], said: str
) -> None:
    policy = told_of(change, change)
    assert " ".join(policy_said(policy, METRIC).split()) == (
        f"Since about April 2025 linings are relined at {said}; the forecast follows what is done "
        "since."
    )
    told = replace(data, reline_policy=policy)
    assert policy_said(policy, METRIC) in relines(told).remarks
    clause = f"relined at {said.split()[0]} readings since about April 2025"
    assert [clause in f.detail for f in facts(told)].count(True) == 1


def test_readings_that_hang_on_how_often_a_unit_is_checked_are_said(data: PageData) -> None:
    """Means by visits, by hand: (1.0 × 100 + 1.6 × 50) / 150 = 1.2, ± 1.96 × 0.1."""
    policy = told_of(
        {"every_days": 42.0, "threshold_mm": 1.0, "threshold_sd": 0.1, "visits": 100},
        {"every_days": 42.0, "threshold_mm": 1.6, "threshold_sd": 0.1, "visits": 50},
        {"every_days": 127.0, "threshold_mm": 3.0, "threshold_sd": 0.2, "visits": 80},
    )
    said = intervals_said(policy, METRIC)
    assert " ".join(said.split()) == (
        "Units checked about every 6 weeks are relined at 1.2 mm (1.0–1.4) above the minimum, "
        "those checked about every 18 weeks at 3.0 mm (2.6–3.4); the forecast follows both."
    )
    assert said in relines(replace(data, reline_policy=policy)).remarks
    assert intervals_said(told_of({"threshold_mm": 1.0}), METRIC) == ""


def test_a_policy_that_changed_at_one_depot_is_said_of_that_one(data: PageData) -> None:
    raised = RAISED | {"raised_ci_high": 1.55}
    policy = told_of(raised | {"depot": "Northgate"}, {"depot": "Low Quay"})
    assert policy_said(policy, METRIC).startswith(
        "Since about April 2025 linings at Northgate are relined at thicker readings"
    )
    nameless = told_of(raised, raised | {"depot": "Northgate"}, {"depot": "Low Quay"})
    assert "linings at Northgate and where there is no depot on record are" in policy_said(
        nameless, METRIC
    )
    told = replace(data, reline_policy=policy)
    clause = "relined at thicker readings since about April 2025"
    assert [f"{clause} at Northgate" in f.detail for f in facts(told)].count(True) == 1
    # On a depot's own page it is said where it is so, and nowhere else.
    depot = data.wheel_end_status["depot"].drop_nulls()[0]
    here, there = (
        replace(data, reline_policy=told_of(raised | {"depot": name}, {"depot": other}))
        for name, other in ((depot, "Elsewhere"), ("Elsewhere", depot))
    )
    assert [clause in f.detail for f in facts(of_depot(here, depot))].count(True) == 1
    assert not any("readings since" in f.detail for f in facts(of_depot(there, depot)))


AGED = {"age_days": 640.0, "age_kept": 0.95, "age_share": 0.7}


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([AGED], "Most linings are relined at about 21 months, whatever their thickness;"),
        (
            [AGED | {"age_share": 0.31}, AGED | {"age_share": 0.31, "age_days": 660.0}],
            "Some linings, 31 % of all relined, are relined at about 21 months,",
        ),
        ([AGED, AGED | {"age_days": 950.0}], "for their age, from about 21 months on by axle type"),
        ([AGED | {"age_kept": 0.5}], ""),
        ([dict.fromkeys(AGED)], ""),
    ],
)
def test_relines_for_the_age_are_said_beside_the_forecast(
    data: PageData, rows: list[dict[str, float | None]], said: str
) -> None:
    policy = told_of(*rows)
    sentence = ages_said(policy)
    assert said in " ".join(sentence.split())
    assert bool(sentence) == bool(said)
    remarks = relines(replace(data, reline_policy=policy)).remarks
    assert (sentence in remarks) == bool(said)


CAMPAIGN = {
    "campaigns": 1,
    "campaign_from_on": dt.date(2024, 9, 2),
    "campaign_until_on": dt.date(2025, 3, 2),
    "campaign_relines": 412,
    "campaign_usual": 118.6,
    "campaign_chance": 1.0,
}


@pytest.mark.parametrize(
    ("row", "when", "others"),
    [
        (CAMPAIGN, "Between 2 Sep 2024 and 2 Mar 2025", ""),
        (
            CAMPAIGN | {"campaigns": 3, "campaign_from_on": None},
            "Before 2 Mar 2025",
            " Left out too: 2 earlier such times.",
        ),
    ],
)
def test_a_campaign_that_the_forecast_leaves_out_is_said_beside_it(
    data: PageData, row: dict[str, object], when: str, others: str
) -> None:
    policy = told_of(row, row)
    said = campaign_said(policy)
    assert " ".join(said.split()) == (
        f"{when} far more was relined than this fleet's habit explains: 412 wheel ends, where as "
        "many visits bring about 119 at other times. The forecast counts that as done once, and "
        f"follows what was done before and since.{others}"
    )
    assert policy_told(policy, None, METRIC) == (said,)
    told = replace(data, reline_policy=policy)
    assert said in relines(told).remarks
    clause = "; 412 relines by March 2025 count as done once"
    assert [clause in f.detail for f in facts(told)].count(True) == 1


def test_a_campaign_that_may_be_a_habit_is_said_to_be_open(data: PageData) -> None:
    """And nothing else is said to be followed."""
    row = CAMPAIGN | {"campaign_chance": 0.5, "changed_on": dt.date(2024, 9, 1), "raised_mm": 2.0}
    policy = told_of(row, row)
    (said,) = policy_told(policy, None, METRIC)
    assert "cannot tell yet whether that was done once or is the habit since" in said
    assert "50 % of its futures" in plain(said)
    told = replace(data, reline_policy=policy)
    clause = "; far more was relined by March 2025, once or for good"
    assert [clause in f.detail for f in facts(told)].count(True) == 1
    assert not any("relined at" in f.detail for f in facts(told))


def test_a_pause_that_the_forecast_takes_to_be_over_is_said_beside_it(data: PageData) -> None:
    row = CAMPAIGN | {"campaign_relines": 12, "campaign_usual": 103.2}
    policy = told_of(row, row)
    said = campaign_said(policy)
    assert " ".join(said.split()) == (
        "Between 2 Sep 2024 and 2 Mar 2025 far fewer linings were relined than this fleet's habit "
        "explains, and due ones left on, at one depot or more: 12 wheel ends, where as many visits "
        "bring about 103 at "
        "other times. The forecast takes that to be over, as a shortage is, and follows what was "
        "done before."
    )
    told = replace(data, reline_policy=policy)
    clause = "; due linings left on until March 2025 are taken for a pause that is over"
    assert [clause in f.detail for f in facts(told)].count(True) == 1


CEASED = {"changed_on": dt.date(2026, 3, 5), "share": 0.004, "share_ci_low": 0.0}
CEASED |= {"share_ci_high": 0.012, "share_before": 0.042, "share_before_ci_low": 0.039}
CEASED |= {"share_before_ci_high": 0.0451}


def habits_of(*rows: dict[str, object]) -> pl.DataFrame:
    """Rows of the mart."""
    schema = empty("reline_habits").schema
    return pl.DataFrame([dict.fromkeys(schema) | row for row in rows], schema)


@pytest.mark.parametrize(
    ("habit", "since", "said", "clause"),
    [
        (
            "relined for another reason",
            0.004,
            "linings at Northgate are relined less often for other reasons than their reading, at "
            "0.4 % (0.0 % to 1.2 %) of a wheel end's checks",
            "relined less often for other reasons than the reading",
        ),
        (
            "due and left on",
            0.31,
            "linings at Northgate that are due are left on more often, at 31.0 % (0.0 % to 1.2 %) "
            "of checks",
            "due linings left on more often",
        ),
        (
            "at the minimum and left on",
            0.31,
            "linings at Northgate read at or below their minimum are left on more often, at 31.0 % "
            "(0.0 % to 1.2 %) of checks",
            "linings at their minimum left on more often",
        ),
        (
            "other end goes along",
            0.31,
            "an axle's other end at Northgate goes along more often, at 31.0 % (0.0 % to 1.2 %) of "
            "relines",
            "an axle's other end relined along more often",
        ),
        (
            "other axles go along",
            0.004,
            "a unit's other axles at Northgate go along less often, at 0.4 % (0.0 % to 1.2 %) of "
            "relines",
            "a unit's other axles relined along less often",
        ),
    ],
)
def test_a_habit_that_changed_is_said_beside_the_forecast(
    data: PageData, habit: str, since: float, said: str, clause: str
) -> None:
    changed = CEASED | {"habit": habit, "depot": "Northgate", "share": since}
    same = {"habit": habit, "depot": "Low Quay", "share": since}
    habits = habits_of(changed, same, {"habit": "due and left on", "share": 0.1})
    expected = (
        f"Since about March 2026 {said}, where it was 4.2 % (3.9 % to 4.5 %) before; the forecast "
        "follows what is done since."
    )
    assert [" ".join(each.split()) for each in habits_said(habits)] == [expected]
    told = replace(data, reline_habits=habits)
    assert habits_said(habits)[0] in relines(told).remarks
    brief = f"; {clause} since about March 2026 at Northgate"
    assert [brief in f.detail for f in facts(told)].count(True) == 1


def along_at(
    depot: str | None, at: float, habit: str = "other end goes along"
) -> dict[str, object]:
    low, high = 0.9 * at, min(1.1 * at, 1.0)
    return {"habit": habit, "depot": depot, "share": at, "share_ci_low": low, "share_ci_high": high}


def test_depots_that_reline_along_differently_are_named(data: PageData) -> None:
    rows = [along_at("Northgate", 0.031), along_at("Low Quay", 0.95), along_at(None, 0.2)]
    habits = habits_of(*rows, along_at("Northgate", 0.1, "other axles go along"))
    (said,) = along_said(habits)
    assert " ".join(said.split()) == (
        "An axle's other end goes along at 3.1 % of relines at Northgate, and at 95.0 % at Low "
        "Quay; the forecast follows each depot's own habit."
    )
    assert said in relines(replace(data, reline_habits=habits)).remarks
    # Those that may be alike for all that is known are not.
    near = habits_of(along_at("Northgate", 0.5), along_at("Low Quay", 0.55))
    assert along_said(near) == along_said(None) == ()


def test_units_that_leave_with_new_linings_are_said_beside_the_forecast(data: PageData) -> None:
    habits = habits_of(along_at("Northgate", 0.9, "all renewed when a unit leaves"))
    said = handed_said(habits)
    assert " ".join(said.split()) == (
        "Of units that leave, 90 % (81 % to 99 %) have all linings renewed at their last check, "
        "whatever is left of them; the forecast counts on that."
    )
    assert said in relines(replace(data, reline_habits=habits)).remarks
    assert handed_said(None) == handed_said(habits_of(along_at("Northgate", 0.5))) == ""


def test_a_change_where_depots_reline_along_differently_is_said_of_each() -> None:
    often = CEASED | {"habit": "other end goes along", "depot": "Low Quay", "share": 0.9}
    seldom = often | {"depot": "Northgate", "share": 0.2}
    told = habits_said(habits_of(often, seldom))
    assert [("at Low Quay goes" in told[0]), ("at Northgate goes" in told[1])] == [True, True]
    assert "at 90.0 %" in " ".join(told[0].split())
    assert "at 20.0 %" in " ".join(told[1].split())


def test_of_a_policy_that_never_changed_nothing_is_said(data: PageData) -> None:
    same = told_of({})
    assert policy_told(None, None, METRIC) == policy_told(same, None, METRIC) == ()
    told = replace(data, reline_policy=same, reline_habits=None)
    before = relines(replace(told, reline_policy=None)).remarks
    silent = relines(told).remarks
    assert silent == before
    assert not any("since about" in f.detail or "done once" in f.detail for f in facts(told))


def test_a_time_of_the_year_is_said_beside_the_forecast(data: PageData) -> None:
    winter = {"yearly_from_on": dt.date(2025, 12, 30), "yearly_until_on": dt.date(2026, 3, 30)}
    winter |= {"yearly_mm": 4.64, "yearly_ci_low": 4.31, "yearly_ci_high": 4.96}
    sentence = yearly_said(told_of(winter), Measures(data.fleet))
    assert plain(sentence) == (
        "Every year, from about 30 December to 30 March, linings are relined at thicker readings "
        "than in the rest of it, by 4.6 mm (4.3–5.0); the forecast follows that."
    )
    assert yearly_said(told_of({}), Measures(data.fleet)) == ""
    assert sentence in relines(replace(data, reline_policy=told_of(winter))).remarks
