"""Sheets of the budget workbook that work is planned from: visits, hours, parts, checks, costs."""

from collections.abc import Mapping

import duckdb
import polars as pl

from pipeline.publish.spreadsheets import Column, Page
from pipeline.warehouse import warehouse

DEPOT = {"depot": Column("Depot")}
MONTH = {"month": Column("Month", "month")}
GROUP = {"axle_type": Column("Axle type"), "duty": Column("Duty")}
PLAN = DEPOT | {
    "visit_on": Column("Visit about", "day"),
    "unit_id": Column("Unit"),
    "wheel_end_id": Column("Wheel end"),
    "axle_type": Column("Axle type"),
    "p_reline": Column("Chance of a reline", "share"),
    "p_adjuster": Column("Chance of a failed adjuster", "share"),
    "check_first": Column("Check first"),
}
HOURS = DEPOT | MONTH | {
    "visits": Column("Visits of units", "number"),
    "checks": Column("Wheel ends checked", "number"),
    "relines_mean": Column("Relines, mean", "number"),
    "adjusters_mean": Column("Failed adjusters, mean", "number"),
    "hours_mean": Column("Hours, mean", "number"),
    "hours_p10": Column("Hours, low (1 in 10 below)", "number"),
    "hours_p90": Column("Hours, high (1 in 10 above)", "number"),
    "hours_there": Column("Hours there are", "number"),
    "p_over": Column("Chance of more work than that", "share"),
    "hours_to_move": Column("Hours over, mean", "number"),
    "moving_cost": Column("Lining lost by doing them a visit earlier", "money"),
}  # fmt: skip
STOCK = DEPOT | {
    "item": Column("Part"),
    "axle_type": Column("Axle type"),
    "lead_weeks": Column("Weeks to the next delivery", "number"),
    "demand_mean": Column("Demand until then, mean", "number"),
    "stock": Column("To have", "whole"),
    "p_short": Column("Chance that it is not enough", "share"),
}
COSTS = {"period": Column("On record or ahead")} | GROUP | {
    "item": Column("What"),
    "cost_per_100000km": Column("Cost per wheel end and 100 000 km", "number"),
    "ci_low": Column("95 % interval, low", "number"),
    "ci_high": Column("95 % interval, high", "number"),
    "units": Column("Units behind it", "whole"),
}  # fmt: skip
CHECKS = GROUP | {
    "weeks_now": Column("Weeks between checks now", "number"),
    "share_now": Column("Share with a failure nobody has seen", "share"),
    "weeks_within": Column("Weeks that keep the accepted share", "number"),
    "weeks_surely": Column("Weeks that surely keep it", "number"),
    "checks_now": Column("Checks a year now", "whole"),
    "checks_within": Column("Checks a year then", "whole"),
    "cost_now": Column("Cost a year now", "money"),
    "cost_within": Column("Cost a year then", "money"),
    "saved_per_check": Column("Weeks unseen that one more check saves", "number"),
    "note": Column("Note", "long"),
}
SHEETS: Mapping[str, tuple[str, Mapping[str, Column], str, tuple[str, ...]]] = {
    "plan": ("Visits", PLAN, "depot nulls last, visit_on, unit_id, wheel_end_id", ("depot",)),
    "workshop_months": ("Workshop hours", HOURS, "depot nulls last, month", ("depot",)),
    "stock_needed": (
        "Parts to have", STOCK, "depot nulls last, item desc, axle_type", ("depot",)
    ),
    "check_plan": ("Checks", CHECKS, "place, axle_type, duty", ()),
    "costs_per_km": (
        "Cost per km", COSTS, "period desc, axle_type nulls first, duty, item", ("axle_type",)
    ),
}  # fmt: skip


def planning_pages(con: duckdb.DuckDBPyConnection) -> tuple[Page, ...]:
    """One sheet per mart that has rows."""
    frames = {
        table: warehouse.fetch(con, f"from mart.{table}", order)
        for table, (_, _, order, _) in SHEETS.items()
    }
    return tuple(
        Page(name, _shown(frames[table], columns), columns, groups=groups)
        for table, (name, columns, _, groups) in SHEETS.items()
        if frames[table].height
    )


def _shown(frame: pl.DataFrame, columns: Mapping[str, Column]) -> pl.DataFrame:
    """The sheet's columns; a depot that is not on record says so."""
    shown = frame.select(columns.keys())
    if "depot" not in columns:
        return shown
    return shown.with_columns(pl.col("depot").fill_null("no depot on record"))
