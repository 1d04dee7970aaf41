"""``mart.wheel_end_status``: one row per wheel end, put together from wear, forecast and drift."""

import datetime as dt

import duckdb
import polars as pl

from dashboards.sentences.advice import with_evidence
from models.relines.forecast.minimum import LONGEST_DAYS
from pipeline.marts import marts
from pipeline.marts.results import Drift, Forecasts
from pipeline.publish.fleet import fleet_of
from pipeline.settings import Settings
from pipeline.warehouse import warehouse


def write_status(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    drift: Drift | None,
    forecasts: Forecasts | None,
    as_of: dt.date,
) -> None:
    """Join what is known of each wheel end; what is not known stays empty."""
    assert drift is not None
    names = marts.SCHEMAS["wheel_end_status"].columns()
    judged = drift.judged
    if forecasts is not None:
        relined = forecasts.dates.select("wheel_end_id", "p_relined")
        judged = judged.join(relined, on="wheel_end_id", how="left", maintain_order="left")
    judged = with_evidence(judged, fleet_of(settings), settings.adjustment.side_to_side_limit)
    ends = warehouse.fetch(con, "from reduce.drift_outlook", order="wheel_end_id")
    here = {*ends.columns, "p_relined"}
    known = [name for name in judged.columns if name in names and name not in here]
    status = ends.with_columns(as_of=pl.lit(as_of)).join(
        judged.select("wheel_end_id", *known), on="wheel_end_id", how="left"
    )
    if forecasts is not None:
        linings = forecasts.linings.drop("life_id", "wear_a_day_mm")
        status = status.join(linings, on="wheel_end_id", how="left")
        status = status.join(forecasts.dates, on="wheel_end_id", how="left")
        gauges = warehouse.fetch(con, "from mart.gauge_steps")
        status = _with_early_dates_of_the_doubted(status, forecasts.linings, gauges, as_of)
        usage = forecasts.fleet.usage
        there = pl.DataFrame({"unit_id": usage.unit_ids, "p_present": usage.present})
        status = status.join(there.cast({"unit_id": pl.String}), on="unit_id", how="left")
    marts.write(con, "wheel_end_status", status)


def _with_early_dates_of_the_doubted(
    status: pl.DataFrame, linings: pl.DataFrame, gauges: pl.DataFrame, as_of: dt.date
) -> pl.DataFrame:
    """Where a lining grew without a word and that is in doubt, the early date is no later than that
    of the lining before at today's wear; where a depot's gauges read thicker since some day, no
    later than if they were wrong. Its km are as many fewer."""
    a_day = linings.select("wheel_end_id", a_day="wear_a_day_mm")
    thicker = gauges.filter(pl.col("step_mm") > 0.0).select("depot", "since_on", "step_mm")
    status = status.join(a_day, on="wheel_end_id", how="left", maintain_order="left").join(
        thicker, on="depot", how="left", nulls_equal=True, maintain_order="left"
    )
    left = (pl.col("lining_before_mm") - pl.col("lining_min_mm")) / pl.col("a_day")
    old = pl.col("lining_before_on") + _days(left)
    by_old_gauge = pl.col("min_on_p10") - _days(pl.col("step_mm") / pl.col("a_day"))
    read_since = pl.col("lining_read_on") >= pl.col("since_on")
    doubted = pl.when(pl.col("a_day") > 0.0).then(
        pl.min_horizontal(old, pl.when(read_since).then(by_old_gauge))
    )
    today = pl.lit(as_of)
    early = pl.min_horizontal("min_on_p10", pl.max_horizontal(doubted, today))
    share = (early - today).dt.total_days() / (pl.col("min_on_p10") - today).dt.total_days().clip(1)
    km = pl.col("seen_km") + (pl.col("min_km_p10") - pl.col("seen_km")) * share
    return status.with_columns(
        min_km_p10=pl.when(doubted.is_not_null()).then(km).otherwise("min_km_p10"),
        min_on_p10=pl.when(doubted.is_not_null()).then(early).otherwise("min_on_p10"),
    ).drop("a_day", "since_on", "step_mm")


def _days(number: pl.Expr) -> pl.Expr:
    return pl.duration(days=number.clip(0.0, LONGEST_DAYS).cast(pl.Int64))


def write_month(con: duckdb.DuckDBPyConnection, as_of: dt.date) -> None:
    """Enter what this run says of its month beside what earlier runs said of theirs."""
    this = warehouse.fetch(
        con,
        f"""select '{as_of:%Y-%m}' as month, date '{as_of}' as as_of, s.*, o.*
        from (
            select count(*) as wheel_ends, count(*) filter (where flagged) as flagged
            from mart.wheel_end_status
        ) s
        left join (
            select relines_p10, relines_p50, relines_p90, cost_p10, cost_p50, cost_p90
            from mart.reline_outlook where months = 12 order by from_on limit 1
        ) o on true""",
    )
    flags = warehouse.fetch(
        con,
        f"select '{as_of:%Y-%m}' as month, wheel_end_id from mart.wheel_end_status where flagged",
    )
    _enter(con, "months", this, as_of)
    _enter(con, "flags_told", flags, as_of)


def _enter(con: duckdb.DuckDBPyConnection, table: str, this: pl.DataFrame, as_of: dt.date) -> None:
    """This month's rows beside those of others; a month made again replaces its own."""
    known = warehouse.is_table(con, f"mart.{table}")
    before = warehouse.fetch(con, f"from mart.{table}") if known else marts.empty(table)
    others = before.filter(pl.col("month") != f"{as_of:%Y-%m}")
    rows = pl.concat([others, this], how="vertical_relaxed")
    marts.write(con, table, rows.sort(marts.SCHEMAS[table].primary_key()))
