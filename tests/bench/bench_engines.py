"""Judging, staging and reducing on both engines, of the same lake on the same machine.

``python -m tests.bench.bench_engines [WHEEL_ENDS] [--years 5] [--memory 8g]``; needs the extra
``spark`` and Java. Starting Spark is part of its time, as in a run.
"""

import argparse
import datetime as dt
import tempfile
import time
from pathlib import Path

from pipeline.lake import loading
from pipeline.out.holding import connected
from pipeline.run import settings_of
from pipeline.warehouse import spark, warehouse
from pipeline.warehouse.incremental import counted_together, restage
from tests.bench.bench_scale import drawn
from tests.pipeline.warehouse.test_spark import ours

NOW = dt.datetime(2026, 12, 1)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("wheel_ends", nargs="?", type=int, default=10_000)
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument(
        "--memory", default="4g", help="what Spark may take, as it is written there"
    )
    parser.add_argument("--lake", type=Path, help="a lake of Parquet files that is there already")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as base:
        lake = asked.lake or drawn(Path(base), asked.wheel_ends, asked.years, "parquet")
        settings = settings_of(lake)
        with connected(Path(base) / "drumline.duckdb", Path(base)) as con:
            loading.load(con, lake, settings, NOW)
            start = time.perf_counter()
            restage(con, settings, NOW.date(), None)
            warehouse.build(con, "30_reduce", counted_together())
            in_duckdb = time.perf_counter() - start
            print(f"DuckDB {in_duckdb:.1f} s", flush=True)
            start = time.perf_counter()
            engine = ours(settings, Path(base)).engine
            engine.properties["spark.driver.memory"] = asked.memory
            spark.restage(con, settings.model_copy(update={"engine": engine}), NOW.date(), None)
            in_spark = time.perf_counter() - start
            (rows,) = warehouse.one_row(con, "select sum(rows_read) from mart.loads")
    print(
        f"{rows:,} rows: DuckDB {in_duckdb:.1f} s, Spark on this machine {in_spark:.1f} s, ", end=""
    )
    print(f"{in_spark / in_duckdb:.1f} times as long")


if __name__ == "__main__":
    main()
