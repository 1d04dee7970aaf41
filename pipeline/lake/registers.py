"""Wheel ends that no register lists, derived from inspections and ``[[wheel_ends]]``.

Only where a lake has no register at all: where it has one, a wheel end that is not in it is a
mistyped one. Derived rows belong to a content of their own, which no file holds.
"""

import datetime as dt
from collections.abc import Sequence
from fnmatch import fnmatch

import duckdb
import polars as pl

from pipeline.contract import columns_of
from pipeline.settings import Settings, WheelEnds
from pipeline.warehouse import warehouse

DERIVED = "derived"  # instead of a digest
KEYS = ("unit_id", "axle_no", "side")
GIVEN = ("axle_type", "arm_length_mm", "chamber_size", "depot")


def derive_register(con: duckdb.DuckDBPyConnection, settings: Settings, now: dt.datetime) -> None:
    """Bring the derived rows in line with what inspections name; none where a register is."""
    wanted = _derived(con, settings.wheel_ends)
    names = ", ".join((*KEYS, *GIVEN))
    known = (
        con.sql(
            f"""select {names} from raw.register r
        inner join raw.contents c on c.content_id = r.content_id
        where c.sha256 = '{DERIVED}'"""
        )
        .pl()
        .cast(wanted.schema)
    )
    came = wanted.join(known, on=wanted.columns, how="anti", nulls_equal=True)
    went = known.join(wanted, on=wanted.columns, how="anti", nulls_equal=True)
    if came.is_empty() and went.is_empty():
        return
    content_id = _content_id(con, now)
    _take_out(con, content_id, went)
    if not came.is_empty():
        _append(con, content_id, came)
    con.execute(
        "update raw.contents set rows_read = $2, parts_read = $2 where content_id = $1",
        [content_id, wanted.height],
    )


def _derived(con: duckdb.DuckDBPyConnection, defaults: Sequence[WheelEnds]) -> pl.DataFrame:
    """Every wheel end that a usable inspection names, as the settings describe it."""
    seen: pl.DataFrame = con.sql(
        f"""select min(unit_id) as unit_id, axle_no, side from raw.inspections
        where problem is null and not exists (
            select 1 from raw.contents where table_name = 'register' and sha256 <> '{DERIVED}'
        )
        group by upper(unit_id), axle_no, side order by all"""
    ).pl()
    told = [_told_of(unit, axle, defaults) for unit, axle, _ in seen.iter_rows()]
    schema = {name: columns_of("register")[name].dtype for name in GIVEN}
    return seen.hstack(pl.DataFrame(told, schema=schema, orient="row"))


def _told_of(unit: str, axle: int, defaults: Sequence[WheelEnds]) -> tuple[object, ...]:
    for told in defaults:
        if fnmatch(unit.upper(), told.units.upper()) and (not told.axles or axle in told.axles):
            return told.axle_type, told.arm_length_mm, told.chamber_size, told.depot
    return WheelEnds().axle_type, None, None, None


def _content_id(con: duckdb.DuckDBPyConnection, now: dt.datetime) -> int:
    known = con.execute(
        "select content_id from raw.contents where sha256 = ?", [DERIVED]
    ).fetchall()
    if known:
        return int(known[0][0])
    (content_id,) = warehouse.one_row(
        con, "select coalesce(max(content_id), 0) + 1 from raw.contents"
    )
    con.execute(
        """insert into raw.contents
            (content_id, table_name, sha256, loaded_on, loaded_at, row_parts)
        values (?, 'register', ?, ?, ?, 1)""",
        [content_id, DERIVED, now.date(), now],
    )
    return int(content_id)


def _take_out(con: duckdb.DuckDBPyConnection, content_id: int, went: pl.DataFrame) -> None:
    con.register("went", went)
    try:
        gone = f"""from raw.register where content_id = {content_id}
            and (unit_id, axle_no, side) in (select (unit_id, axle_no, side) from went)"""
        con.execute(f"insert into raw.units_lost select distinct unit_no {gone}")
        con.execute(f"delete {gone}")
    finally:
        con.unregister("went")


def _append(con: duckdb.DuckDBPyConnection, content_id: int, came: pl.DataFrame) -> None:
    (last,) = warehouse.one_row(con, "select coalesce(max(row_no), 0) from raw.register")
    rows = came.with_row_index("row_no", offset=int(last) + 1)
    warehouse.append_rows(con, "register", rows.with_columns(content_id=pl.lit(content_id)))
    con.register("came", came)
    try:
        con.execute(
            """insert into raw.units_lost
            select distinct u.unit_no from came c
            inner join raw.units u on u.unit_key = upper(c.unit_id)"""
        )
    finally:
        con.unregister("came")
