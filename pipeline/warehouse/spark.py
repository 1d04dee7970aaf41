"""Staging and reducing on Apache Spark, by the same SQL files.

Rows are loaded and judged in DuckDB; what ``20_stage`` and ``30_reduce`` read goes to Spark as
Parquet files, their SQL is translated, and the tables that are read later come back. Everything is
staged in every run. Models, forecasts and pages do not know where a table was made.
"""

import datetime as dt
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb

from pipeline.errors import UserError
from pipeline.settings import Engine, Settings
from pipeline.warehouse import judging, warehouse
from pipeline.warehouse.incremental import FOLDERS, counted_together, kept, views

STAGED = ("20_stage", "30_reduce")
# What equal meaning asks of Spark: days without hours, and null where a number is divided by 0.
MEANING = {"spark.sql.session.timeZone": "UTC", "spark.sql.ansi.enabled": "false"}


def restage(
    con: duckdb.DuckDBPyConnection, settings: Settings, today: dt.date, as_of: dt.date | None
) -> dt.date:
    """Judge every row, and stage and reduce all units on Spark; returns the as-of day.

    Raises
    ------
    UserError
        Nothing can be used, or Spark cannot be had.
    """
    with _session(settings.engine) as session:
        day = judging.judge(con, settings, today, as_of)
        work = _work_folder(con)
        try:
            stage(con, session, work)
        finally:
            shutil.rmtree(work, ignore_errors=True)
    with warehouse.transaction(con):
        _drop_scratch(con)
    return day


def stage(con: duckdb.DuckDBPyConnection, session: Any, work: Path) -> None:
    """Make the tables of ``20_stage`` and ``30_reduce``, and bring back those that are kept."""
    files = [pair for folder in STAGED for pair in warehouse.sql_files(folder)]
    made = {table for table, _ in files}
    for table in sorted({t for _, text in files for t in warehouse.inputs_of(text)} - made):
        path = work / f"{table}.parquet"
        con.execute(f"copy (from {table}) to '{path}' (format parquet)")
        _show(session, table, path)
    for table, text in files:
        session.sql(translated(text)).write.parquet(str(work / table))
        _show(session, table, work / table)
    types = _types(con, [table for table, _ in files])
    with warehouse.transaction(con):
        for table in wanted():
            columns = ", ".join(
                f'cast("{name}" as {kind}) as "{name}"' for name, kind in types[table]
            )
            con.execute(
                f"""create or replace table {table} as
                select {columns} from read_parquet('{work / table}/*.parquet')"""
            )
        for view, select in views().items():
            warehouse.make_view(con, view, select)


def wanted() -> list[str]:
    """Tables made on Spark that are read later."""
    made = {table for folder in STAGED for table, _ in warehouse.sql_files(folder)}
    return sorted(made & {*kept(), *counted_together()})


def translated(statement: str) -> str:
    """A SQL file in Spark's words, tables named as :func:`_show` shows them."""
    import sqlglot
    from sqlglot import exp

    def changed(node: Any) -> Any:
        if isinstance(node, exp.Table) and node.db:
            alias = node.alias or node.name
            return exp.alias_(exp.to_table(_shown(f"{node.db}.{node.name}")), alias, table=True)
        if isinstance(node, exp.DateAdd) and isinstance(node.expression, exp.Interval):
            days = node.expression.this
            days = exp.Literal.number(days.name) if days.is_string else days
            return exp.Anonymous(this="date_add", expressions=[node.this, days])
        # A fraction is a double, not a decimal that rounds what it divides.
        if isinstance(node, exp.Literal) and not node.is_string and "." in node.name:
            return exp.cast(exp.Literal.number(node.name), "double")
        return node

    tree = sqlglot.parse_one(statement, read="duckdb").transform(changed)
    for window in list(tree.find_all(exp.Window)):
        # Spark would read `over earlier - days` as the name `earlier-days`.
        if isinstance(window.parent, exp.Binary):
            window.replace(exp.Paren(this=window.copy()))
    return str(tree.sql("spark", comments=False))


def _show(session: Any, table: str, path: Path) -> None:
    session.read.parquet(str(path)).createOrReplaceTempView(_shown(table))


def _shown(table: str) -> str:
    return table.replace(".", "__")


def _types(con: duckdb.DuckDBPyConnection, tables: list[str]) -> dict[str, list[tuple[str, str]]]:
    """(column, type) of the tables as DuckDB makes them, from inputs without rows."""
    with duckdb.connect() as empty:
        warehouse.make_schemas(empty)
        listed = con.execute(
            """select schema_name || '.' || table_name, column_name, data_type
            from duckdb_columns() where database_name = current_database()
            order by all"""
        ).fetchall()
        columns: dict[str, list[str]] = {}
        for table, name, kind in listed:
            columns.setdefault(table, []).append(f'"{name}" {kind}')
        for table, defined in columns.items():
            if table not in tables and table.split(".")[0] in warehouse.SCHEMAS:
                empty.execute(f"create table {table} ({', '.join(defined)})")
        for folder in STAGED:
            warehouse.build(empty, folder)
        return {
            table: [(row[0], row[1]) for row in empty.execute(f"describe {table}").fetchall()]
            for table in tables
        }


def _work_folder(con: duckdb.DuckDBPyConnection) -> Path:
    """An empty folder beside the warehouse, which Spark's workers must see under the same name."""
    (path,) = warehouse.one_row(
        con, "select path from duckdb_databases() where database_name = current_database()"
    )
    work = Path(path).resolve().parent / "spark"
    shutil.rmtree(work, ignore_errors=True)
    work.mkdir(parents=True)
    return work


def _drop_scratch(con: duckdb.DuckDBPyConnection) -> None:
    """What only staging read; and the memory of what DuckDB staged, which this run has replaced."""
    for folder in FOLDERS[:2]:
        for table, _ in warehouse.sql_files(folder):
            if table not in kept():
                con.execute(f"drop table if exists {table}")
    for table in ("staged", "staged_contents", "begun"):
        con.execute(f"drop table if exists run.{table}")


@contextmanager
def _session(engine: Engine) -> Iterator[Any]:
    try:
        import sqlglot  # noqa: F401
        from pyspark.errors import PySparkException
        from pyspark.sql import SparkSession
    except ImportError:
        raise UserError(
            '[engine] kind: found "spark", but it is not installed; accepted: '
            "pip install 'drumline[spark]', or kind = \"duckdb\""
        ) from None
    java = Path(os.environ.get("JAVA_HOME", "")) / "bin" / "java"
    if not (shutil.which("java") or java.exists()):
        raise UserError('[engine] kind: found "spark", but no Java; accepted: Java 17 or newer')
    builder = SparkSession.builder.appName("drumline").master(engine.master)
    for name, value in {"spark.ui.enabled": "false", **engine.properties, **MEANING}.items():
        builder = builder.config(name, value)
    try:
        session = builder.getOrCreate()
    except (PySparkException, RuntimeError) as error:
        line = (str(error).strip() or type(error).__name__).splitlines()[0]
        raise UserError(f"[engine] master: {engine.master}: {line}") from None
    try:
        yield session
    finally:
        session.stop()
