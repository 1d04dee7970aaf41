"""What a fleet plans from, beside its forecast: parts, costs, changes, visits, checks."""

import datetime as dt

import duckdb

from pipeline.marts.planning.changes import write_change_marts
from pipeline.marts.planning.checking import write_check_plan
from pipeline.marts.planning.costs import months_at_hand, write_cost_marts
from pipeline.marts.planning.parts import write_part_marts
from pipeline.marts.planning.plan import Ahead, write_plan_marts
from pipeline.marts.results import Fits
from pipeline.settings import Settings
from pipeline.warehouse import kept


def write_planning_marts(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    fits: Fits,
    ahead: Ahead | None,
    as_of: dt.date,
) -> None:
    """All of the chapter's marts, from what is staged, fitted and forecast; after the status."""
    groups = kept.kept(con, kept.CHECKED)
    write_part_marts(con, settings, fits)
    with months_at_hand(con):
        write_cost_marts(con, settings, fits, groups)
        write_change_marts(con, settings, as_of)
    write_plan_marts(con, settings, ahead, groups, fits.km_per_day, as_of)
    write_check_plan(con, settings, groups)
