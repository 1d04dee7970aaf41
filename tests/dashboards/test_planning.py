"""The planning chapter: what its charts and sentences say, and where they say nothing."""

import datetime as dt
from dataclasses import replace

import polars as pl
import pytest

from dashboards.page_data import Fleet
from dashboards.planning import charts as planning
from dashboards.planning.sentences import planning_remarks
from dashboards.sentences.measures import Measures
from tests import dashboard_data

D = dt.date
MEASURES = Measures(Fleet(currency="CU"))


def hours(there: float | None, p_over: float | None) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "depot": ["North", None],
            "month": [D(2026, 7, 1), D(2026, 7, 1)],
            "visits": [4.0, 1.0],
            "relines_mean": [5.0, 1.0],
            "hours_mean": [20.0, 5.0],
            "hours_p10": [15.0, 4.0],
            "hours_p90": [25.0, 6.0],
            "hours_there": pl.Series([there, None], dtype=pl.Float64),
            "p_over": pl.Series([p_over, None], dtype=pl.Float64),
            "moving_cost": pl.Series([p_over and 30.0, None], dtype=pl.Float64),
        }
    )


@pytest.mark.parametrize(
    ("there", "p_over", "title"),
    [
        (18.0, 0.7, "More brake work than hours: North in Jul 2026"),
        (40.0, 0.01, "No depot is likely to have more brake work than hours"),
        (None, None, "Hours of brake work by depot and month"),
    ],
)
def test_hours_say_which_months_exceed_what_there_is(there, p_over, title):
    figure = planning.hours_figure(hours(there, p_over))
    assert figure.said.title == title
    assert figure.chart.to_dict()["layer"]
    assert [row[0] for row in figure.table.rows] == [
        "North, Jul 2026",
        "no depot on record, Jul 2026",
    ]


def test_without_hours_of_a_job_no_hours_are_shown():
    assert planning.hours_figure(hours(None, None).with_columns(hours_mean=pl.lit(0.0))) is None
    assert planning.hours_figure(None) is None


def units(*outside: bool) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "unit_id": [f"U{n}" for n in range(len(outside))],
            "cost": [300.0] * len(outside),
            "expected_cost": [100.0] * len(outside),
            "factor": [3.0] * len(outside),
            "pooled_factor": [2.0] * len(outside),
            "ci_low": [1.5] * len(outside),
            "ci_high": [2.5] * len(outside),
            "funnel_low": [0.2] * len(outside),
            "funnel_high": [2.0] * len(outside),
            "stands_out": list(outside),
        }
    )


def test_units_are_named_only_beyond_what_units_differ_anyway():
    none = planning.units_figure(units(False, False), MEASURES)
    assert none.said.title == "No unit is shown to cost more or less than what it runs explains"
    one = planning.units_figure(units(False, True), MEASURES)
    assert "U1" in one.said.title
    assert "U0" not in one.said.title
    assert planning.units_figure(units(), MEASURES) is None


def test_of_very_many_units_those_that_stand_out_and_some_others_are_drawn():
    # 171,000 units are a fleet of a million wheel ends; a chart holds no more than 5,000 rows.
    figure = planning.units_figure(units(*[n % 1_000 == 7 for n in range(171_000)]), MEASURES)
    drawn = pl.DataFrame(next(iter(figure.spec()["datasets"].values())))
    assert drawn.filter("stands_out").height == 171
    assert 1_900 < drawn.height <= 2_171
    assert f"171,000 units ({drawn.height:,} of them drawn)" in figure.said.note.replace(
        "\u202f", ","
    )


def test_costs_are_told_per_mile_where_the_fleet_counts_miles():
    costs = pl.DataFrame(
        {
            "period": ["past"] * 2,
            "axle_type": ["drive", "steer"],
            "duty": ["haul", "haul"],
            "item": ["all", "all"],
            "cost_per_100000km": [200.0, 100.0],
            "ci_low": [190.0, 95.0],
            "ci_high": [210.0, 105.0],
            "units": [5, 5],
            "wheel_end_km": [1e6, 1e6],
        }
    )
    assert "drive / haul: 200 (190–210)" in planning.costs_figure(costs, MEASURES).said.title
    miles = Measures(Fleet(currency="CU", distance_unit="mi"))
    title = planning.costs_figure(costs, miles).said.title
    assert "mi" in title
    assert "322" in title or "320" in title
    figure = planning.costs_figure(costs, miles)
    assert "km" not in f"{figure.said} {figure.table}".lower()


def group_costs(*rows: tuple[float, float, float]) -> pl.DataFrame:
    kinds = ("drive", "steer", "trailer")
    return pl.DataFrame(
        {
            "period": "past",
            "axle_type": kinds[: len(rows)],
            "duty": "haul",
            "item": "all",
            "cost_per_100000km": [r[0] for r in rows],
            "ci_low": [r[1] for r in rows],
            "ci_high": [r[2] for r in rows],
            "units": 2,
            "wheel_end_km": 1e6,
        }
    )


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        # A longer, vaguer interval rounds 383 to 400, above 391.
        (((391.0, 159.0, 962.0), (383.0, 117.0, 1248.0)), "No axle type and duty clearly costs"),
        (((390.0, 310.0, 490.0), (210.0, 170.0, 270.0)), "A wheel end costs most on drive / haul"),
        (
            ((390.0, 310.0, 490.0), (370.0, 300.0, 480.0), (210.0, 170.0, 270.0)),
            "A wheel end probably costs most on drive / haul",
        ),
        (((390.0, 310.0, 490.0),), "A wheel end of drive / haul costs 390 (310–490)"),
    ],
)
def test_a_group_is_the_dearest_only_beyond_what_units_differ(rows, said):
    assert planning.costs_figure(group_costs(*rows), MEASURES).said.title.startswith(said)


@pytest.mark.parametrize(
    ("saved", "said"),
    [
        ((0.51, 0.2, 0.2), "most on drive / haul"),
        ((0.51, 0.508, 0.2), "most on drive / haul and steer / haul"),
        ((0.51, 0.51, 0.51), "alike everywhere"),
    ],
)
def test_groups_that_gain_alike_by_a_check_are_named_together(saved, said):
    plan = pl.DataFrame(
        {
            "axle_type": ["drive", "steer", "trailer"],
            "duty": "haul",
            "share_now": 0.04,
            "share_ci_low": 0.02,
            "share_ci_high": 0.06,
            "most_unseen": 0.02,
            "weeks_now": 12.0,
            "weeks_within": 5.0,
            "weeks_surely": 4.0,
            "saved_per_check": saved,
            "place": [1, 2, 3],
        }
    )
    title = planning.checks_figure(plan, MEASURES).said.title
    assert title == f"One more check a year buys {said}"


def test_a_rise_is_told_while_it_stands():
    def months(*rise: float, ended: dt.date | None = None) -> pl.DataFrame:
        return pl.DataFrame(
            {
                "measure": "cost",
                "month": [D(2026, 1 + i, 1) for i in range(len(rise))],
                "rise": rise,
                "rise_limit": 6.0,
                "signal": [max(rise[: i + 1]) > 6.0 for i in range(len(rise))],
                "began": D(2025, 9, 1),
                "ended": pl.Series([ended] * len(rise), dtype=pl.Date),
            }
        )

    stands = remarks(monthly_rates=months(2.0, 5.0, 7.0))
    assert stands.startswith("Cost per distance has risen since about Sep 2025, more than chance")
    assert remarks(monthly_rates=months(2.0, 7.0, 5.0)) == ""
    assert remarks(monthly_rates=months(2.0, 3.0, 5.0)) == ""
    over = remarks(monthly_rates=months(2.0, 7.0, 1.0, ended=D(2026, 1, 1)))
    assert (
        over
        == "Cost per distance was high from about Sep 2025 to Dec 2025, and has come down since."
    )
    assert remarks(monthly_rates=months(2.0, 7.0, 1.0, ended=D(2025, 2, 1))) == ""


def effects(p: float, before_p: float) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "name": ["training"],
            "measure": ["set_wrong"],
            "changed_on": [D(2025, 3, 1)],
            "ratio": [0.6],
            "ci_low": [0.4],
            "ci_high": [0.9],
            "p_adjusted": [p],
            "units_unchanged": [20],
            "apart_before_p": [before_p],
            "note": pl.Series([None], dtype=pl.String),
        }
    )


def remarks(**frames) -> str:
    data = replace(dashboard_data.empty_month(), **frames)
    return " ".join(planning_remarks(data))


def test_parts_say_whether_adjusters_are_among_them_and_what_their_number_is_told_from():
    plan = pl.DataFrame({"p_reline": [0.9], "unit_id": ["A"], "visit_on": [D(2026, 7, 1)]})
    stock = pl.DataFrame(
        {"item": ["linings"], "stock": [4], "service_level": [0.95], "lead_weeks": [6.0]}
    )
    failures = dashboard_data.expected_failures(40)

    def told(expected: pl.DataFrame | None) -> str:
        return remarks(plan=plan, stock_needed=stock, expected_failures=expected)

    assert "No adjusters are among them" in told(None)
    assert "adjusters" not in told(failures)
    by_counts = failures.with_columns(basis=pl.lit("from how many were found"))
    assert told(by_counts).endswith("The number of adjusters is told from how many were found.")


def test_an_effect_is_claimed_only_where_it_is_sure_and_both_were_on_one_course():
    assert "no effect is shown" in remarks(change_effects=effects(0.4, 0.5))
    sure = remarks(change_effects=effects(0.01, 0.5))
    assert "no effect" not in sure
    assert "not on one course" not in sure
    assert "not on one course" in remarks(change_effects=effects(0.01, 0.02))


def test_a_part_that_cannot_be_told_apart_is_said_to_show_no_difference():
    frame = pl.DataFrame(
        {
            "kind": ["lining"],
            "axle_type": pl.Series([None], dtype=pl.String),
            "part_a": ["soft"],
            "part_b": ["hard"],
            "ratio": [1.01],
            "ci_low": [0.9],
            "ci_high": [1.1],
            "p_adjusted": [0.5],
            "note": ["Depots fitted them unevenly."],
        }
    )
    said = remarks(part_comparisons=frame)
    assert "No difference is shown. Depots fitted them unevenly." in said
    assert "No difference" not in remarks(
        part_comparisons=frame.with_columns(p_adjusted=pl.lit(0.01))
    )


def test_nothing_known_says_nothing():
    assert remarks() == ""
