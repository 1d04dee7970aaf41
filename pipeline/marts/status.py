"""``mart.wheel_end_status``: one row per wheel end, put together from wear, forecast and drift."""

import datetime as dt

import duckdb
import numpy as np
import polars as pl

from models.wear.predict import LiningLines, predict_lining
from pipeline.marts import marts
from pipeline.results import Drift, Fits, Forecasts
from pipeline.warehouse import warehouse


def write_status(
    con: duckdb.DuckDBPyConnection,
    fits: Fits,
    drift: Drift | None,
    forecasts: Forecasts | None,
    as_of: dt.date,
) -> None:
    """Join what is known of each wheel end; what is not known stays empty."""
    ends = warehouse.fetch(con, "from reduce.drift_outlook", order="wheel_end_id")
    status = (
        ends.with_columns(as_of=pl.lit(as_of))
        .join(linings_now(fits.lines), on="life_id", how="left")
        .join(_dated(forecasts), on="wheel_end_id", how="left")
        .join(_judged(drift), on="wheel_end_id", how="left")
        .with_columns(
            pl.col("state").fill_null("not_seen"), pl.col("flagged").fill_null(value=False)
        )
    )
    marts.write(con, "wheel_end_status", status)


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
    known = warehouse.is_table(con, "mart.months")
    before = warehouse.fetch(con, "from mart.months") if known else marts.empty("months")
    others = before.filter(pl.col("month") != f"{as_of:%Y-%m}")
    marts.write(con, "months", pl.concat([others, this], how="vertical_relaxed").sort("month"))


def linings_now(lines: LiningLines | None) -> pl.DataFrame:
    """Each lining at its latest reading, reading error taken out."""
    schema = {"life_id": pl.String, "lining_mm": pl.Float64, "lining_sd": pl.Float64}
    if lines is None:
        return pl.DataFrame(schema=schema)
    now = predict_lining(lines, np.zeros(lines.rate_columns.shape))
    columns = (lines.life_id, now.mean_mm, now.sd_mm)
    frame = pl.DataFrame(dict(zip(schema, columns, strict=True)), schema=schema)
    # A line may run below nothing left; a lining cannot.
    return frame.with_columns(pl.col("lining_mm").clip(0.0))


def _dated(forecasts: Forecasts | None) -> pl.DataFrame:
    if forecasts is None:
        return pl.DataFrame(schema={"wheel_end_id": pl.String})
    return forecasts.dates


def _judged(drift: Drift | None) -> pl.DataFrame:
    columns = {
        "wheel_end_id": pl.String,
        "stroke_ratio": pl.Float64,
        "stroke_ratio_sd": pl.Float64,
        "drift_per_10000km": pl.Float64,
        "take_up": pl.Float64,
        "p_out_now": pl.Float64,
        "p_out_next_check": pl.Float64,
        "state": pl.String,
        "flagged": pl.Boolean,
        "priority": pl.Float64,
        "evidence": pl.String,
    }
    return drift.judged.select(columns.keys()) if drift else pl.DataFrame(schema=columns)
