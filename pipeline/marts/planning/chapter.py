"""What a fleet plans from, beside its forecast: parts, costs, changes, visits, checks."""

import datetime as dt

import duckdb

from pipeline.marts.lives.decisions import CHECKED
from pipeline.marts.planning.changes import write_change_marts
from pipeline.marts.planning.costs import write_cost_marts
from pipeline.marts.planning.parts import write_part_marts
from pipeline.settings import Settings
from pipeline.stages.fitting import Fits
from pipeline.warehouse.kept import kept


def write_planning_marts(
    con: duckdb.DuckDBPyConnection, settings: Settings, fits: Fits, as_of: dt.date
) -> None:
    """All of the chapter's marts, from what is staged and fitted."""
    groups = kept(con, CHECKED)
    write_part_marts(con, settings, fits.sums)
    write_cost_marts(con, settings, fits.wear, groups)
    write_change_marts(con, settings, as_of)
