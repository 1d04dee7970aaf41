"""How well settings are made: the share found out of band at the first check after them."""

import duckdb
import polars as pl

from models.adjustment.setting_quality import first_check_outcomes, funnel, setting_quality
from pipeline.marts import marts
from pipeline.settings import Adjustment
from pipeline.warehouse import warehouse

# A setting as left is its own reading; the others are judged at the first check after.
SHARES = {"out": "out_of_band"}


def write_setting_quality(con: duckdb.DuckDBPyConnection, adjustment: Adjustment) -> None:
    """By depot and month, by depot, by month and over all; outliers by funnel limits."""
    readings = warehouse.fetch(
        con,
        """select r.episode_id, r.wheel_end_id, coalesce(w.depot, '') as depot, e.set_on,
            e.set_source, r.inspected_on, r.stroke_ratio, r.as_left
        from stage.stroke_readings r
        inner join stage.setting_episodes e on e.episode_id = r.episode_id
        inner join judge.wheel_ends w on w.wheel_end_id = r.wheel_end_id""",
    )
    outcomes = first_check_outcomes(readings, adjustment.band_low, adjustment.band_high)
    tables = [_quality(outcomes, by) for by in (("depot", "month"), ("month",), ())]
    if not outcomes.is_empty():
        tables.append(funnel(outcomes).depots.with_columns(outlier=pl.col("named")))
    names = marts.SettingQuality.column_names()
    quality = pl.concat([_named(t, names) for t in tables]).sort("depot", "month", nulls_last=False)
    marts.write(con, "setting_quality", quality)


def _quality(outcomes: pl.DataFrame, by: tuple[str, ...]) -> pl.DataFrame:
    if by:
        return setting_quality(outcomes, by)
    return setting_quality(outcomes.with_columns(over=pl.lit("all")), ("over",))


def _named(table: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """The mart's columns; what a table is not split by is null."""
    renamed = table.rename(SHARES)
    columns = marts.SettingQuality.columns()
    return renamed.select(
        (pl.col(n) if n in renamed.columns else pl.lit(None)).cast(columns[n].dtype).alias(n)
        for n in names
    )
