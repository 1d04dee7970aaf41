"""How well settings are made: the share found out of band at the first check after them."""

import duckdb
import polars as pl

from models.adjustment.setting_quality import funnel, setting_quality
from pipeline.marts import marts
from pipeline.settings import Adjustment
from pipeline.warehouse import warehouse

# A setting as left is its own reading; the others are judged at the first check after. An adjuster
# out of band at the first check after two settings in a row tells of itself: what was set after the
# first of them says no more of who set it.
SHARES = {"out": "out_of_band"}
FIRST_CHECKS = """
    with first_checks as (
        select
            any_value(e.wheel_end_id) as wheel_end_id,
            any_value(e.set_on) as set_on,
            any_value(e.set_source) as set_source,
            arg_min(r.stroke_ratio, r.inspected_on)
                not between {adjustment.band_low} and {adjustment.band_high} as out
        from stage.stroke_readings r
        inner join stage.setting_episodes e on e.episode_id = r.episode_id
        where not coalesce(r.as_left, false) and isfinite(r.stroke_ratio)
            and r.inspected_on > e.set_on
        group by r.episode_id
    ),
    settings as (
        select
            *,
            lag(out, 1, false) over (partition by wheel_end_id order by set_on)
                and set_source <> 'adjuster_replaced' as was_out
        from first_checks
    )
    select
        coalesce(w.depot, '') as depot,
        cast(date_trunc('month', s.set_on) as date) as month,
        count(*) as settings,
        count(*) filter (s.out) as out
    from settings s
    inner join judge.wheel_ends w on w.wheel_end_id = s.wheel_end_id
    where not s.was_out
    group by all
"""


def write_setting_quality(con: duckdb.DuckDBPyConnection, adjustment: Adjustment) -> None:
    """By depot and month, by depot, by month and over all; outliers by funnel limits."""
    outcomes = warehouse.fetch(con, FIRST_CHECKS.format(adjustment=adjustment))
    tables = [setting_quality(outcomes, by) for by in (("depot", "month"), ("month",), ())]
    if not outcomes.is_empty():
        tables.append(funnel(outcomes).depots.with_columns(outlier=pl.col("named")))
    names = marts.SettingQuality.column_names()
    quality = pl.concat([_named(t, names) for t in tables]).sort("depot", "month", nulls_last=False)
    marts.write(con, "setting_quality", quality)


def _named(table: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """The mart's columns; what a table is not split by is null."""
    renamed = table.rename(SHARES)
    columns = marts.SettingQuality.columns()
    return renamed.select(
        (pl.col(n) if n in renamed.columns else pl.lit(None)).cast(columns[n].dtype).alias(n)
        for n in names
    )
