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
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from pipeline.contract import TABLES
from pipeline.errors import UnreadableFileError, UserError
from pipeline.lake.cells import typed_rows, unused_headings
from pipeline.lake.files import read_cells
from pipeline.lake.lake import Lake, LakeFile, Seen, may_pass, opened_lake
from pipeline.places import Place
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

# Raised when cells are read differently than before, so that old contents are read again.
READER_VERSION = 4

# Files read at a time.
READERS = 2
# Rows of a table that are put away together: many small files then cost little more than one.
ROWS_AT_ONCE = 500_000
# A content's table and digest.
ContentKey = tuple[str, str | None]


def parse_key(settings: Settings) -> str:
    """A digest of every setting that shapes how a cell is read."""
    shaping = {
        "version": READER_VERSION,
        "day_first": settings.fleet.day_first,
        "decimal_comma": settings.fleet.decimal_comma,
        "units": settings.units.model_dump(),
        "columns": settings.columns,
    }
    return hashlib.sha256(json.dumps(shaping, sort_keys=True).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Content:
    """Typed rows, or why there are none; and headings that nothing reads."""

    rows: pl.DataFrame | None
    problem: str | None
    unused: str | None

    @property
    def height(self) -> int:
        return 0 if self.rows is None else self.rows.height


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
        return _load_files(con, lake, lake.files(), settings, now, tell)


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


def _known_contents(con: duckdb.DuckDBPyConnection, key: str) -> dict[ContentKey, int]:
    rows = con.execute(
        "select table_name, sha256, content_id from raw.contents where parse_key = ?", [key]
    ).fetchall()
    return {(table, sha): content_id for table, sha, content_id in rows}


def _forget(
    con: duckdb.DuckDBPyConnection,
    known: dict[ContentKey, int],
    wanted: dict[ContentKey, LakeFile],
) -> None:
    """Drop contents that no file holds any more, or that must be read again."""
    kept = [content_id for key, content_id in known.items() if key in wanted]
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
) -> Generator[tuple[LakeFile, Content]]:
    """Every file with its content, in order; the next ones are read while one is put away."""
    with ThreadPoolExecutor(READERS) as readers:
        reading: deque[Future[Content]] = deque()
        try:
            for i, file in enumerate(files):
                for ahead in files[i + len(reading) : i + READERS + 1]:
                    reading.append(readers.submit(_content, lake, ahead, settings))
                yield file, reading.popleft().result()
        finally:
            readers.shutdown(cancel_futures=True)


def _content(lake: Lake, file: LakeFile, settings: Settings) -> Content:
    try:
        cells = read_cells(lake.read(file), Path(file.path))
    except UnreadableFileError as error:
        return Content(None, f"not read: found {error}", None)
    except OSError as error:
        if may_pass(error):
            raise
        return Content(None, f"not read: {error.strerror}", None)
    unused = ", ".join(unused_headings(file.table, cells.headings, settings))
    return Content(typed_rows(file.table, cells, settings), None, unused or None)


def _batches(
    contents: Iterable[tuple[LakeFile, Content]], tell: Callable[[str], None]
) -> Iterator[list[tuple[LakeFile, Content]]]:
    """Contents of one table, as many as have enough rows together."""
    batch: list[tuple[LakeFile, Content]] = []
    rows = 0
    for file, content in contents:
        tell(file.path)
        if batch and (rows >= ROWS_AT_ONCE or file.table != batch[0][0].table):
            yield batch
            batch, rows = [], 0
        batch.append((file, content))
        rows += content.height
    if batch:
        yield batch


def _put_batch(
    con: duckdb.DuckDBPyConnection,
    batch: list[tuple[LakeFile, Content]],
    key: str,
    now: dt.datetime,
) -> None:
    numbered = [(_list_content(con, file, content, key, now), content) for file, content in batch]
    rows = [c.rows.with_columns(content_id=pl.lit(n)) for n, c in numbered if c.rows is not None]
    if rows:
        warehouse.append_rows(con, batch[0][0].table, pl.concat(rows))


def _list_content(
    con: duckdb.DuckDBPyConnection, file: LakeFile, content: Content, key: str, now: dt.datetime
) -> int:
    """List a content; returns the number that its rows go by."""
    (content_id,) = warehouse.one_row(
        con, "select coalesce(max(content_id), 0) + 1 from raw.contents"
    )
    con.execute(
        "insert into raw.contents values (?, ?, ?, ?, ?, ?, ?, ?, ?, null)",
        [
            content_id,
            file.table,
            file.sha256,
            content.height,
            content.problem,
            content.unused,
            key,
            now.date(),
            now,
        ],
    )
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
        select l.path, l.table_name, l.sha256, c.content_id,
            coalesce(f.loaded_at, ?) as loaded_at, l.problem
        from run.listed l
        left join raw.contents c on c.table_name = l.table_name and c.sha256 = l.sha256
        left join raw.files f on f.path = l.path and f.sha256 = l.sha256""",
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
