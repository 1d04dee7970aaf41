"""How often earlier flags were right, with open ones counted both ways, and what had none."""

from collections.abc import Sequence

import duckdb
import polars as pl

from models.adjustment.flag_accuracy import precision_bounds, recall
from pipeline.marts import marts
from pipeline.marts.results import Origin
from pipeline.warehouse import warehouse

FAULTS = """select wheel_end_id from stage.jobs
    where action = 'adjuster_replaced' and reason in ('failed', 'damaged', 'worn')
        and done_on > date '{day}'
    union
    select wheel_end_id from stage.adjuster_checks
    where failed and inspected_on > date '{day}'"""
LOOKS = """select distinct wheel_end_id from stage.adjuster_checks where inspected_on > date '{day}'
    union select wheel_end_id from stage.jobs
    where action = 'adjuster_replaced' and done_on > date '{day}'"""


def flag_accuracy(
    con: duckdb.DuckDBPyConnection, worth: pl.DataFrame, origins: Sequence[Origin]
) -> pl.DataFrame:
    """``mart.flag_accuracy`` from what became of flags, and what was found without one."""
    rows = [_without_flag(con, origin) for origin in origins if origin.judged is not None]
    if not rows or worth.is_empty():
        return marts.empty("flag_accuracy")
    counted = worth.join(pl.DataFrame(rows), on="month", how="inner")
    found = recall(precision_bounds(counted)).sort("month")
    columns = marts.FlagAccuracy.columns().items()
    return found.select(pl.col(n).cast(c.dtype) for n, c in columns)


def _without_flag(con: duckdb.DuckDBPyConnection, origin: Origin) -> dict[str, object]:
    """Wheel ends that had no flag at an origin, those looked at since, and those with a fault."""
    assert origin.judged is not None
    quiet = origin.judged.filter(~pl.col("flagged")).select("wheel_end_id")
    looked, faulty = (
        warehouse.fetch(con, f"select distinct wheel_end_id from ({sql.format(day=origin.as_of)})")
        for sql in (LOOKS, FAULTS)
    )
    seen = quiet.join(looked, on="wheel_end_id", how="semi")
    return {
        "month": origin.as_of,
        "unflagged": quiet.height,
        "looked_at": seen.height,
        "missed": seen.join(faulty, on="wheel_end_id", how="semi").height,
    }
