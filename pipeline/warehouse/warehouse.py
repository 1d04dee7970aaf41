"""The DuckDB warehouse of a run: SQL files by stage, a transaction per stage."""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from importlib import resources
from typing import Any

import duckdb
import polars as pl

from pipeline.settings import Settings

SCHEMAS = ("raw", "run", "judge", "fate", "stage", "reduce", "fit", "mart")
DATABASE = "drumline.duckdb"


def in_memory() -> duckdb.DuckDBPyConnection:
    """A warehouse that leaves nothing behind: for ``check``, backtests and tests."""
    con = duckdb.connect()
    prepare(con)
    return con


def make_schemas(con: duckdb.DuckDBPyConnection) -> None:
    for schema in SCHEMAS:
        con.execute(f"create schema if not exists {schema}")


def prepare(con: duckdb.DuckDBPyConnection) -> None:
    """Schemas and raw tables, where they are not there yet."""
    from pipeline.contract import TABLES  # its library is not for those who only read a warehouse

    make_schemas(con)
    con.execute(
        """create table if not exists raw.contents (
            content_id bigint primary key, table_name varchar, sha256 varchar, rows_read bigint,
            problem varchar, unused_headings varchar, parse_key varchar, loaded_on date,
            loaded_at timestamp, rank_no bigint)"""
    )
    # Of own files: where they were found, which of a file's tables it is, how many numbers each of
    # its rows has for its parts, its newest day and the file's own date, what else to say, and its
    # place by age.
    for column in (
        "folder varchar",
        "part varchar",
        "row_parts bigint",
        "parts_read bigint",
        "last_on date",
        "dated_at varchar",
        "notes varchar",
        "age_no bigint",
    ):
        con.execute(f"alter table raw.contents add column if not exists {column}")
    con.execute(
        """create table if not exists raw.files (
            path varchar primary key, table_name varchar, sha256 varchar, content_id bigint,
            loaded_at timestamp, problem varchar)"""
    )
    con.execute(
        """create table if not exists raw.objects (
            address varchar, etag varchar, size bigint, modified_at varchar, sha256 varchar)"""
    )
    for name, table in TABLES.items():
        columns = ", ".join(
            f'"{n}" {_sql_type(c.dtype)}' for n, c in table.schema.columns().items()
        )
        con.execute(
            f"create table if not exists raw.{name} (content_id bigint, row_no bigint, {columns}, "
            "problem_kind varchar, problem varchar, raw varchar, unit_no bigint)"
        )
        # A warehouse of an earlier version has none; its contents are read again.
        added = ["unit_no bigint", *columns.split(", ")]
        for column in added:
            con.execute(f"alter table raw.{name} add column if not exists {column}")
    # Units as rows write them, known or not; '' stands for rows that name none.
    con.execute("create table if not exists raw.units (unit_no bigint, unit_key varchar)")
    con.execute("create table if not exists raw.units_lost (unit_no bigint)")


SQL_TYPES = {pl.Int64: "bigint", pl.Float64: "double", pl.Date: "date", pl.Boolean: "boolean"}


def _sql_type(kind: pl.DataType) -> str:
    """Enumerations are text."""
    return SQL_TYPES.get(type(kind), "varchar")


def put(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Replace table ``name`` (schema.table) by a frame; enumerations become text."""
    con.register("incoming", frame.with_columns(pl.col(pl.Enum, pl.Categorical).cast(pl.String)))
    try:
        con.execute(f"create or replace table {name} as select * from incoming")
    finally:
        con.unregister("incoming")


def fetch(con: duckdb.DuckDBPyConnection, query: str, order: str = "all") -> pl.DataFrame:
    """The rows of a query as a frame, always in one order: what is computed from it repeats."""
    frame: pl.DataFrame = con.sql(f"{query} order by {order}").pl()
    return frame


def one_row(con: duckdb.DuckDBPyConnection, query: str) -> tuple[Any, ...]:
    """The only row of an aggregate; the result is read to its end, or the next query is refused."""
    return tuple(con.execute(query).fetchall()[0])


def append(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Append a frame's rows to table ``name``, columns matched by name."""
    con.register("incoming", frame.with_columns(pl.col(pl.Enum, pl.Categorical).cast(pl.String)))
    try:
        con.execute(f"insert into {name} by name select * from incoming")
    finally:
        con.unregister("incoming")


def append_rows(con: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    """Append a content's rows to a ``raw`` table, each with the number of its unit."""
    con.register("incoming", rows.with_columns(pl.col(pl.Enum).cast(pl.String)))
    try:
        con.execute(
            """insert into raw.units
            select n.most + row_number() over (order by k.unit_key), k.unit_key
            from (select distinct coalesce(upper(unit_id), '') as unit_key from incoming) k
            anti join raw.units u on u.unit_key = k.unit_key
            cross join (select coalesce(max(unit_no), 0) as most from raw.units) n"""
        )
        con.execute(
            f"""insert into raw.{table} by name
            select i.*, u.unit_no
            from incoming i inner join raw.units u on u.unit_key = coalesce(upper(i.unit_id), '')"""
        )
    finally:
        con.unregister("incoming")


def renamed(text: str, names: Mapping[str, str]) -> str:
    """A statement that reads other tables in the place of some."""
    for name, instead in names.items():
        text = re.sub(rf"\b{re.escape(name)}\b", instead, text)
    return text


@cache
def sql_files(folder: str) -> tuple[tuple[str, str], ...]:
    """(table name, statement) of a stage's SQL files, in order; read once a process.

    ``20_stage/110_inspections.sql`` makes ``stage.inspections``.
    """
    schema = folder.split("_", 1)[1]
    files = sorted(
        (f for f in resources.files("sql").joinpath(folder).iterdir() if f.name.endswith(".sql")),
        key=lambda f: f.name,
    )
    return tuple(
        (f"{schema}.{f.name.removesuffix('.sql').split('_', 1)[1]}", f.read_text("utf-8"))
        for f in files
    )


def build(
    con: duckdb.DuckDBPyConnection,
    folder: str,
    only: Collection[str] | None = None,
    instead: Mapping[str, str] | None = None,
) -> None:
    """Make every table of one stage, each from its one SELECT; or ``only`` some of them.

    ``instead``: SELECTs of some of them in place of the files'.

    One whose header says ``form: view`` repeats what is stored already, and stores nothing; one
    that says ``form: view once kept`` is stored while its unit is staged, where it is read often.
    """
    for table, select in sql_files(folder):
        if only is None or table in only:
            make(con, table, (instead or {}).get(table, select))


def make(con: duckdb.DuckDBPyConnection, name: str, select: str) -> None:
    """One table or view from its SELECT."""
    if is_view(select):
        make_view(con, name, select)
    else:
        con.execute(f"create or replace table {name} as {select}")


def is_view(statement: str) -> bool:
    return statement.startswith("-- form: view\n")


def is_view_once_kept(statement: str) -> bool:
    """Whether the warehouse stores nothing of it, whatever its unit's staging does."""
    return is_view(statement) or statement.startswith("-- form: view once kept\n")


def make_view(con: duckdb.DuckDBPyConnection, name: str, select: str) -> None:
    if is_table(con, name):  # of an earlier version
        con.execute(f"drop table {name}")
    con.execute(f"create or replace view {name} as {select}")


def is_table(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    """Whether the current database has it, as a table."""
    found = con.execute(
        """select 1 from duckdb_tables()
        where database_name = current_database() and schema_name || '.' || table_name = ?""",
        [table],
    ).fetchall()
    return bool(found)


def behind(folders: Sequence[str], tables: Iterable[str]) -> frozenset[str]:
    """These tables and all that they are made from in some stages, by the inputs in their SQL."""
    inputs = {table: inputs_of(text) for folder in folders for table, text in sql_files(folder)}
    found: set[str] = set()
    waiting = list(tables)
    while waiting:
        table = waiting.pop()
        if table not in found:
            found.add(table)
            waiting += inputs.get(table, ())
    return frozenset(found)


@cache
def inputs_of(statement: str) -> tuple[str, ...]:
    """The tables that a SQL file's header says it reads."""
    named = re.search(r"inputs:(.*?)meaning:", _header(statement))
    return tuple(name.strip() for name in named.group(1).split(",")) if named else ()


def keys_of(statement: str) -> list[str]:
    """The columns that a SQL file's header says identify a row."""
    named = re.search(r"key:(.*?)inputs:", _header(statement))
    return [name.strip() for name in named.group(1).split(",")] if named else []


def _header(statement: str) -> str:
    return " ".join(line[2:].strip() for line in statement.splitlines() if line[:2] == "--")


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    con.begin()
    try:
        yield
    except BaseException:
        con.rollback()
        raise
    con.commit()


def put_settings(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """The settings that SQL reads, as tables in schema ``run``."""
    put(con, "run.axle_types", _axle_types(settings))
    put(con, "run.chambers", _chambers(settings))
    put(con, "run.service", _service(settings))


def _axle_types(settings: Settings) -> pl.DataFrame:
    types = settings.axle_types.items()
    rows = [{"axle_type": n, **t.model_dump(exclude_unset=True)} for n, t in types]
    limits = ("lining_new_mm", "lining_min_mm", "cam_degrees")
    return pl.DataFrame(rows, schema={"axle_type": pl.String, **dict.fromkeys(limits, pl.Float64)})


def _chambers(settings: Settings) -> pl.DataFrame:
    rows = [
        {"chamber_size": n, "readjust_limit_mm": c.readjust_limit_mm}
        for n, c in settings.chambers.items()
    ]
    return pl.DataFrame(rows, schema={"chamber_size": pl.String, "readjust_limit_mm": pl.Float64})


def _service(settings: Settings) -> pl.DataFrame:
    rows = [
        {"duty": n, "check_weeks": d.check_weeks, "grease_weeks": d.grease_weeks}
        for n, d in settings.service.duties.items()
    ]
    return pl.DataFrame(
        rows,
        schema={"duty": pl.String, "check_weeks": pl.Float64, "grease_weeks": pl.Float64},
    )
