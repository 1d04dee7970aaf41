"""The adjusters' chapter beside their curves: causes, effects, comparisons, decisions."""

import datetime as dt

import duckdb
import polars as pl

from pipeline.marts.lives.causes import write_cause_marts
from pipeline.marts.lives.comparisons import life_comparisons
from pipeline.marts.lives.decisions import write_decision_marts
from pipeline.marts.lives.effects import write_effect_marts
from pipeline.marts.lives.fits import Lives
from pipeline.marts.lives.replacements import write_replacement_marts
from pipeline.settings import Settings
from pipeline.warehouse import kept, warehouse

READ = (
    "reduce.adjuster_end_counts",
    "reduce.adjuster_spells",
    "reduce.adjusters_now",
    "reduce.wheel_end_replacements",
    "reduce.wheel_end_watches",
    "stage.adjuster_lives",
)
WRITTEN = (
    "adjuster_causes",
    "adjuster_effects",
    "adjuster_effect_tests",
    "check_intervals",
    "expected_failures",
    "replacement_ages",
    "replacement_counts",
    "replacement_differences",
)
COMPARED = "duty_comparisons"
KEPT = (kept.CHECKED,)


def life_chapter(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    lives: Lives,
    km_per_day: pl.DataFrame,
    as_of: dt.date,
) -> dict[str, pl.DataFrame]:
    """The chapter's marts by name, made from the tables ``READ``; ``COMPARED`` is a part of its."""
    write_cause_marts(con, lives, settings.adjusters.fewest_failures)
    write_replacement_marts(con)
    write_effect_marts(con, settings)
    write_decision_marts(con, settings, lives, km_per_day, as_of)
    made = {name: warehouse.fetch(con, f"from mart.{name}") for name in WRITTEN}
    made |= {table: warehouse.fetch(con, f"from {table}") for table in KEPT}
    return made | {COMPARED: life_comparisons(con, settings)}
