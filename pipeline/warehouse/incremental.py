"""Judging, staging and reducing what has changed, a bounded number of rows at a time.

Units have nothing to do with each other until their tables are counted together. So only units
that a run finds changed are judged and staged again, by the same SQL files, in a database in memory
that holds their rows alone; what comes out replaces their rows in the warehouse. Units are taken
some at a time, so that memory is bounded however large the fleet is. A unit has changed where a
content with a row of it came or went, where one of its dates lies between the last run's as-of day
and this one's, or where anything else has changed that rows are judged by: then all units have.
"""

import datetime as dt
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import resources

import duckdb
import polars as pl

from pipeline.contract import TABLES
from pipeline.settings import Settings
from pipeline.warehouse import judging, warehouse
from pipeline.warehouse.memory import rows_at_once

FOLDERS = ("10_judge", "15_fate", "20_stage", "30_reduce")
# Rows of inspections and jobs that are staged together: a gigabyte or two of memory.
ROWS_AT_ONCE = 2_000_000
# Columns that say whose a row is, and the tables that list them.
IDS = {
    "unit_id": "judge.wheel_ends",
    "wheel_end_id": "judge.wheel_ends",
    "life_id": "stage.lining_lives",
    "episode_id": "stage.setting_episodes",
    "adjuster_id": "stage.adjuster_fittings",
}
OF_ROWS = "content_id"
CONTENT = "content_id bigint, table_name varchar, sha256 varchar"
# What Python reads of a unit's tables; what SQL counts together is found from its headers.
READ = (
    "fate.doubtful_jobs",
    "judge.odometer_verdicts",
    "judge.rising_units",
    "judge.wheel_ends",
    "reduce.adjuster_duty_pieces",
    "reduce.adjuster_spells",
    "reduce.adjusters_now",
    "reduce.drift_outlook",
    "reduce.greasing_due",
    "reduce.lining_life_duty_pairs",
    "reduce.lining_life_duty_sums",
    "reduce.lining_life_sums",
    "reduce.lining_pointer_pairs",
    "reduce.linings_found",
    "reduce.relines_done",
    "reduce.stroke_reading_km",
    "reduce.unit_months",
    "reduce.unit_usage",
    "reduce.units_now",
    "reduce.visits_apart",
    "reduce.wheel_end_replacements",
    "reduce.wheel_end_watches",
    "reduce.wheel_ends_now",
    "stage.adjuster_checks",
    "stage.adjuster_fittings",
    "stage.adjuster_lives",
    "stage.duty_spells",
    "stage.inspections",
    "stage.jobs",
    "stage.lining_lives",
    "stage.lining_reading_km",
    "stage.lining_readings",
    "stage.relines_held",
    "stage.setting_episodes",
    "stage.stroke_readings",
    "stage.unit_duty_km",
)
# The modules that rows are judged and staged by, beside the SQL files and the settings.
JUDGED_AND_STAGED_BY = (
    "contract.py",
    "values.py",
    "warehouse/incremental.py",
    "warehouse/judging.py",
    "warehouse/misdated.py",
    "warehouse/odometer.py",
    "warehouse/standstill.py",
    "warehouse/warehouse.py",
)
# Rows that were habits on an earlier as-of day and are too old for this one.
TOO_OLD = {
    "reduce.unit_usage": "from_on + cast(days as integer) <= habits_since",
    "reduce.reline_decisions": "visit_on <= habits_since",
    "reduce.relines_done": "not recorded and relined_on <= habits_since",
}

# Units that records turn out to be older, or younger, for than they were staged by.
BEGUN_OTHERWISE = """
    select b.unit_no
    from run.begun b
    inner join raw.units u on u.unit_no = b.unit_no
    inner join judge.wheel_ends w on upper(w.unit_id) = u.unit_key
    cross join (select min(begin_on) as begin_on from run.begun) f
    where (w.in_service_on >= b.staged_by) <> (w.in_service_on >= f.begin_on)
        or (w.adjuster_fitted_on >= b.staged_by) <> (w.adjuster_fitted_on >= f.begin_on)
"""


def restage(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    today: dt.date,
    as_of: dt.date | None,
) -> dt.date:
    """Bring every judged, staged and reduced table in line with ``raw``; returns the as-of day.

    Raises
    ------
    UserError
        No inspection of a registered wheel end can be used, so there is nothing to say.
    """
    at_once = rows_at_once(settings, ROWS_AT_ONCE)
    with warehouse.transaction(con):
        day = judging.require_inspection(con, judging.put_day(con, settings, today, as_of), as_of)
        known = _remembered(con, _fingerprint(settings))
        parts = _cut_into_parts(con, _changed(con, known=known), at_once)
    while parts:
        for part in range(parts):
            _restage_part(con, settings, part, known=known)
        if known:
            # What has been taken out takes memory, which cannot spill, until then.
            con.execute("checkpoint")
        known = True
        with warehouse.transaction(con):
            parts = _cut_into_parts(con, BEGUN_OTHERWISE, at_once)
    with warehouse.transaction(con):
        _drop_too_old(con)
        _remember(con, _fingerprint(settings))
        warehouse.build(con, "17_mart")
    return day


def counted_together() -> frozenset[str]:
    """Tables over all units: their key names none."""
    return frozenset(table for table, text in warehouse.sql_files("30_reduce") if not _ids_in(text))


@cache
def kept() -> tuple[str, ...]:
    """A unit's tables that outlive its staging: what is read of them later."""
    together = counted_together()
    inputs = [
        name
        for folder in (*FOLDERS, "17_mart", "40_mart")
        for table, text in warehouse.sql_files(folder)
        if folder.endswith("_mart") or table in together
        for name in warehouse.inputs_of(text)
    ]
    of_units = [t for folder in FOLDERS for t, text in warehouse.sql_files(folder) if _ids_in(text)]
    wanted = {*READ, *inputs, *IDS.values()}
    for text in views().values():
        wanted |= {*warehouse.inputs_of(text)}
    tables = (*of_units, "judge.odometer_verdicts")
    return tuple(t for t in tables if t in wanted and t not in views())


@cache
def views() -> dict[str, str]:
    """A unit's tables that are made of kept ones when they are read, and the SELECT of each."""
    return {
        table: text
        for folder in FOLDERS
        for table, text in warehouse.sql_files(folder)
        if warehouse.is_view_once_kept(text)
    }


def _ids_in(statement: str) -> set[str]:
    return {*IDS, OF_ROWS, "wheel_end_key"} & set(warehouse.keys_of(statement))


def _fingerprint(settings: Settings) -> str:
    """Everything that rows are judged and staged by, but the rows and the day."""
    digest = hashlib.sha256()
    for folder in FOLDERS:
        for table, text in warehouse.sql_files(folder):
            digest.update(f"{table}\n{text}\n".encode())
    for module in JUDGED_AND_STAGED_BY:
        digest.update(resources.files("pipeline").joinpath(module).read_bytes())
    digest.update(duckdb.__version__.encode())
    digest.update(settings.model_dump_json(exclude={"engine": {"memory_gb"}}).encode())
    return digest.hexdigest()


def _cut_into_parts(con: duckdb.DuckDBPyConnection, changed: str, at_once: int) -> int:
    """Fill ``run.changed`` (unit_no, part_no) with some units; returns how many parts they make."""
    rows = " union all ".join(f"select unit_no from raw.{table}" for table in TABLES)
    con.execute(
        f"""create or replace table run.changed as
        with changed as (select distinct unit_no from ({changed})),
        sizes as (
            select c.unit_no, count(r.unit_no) as row_count
            from changed c left join ({rows}) r on r.unit_no = c.unit_no
            group by c.unit_no
        )
        select unit_no, cast(floor((sum(row_count) over (order by unit_no) - row_count)
            / {at_once}) as integer) as part_no
        from sizes"""
    )
    (parts,) = warehouse.one_row(con, "select coalesce(max(part_no) + 1, 0) from run.changed")
    return int(parts)


def _remembered(con: duckdb.DuckDBPyConnection, fingerprint: str) -> bool:
    """Whether what has been staged can stay; what was judged by other rules is dropped."""
    _make_memory(con)
    if _staged_alike(con, fingerprint):
        return True
    for table in kept():
        con.execute(f"drop table if exists {table}")
    con.execute("delete from run.begun")
    return False


def _make_memory(con: duckdb.DuckDBPyConnection) -> None:
    """What a run remembers of what it staged; begun: first inspections, and the fleet's then."""
    for table, columns in (
        ("staged", "fingerprint varchar, as_of date, given_as_of date"),
        (
            "staged_contents",
            "content_id bigint, table_name varchar, sha256 varchar, rank_no bigint",
        ),
        ("begun", "unit_no bigint, begin_on date, staged_by date"),
    ):
        con.execute(f"create table if not exists run.{table} ({columns})")


def _staged_alike(con: duckdb.DuckDBPyConnection, fingerprint: str) -> bool:
    """Whether what was staged was staged by the same rules, for a day no later, in one order."""
    (alike,) = warehouse.one_row(
        con,
        f"""select count(*) = 1 from run.staged s cross join run.parameters p
        where s.fingerprint = '{fingerprint}' and s.as_of <= p.as_of""",
    )
    (turned,) = warehouse.one_row(
        con,
        """select count(*) from (
            select s.rank_no, lag(s.rank_no) over (order by c.rank_no) as rank_before
            from raw.contents c
            inner join run.staged_contents s using (content_id, table_name, sha256)
        ) where rank_no < rank_before""",
    )
    return bool(alike) and not turned


def _changed(con: duckdb.DuckDBPyConnection, *, known: bool) -> str:
    """SELECT of the units to stage again: all of them, where nothing staged is known."""
    return _touched(con) if known else "from raw.units"


def _touched(con: duckdb.DuckDBPyConnection) -> str:
    """SELECT of the units whose rows or whose past have changed."""
    con.execute(
        """create or replace table run.new_contents as
        select c.content_id, c.loaded_on from raw.contents c
        anti join run.staged_contents s using (content_id, table_name, sha256)"""
    )
    came = [
        f"select unit_no from raw.{table} semi join run.new_contents using (content_id)"
        for table in TABLES
    ]
    # What was in the future on the day before, or is the last day of something; and what is dated
    # after the day it was read, which a given day can make the past.
    dated = [
        f"""select r.unit_no from raw.{table} r
        cross join run.staged s cross join run.parameters p
        where r."{name}" between s.as_of and p.as_of and s.as_of < p.as_of
        union all
        select r.unit_no from raw.{table} r
        cross join run.staged s cross join run.parameters p
        inner join raw.contents c on c.content_id = r.content_id
        where s.given_as_of is distinct from p.given_as_of and r."{name}" > c.loaded_on"""
        for table, contract in TABLES.items()
        for name, column in contract.schema.columns().items()
        if column.dtype == pl.Date
    ]
    return " union all ".join(["select unit_no from raw.units_lost", *came, *dated])


@contextmanager
def _part_database(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """A database in memory as the current one; yields the warehouse's name."""
    (home,) = warehouse.one_row(con, "select current_database()")
    con.execute("attach ':memory:' as part")
    try:
        con.execute("use part")
        warehouse.make_schemas(con)
        yield str(home)
    finally:
        con.execute(f'use "{home}"')
        con.execute("detach part")


def _restage_part(
    con: duckdb.DuckDBPyConnection, settings: Settings, part_no: int, *, known: bool
) -> None:
    """Judge, stage and reduce some changed units, and put their rows in place of the old ones.

    ``known``: some of them may have been staged before.
    """
    with _part_database(con) as home:
        _copy_inputs(con, home, part_no)
        judging.judge_rows(con, settings)
        warehouse.build(con, "20_stage")
        units = frozenset(t for t, _ in warehouse.sql_files("30_reduce")) - counted_together()
        warehouse.build(con, "30_reduce", units)
        con.execute(f'use "{home}"')
        with warehouse.transaction(con):
            _put_in_place(con, part_no, known=known)


def _copy_inputs(con: duckdb.DuckDBPyConnection, home: str, part_no: int) -> None:
    con.execute(f'create view raw.contents as from "{home}".raw.contents')
    con.execute(
        f"""create table raw.changed as
        select unit_no from "{home}".run.changed where part_no = {part_no}"""
    )
    for table in TABLES:
        con.execute(
            f"""create table raw.{table} as
            from "{home}".raw.{table} semi join raw.changed using (unit_no)"""
        )
    for table in ("axle_types", "chambers", "service"):
        con.execute(f'create view run.{table} as from "{home}".run.{table}')
    con.execute(
        f"""create table run.parameters as
        select * replace ((
            select min(begin_on) from "{home}".run.begun anti join raw.changed using (unit_no)
        ) as begun_on)
        from "{home}".run.parameters"""
    )


def _put_in_place(con: duckdb.DuckDBPyConnection, part_no: int, *, known: bool) -> None:
    """What a part's tables hold instead of what the warehouse held of its units."""
    of_part = f"select unit_no from run.changed where part_no = {part_no}"
    if known:
        _take_out(con, of_part)
    for table in kept():
        con.execute(f"create table if not exists {table} as from part.{table} limit 0")
        con.execute(f"insert into {table} by name from part.{table}")
    for view, select in views().items():
        warehouse.make_view(con, view, select)
    con.execute(f"delete from run.begun where unit_no in ({of_part})")
    con.execute(
        """insert into run.begun
        select u.unit_no, min(i.inspected_on), min(r.begin_on)
        from part.stage.inspections i
        inner join raw.units u on u.unit_key = upper(i.unit_id)
        inner join part.stage.records r on r.unit_id = i.unit_id
        group by u.unit_no"""
    )


def _take_out(con: duckdb.DuckDBPyConnection, of_part: str) -> None:
    """Delete the rows of units, as they were known before."""
    con.execute(
        f"""create or replace temp table old_wheel_ends as
        select w.unit_id, w.wheel_end_id from judge.wheel_ends w
        inner join raw.units u on u.unit_key = upper(w.unit_id)
        where u.unit_no in ({of_part})"""
    )
    for column, listed in IDS.items():
        con.execute(
            f"""create or replace temp table old_{column} as
            select distinct {column} from {listed}
            where wheel_end_id in (select wheel_end_id from old_wheel_ends)"""
        )
    for table in kept():
        names = [row[0] for row in con.execute(f"describe {table}").fetchall()]
        if OF_ROWS in names:
            rows = f"from raw.{table.split('.')[1]} where unit_no in ({of_part})"
            con.execute(
                f"""delete from {table}
                where (content_id, row_no) in (select (content_id, row_no) {rows})
                    or content_id not in (select content_id from raw.contents)"""
            )
        else:
            column = next(name for name in IDS if name in names)
            con.execute(f"delete from {table} where {column} in (from old_{column})")


def _drop_too_old(con: duckdb.DuckDBPyConnection) -> None:
    for table, condition in TOO_OLD.items():
        con.execute(
            f"""delete from {table} where {
                condition.replace("habits_since", "(select habits_since from run.parameters)")
            }"""
        )


def _remember(con: duckdb.DuckDBPyConnection, fingerprint: str) -> None:
    """What has been staged by which rules, for the next run to compare."""
    con.execute(
        f"""create or replace table run.staged as
        select '{fingerprint}' as fingerprint, as_of, given_as_of from run.parameters"""
    )
    con.execute(
        """create or replace table run.staged_contents as
        select content_id, table_name, sha256, rank_no from raw.contents"""
    )
    con.execute("delete from raw.units_lost")
