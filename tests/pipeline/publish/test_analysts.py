"""What analysts are promised: the documented marts, the README's queries, the notebook."""

import re

import duckdb
import numpy as np
import pytest
from scipy import stats

from pipeline.documentation import mart_index, sql_marts
from pipeline.marts.marts import SCHEMAS
from pipeline.warehouse import warehouse
from sample_lake.notebook import main, plain_slopes, wear_rates
from tests import ROOT


@pytest.fixture(scope="module")
def con(small_run):
    path = small_run / "out" / warehouse.DATABASE
    with duckdb.connect(str(path), read_only=True) as opened:
        yield opened


def queries() -> list[str]:
    blocks = re.findall(
        r"```sql\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.S
    )
    return [q.strip() for block in blocks for q in block.split(";") if q.strip()]


def columns(con, table: str) -> list[str]:
    return [name for name, *_ in con.execute(f"describe mart.{table}").fetchall()]


@pytest.mark.parametrize("query", queries(), ids=lambda q: q.splitlines()[0].strip("- "))
def test_the_readmes_queries_run(con, query):
    con.execute(query).fetchall()


@pytest.mark.parametrize("table", ["histories", "wear_rates", "reline_outlook_parts", "backtest"])
def test_the_readme_asks_about_tables_that_hold_something(con, table):
    """A query that runs on empty tables alone would prove little."""
    assert any(f"mart.{table}" in q for q in queries())
    assert con.execute(f"select count(*) from mart.{table}").fetchall()[0][0] > 0


def test_every_mart_is_in_the_index(con):
    index = mart_index()
    there = con.execute(
        "select table_name from information_schema.tables where table_schema = 'mart'"
    ).fetchall()
    assert {name for (name,) in there} == set(re.findall(r"^\| `mart\.(\w+)`", index, flags=re.M))


def test_documented_columns_are_the_warehouses(con):
    for name, _, documented in sql_marts():
        assert documented == columns(con, name), name
    for name, schema in SCHEMAS.items():
        assert list(schema.columns()) == columns(con, name), name


def test_histories_hold_each_wheel_ends_days_with_readings_and_work(con):
    rows = con.execute(
        """select on_date, lining_mm, stroke_ratio, jobs from mart.histories
        where wheel_end_id = 'K01/1L' order by on_date limit 3"""
    ).fetchall()
    days = [str(day) for day, *_ in rows]
    assert days == ["2024-01-09", "2024-04-02", "2024-04-15"]
    assert rows[0][1:] == (17.5, pytest.approx(18 / 140), None)
    assert rows[2][1:] == (None, None, "greased")


def test_the_notebook_draws_the_chart_from_the_warehouse(con, small_run, tmp_path):
    picture = tmp_path / "wear.svg"
    both = main(small_run / "out" / warehouse.DATABASE, picture)
    rates = wear_rates(con)
    assert both["mm_per_10000km"].to_list() == rates["mm_per_10000km"].to_list()
    drawn = picture.read_text(encoding="utf-8")
    assert f"wears fastest: {rates['mm_per_10000km'].max():.2f} mm" in drawn


def test_a_plain_slope_is_least_squares_with_errors_by_unit():
    """By hand: slopes of 1 and 3 mm per 10,000 km over equal km make 2."""
    with duckdb.connect() as con:
        con.sql("create schema mart")
        con.sql(
            """create table mart.lining_readings as
            select 'drive' as axle_type, 'haul' as duty, unit_id, unit_id as life_id,
                i as inspected_on, i * 10000.0 as km_since_reline, 18.0 - slope * i as lining_mm
            from (values ('a', 1.0), ('b', 3.0)) t(unit_id, slope), (values (0), (1)) d(i)"""
        )
        [(_, _, plain, low, high)] = plain_slopes(con).rows()
    assert plain == pytest.approx(2.0)
    # Scores (x times residual) sum to ±0.5 by unit, x² to 1; two units: G / (G − 1) = 2.
    half = stats.t.ppf(0.975, 1) * np.sqrt(2 * 0.5**2 * 2)
    assert (low, high) == (pytest.approx(2.0 - half), pytest.approx(2.0 + half))


def test_plain_slopes_have_the_size_of_the_rates(con):
    """Eight linings of units whose wear differs: within a quarter of each other."""
    both = wear_rates(con).join(plain_slopes(con), on=["axle_type", "duty"])
    assert both.height >= 1
    for row in both.iter_rows(named=True):
        assert row["plain"] == pytest.approx(row["mm_per_10000km"], rel=0.25)
