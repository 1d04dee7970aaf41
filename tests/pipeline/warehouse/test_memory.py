"""Tables give way to models, and come back."""

import duckdb
import pytest

from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.memory import SHARE_ASIDE, bound_memory, tables_aside

SETTINGS = Settings.model_validate({"engine": {"memory_gb": 0.4}})


def held(con) -> int:
    (size,) = warehouse.one_row(con, "select sum(memory_usage_bytes) from duckdb_memory()")
    return int(size)


def test_tables_that_were_read_are_put_aside_and_read_again(tmp_path):
    con = duckdb.connect(tmp_path / "kept.duckdb")
    bound_memory(con, SETTINGS)
    con.execute("create table draws as select random() as x from range(30_000_000)")
    con.execute("checkpoint")
    (total,) = warehouse.one_row(con, "select sum(x) from draws")
    assert held(con) > 0.4e9 * SHARE_ASIDE
    with tables_aside(con, SETTINGS):
        assert held(con) <= 0.4e9 * SHARE_ASIDE
        limit = warehouse.one_row(con, "select current_setting('memory_limit')")
        assert warehouse.one_row(con, "select sum(x) from draws")[0] == pytest.approx(total)
    assert warehouse.one_row(con, "select current_setting('memory_limit')") != limit


def test_what_cannot_be_put_aside_stays():
    con = warehouse.in_memory()
    con.execute("set temp_directory = ''")
    con.execute("create table draws as select random() as x from range(30_000_000)")
    with tables_aside(con, SETTINGS):
        assert warehouse.one_row(con, "select count(*) from draws") == (30_000_000,)
