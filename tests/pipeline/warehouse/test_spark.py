"""Staging on Spark gives the tables that staging in DuckDB gives."""

import datetime as dt
import shutil
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from pipeline.lake import loading
from pipeline.out.holding import connected
from pipeline.run import settings_of
from pipeline.settings import Engine, Settings
from pipeline.warehouse import judging, spark, warehouse
from tests import ROOT

LAKE = ROOT / "sample_lake" / "lake"
NOW = dt.datetime(2026, 12, 1)
LOOPBACK = {
    "spark.driver.bindAddress": "127.0.0.1",
    "spark.driver.host": "127.0.0.1",
    "spark.sql.shuffle.partitions": "2",
    "spark.ui.showConsoleProgress": "false",
}


def needs_spark() -> None:
    pytest.importorskip("pyspark")
    if not shutil.which("java"):
        pytest.skip("Spark needs Java")


def ours(settings: Settings, folder: Path) -> Settings:
    properties = {**LOOPBACK, "spark.local.dir": str(folder / "local")}
    properties["spark.sql.warehouse.dir"] = str(folder / "warehouse")
    return settings.model_copy(
        update={"engine": Engine(kind="spark", master="local[2]", properties=properties)}
    )


@pytest.mark.slow
@pytest.mark.proof
def test_both_engines_make_the_same_tables(tmp_path: Path):
    needs_spark()
    settings = settings_of(LAKE)
    with warehouse.in_memory() as expected:
        loading.load(expected, LAKE, settings, NOW)
        judging.judge(expected, settings, NOW.date(), None)
        warehouse.build(expected, "20_stage")
        warehouse.build(expected, "30_reduce")
        with connected(tmp_path / "drumline.duckdb", tmp_path) as con:
            loading.load(con, LAKE, settings, NOW)
            spark.restage(con, ours(settings, tmp_path), NOW.date(), None)
            assert len(spark.wanted()) > 30
            for table in spark.wanted():
                # Doubles to nine digits, and sums of products that were rounded to nine decimals
                # each, some in the other direction, to seven; products of km with km to four, where
                # they cancel: a duty that ended before the first reading has the same km in all.
                rounded = 1e-4 if table == "reduce.lining_life_duty_sums" else 1e-7
                assert_frame_equal(
                    warehouse.fetch(con, f"from {table}"),
                    warehouse.fetch(expected, f"from {table}"),
                    rel_tol=1e-9,
                    abs_tol=rounded,
                )
            assert not (tmp_path / "spark").exists()
            assert not warehouse.is_table(con, "run.staged")


def test_tables_are_named_in_one_word_and_keep_their_alias():
    pytest.importorskip("sqlglot")
    found = spark.translated("select w.a, stage.jobs.b from judge.wheel_ends w, stage.jobs")
    assert "judge__wheel_ends AS w" in found
    assert "stage__jobs AS jobs" in found


@pytest.mark.parametrize(
    ("duckdb", "in_spark"),
    [
        ("select x / 7.0 from t", "x / CAST(7.0 AS DOUBLE)"),
        ("select date_diff('day', a, b) from t", "DATEDIFF(DAY, a, b)"),
        ("select date_add(d, interval (-7) day) from t", "DATE_ADD(d, (-7))"),
        ("select sum(x) over w - y from t window w as (order by d)", "(SUM(x) OVER w) - y"),
        ("select date_add(d, interval 1 day) from t", "DATE_ADD(d, 1)"),
        ("select sum(x) over (order by d) from t", "ORDER BY d NULLS LAST"),
        ("select lead(x ignore nulls) over (order by d) from t", "LEAD(x) IGNORE NULLS OVER"),
        ("select count(*) filter (where x) from t", "COUNT(*) FILTER(WHERE x)"),
    ],
)
def test_a_construct_keeps_its_meaning(duckdb: str, in_spark: str):
    pytest.importorskip("sqlglot")
    assert in_spark in spark.translated(duckdb)
