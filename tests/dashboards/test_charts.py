"""Charts: every one valid, with units and n beside it, and a title that follows its data."""

import datetime as dt
import itertools
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.proportion import proportion_confint

from dashboards.charts.adjusters import age_figure, curve_figures
from dashboards.charts.compared import comparison_figure
from dashboards.charts.decisions import intervals_figure, replacement_figure
from dashboards.charts.flags import minimum_figure, states_figure, stroke_figure
from dashboards.charts.lives import (
    causes_figure,
    effects_figure,
    replacements_figure,
    scale_figures,
)
from dashboards.charts.policies import policies_figure
from dashboards.charts.records import fates_figure
from dashboards.charts.relines import (
    depots_figure,
    monthly_figure,
    plan_said,
)
from dashboards.charts.settings import depots_figure as settings_by_depot
from dashboards.charts.settings import months_figure as settings_by_month
from dashboards.charts.trust import coverage_figure, jeffreys_interval, months_figure
from dashboards.charts.wear import changes_said, wear_figure
from dashboards.drawing.figure import Figure, counted, selection_key
from dashboards.drawing.svg import drawn
from dashboards.drawing.theme import CLAY, DEEP, HAZE, PALE, PAPER, RUST, SAND, SOFT
from dashboards.page import rendered
from dashboards.page_data import Fleet, PageData
from dashboards.sections import relines, sections, svg_specs
from dashboards.sections import wear as wear_section
from dashboards.sentences.measures import Measures
from dashboards.summary import _plan, facts, of_depot
from tests import dashboard_data

METRIC = Measures(Fleet(currency="EUR"))


@pytest.fixture(scope="module")
def data() -> PageData:
    return dashboard_data.month()


@pytest.fixture(scope="module")
def figures(data: PageData) -> list[Figure]:
    return [f for s in sections(data) for f in s.figures]


def title(figure: Figure | None) -> str:
    """The conclusion, its thin and unbreakable spaces as plain ones."""
    assert figure is not None
    return re.sub("[\u00a0\u202f]", " ", figure.said.title)


def marks_of(spec: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield from spec.get("layer", [spec])


def test_every_chart_is_valid_and_known_once(figures: list[Figure]) -> None:
    for figure in figures:
        figure.chart.to_dict()  # validates against the drawing library's own schema
        if figure.every_selection is not None:
            figure.every_selection.to_dict()
    keys = [f.key for f in figures]
    assert len(set(keys)) == len(keys) > 25


def test_every_axis_of_quantities_is_named(figures: list[Figure]) -> None:
    for figure in figures:
        titles = {
            channel: axis["title"]
            for mark in marks_of(figure.spec())
            for channel, axis in mark.get("encoding", {}).items()
            if channel in ("x", "y") and axis.get("type") == "quantitative" and "title" in axis
        }
        assert titles, figure.key
        assert all(titles.values()), figure.key


def test_every_chart_states_how_many(figures: list[Figure]) -> None:
    """Of charts of forecasts, the n is in the table or the note; here: a number in the note."""
    forecasts = {"check-intervals", "linings-run-out"}
    for figure in figures:
        if figure.key not in forecasts:
            assert re.search(r"\d", figure.said.note), figure.key
        assert figure.table.rows, figure.key
        assert figure.sql.startswith("select "), figure.key


def test_every_estimate_is_drawn_with_its_interval(figures: list[Figure]) -> None:
    """All but plain counts of records, which have none."""
    counts = {"flags-by-state", "strokes-now", "overdue-work", "row-fates", "set-aside-reasons"}
    drawn_as_three_lines = {"linings-run-out"}
    for figure in figures:
        if figure.key in counts | drawn_as_three_lines:
            continue
        ends = {c for mark in marks_of(figure.spec()) for c in mark.get("encoding", {})}
        assert ends & {"x2", "y2"}, figure.key


def lightness(colour: str) -> float:
    """CIE L* of a sRGB colour, D65 (IEC 61966-2-1; CIE 15)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    y = sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


@pytest.mark.parametrize(
    "together",
    [(RUST, SAND), (DEEP, CLAY, SAND), (DEEP, PALE), (HAZE, DEEP)],
    ids=["flags", "overdue", "intervals", "band"],
)
def test_colours_used_together_differ_in_grey(together: tuple[str, ...]) -> None:
    shades = sorted(lightness(c) for c in together)
    assert min(b - a for a, b in itertools.pairwise(shades)) >= 15


@pytest.mark.parametrize("ink", [SOFT, DEEP, RUST])
def test_text_colours_have_contrast(ink: str) -> None:
    """At least 4.5 : 1 against the paper, as WCAG 2.1 asks of text (1.4.3)."""
    light, dark = (((lightness(c) + 16) / 116) ** 3 for c in (PAPER, ink))
    assert (light + 0.05) / (dark + 0.05) >= 4.5


# ---- titles follow the data


def wear(rows: list[tuple[str, float, float, float]]) -> pl.DataFrame:
    base = dashboard_data.wear_rates(np.random.default_rng(1)).head(len(rows))
    return base.with_columns(
        pl.Series("duty", [r[0] for r in rows]),
        pl.Series("mm_per_10000km", [r[1] for r in rows]),
        pl.Series("ci_low", [r[2] for r in rows]),
        pl.Series("ci_high", [r[3] for r in rows]),
        axle_type=pl.lit("drive"),
    )


def test_wear_names_the_fastest_only_when_it_stands_out() -> None:
    apart = wear([("town", 2.0, 1.8, 2.2), ("motorway", 0.5, 0.4, 0.6)])
    assert title(wear_figure(apart, METRIC)) == (
        "Linings of drive / town wear fastest: 2.0 (1.8–2.2) mm per 10 000 km; "
        "of drive / motorway 0.50 (0.40–0.60)"
    )
    turned = wear([("town", 0.5, 0.4, 0.6), ("motorway", 2.0, 1.8, 2.2)])
    assert title(wear_figure(turned, METRIC)).startswith("Linings of drive / motorway wear fastest")
    close = wear([("town", 2.0, 1.8, 2.2), ("city", 1.9, 1.7, 2.1), ("motorway", 0.5, 0.4, 0.6)])
    assert title(wear_figure(close, METRIC)).startswith("Linings of drive / town probably wear")
    alike = wear([("town", 2.0, 1.0, 3.0), ("motorway", 1.5, 0.5, 2.5)])
    assert title(wear_figure(alike, METRIC)) == (
        "No group's linings clearly wear faster than another's"
    )


def test_wear_is_told_in_the_fleets_units() -> None:
    """1 mm per 10 000 km is 1.609344 / 25.4 = 0.063360 in per 10 000 mi (exact definitions)."""
    imperial = Measures(Fleet(length_unit="in", distance_unit="mi"))
    figure = wear_figure(wear([("town", 1.0, 0.9, 1.1)]), imperial)
    assert title(figure) == "Linings of drive / town wear 0.063 (0.057–0.070) in per 10 000 mi"
    assert figure is not None
    (rows,) = figure.chart.to_dict()["datasets"].values()
    assert rows[0]["mm_per_10000km"] == pytest.approx(0.0633600, rel=1e-6)


def test_comparisons_are_turned_to_read_above_one() -> None:
    comparisons = pl.DataFrame(
        {
            "axle_type": ["drive"],
            "measure": ["wear_rate_ratio"],
            "duty_a": ["motorway"],
            "duty_b": ["town"],
            "ratio": [0.25],
            "ci_low": [0.2],
            "ci_high": [0.5],
            "p": [0.001],
            "p_adjusted": [0.003],
            "method": ["m"],
        }
    )
    figure = comparison_figure(comparisons, "wear_rate_ratio", "lining wear")
    assert title(figure) == (
        "Duty matters: lining wear in town is 4.0 (2.0–5.0) times that in motorway on drive axles"
    )
    both = pl.concat([comparisons, comparisons.with_columns(axle_type=pl.lit("steer"))])
    assert title(comparison_figure(both, "wear_rate_ratio", "lining wear")) == (
        "Duty matters: lining wear in town is 4.0 (2.0–5.0) times that in motorway on drive axles "
        "and 4.0 (2.0–5.0) on steer axles"
    )
    unclear = comparisons.with_columns(p_adjusted=pl.lit(0.4))
    assert title(comparison_figure(unclear, "wear_rate_ratio", "lining wear")) == (
        "The records do not show that duty changes lining wear"
    )


def test_a_comparison_speaks_of_the_pooled_ratio_and_of_the_other_time_scale() -> None:
    """The most extreme axle type is no headline; scales that disagree are said together."""
    row = {"measure": "hazard_ratio", "duty_a": "quarry", "duty_b": "town", "p": 0.0, "method": "m"}
    comparisons = pl.DataFrame(
        [
            row | {"axle_type": "drive", "ratio": 21.0, "ci_low": 10.0, "ci_high": 45.0},
            row | {"axle_type": None, "ratio": 12.0, "ci_low": 8.0, "ci_high": 18.0},
        ]
    ).with_columns(p_adjusted=pl.lit(0.001))
    effects = (
        dashboard_data.adjuster_effects()
        .head(1)
        .with_columns(
            term=pl.lit("duty"),
            level=pl.lit("town"),
            reference=pl.lit("quarry"),
            cause=pl.lit(None, dtype=pl.String),
            measure=pl.lit("hazard_ratio"),
            fleets_clock=pl.lit(value=False),
            clock=pl.lit("weeks"),
            ratio=pl.lit(1 / 1.5),
            ci_low=pl.lit(1 / 2.0),
            ci_high=pl.lit(1.0),
        )
    )
    said = title(comparison_figure(comparisons, "hazard_ratio", "the failure rate", effects))
    assert said == (
        "Duty matters: the failure rate in quarry is 12 (8–18) times that in town, all axle types "
        "together by distance; by weeks in service it is 1.5 (1.0–2.0): the two scales disagree"
    )
    alone = title(comparison_figure(comparisons, "hazard_ratio", "the failure rate"))
    assert alone.endswith("all axle types together")


def beside(**depot: object) -> str:
    """The title where duty has a ratio of 3 alone, and beside the depot one of 1.1."""
    row = {"measure": "hazard_ratio", "duty_a": "quarry", "duty_b": "town", "p": 0.0, "method": "m"}
    ratio = {"axle_type": None, "ratio": 3.0, "ci_low": 2.0, "ci_high": 4.5, "p_adjusted": 0.001}
    comparisons = pl.DataFrame([row | ratio], schema_overrides={"axle_type": pl.String})
    own = {"fleets_clock": True, "clock": "km", "cause": None, "measure": "hazard_ratio"}
    own |= {"reference": "town", "p_adjusted": 1.0, "note": None}
    duty = {"term": "duty", "level": "quarry", "ratio": 1.1, "ci_low": 0.7, "ci_high": 1.7}
    other = {"term": "depot", "level": "Ash", "ratio": 6.0, "ci_low": 3.0, "ci_high": 12.0}
    text = dict.fromkeys(("cause", "note", "level", "reference"), pl.String)
    effects = pl.DataFrame([own | duty, own | other | depot], schema_overrides=text)
    return title(comparison_figure(comparisons, "hazard_ratio", "the failure rate", effects))


def test_duty_is_not_said_to_matter_where_the_depot_does() -> None:
    pair = "the failure rate in quarry is 3.0 (2.0–4.5) times that in town, all axle types together"
    assert beside(p_adjusted=0.001) == (
        f"Not duty, as far as the records show: {pair}, but 1.1 (0.7–1.7) times beside the depot"
    )
    assert beside().endswith(", but 1.1 (0.7–1.7) times beside all else that is compared")
    aliased = "in these records it goes with axle_type, duty and cannot be told from it"
    assert beside(ratio=None, note=aliased) == (
        f"Duty or depot: {pair}; depots and duties go together in these records and cannot be "
        "told apart"
    )
    assert beside(term="part", ratio=None, note=aliased).startswith(
        f"Duty or part: {pair}; parts fitted and duties go together in these records"
    )


def test_a_pair_whose_ratio_has_an_open_end_is_told_with_it(data: PageData) -> None:
    comparisons = data.duty_comparisons.filter(pl.col("measure") == "hazard_ratio").head(1)
    ends = {"axle_type": pl.lit(None, pl.String), "ratio": 8.3, "ci_low": 2.1, "p_adjusted": 0.01}
    open_end = comparisons.with_columns(**ends, ci_high=pl.lit(None, pl.Float64))
    figure = comparison_figure(open_end, "hazard_ratio", "the failure rate")
    assert "8.3 (2.1 or more) times" in title(figure)
    assert figure is not None
    assert "2.10 or more" in figure.table.rows[0]


def test_relines_speak_of_the_selection(data: PageData) -> None:
    figure = monthly_figure(data.reline_budget, data.reline_outlook, METRIC, "relines")
    assert figure is not None
    depot = data.reline_budget.filter(
        pl.col("depot") == "Brixholt", pl.col("axle_type").is_null(), pl.col("duty").is_null()
    ).sort("month")
    expected = round(depot.head(12)["relines_mean"].sum())
    key = selection_key(figure.dimensions, {"depot": "Brixholt"})
    assert figure.said_for[key].title.startswith(
        f"About {expected} relines by the end of March 2032"
    )
    assert figure.said_for["\x1f\x1f"] == figure.said
    year = data.reline_outlook.filter(pl.col("months") == 12)["relines_p50"][0]
    assert title(figure).startswith(f"About {year:.0f} relines in the next 12 months")


def test_a_selection_without_a_row_of_its_own_has_means_and_no_band(data: PageData) -> None:
    dimensions = ("depot", "axle_type", "duty")
    whole = pl.all_horizontal(pl.col(*dimensions).is_null())
    cell = pl.all_horizontal(pl.col(*dimensions).is_not_null())
    budget = data.reline_budget.filter(whole | cell)
    figure = monthly_figure(budget, data.reline_outlook, METRIC, "relines")
    assert figure is not None
    said = figure.said_for[selection_key(figure.dimensions, {"depot": "Brixholt"})]
    cells = budget.filter(pl.col("depot") == "Brixholt").sort("month")
    first_year = cells["month"].unique().sort().head(12)
    expected = cells.filter(pl.col("month").is_in(first_year.implode()))["relines_mean"].sum()
    assert said.title.startswith(f"About {expected:.0f} relines by the end of March 2032")
    assert "no band was simulated" in said.note
    assert figure.every_selection is not None
    (rows,) = figure.every_selection.to_dict()["datasets"].values()
    mine = [r for r in rows if r["depot"] == "Brixholt" and r["duty"] is r["axle_type"] is None]
    assert {r["p10"] for r in mine} == {None}
    assert len(mine) == cells["month"].n_unique()


def test_depots_with_overlapping_bands_are_called_expected() -> None:
    rows = dashboard_data.outlook_by_depot(720)
    assert "Aldermoor relines most" in title(depots_figure(rows, METRIC, "relines"))
    assert "Aldermoor costs most" in title(depots_figure(rows, METRIC, "cost"))
    wide = rows.with_columns(relines_p10=pl.lit(1.0))
    said = title(depots_figure(wide, METRIC, "relines"))
    assert said.startswith("Aldermoor is expected to reline most: ")
    alike = rows.with_columns(relines_p50=pl.lit(80.0))
    said = title(depots_figure(alike, METRIC, "relines"))
    assert said.startswith("Aldermoor and 2 other depots are expected to reline most: ")


def test_a_selections_year_has_the_band_that_was_simulated_for_it(data: PageData) -> None:
    parts = dashboard_data.outlook_by_depot(720).with_columns(
        axle_type=pl.lit(None, dtype=pl.String), duty=pl.lit(None, dtype=pl.String)
    )
    made = monthly_figure(data.reline_budget, data.reline_outlook, METRIC, "relines", parts)
    assert made is not None
    year = parts.filter(pl.col("depot") == "Brixholt").row(0, named=True)
    said = made.said_for[selection_key(made.dimensions, {"depot": "Brixholt"})]
    assert said.title.startswith(f"About {year['relines_p50']:.0f} relines in the next 12 months")
    assert f"{year['relines_p10']:.0f}–{year['relines_p90']:.0f}" in said.note
    finer = made.said_for[selection_key(made.dimensions, {"depot": "Brixholt", "duty": "town"})]
    assert "by the end of" in finer.title  # none was simulated for it


def test_the_busiest_month_lies_in_the_year_that_is_told(data: PageData) -> None:
    """Of a run as of a month's end the thirteenth month is none of the next twelve."""
    end = dt.date(2032, 2, 29)
    year = data.reline_outlook.with_columns(from_on=dt.date(2031, 3, 1), until_on=end)
    after = pl.col("month") > end
    names = [f"relines_{q}" for q in ("p10", "p50", "p90", "mean")]
    budget = data.reline_budget.with_columns(
        pl.when(after).then(50.0 * pl.col(n)).otherwise(n).alias(n) for n in names
    )
    figure = monthly_figure(budget, year, METRIC, "relines")
    busiest = title(figure).partition("most in ")[2]
    assert dt.datetime.strptime(busiest, "%B %Y").date() <= end


def test_of_a_month_that_has_begun_the_days_left_are_said_to_count(data: PageData) -> None:
    figure = monthly_figure(data.reline_budget, data.reline_outlook, METRIC, "relines")
    assert figure is not None
    left = "Of March 2031 only the days from the 15th on count."
    assert all(left in said.note for said in figure.said_for.values())
    whole = data.reline_outlook.with_columns(from_on=pl.lit(dt.date(2031, 4, 1)))
    later = monthly_figure(data.reline_budget, whole, METRIC, "relines")
    assert later is not None
    assert "only the days" not in later.said.note


def test_shares_of_few_outcomes_have_wide_intervals(data: PageData) -> None:
    """Of 0 in 1 it reaches to where the arcs and roots of a beta of 1/2 and 3/2 hold 97.5 %."""
    one = data.backtest.head(1).with_columns(
        measure=pl.lit("reline_on"), nominal=pl.lit(0.8), observed=pl.lit(0.0), n=pl.lit(1)
    )
    figure = coverage_figure(one)
    assert figure is not None
    (rows,) = figure.spec()["datasets"].values()
    high = rows[0]["high"]
    held = 2.0 / np.pi * (np.arcsin(np.sqrt(high)) + np.sqrt(high * (1.0 - high)))
    assert held == pytest.approx(0.975, abs=1e-3)  # figures are kept to some places
    assert high > 0.8
    untold = one.with_columns(observed=pl.lit(None, dtype=pl.Float64))
    assert coverage_figure(untold) is None


def test_groups_that_nobody_read_are_not_drawn(data: PageData) -> None:
    unread = data.wear_rates.with_columns(
        readings=pl.when(pl.col("duty") == "quarry").then(0).otherwise("readings")
    )
    figure = wear_figure(unread, METRIC)
    assert figure is not None
    (rows,) = figure.spec()["datasets"].values()
    assert {r["duty"] for r in rows} == {"town", "regional", "motorway"}


EACH = "one whose unit changed duty in each of its groups"
THIN = "left out those of groups too thin for a curve of their own"


@pytest.mark.parametrize(
    ("adjusters", "failures", "said"),
    [
        (90, 12, f"12 failures among 100 adjusters, {EACH};"),
        (90, 14, f"12 failures among 100 adjusters, {EACH}, {THIN};"),
        (40, 12, f"12 failures among 80 of all 100 adjusters, {THIN};"),
        (50, 12, "12 failures among 100 adjusters;"),
    ],
)
def test_adjusters_of_several_groups_are_never_more_than_all(
    data: PageData, adjusters: int, failures: int, said: str
) -> None:
    """Of two groups, and the fleet's 100 adjusters and failures."""
    groups = data.adjuster_fits.filter("chosen", axle_type="steer").head(2)
    whole = groups.head(1).with_columns(
        axle_type=pl.lit(None, pl.String), duty=pl.lit(None, pl.String), chosen=False
    )
    fits = pl.concat(
        [
            groups.with_columns(
                adjusters=pl.lit(adjusters, pl.Int64), failures=pl.lit(6, pl.Int64)
            ),
            whole.with_columns(
                adjusters=pl.lit(100, pl.Int64), failures=pl.lit(failures, pl.Int64)
            ),
        ],
        how="vertical_relaxed",
    )
    figure = age_figure(fits, METRIC)
    assert figure is not None
    assert said in figure.said.note


def test_the_plan_is_one_sentence_beside_the_forecast() -> None:
    assert " ".join(plan_said(dashboard_data.reline_plan(), METRIC).split()) == (
        "Keeping to 5 % takes 61 relines (52–70) more in 12 months, 9 200 EUR, and keeps 23 "
        "linings from falling to the minimum in service."
    )
    none = dashboard_data.reline_plan().with_columns(crossings_avoided_mean=pl.lit(-264.0))
    said = plan_said(none, METRIC)
    assert said.endswith("and keeps hardly a lining from falling to the minimum in service.")
    assert _plan(none) == ""
    idle = none.with_columns(extra_relines_mean=pl.lit(0.4))
    assert plan_said(idle, METRIC).endswith("takes no more relines than are forecast.")
    assert plan_said(None, METRIC) == plan_said(dashboard_data.reline_plan().clear(), METRIC) == ""


def wear_change(**other: object) -> dict[str, object]:
    return {
        **{"counted": "fitted", "axle_type": "front", "duty": None},
        "since_on": dt.date(2023, 9, 4),
        **{"ratio": 1.35, "ci_low": 1.281, "ci_high": 1.42},
        **{"units_before": 58, "lives_before": 340, "units_since": 55, "lives_since": 212},
        **other,
    }


def test_linings_that_wear_otherwise_since_some_day_are_said_with_rates_and_forecast(
    data: PageData,
) -> None:
    rows = [
        wear_change(),
        wear_change(duty="trunk"),
        wear_change(since_on=dt.date(2021, 1, 1), ratio=0.5),
        wear_change(axle_type="rear", ratio=0.8, ci_low=0.75, ci_high=0.85, lives_since=1),
    ]
    changes = pl.DataFrame(rows, schema_overrides={"duty": pl.String})
    front, rear = (" ".join(said.split()) for said in changes_said(changes))
    assert front == (
        "Linings of front fitted since about September 2023 wear 1.35 (1.28 to 1.42) times as fast "
        "as those fitted before: 212 lining lives of 55 units against 340 lining lives of 58 "
        "units. This is seen in the records, not why: another make and a rougher road for all look "
        "alike. Rates and forecasts take new linings to wear like those fitted since."
    )
    assert rear.startswith("Linings of rear fitted since about September 2023 wear 0.80 (0.75 to ")
    told = replace(data, wear_changes=changes)
    for section in (relines(told), wear_section(told)):
        assert sum("wear 1.35" in remark for remark in section.remarks) == 1
    clause = (
        "; new linings wear faster since about September 2023 (front) and slower since about "
        "September 2023 (rear)"
    )
    assert [clause in f.detail for f in facts(told)].count(True) == 1


def test_linings_that_all_wear_otherwise_since_some_day_are_said_so(data: PageData) -> None:
    rows = [wear_change(counted="run"), wear_change(counted="run", duty="trunk")]
    changes = pl.DataFrame(rows, schema_overrides={"duty": pl.String})
    (said,) = (" ".join(each.split()) for each in changes_said(changes))
    assert said == (
        "Linings of front on km run since about September 2023, whenever they were fitted, wear "
        "1.35 (1.28 to 1.42) times as fast as on km run before: 212 lining lives of 55 units "
        "against 340 lining lives of 58 units. This is seen in the records, not why: brakes set "
        "otherwise, loads, roads and salt look alike. Rates and forecasts take all linings to wear "
        "on as since."
    )
    told = replace(data, wear_changes=changes)
    clause = "; all linings wear faster in trunk since about September 2023 (front)"
    assert [clause in f.detail for f in facts(told)].count(True) == 1
    (said,) = changes_said(changes, data.wear_rates)
    assert "front on km run in trunk since about September" in said
    alone = data.wear_rates.with_columns(duty=pl.lit("trunk"))
    assert "run since about September" in changes_said(changes, alone)[0]
    told = replace(told, wear_rates=alone)
    clause = clause.replace(" in trunk", "")
    assert [clause in f.detail for f in facts(told)].count(True) == 1


def test_of_linings_that_wear_as_ever_nothing_is_said(data: PageData) -> None:
    none = pl.DataFrame([wear_change()], schema_overrides={"duty": pl.String}).clear()
    assert changes_said(None) == changes_said(none) == ()
    told = replace(data, wear_changes=none)
    assert not any(
        "fitted since" in r for s in (relines(told), wear_section(told)) for r in s.remarks
    )
    assert not any("new linings wear" in f.detail for f in facts(told))


def test_an_unsafe_policy_is_never_the_headline() -> None:
    figure = policies_figure(dashboard_data.scenarios(), METRIC)
    assert title(figure) == "“fewer town runs” would save 4 200 EUR (2 500–5 900) against “as now”"
    assert figure is not None
    assert "Cheaper but above it: “next visit”." in figure.said.note
    only_unsafe = dashboard_data.scenarios().filter(pl.col("name").is_in(["as now", "next visit"]))
    assert title(policies_figure(only_unsafe, METRIC)) == (
        "No safe policy tried is clearly cheaper than “as now”"
    )


def test_adjuster_ages_name_the_shortest_only_when_it_stands_out(data: PageData) -> None:
    assert title(age_figure(data.adjuster_fits, METRIC)).startswith(
        "Adjusters of steer / quarry fail soonest: a tenth by 65 000 km (53 000–75 000"
    )
    wide = data.adjuster_fits.with_columns(b10_km_ci_high=pl.lit(1e7))
    assert title(age_figure(wide, METRIC)) == (
        "No group's adjusters clearly fail sooner than another's"
    )
    none_failed = data.adjuster_fits.with_columns(
        b10_km=None, b10_km_ci_low=None, b10_km_ci_high=None
    )
    assert age_figure(none_failed.cast({"b10_km": pl.Float64}), METRIC) is None


def test_curves_say_when_half_had_failed_or_how_many_are_left() -> None:
    def curve(low: float, middle: float, high: float) -> str:
        """A curve of two steps that ends at these shares."""
        frame = pl.DataFrame(
            {
                "axle_type": "drive",
                "duty": "town",
                "km": [1000.0, 200_000.0],
                "survival": [1.0, middle],
                "ci_low": [1.0, low],
                "ci_high": [1.0, high],
                "method": "npmle",
            }
        )
        (figure,) = curve_figures(frame, no_fit, METRIC)
        return title(figure)

    no_fit = dashboard_data.adjuster_fits(np.random.default_rng(1)).clear()
    who = "Adjusters of drive axles in town"
    assert curve(0.3, 0.4, 0.45) == f"{who}: half failed by 200 000 km (200 000)"
    assert curve(0.3, 0.4, 0.7) == f"{who}: half failed by 200 000 km (200 000 km or later)"
    assert curve(0.6, 0.7, 0.8) == f"{who}: 70 % (60–80 %) good at 200 000 km"


def curves_of(*lines: tuple[str | None, str | None, float]) -> pl.DataFrame:
    """A step at 100,000 km for each axle type and duty, down to a share with a band of ± 0.1."""
    return pl.DataFrame(
        [
            {
                "axle_type": axle_type,
                "duty": duty,
                "km": km,
                "survival": good,
                "ci_low": max(0.0, good - 0.1),
                "ci_high": min(1.0, good + 0.1),
                "method": "npmle",
            }
            for axle_type, duty, left in lines
            for km, good in ((0.0, 1.0), (100_000.0, left))
        ],
        schema_overrides={"axle_type": pl.String, "duty": pl.String},
    )


def test_the_duties_of_an_axle_type_share_their_axes() -> None:
    fits = dashboard_data.adjuster_fits(np.random.default_rng(1)).clear()
    curves = curves_of(
        ("drive", "town", 0.4), ("drive", "quarry", 0.9), ("steer", "town", 0.5), (None, None, 0.6)
    )
    drive, steer, pooled = curve_figures(curves, fits, METRIC)
    assert title(drive) == (
        "Adjusters of drive axles last longest in quarry: 90 % (80–100 %) still good at "
        "100 000 km, in town 40 % (30–50 %)"
    )
    assert title(steer).startswith("Adjusters of steer axles in town")
    assert title(pooled).startswith("Adjusters of the whole fleet")
    (rows,) = drive.chart.to_dict()["datasets"].values()
    assert {r["line"] for r in rows} == {"town", "quarry"}
    alike = curves_of(("drive", "town", 0.4), ("drive", "quarry", 0.5))
    assert "no two duties are told apart" in title(curve_figures(alike, fits, METRIC)[0])


@pytest.mark.parametrize("begins", [50_000.0, 150_000.0])
def test_curves_that_begin_at_other_ages_are_not_compared(begins: float) -> None:
    """One may even begin where another has ended; each is of adjusters that got so far."""
    fits = dashboard_data.adjuster_fits(np.random.default_rng(1)).clear()
    curves = curves_of(("drive", "town", 0.4), ("drive", "quarry", 0.9)).with_columns(
        km=pl.when(pl.col("duty") == "quarry").then(pl.col("km") + begins).otherwise("km")
    )
    assert title(curve_figures(curves, fits, METRIC)[0]) == (
        "Adjusters of drive axles were watched from other ages in each duty: not compared"
    )
    # Where nothing has failed yet there are no limits, whatever a band of no width says.
    sure = pl.col("survival") == 1.0
    unfallen = curves_of(("drive", "town", 0.4), ("drive", "quarry", 1.0)).with_columns(
        pl.when(sure).then(1.0).otherwise(c).alias(c) for c in ("ci_low", "ci_high")
    )
    (figure,) = curve_figures(unfallen, fits, METRIC)
    assert "no two duties are told apart" in title(figure)
    third = pl.concat([curves, curves_of(("drive", "regional", 0.8))])
    said = curve_figures(third, fits, METRIC)[0].said
    assert said.title.startswith("Adjusters of drive axles last longest in regional: 80")
    assert "Not compared, for it begins at a later age: quarry." in said.note


def test_a_single_group_is_drawn_once() -> None:
    fits = dashboard_data.adjuster_fits(np.random.default_rng(1)).clear()
    same = curves_of(("drive", "town", 0.4), ("drive", None, 0.4), (None, None, 0.4))
    assert len(curve_figures(same, fits, METRIC)) == 1


def test_the_cheapest_age_is_labelled_by_the_share_it_holds() -> None:
    """Its ends are the 10 % and 90 % quantiles of drawn ages, not a 95 % interval."""
    figure = replacement_figure(dashboard_data.replacement_ages(), METRIC)
    assert figure is not None
    assert "8 chances in 10" in figure.said.note
    assert "95" not in figure.said.note


def test_check_intervals_compare_with_the_next_shorter() -> None:
    words = title(intervals_figure(dashboard_data.check_intervals()))
    assert words == (
        "Checked every 12 weeks, 2.2 % (1.6–2.8 %) of wheel ends carry a failure unseen; "
        "every 8 weeks, 1.4 % (1.1–1.9 %)"
    )


def test_replacement_that_pays_nowhere_draws_nothing() -> None:
    ages = dashboard_data.replacement_ages()
    assert "most on drive / quarry" in title(replacement_figure(ages, METRIC))
    paying = ages.filter(pl.col("best_km").is_not_null())
    open_end = pl.when(pl.int_range(pl.len()) == 0).then(None).otherwise("ci_high_km")
    some = title(replacement_figure(paying.with_columns(ci_high_km=open_end), METRIC))
    n = paying.height
    said = f"Planned replacement pays in {n - 1} of {n} groups and perhaps in 1 more, most on"
    assert some.startswith(said)
    one = paying.head(1).with_columns(ci_high_km=open_end)
    assert title(replacement_figure(one, METRIC)).startswith("Planned replacement probably pays")
    nowhere = ages.filter(pl.col("best_km").is_null())
    assert replacement_figure(nowhere, METRIC) is None


def test_flags_are_counted_by_state_and_change(data: PageData) -> None:
    status = data.wheel_end_status.with_columns(flagged=pl.col("state") == "stuck")
    n = status.filter("flagged").height
    figure = states_figure(status, None)
    assert title(figure) == "Everything flagged is of one kind: no take-up at all"
    assert figure is not None
    assert (
        sum(row["n"] for rows in figure.chart.to_dict()["datasets"].values() for row in rows) == n
    )
    assert states_figure(status.with_columns(flagged=pl.lit(value=False)), None) is None


def test_strokes_are_placed_against_the_fleets_own_band(data: PageData) -> None:
    status = data.wheel_end_status.head(4).with_columns(
        pl.Series("stroke_ratio", [0.11, 0.12, 0.17, 0.05])
    )
    few = stroke_figure(status, Fleet())
    assert title(few) == "2 of 4 strokes are estimated in their band; 1 too long, 1 too short"
    figure = stroke_figure(pl.concat([status] * 5), Fleet())
    assert title(figure) == (
        "50 % of strokes are estimated in their band; 25 % too long, 25 % too short"
    )
    some = pl.concat([status, status.with_columns(stroke_ratio=pl.lit(None, pl.Float64))])
    assert title(stroke_figure(some, Fleet())) == (
        "2 of 4 strokes are estimated in their band; 1 too long, 1 too short; "
        "4 of 8 not read since they were set"
    )
    wider = stroke_figure(status, Fleet(band_low=0.04, band_high=0.2))
    assert title(wider).startswith("4 of 4 strokes are estimated in their band; none too long")


def test_strokes_that_seem_well_are_not_said_to_be_so_for_sure(data: PageData) -> None:
    """One in ten has failed since it was read, and none of them is known."""
    status = pl.concat([data.wheel_end_status.head(4)] * 5)
    well = status.with_columns(stroke_ratio=pl.lit(0.12), p_out_now=pl.lit(0.1))
    figure = stroke_figure(well, Fleet())
    assert title(figure).startswith("100 % of strokes are estimated in their band")
    assert figure is not None
    assert "By the chance of each, about 2 of them are outside it now" in figure.said.note
    worse = stroke_figure(well.with_columns(stroke_ratio=pl.lit(0.2)), Fleet())
    assert worse is not None
    assert worse.said.note.endswith("about 2 of them are outside it now.")
    sure = stroke_figure(well.with_columns(p_out_now=pl.lit(0.001)), Fleet())
    assert sure is not None
    assert "chance of each" not in sure.said.note


def test_linings_that_run_out_are_counted_from_their_dates(data: PageData) -> None:
    day = dashboard_data.AS_OF
    status = data.wheel_end_status.head(3).with_columns(
        pl.Series("min_on_p10", [day, day + dt.timedelta(40), day + dt.timedelta(400)]),
        pl.Series("min_on_p50", [day + dt.timedelta(n) for n in (20, 200, 500)]),
        pl.Series("min_on_p90", [day + dt.timedelta(n) for n in (60, 300, 900)]),
    )
    assert title(minimum_figure(status, day)) == (
        "2 linings may reach the minimum by the end of May 2031, 1 with an even chance"
    )
    none = status.with_columns(min_on_p50=day + dt.timedelta(days=500))
    assert title(minimum_figure(none, day)).endswith("none with an even chance")


def test_settings_accuse_nobody_without_evidence(data: PageData) -> None:
    assert data.setting_quality is not None
    assert "than chance explains in Brixholt" in title(settings_by_depot(data.setting_quality))
    plain = data.setting_quality.drop("outlier")
    assert "within chance" in title(settings_by_depot(plain))


def test_the_newest_month_of_settings_is_set_against_all_months() -> None:
    quality = dashboard_data.setting_quality(np.random.default_rng(7))
    newest = pl.col("depot").is_null() & (pl.col("month") == quality["month"].max())

    def with_newest(low: float, high: float, out: int = 9) -> str:
        changed = {"ci_low": low, "share": (low + high) / 2, "ci_high": high, "out_of_band": out}
        frame = quality.with_columns(
            pl.when(newest).then(value).otherwise(name).alias(name)
            for name, value in changed.items()
        )
        return title(settings_by_month(frame))

    assert "within chance of the" in with_newest(0.01, 0.2)
    assert with_newest(0.3, 0.5).startswith("Setting has become worse")
    assert with_newest(0.0, 0.01).startswith("Setting has become better")
    assert "too few to say more" in with_newest(0.15, 1.0, out=1)


def test_trust_says_when_bands_were_too_narrow(data: PageData) -> None:
    right = pl.lit(0.8)
    held = data.backtest.with_columns(observed=right, strictly_inside=right, n=pl.lit(90))
    assert title(coverage_figure(held)).startswith("The bands have held as promised")
    narrow = held.with_columns(
        observed=pl.when(pl.col("measure") == "reline_on").then(0.5).otherwise("observed")
    )
    assert title(coverage_figure(narrow)) == (
        "Some bands have been too narrow (day of the reline 50 % inside, 80 % promised)"
    )
    wide = held.with_columns(observed=pl.lit(1.0), strictly_inside=pl.lit(1.0))
    assert title(coverage_figure(wide)).startswith("Some bands have been wider than needed")
    few = held.filter(pl.col("measure") == "reline_on").with_columns(n=pl.lit(2))
    assert title(coverage_figure(few)).startswith("Too few forecasts have come due")


def test_a_forecast_has_one_row_whatever_its_origins(data: PageData) -> None:
    chances = data.backtest.with_columns(measure=pl.lit("min_now"))
    figure = coverage_figure(pl.concat([data.backtest, chances]))
    assert figure is not None
    (rows,) = figure.spec()["datasets"].values()
    assert [r["group"] for r in rows] == ["day of the reline", "relines in a quarter"]
    assert coverage_figure(chances) is None


def test_months_compare_against_last_months_band(data: PageData) -> None:
    assert data.months is not None
    assert title(months_figure(data.months, METRIC)).startswith("The forecast holds")
    risen = data.months.with_columns(
        relines_p50=pl.when(pl.col("month") == "2031-03").then(900.0).otherwise("relines_p50")
    )
    assert title(months_figure(risen, METRIC)).startswith("The forecast has risen beyond its band")
    assert months_figure(data.months.head(1), METRIC) is None


def test_row_fates_name_the_file(data: PageData) -> None:
    assert title(fates_figure(data.loads)).endswith("from inspections/brixholt inches.xlsx")
    clean = data.loads.with_columns(set_aside=pl.lit(0))
    assert title(fates_figure(clean)) == "Every row read could be used or had been seen before"


def test_counts_give_up_dimensions_before_they_swamp_the_page() -> None:
    frame = pl.DataFrame(
        {
            "depot": [f"d{i % 40}" for i in range(40_000)],
            "duty": [f"u{i % 37}" for i in range(40_000)],
            "axle_type": [f"a{i % 11}" for i in range(40_000)],
        }
    )
    counts, dimensions = counted(frame)
    assert dimensions == ("depot", "duty")
    assert counts["n"].sum() == frame.height


def test_charts_come_as_svg_with_their_message(data: PageData) -> None:
    few = replace(data, adjuster_curves=data.adjuster_curves.clear())
    charts = {n: svg for part in sections(few) for n, svg in drawn(svg_specs(part)).items()}
    assert {"wear-rates.svg", "relines-by-month.svg", "row-fates.svg"} <= set(charts)
    linked = set(re.findall(r'href="charts/([^"]+)"', rendered(few)))
    assert linked == set(charts)
    for name, svg in charts.items():
        root = ElementTree.fromstring(svg)
        assert root.tag == "{http://www.w3.org/2000/svg}svg", name
        assert b"NaN" not in svg, name
    assert "Linings of trailer / quarry probably wear" in charts["wear-rates.svg"].decode()


def test_what_goes_with_sooner_failure_is_named_only_when_it_is_told_apart() -> None:
    effects = dashboard_data.adjuster_effects()
    assert title(effects_figure(effects)) == (
        "Greasing overdue against in time: 1.9 (1.3–2.8) times the failure rate; which came first "
        "is not on record"
    )
    unclear = effects.with_columns(p_adjusted=pl.lit(0.2))
    assert title(effects_figure(unclear)) == (
        "Beside duty, nothing on record is shown to change how soon they fail"
    )
    assert effects_figure(effects.filter(pl.col("term") == "duty")) is None


def test_the_commonest_failure_is_named_and_planned_replacement_is_none() -> None:
    causes = dashboard_data.adjuster_causes()
    assert title(causes_figure(causes, METRIC)) == (
        "The commonest failure is “stuck”: 40 % (32–48 %) of adjusters by 600 000 km"
    )
    # The last of all to end leaves no doubt, and tells nothing of how they end.
    last = causes.filter(km=6e5).with_columns(km=pl.lit(7e5), incidence=pl.lit(0.25))
    all_gone = pl.concat([causes, last.with_columns(ci_low=pl.lit(0.25), ci_high=pl.lit(0.25))])
    assert "by 600 000 km" in title(causes_figure(all_gone, METRIC))
    alone = title(causes_figure(causes.filter(pl.col("cause").is_in(["failed"])), METRIC))
    assert alone.startswith("Ended as “failed, not said how”: ")
    planned = causes.filter(pl.col("cause") == "planned")
    assert title(causes_figure(planned, METRIC)) == (
        "Every adjuster that ended was replaced as planned"
    )


def test_replacements_are_compared_at_an_age_that_every_duty_reached() -> None:
    counts, apart = dashboard_data.replacement_counts(), dashboard_data.replacement_differences()
    figure = replacements_figure(counts, apart, METRIC)
    assert title(figure) == (
        "A wheel end in quarry uses 0.95 (0.75–1.15) adjusters more than in motorway by 500 000 km"
    )
    assert figure is not None
    assert next(row[:3] for row in figure.table.rows) == ("quarry", "500\u202f000\u00a0km", "1.20")
    unclear = apart.with_columns(p_adjusted=pl.lit(0.3))
    assert title(replacements_figure(counts, unclear, METRIC)) == (
        "No duty is shown to use up more adjusters than another"
    )
    assert replacements_figure(counts.filter(pl.col("duty") == "town"), apart, METRIC) is None


def test_a_form_s_scale_says_whether_its_line_stays_in_the_band() -> None:
    said = [title(f) for f in scale_figures(dashboard_data.adjuster_scales(), METRIC)]
    assert said[0] == "Weibull: its straight line stays within the band"
    assert said[1].startswith("log-normal: its straight line leaves the band at ")
    two = dashboard_data.adjuster_scales().group_by("distribution", maintain_order=True).head(2)
    assert scale_figures(two, METRIC) == ()


def test_a_hole_of_the_records_and_a_change_of_use_stand_beside_the_forecast(
    data: PageData,
) -> None:
    told = replace(
        data,
        record_holes=pl.DataFrame(
            {
                "depot": ["Elsewhere"],
                "from_on": [dt.date(2024, 3, 1)],
                "until_on": [dt.date(2025, 1, 8)],
                "units": [31],
            }
        ),
        use_changes=pl.DataFrame(
            {
                "since_on": [dt.date(2024, 9, 4)],
                **{"ratio": [0.67], "ci_low": [0.65], "ci_high": [0.69]},
                **{"units": [58], "units_same": [55]},
            }
        ),
    )
    remarks = [r for r in relines(told).remarks if "31 units ran on" in r or "units run 33" in r]
    assert len(remarks) == 2
    clause = "no check on record from March 2024 to January 2025 at Elsewhere"
    assert [clause in f.detail for f in facts(told)].count(True) == 1
    # Another depot's hole is not this one's; use is the whole fleet's.
    depot = data.wheel_end_status["depot"].drop_nulls()[0]
    own = facts(of_depot(told, depot))
    assert not any(clause in f.detail for f in own)
    assert [("33 % less" in f.detail) for f in own].count(True) <= 1
    assert not any("check on record" in f.detail or "units run" in f.detail for f in facts(data))


@pytest.mark.parametrize(("hits", "trials"), [(0, 12), (7, 12), (12, 12), (801, 1000)])
def test_the_interval_of_a_share_is_that_of_statsmodels(hits: int, trials: int) -> None:
    low, high = jeffreys_interval(np.array([float(hits)]), np.array([float(trials)]))
    expected = proportion_confint(hits, trials, method="jeffreys")
    assert (low[0], high[0]) == pytest.approx(expected, abs=1e-12)
