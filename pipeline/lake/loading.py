"""The lake's files → ``raw`` tables: what is new is read, what is gone is taken out.

A file is known by its content, so a renamed or copied file is not read again, and the same content
under two names counts once. A content is read anew only when the settings that shape its reading
(headings, units, dates, decimals) have changed.
"""

import dataclasses
import datetime as dt
import hashlib
import json
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import polars as pl

from pipeline.contract import TABLES, columns_of, is_required
from pipeline.errors import UnreadableFileError, UserError
from pipeline.lake.cells import column_sources, dialect_of, typed_rows, unused_headings
from pipeline.lake.files import Cells, read_cells
from pipeline.lake.lake import Lake, LakeFile, Seen, may_pass, opened_lake
from pipeline.lake.old_workbooks import STRUCK_OUT_IS_READ, is_old
from pipeline.lake.registers import DERIVED, derive_register
from pipeline.mapping.applying import typed_table
from pipeline.mapping.findings import jobs_to_come
from pipeline.mapping.grids import HIDDEN, Grid
from pipeline.mapping.shapes import shaped_grids
from pipeline.mapping.tables import Table, tables_in, what_lacks
from pipeline.places import Place
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

# Raised when cells are read differently than before, so that old contents are read again.
READER_VERSION = 17

# Files read at a time.
READERS = 2
# Rows of a table that are put away together: many small files then cost little more than one.
ROWS_AT_ONCE = 500_000
_DERIVED_IDS = "select content_id from raw.contents where sha256 ="
# The folder of the table that a content was found under, and its digest.
ContentKey = tuple[str, str | None]


def parse_key(settings: Settings) -> str:
    """A digest of every setting that shapes how a cell is read."""
    shaping = {
        "version": READER_VERSION,
        "day_first": settings.fleet.day_first,
        "decimal_comma": settings.fleet.decimal_comma,
        "units": settings.units.model_dump(),
        "columns": settings.columns,
        "files": [recipe.model_dump() for recipe in settings.files],
        "answers": settings.answers.model_dump(),
        "stated": sorted(settings.units.model_fields_set | settings.fleet.model_fields_set),
    }
    return hashlib.sha256(json.dumps(shaping, sort_keys=True).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Content:
    """Typed rows of one table of a file, or why there are none; and headings that nothing reads.

    ``part`` names the table where a file has several; ``rows`` has ``row_parts`` numbers for each
    of ``rows_read`` rows of the file.
    """

    table: str
    rows: pl.DataFrame | None
    problem: str | None
    unused: str | None
    part: str = ""
    rows_read: int = 0
    row_parts: int = 1
    notes: str | None = None

    @property
    def height(self) -> int:
        return 0 if self.rows is None else self.rows.height

    def last_on(self, today: dt.date) -> dt.date | None:
        """The newest day that it tells of; what is to come is a slip, and no day of a record."""
        name = {"inspections": "inspected_on", "work": "done_on"}.get(self.table)
        if self.rows is None or name is None:
            return None
        days = self.rows[name]
        last = days.filter(days <= today).max()
        return last if isinstance(last, dt.date) else None


def load(
    con: duckdb.DuckDBPyConnection,
    where: Place,
    settings: Settings,
    now: dt.datetime,
    tell: Callable[[str], None] = lambda _: None,
) -> int:
    """Bring ``raw`` in line with the lake; returns the contents read.

    What a transaction is given from memory stays there until its end: so new contents are put away
    in several, and the last one takes out what is gone. A load that fails has taken nothing out;
    the next one goes on from there.
    """
    _require_clock(con, now)
    with opened_lake(where, _seen(con)) as lake:
        return _load_files(
            con, lake, lake.files(elsewhere=bool(settings.files)), settings, now, tell
        )


def _load_files(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    files: list[LakeFile],
    settings: Settings,
    now: dt.datetime,
    tell: Callable[[str], None],
) -> int:
    readable = [f for f in files if f.sha256 is not None]
    key = parse_key(settings)
    known = _known_contents(con, key)
    wanted: dict[ContentKey, LakeFile] = {(f.table, f.sha256): f for f in reversed(readable)}
    new = [f for key_, f in sorted(wanted.items(), key=_by_path) if key_ not in known]
    with closing(_read_ahead(lake, new, settings)) as contents:
        for batch in _batches(contents, tell):
            with warehouse.transaction(con):
                _put_batch(con, batch, key, now)
    with warehouse.transaction(con):
        _forget(con, _known_contents(con, key), wanted)
        _record_files(con, files, now)
        derive_register(con, settings, now)
        _remember(con, lake.seen())
    return len(new)


def _seen(con: duckdb.DuckDBPyConnection) -> list[Seen]:
    """What was remembered of a store's objects."""
    names = ", ".join(field.name for field in dataclasses.fields(Seen))
    return [Seen(*row) for row in con.execute(f"select {names} from raw.objects").fetchall()]


def _remember(con: duckdb.DuckDBPyConnection, seen: Sequence[Seen]) -> None:
    con.execute("delete from raw.objects")
    if seen:
        warehouse.append(con, "raw.objects", pl.DataFrame([dataclasses.asdict(s) for s in seen]))


def _require_clock(con: duckdb.DuckDBPyConnection, now: dt.datetime) -> None:
    """A clock set back would set aside as future what was read before; an hour is summer's end."""
    (last,) = warehouse.one_row(con, "select max(loaded_at) from raw.contents")
    if last is not None and now < last - dt.timedelta(days=1):
        raise UserError(
            f"the clock of this machine: found {now:%Y-%m-%d %H:%M}; accepted: no earlier than the "
            f"last load, {last:%Y-%m-%d %H:%M}"
        )


def _by_path(item: tuple[ContentKey, LakeFile]) -> tuple[str, str]:
    return item[1].table, item[1].path


def _known_contents(con: duckdb.DuckDBPyConnection, key: str) -> dict[ContentKey, list[int]]:
    rows = con.execute(
        """select folder, sha256, list(content_id) from raw.contents where parse_key = ?
        group by folder, sha256""",
        [key],
    ).fetchall()
    return {(folder, sha): content_ids for folder, sha, content_ids in rows}


def _forget(
    con: duckdb.DuckDBPyConnection,
    known: dict[ContentKey, list[int]],
    wanted: dict[ContentKey, LakeFile],
) -> None:
    """Drop contents that no file holds any more, or that must be read again."""
    kept = [no for key, content_ids in known.items() if key in wanted for no in content_ids]
    kept += [n for (n,) in con.execute(f"{_DERIVED_IDS} '{DERIVED}'").fetchall()]
    kept_ids = pl.DataFrame({"content_id": pl.Series(kept, dtype=pl.Int64)})
    warehouse.put(con, "run.kept", kept_ids)
    for table in TABLES:
        gone = f"from raw.{table} where content_id not in (select content_id from run.kept)"
        con.execute(f"insert into raw.units_lost select distinct unit_no {gone}")
        con.execute(f"delete {gone}")
    con.execute(
        "delete from raw.contents where content_id not in (select content_id from run.kept)"
    )
    con.execute("drop table run.kept")


def _read_ahead(
    lake: Lake, files: list[LakeFile], settings: Settings
) -> Generator[tuple[LakeFile, list[Content]]]:
    """Every file with what it holds, in order; the next ones are read while one is put away."""
    with ThreadPoolExecutor(READERS) as readers:
        reading: deque[Future[list[Content]]] = deque()
        try:
            for i, file in enumerate(files):
                for ahead in files[i + len(reading) : i + READERS + 1]:
                    reading.append(readers.submit(_contents, lake, ahead, settings))
                yield file, reading.popleft().result()
        finally:
            readers.shutdown(cancel_futures=True)


def _contents(lake: Lake, file: LakeFile, settings: Settings) -> list[Content]:
    """What a file holds, and what is not known of it for its kind."""
    try:
        content = lake.read(file)
        held = _held(file, content, settings)
    except UnreadableFileError as error:
        return [Content(file.table, None, f"not read: found {error}", None)]
    except OSError as error:
        if may_pass(error):
            raise
        return [Content(file.table, None, f"not read: {error.strerror}", None)]
    told = [STRUCK_OUT_IS_READ] if is_old(content) else []
    return [
        replace(of, notes="; ".join(filter(None, [of.notes, *told])) or None) if of.height else of
        for of in held
    ]


def _held(file: LakeFile, content: bytes, settings: Settings) -> list[Content]:
    """One table in the contract's form, or those that ``[[files]]`` fit."""
    cells = contract_cells(file, content, settings)
    if settings.files and cells is None:
        own = _own_contents(file, content, settings)
        if own or not file.table:
            return own
    cells = cells or read_cells(content, Path(file.path))
    unused = ", ".join(unused_headings(file.table, cells.headings, settings))
    rows = typed_rows(file.table, cells, settings)
    return [Content(file.table, rows, None, unused or None, rows_read=rows.height)]


def contract_cells(file: LakeFile, content: bytes, settings: Settings) -> Cells | None:
    """Cells of a file in a table's folder that has every heading that the table requires.

    Raises
    ------
    UnreadableFileError
        The bytes are not what the file's ending says.
    """
    if not file.table:
        return None
    cells = read_cells(content, Path(file.path))
    dialect = dialect_of(settings, cells)
    sources, _ = column_sources(file.table, cells.headings, settings, dialect)
    columns = columns_of(file.table)
    fits = all(name in sources for name, column in columns.items() if is_required(column))
    return cells if fits else None


def _fits_nothing(grids: Sequence[Grid], settings: Settings) -> str:
    """That no ``[[files]]`` fit, and by which headings the nearest misses."""
    lacks = ", ".join(repr(heading) for heading in what_lacks(grids, settings.files)[:3])
    return (
        f"not read: none of the {len(settings.files)} [[files]] of fleet.toml fits its headings"
        + (f", the nearest for lack of {lacks}" if lacks else "")
        + "; drumline map looks at it"
    )


def _own_contents(file: LakeFile, content: bytes, settings: Settings) -> list[Content]:
    """Every table of an own file that some ``[[files]]`` fit."""
    every = shaped_grids(content, Path(file.path))
    grids = [grid for grid in every if not grid.is_hidden]
    hidden = [Content("", None, HIDDEN, None, g.name) for g in every if g.hidden_table]
    found = [
        (grid, i, table)
        for grid in grids
        for i, table in enumerate(tables_in(grid, settings.files, file.path))
    ]
    if not found and not file.table:
        return [Content("", None, _fits_nothing(grids, settings), None), *hidden]
    held = [
        _own_content(file.path, grid, table, _part_name(grid, i, several=len(found) > 1), settings)
        for grid, i, table in found
    ]
    fitted = {grid.name for grid, _, _ in found}
    left = [
        g for g in grids if found and g.name not in fitted and g.rows.height > 1 and g.width > 1
    ]
    told = [Content("", None, _fits_nothing([g], settings), None, g.name) for g in left]
    return [*held, *told, *(hidden if held else ())]


def _part_name(grid: Grid, index: int, *, several: bool) -> str:
    """The sheet, and which of its tables, where a file has more than one."""
    if not several:
        return ""
    return f"{grid.name}, table {index + 1}".lstrip(", ") if index else grid.name or "table 1"


def _own_content(path: str, grid: Grid, table: Table, part: str, settings: Settings) -> Content:
    if table.recipe.table == "none":
        return Content(
            "", None, "left alone, as fleet.toml says; drumline map says why", None, part
        )
    typed = typed_table(table, settings)
    told = "; ".join([*typed.notes, *_to_come(path, grid, table)])
    return Content(
        typed.table,
        typed.rows,
        None,
        ", ".join(typed.unused) or None,
        part,
        typed.rows_read,
        typed.row_parts,
        told or None,
    )


def _to_come(path: str, grid: Grid, table: Table) -> list[str]:
    """That jobs count though their file or sheet is called as if they were not done, where no
    person has named it in ``[[files]]``."""
    recipe = table.recipe
    if recipe.table != "work" or recipe.files or recipe.sheets:
        return []
    told = jobs_to_come(path, grid.name, next(iter(recipe.columns)))
    return [told] if told else []


def _batches(
    contents: Iterable[tuple[LakeFile, list[Content]]], tell: Callable[[str], None]
) -> Iterator[list[tuple[LakeFile, list[Content]]]]:
    """What files hold, as many files as have enough rows together."""
    batch: list[tuple[LakeFile, list[Content]]] = []
    rows = 0
    for file, held in contents:
        tell(file.path)
        if batch and (rows >= ROWS_AT_ONCE or file.table != batch[0][0].table):
            yield batch
            batch, rows = [], 0
        batch.append((file, held))
        rows += sum(content.height for content in held)
    if batch:
        yield batch


def _put_batch(
    con: duckdb.DuckDBPyConnection,
    batch: list[tuple[LakeFile, list[Content]]],
    key: str,
    now: dt.datetime,
) -> None:
    rows: dict[str, list[pl.DataFrame]] = {}
    for file, held in batch:
        for content in held:
            number = _list_content(con, file, content, key, now)
            if content.rows is not None:
                numbered = content.rows.with_columns(content_id=pl.lit(number))
                rows.setdefault(content.table, []).append(numbered)
    for table, frames in rows.items():
        warehouse.append_rows(con, table, pl.concat(frames))


def _list_content(
    con: duckdb.DuckDBPyConnection, file: LakeFile, content: Content, key: str, now: dt.datetime
) -> int:
    """List a content; returns the number that its rows go by."""
    (content_id,) = warehouse.one_row(
        con, "select coalesce(max(content_id), 0) + 1 from raw.contents"
    )
    listed = {
        "content_id": content_id,
        "table_name": content.table,
        "sha256": file.sha256,
        "rows_read": content.rows_read,
        "problem": content.problem,
        "unused_headings": content.unused,
        "parse_key": key,
        "loaded_on": now.date(),
        "loaded_at": now,
        "folder": file.table,
        "part": content.part,
        "row_parts": content.row_parts,
        "parts_read": content.height,
        "last_on": content.last_on(now.date()),
        "dated_at": file.dated_at,
        "notes": content.notes,
    }
    marks = ", ".join("?" for _ in listed)
    names = ", ".join(listed)
    con.execute(f"insert into raw.contents ({names}) values ({marks})", list(listed.values()))
    return int(content_id)


def _record_files(con: duckdb.DuckDBPyConnection, files: list[LakeFile], now: dt.datetime) -> None:
    """Which file holds which content; the first path of a content stands for it."""
    listed = pl.DataFrame(
        [(f.path, f.table, f.sha256, f.problem) for f in files],
        schema={
            "path": pl.String,
            "table_name": pl.String,
            "sha256": pl.String,
            "problem": pl.String,
        },
        orient="row",
    )
    warehouse.put(con, "run.listed", listed)
    con.execute(
        """create or replace table run.files as
        with found as (
            select l.path || case when c.part <> '' then ' [' || c.part || ']' else '' end as path,
                coalesce(c.table_name, l.table_name) as table_name, l.sha256, c.content_id,
                l.problem
            from run.listed l
            left join raw.contents c on c.folder = l.table_name and c.sha256 = l.sha256
        )
        select n.path, n.table_name, n.sha256, n.content_id,
            coalesce(f.loaded_at, ?) as loaded_at, n.problem
        from found n
        left join raw.files f on f.path = n.path and f.sha256 = n.sha256""",
        [now],
    )
    con.execute("delete from raw.files")
    con.execute("insert into raw.files by name select * from run.files")
    con.execute(
        """update raw.contents set rank_no = r.rank_no from (
            select content_id, row_number() over (order by min(path)) as rank_no
            from raw.files where content_id is not null group by content_id
        ) r where r.content_id = contents.content_id"""
    )
    # Newer is what tells of later days; of two that end on one day, what was written days later.
    con.execute(
        """update raw.contents set age_no = r.age_no from (
            select content_id, dense_rank() over (order by last_on, left(dated_at, 10)) as age_no
            from raw.contents where last_on is not null
        ) r where r.content_id = contents.content_id"""
    )
