"""Earlier days of the fleet, judged and staged from what was known then.

Days are staged together, in a database in memory beside the warehouse that reads its ``raw``
tables, as if each were a fleet of its own: its units bear its mark, nothing dated after it is
among their rows, and all its dates are moved so that it is the as-of day. A table costs what its
rows cost and a part that it costs for being made, and this is paid once instead of for every day.
Each day is then read alone, through views that take marks and moves off again.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.contract import TABLES
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.incremental import FOLDERS, IDS, counted_together
from pipeline.warehouse.judging import judge_rows, put_day
from pipeline.warehouse.memory import rows_at_once

# Rows of inspections that are staged together.
ROWS_AT_ONCE = 1_000_000
MARKED = (*IDS, "axle_id")
LAST_DAY = {"inspections": "inspected_on", "work": "done_on"}
MARK_LENGTH = 3
# Each day's records begin on a day of their own.
RECORDS = f"""
    select w.unit_id, r.begin_on
    from (select distinct unit_id from judge.wheel_ends) w
    left join (
        select left(unit_id, {MARK_LENGTH}) as mark, min(inspected_on) as begin_on
        from stage.inspections group by all
    ) r on r.mark = left(w.unit_id, {MARK_LENGTH})"""


@dataclass(frozen=True, slots=True)
class EarlierDay:
    """An as-of day, the units (``unit_key``) whose records count, and the tables that are read."""

    day: dt.date
    units: pl.DataFrame
    read: tuple[str, ...]


def staged_days(
    con: duckdb.DuckDBPyConnection, settings: Settings, days: Sequence[EarlierDay]
) -> Iterator[tuple[EarlierDay, duckdb.DuckDBPyConnection]]:
    """Each day with a connection to its tables, good until the next is asked for; days on which no
    wheel end of the register has an inspection are left out."""
    for some in _parts(con, days, rows_at_once(settings, ROWS_AT_ONCE)):
        with _database(con, "days") as staged:
            _copy_rows(con, staged, some)
            if not _stage(staged, settings, some):
                continue
            known = _known(con, staged)
            for number, then in enumerate(some):
                if number in known:
                    with _database(con, f"day_{then.day:%Y%m%d}") as past:
                        _show(past, then, _mark(number), _latest(some) - then.day)
                        yield then, past


@contextmanager
def _database(con: duckdb.DuckDBPyConnection, name: str) -> Iterator[duckdb.DuckDBPyConnection]:
    """A new database in memory as the current one of a connection of its own."""
    home, cursor = _home(con), con.cursor()
    cursor.execute(f"attach ':memory:' as {name}")
    try:
        cursor.execute(f"use {name}")
        warehouse.make_schemas(cursor)
        yield cursor
    finally:
        cursor.execute(f'use "{home}"')
        cursor.execute(f"detach {name}")
        cursor.close()


def _home(con: duckdb.DuckDBPyConnection) -> str:
    return str(warehouse.one_row(con, "select current_database()")[0])


def _parts(
    con: duckdb.DuckDBPyConnection, days: Sequence[EarlierDay], at_once: int
) -> Iterator[list[EarlierDay]]:
    """Days in order, as many at a time as memory is meant for."""
    part: list[EarlierDay] = []
    rows = 0
    for then in days:
        con.register("incoming", then.units)
        (more,) = warehouse.one_row(
            con,
            f"""select count(*) from raw.inspections
            where inspected_on <= date '{then.day}'
                and upper(unit_id) in (select unit_key from incoming)""",
        )
        con.unregister("incoming")
        if part and rows + more > at_once:
            yield part
            part, rows = [], 0
        part.append(then)
        rows += more
    if part:
        yield part


def _mark(number: int) -> str:
    return f"{number:02d}:"


def _latest(days: Sequence[EarlierDay]) -> dt.date:
    """The day that all others are moved to."""
    return max(then.day for then in days)


def _copy_rows(
    con: duckdb.DuckDBPyConnection, staged: duckdb.DuckDBPyConnection, days: Sequence[EarlierDay]
) -> None:
    """Each day's rows of ``raw``, marked and moved; the same content is another on another day."""
    home, latest = _home(con), _latest(days)
    units = [
        then.units.select(
            "unit_key",
            number=pl.lit(number),
            mark=pl.lit(_mark(number)),
            day=pl.lit(then.day),
            moved=pl.lit((latest - then.day).days),
        )
        for number, then in enumerate(days)
    ]
    warehouse.put(staged, "run.units", pl.concat(units))
    content = f"content_id * {len(days)} + number as content_id"
    staged.execute(
        f"""create table raw.contents as select * exclude number replace ({content})
        from "{home}".raw.contents cross join (select unnest(range({len(days)})) as number)"""
    )
    for table, contract in TABLES.items():
        dates = [n for n, column in contract.schema.columns().items() if column.dtype == pl.Date]
        moved = [f'"{name}" + u.moved as "{name}"' for name in dates]
        until = f"and r.{LAST_DAY[table]} <= u.day" if table in LAST_DAY else ""
        staged.execute(
            f"""create table raw.{table} as
            select r.* replace (
                r.{content.replace("number", "u.number")}, u.mark || r.unit_id as unit_id,
                {", ".join(moved)}
            )
            from "{home}".raw.{table} r
            inner join run.units u on u.unit_key = upper(r.unit_id) {until}"""
        )


def _stage(
    staged: duckdb.DuckDBPyConnection, settings: Settings, days: Sequence[EarlierDay]
) -> bool:
    """Judge, stage and reduce all of them, as far as any of them is read; false where none of them
    has an inspection."""
    latest = _latest(days)
    wanted = {*_of_units(days), "judge.odometer_sightings", "judge.odometer_standstills"}
    needed = warehouse.behind(FOLDERS, wanted) - counted_together()
    with warehouse.transaction(staged):
        newest = put_day(staged, settings, latest, latest)
        if newest is None:
            return False
        judge_rows(staged, settings, needed)
        warehouse.build(staged, "17_mart", needed)
    warehouse.build(staged, "20_stage", needed, {"stage.records": RECORDS})
    warehouse.build(staged, "30_reduce", needed)
    return True


def _over_units(days: Sequence[EarlierDay]) -> set[str]:
    """Of what is read and what that is made from, the tables whose rows are counted over units."""
    read = {table for then in days for table in then.read}
    return {*warehouse.behind(("30_reduce",), read) & counted_together()}


def _of_units(days: Sequence[EarlierDay]) -> set[str]:
    """Tables of single units that are read, or that counts over units are made from."""
    texts = dict(warehouse.sql_files("30_reduce"))
    over = _over_units(days)
    inputs = {name for table in over for name in warehouse.inputs_of(texts[table])}
    return ({table for then in days for table in then.read} | inputs) - over


def _known(con: duckdb.DuckDBPyConnection, staged: duckdb.DuckDBPyConnection) -> set[int]:
    """Numbers of the days whose units have an inspection, of then or since, to be judged by."""
    home = _home(con)
    rows = staged.execute(
        f"""select distinct u.number from run.units u
        inner join "{home}".raw.inspections i on upper(i.unit_id) = u.unit_key
        inner join "{home}".raw.contents c on c.content_id = i.content_id
        where i.problem is null and i.inspected_on <= c.loaded_on and u.unit_key in (
            select upper(unit_id) from "{home}".raw.register where problem is null
        )"""
    ).fetchall()
    return {int(number) for (number,) in rows}


def _show(
    past: duckdb.DuckDBPyConnection, then: EarlierDay, mark: str, moved: dt.timedelta
) -> None:
    """One day's own tables: as views, and counted from them what is counted over all units."""
    for table in _of_units([then]):
        columns = past.execute(f"describe days.{table}").fetchall()
        names = {name: kind for name, kind, *_ in columns}
        own = [f"substr({n}, {MARK_LENGTH + 1}) as {n}" for n in MARKED if n in names]
        own += [f"{n} - {moved.days} as {n}" for n, kind in names.items() if kind == "DATE"]
        # What is true of the whole day, its parameters, is no unit's.
        keys = [f"starts_with({name}, '{mark}')" for name in MARKED if name in names]
        past.execute(
            f"""create view {table} as select * replace ({", ".join(own)}) from days.{table}
            where {(keys or ["true"])[0]}"""
        )
    warehouse.build(past, "30_reduce", _over_units([then]))
