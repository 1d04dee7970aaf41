"""The adjusters' chapter beside their curves: causes, effects, comparisons, decisions."""

import duckdb
import polars as pl

from pipeline.marts.lives.causes import cause_frames
from pipeline.marts.lives.comparisons import life_comparisons
from pipeline.marts.lives.decisions import decision_frames
from pipeline.marts.lives.effects import effect_frames
from pipeline.marts.lives.fits import Frames, GroupLives
from pipeline.marts.lives.replacements import replacement_frames
from pipeline.settings import Settings
from pipeline.warehouse import kept

READ = (
    "reduce.adjuster_end_counts",
    "reduce.adjuster_spells",
    "reduce.adjusters_now",
    "reduce.check_visits",
    "reduce.units_now",
    "reduce.wheel_end_replacements",
    "reduce.wheel_end_watches",
    "run.parameters",
    "stage.adjuster_lives",
)
WRITTEN = (
    "adjuster_causes",
    "adjuster_effects",
    "adjuster_effect_tests",
    "check_intervals",
    "replacement_ages",
    "replacement_counts",
    "replacement_differences",
)
COMPARED = "duty_comparisons"
KEPT = (kept.CHECKED,)


def life_chapter(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    lives: GroupLives,
    km_per_day: pl.DataFrame,
) -> Frames:
    """The chapter's marts by name, made from the tables ``READ``; ``COMPARED`` is a part of its."""
    return {
        **cause_frames(con, lives, settings.adjusters.fewest_failures),
        **replacement_frames(con),
        **effect_frames(con, settings),
        **decision_frames(con, settings, lives, km_per_day),
        COMPARED: life_comparisons(con, settings),
    }
