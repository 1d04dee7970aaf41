"""The reline budget as a workbook: a sheet for each view, and notes on what it stands on."""

import datetime as dt
from dataclasses import dataclass

import polars as pl

from dashboards.charts.wear import changes_said
from dashboards.notes import forecasts_judged, never_relined
from dashboards.page_data import PageData
from dashboards.sentences.measures import Measures
from dashboards.sentences.method import CAUTIONS, METHODS
from dashboards.sentences.reline_policy import policy_told
from dashboards.sentences.uneven_past import past_said, silence_said, year_said
from dashboards.sentences.words import day_name, month_name
from pipeline.publish.spreadsheets import Book, Column, Page
from pipeline.settings import Settings

BUDGET_METHODS = (
    "How fast linings wear",
    "When a lining reaches its minimum, and when it is relined",
    "Relines and money by month",
)
FIGURES = {
    "relines_p10": Column("Relines, low (1 in 10 below)", "whole"),
    "relines_p50": Column("Relines, even chance", "whole"),
    "relines_p90": Column("Relines, high (1 in 10 above)", "whole"),
    "relines_mean": Column("Relines, mean (adds up)", "mean"),
    "cost_p10": Column("Cost, low", "money"),
    "cost_p50": Column("Cost, even chance", "money"),
    "cost_p90": Column("Cost, high", "money"),
    "cost_mean": Column("Cost, mean (adds up)", "money"),
}
SPAN = {"months": Column("Months", "whole"), "until_on": Column("Until", "day")}
DEPOT = {"depot": Column("Depot")}
GROUP = {"axle_type": Column("Axle type"), "duty": Column("Duty")}
BEHIND = {
    "units": Column("Units behind the wear rate", "whole"),
    "lives": Column("Lining lives behind it", "whole"),
    "readings": Column("Readings behind it", "whole"),
    "mm_per_10000km": Column("Wear, mm per 10 000 km", "number"),
    "ci_low": Column("95 % interval, low", "number"),
    "ci_high": Column("95 % interval, high", "number"),
}
SCENARIOS = {
    "name": Column("Scenario"),
    "description": Column("What it is", "long"),
    "relines_p10": Column("Relines, low", "whole"),
    "relines_mean": Column("Relines, mean", "mean"),
    "relines_p90": Column("Relines, high", "whole"),
    "cost_p10": Column("Cost, low", "money"),
    "cost_mean": Column("Cost, mean", "money"),
    "cost_p90": Column("Cost, high", "money"),
    "extra_cost_p10": Column("Cost more than now, low", "money"),
    "extra_cost_mean": Column("Cost more than now, mean", "money"),
    "extra_cost_p90": Column("Cost more than now, high", "money"),
    "early_scrapped_mm": Column("Lining scrapped above its minimum, mm", "whole"),
    "early_scrapped_cost": Column("What that lining cost", "money"),
    "p_crossing": Column("Chance that a lining falls to its minimum in service", "share"),
}


@dataclass(frozen=True, slots=True)
class BudgetParts:
    """The marts of parts of the fleet: month by month, and over spans of months."""

    months: pl.DataFrame
    spans: pl.DataFrame


def budget_book(
    data: PageData,
    cells: pl.DataFrame,
    parts: BudgetParts,
    settings: Settings,
    planning: tuple[Page, ...] = (),
) -> Book:
    """Totals, months, depots, axle types and duties, scenarios, ``planning``, every cell, notes.

    ``cells`` is the mart of the budget itself.
    """
    month, figures = {"month": Column("Month", "month")}, _priced(FIGURES, settings)
    fleet = cells.filter(pl.all_horizontal(pl.col("depot", "axle_type", "duty").is_null()))
    depots = parts.months.filter(pl.col("part") == "depot")
    finest = cells.filter(pl.col("axle_type").is_not_null())
    pages = (
        Page(
            "Totals",
            _totals(data.reline_outlook, parts.spans),
            _priced(_TOTALS, settings),
            groups=("months",),
        ),
        Page("By month", fleet, month | figures),
        Page(
            "By depot",
            depots.sort("depot", "month"),
            DEPOT | month | figures,
            groups=("depot",),
            apart=True,
        ),
        Page(
            "By axle type and duty",
            _groups(parts.spans, data.wear_rates),
            SPAN | GROUP | figures | BEHIND,
            groups=("months", "axle_type"),
        ),
        Page("Scenarios", _scenarios(data.scenarios), _priced(SCENARIOS, settings)),
        *planning,
        Page("Every cell", finest, month | DEPOT | GROUP | figures),
    )
    return Book(pages, budget_notes(data, settings), "Reline budget", data.as_of)


def _has_prices(settings: Settings) -> bool:
    """Whether the fleet says what any part of a reline costs."""
    c = settings.costs
    return any((c.lining_kit, c.reline_labour, c.drum, c.downtime))


def _priced(columns: dict[str, Column], settings: Settings) -> dict[str, Column]:
    """The columns, without money where no price is known: a budget of nought would be believed."""
    return {n: c for n, c in columns.items() if _has_prices(settings) or "cost" not in n}


_TOTALS = SPAN | {"of": Column("Of")} | FIGURES


def _totals(outlook: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """The fleet and each depot over 12 and 24 months, and over the whole horizon."""
    depots = parts.filter(pl.col("part") == "depot").with_columns(
        of=pl.col("depot").fill_null("no depot on record")
    )
    spans = parts["months"].unique().to_list()
    fleet = outlook.filter(
        (pl.col("from_on") == pl.col("from_on").min()) & pl.col("months").is_in(spans)
    ).with_columns(of=pl.lit("the fleet"))
    both = [frame.select(_TOTALS.keys()) for frame in (fleet, depots)]
    return pl.concat(both, how="vertical_relaxed").sort("months", maintain_order=True)


def _groups(parts: pl.DataFrame, wear_rates: pl.DataFrame) -> pl.DataFrame:
    """Axle type and duty, with the readings that the wear rate beside it stands on."""
    groups = parts.filter(pl.col("part") == "axle_type, duty")
    behind = wear_rates.select(*GROUP, *BEHIND)
    return groups.join(behind, on=list(GROUP), how="left", maintain_order="left")


def _scenarios(scenarios: pl.DataFrame | None) -> pl.DataFrame:
    if scenarios is None:
        return pl.DataFrame(schema=dict.fromkeys(SCENARIOS, pl.Float64))
    named = scenarios.with_columns(pl.col("name").replace({"as_now": "as now"}))
    return named.sort("base", descending=True, maintain_order=True)


def budget_notes(data: PageData, settings: Settings) -> list[tuple[str, tuple[str, ...]]]:
    """What the budget assumes, what it stands on, how its forerunners did, and the cautions."""
    methods = {m.question: m for m in METHODS}
    told = [methods[q] for q in BUDGET_METHODS]
    return [
        ("About this budget", _about(data)),
        ("Assumed", _assumed(settings, data)),
        ("Readings behind it", (*_behind(data.wear_rates), *_otherwise_before(data))),
        ("How earlier forecasts did", forecasts_judged(data.backtest)),
        ("How it is worked out", tuple(m.answer for m in told)),
        ("Sources", tuple(s for m in told for s in m.sources)),
        ("Where limits come from", data.fleet.limit_sources),
        ("Cautions", CAUTIONS),
    ]


def _about(data: PageData) -> tuple[str, ...]:
    return (
        f"Relines of wheel ends forecast from records up to {data.as_of}.",
        "Low, even chance and high are those of simulated futures: 8 outcomes in 10 lie between "
        "low and high. They cannot be added up, over months or depots; means can.",
        *_spans(data),
        "Reaching the minimum lining is another forecast (mart.wheel_end_status): it is a matter "
        "of safety, this one of money.",
    )


def _spans(data: PageData) -> tuple[str, ...]:
    """Why sums of months and of spans do not meet."""
    fleet = data.reline_budget.filter(pl.all_horizontal(pl.col(*_PARTS).is_null()))
    if fleet.is_empty() or data.reline_outlook.is_empty():
        return ()
    first, last = fleet["month"].min(), fleet["month"].max()
    assert isinstance(first, dt.date)
    assert isinstance(last, dt.date)
    return (
        f"Totals are of whole years from the day after {day_name(data.as_of)}, to the day under "
        f"Until. Months and scenarios are of calendar months, {month_name(first)} (what is left "
        f"of it) to {month_name(last)}: so their sums differ a little.",
    )


_PARTS = ("depot", "axle_type", "duty")


def _assumed(settings: Settings, data: PageData) -> tuple[str, ...]:
    c, currency = settings.costs, settings.fleet.currency or "cost units"
    costs = (
        f"One wheel end: linings {c.lining_kit:g}, labour {c.reline_labour:g} {currency}; a drum "
        f"({c.drum:g}) at {c.drum_share:.0%} of relines; a visit for a reline alone "
        f"{c.downtime:g}.",
        f"Prices rise by {c.inflation_per_year:.1%} a year; costs are at each month's prices.",
    )
    unset = ("No cost is set in fleet.toml under [costs]: relines are counted, not priced.",)
    return (
        *(costs if _has_prices(settings) else unset),
        _NO_HABIT if never_relined(data) else _HABIT,
        "Use goes on as each unit's was.",
        "That is a forecast. Keeping the accepted risk is a plan, on the sheet Scenarios: what "
        "would cross its minimum before the next visit with a chance of more than "
        f"{settings.budget.risk:.0%} is relined "
        f"{'at the visit before' if settings.budget.group_visits else 'at a visit of its own'}.",
    )


_HABIT = (
    "Relines go on as the fleet's own habit was: at what lining, at which visits, one end or both, "
    "as found in its records."
)
_NO_HABIT = (
    "No reline was ever seen in these records: at what lining and at which visits this fleet "
    "relines is assumed."
)


def _otherwise_before(data: PageData) -> tuple[str, ...]:
    """What of the past is not taken for how it goes on."""
    past = (
        *silence_said(data.record_holes, data.as_of),
        *past_said(data.record_holes, data.use_changes, data.units_left_at_once),
        *year_said(data.use_over_the_year),
    )
    policy = policy_told(data.reline_policy, data.reline_habits, Measures(data.fleet))
    return (*changes_said(data.wear_changes), *policy, *past)


def _behind(wear_rates: pl.DataFrame) -> tuple[str, ...]:
    if wear_rates.is_empty():
        return ("No wear rate could be worked out, so that nothing is forecast.",)
    lives, readings = wear_rates["lives"].sum(), wear_rates["readings"].sum()
    leaning = wear_rates.filter("shrunk").height
    return (
        f"{readings:,} lining readings of {lives:,} lining lives, in {wear_rates.height} groups of "
        "axle type and duty (sheet “By axle type and duty”).",
        *((f"{leaning} of these groups have too few units and lean on others.",) * bool(leaning)),
    )
