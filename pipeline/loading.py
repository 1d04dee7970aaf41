"""The lake's files → ``raw`` tables: what is new is read, what is gone is taken out.

A file is known by its content, so a renamed or copied file is not read again, and the same content
under two names counts once. A content is read anew only when the settings that shape its reading
(headings, units, dates, decimals) have changed.
"""

import datetime as dt
import errno
import hashlib
import json
import os
import stat
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.cells import typed_rows, unused_headings
from pipeline.contract import TABLES
from pipeline.errors import UnreadableFileError, UserError
from pipeline.files import MAX_BYTES, read_cells
from pipeline.settings import Settings

# Raised when cells are read differently than before, so that old contents are read again.
READER_VERSION = 3


# Refusals that may be over when the run is made again. A file that is refused for good, as without
# permission, is named in the load log and stops nothing.
PASSING = {
    *(errno.ENOENT, errno.ESTALE, errno.ENOTCONN, errno.ENODEV, errno.ETIMEDOUT),
    *(errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ENETDOWN, errno.ENETUNREACH),
}

# A content's table and digest.
ContentKey = tuple[str, str | None]


@dataclass(frozen=True, slots=True)
class LakeFile:
    """One file of the lake as it stands on disk now; ``sha256`` is None when it cannot be read."""

    table: str
    path: str
    sha256: str | None
    problem: str | None


def lake_bytes(lake: Path) -> int:
    """Bytes under the lake's table folders, as far as they can be seen."""
    size = 0
    for _, path in lake_paths(lake):
        with suppress(OSError):
            size += path.stat().st_size
    return size


def lake_paths(lake: Path) -> list[tuple[str, Path]]:
    """Table and path of every file under the lake's table folders, by path.

    Raises
    ------
    UserError
        There is no such folder, or none of its table folders has a file.
    """
    if not lake.is_dir():
        found = "a file" if lake.exists() else "nothing"
        raise UserError(f"{lake}: found {found}; accepted: a folder with {', '.join(TABLES)}")
    paths = [
        (table, path)
        for table in TABLES
        for path in sorted((lake / table).rglob("*"))
        if _is_data(lake, path)
    ]
    if not paths:
        raise UserError(f"{lake}: found no files; accepted: files under {', '.join(TABLES)}")
    return paths


def lake_files(lake: Path) -> list[LakeFile]:
    """Every file under the lake's table folders with what it holds; see :func:`lake_paths`."""
    return [_lake_file(lake, table, path) for table, path in lake_paths(lake)]


def _is_data(lake: Path, path: Path) -> bool:
    """Not a folder, a hidden file or an office program's lock file."""
    parts = path.relative_to(lake).parts
    is_folder = path.is_dir() and not path.is_symlink()
    return not is_folder and not any(part.startswith((".", "~$")) for part in parts)


def _lake_file(lake: Path, table: str, path: Path) -> LakeFile:
    name = path.relative_to(lake).as_posix()
    try:
        with _opened(lake, path) as content:
            return LakeFile(table, name, hashlib.file_digest(content, "sha256").hexdigest(), None)
    except UnreadableFileError as error:
        return LakeFile(table, name, None, f"not read: {error}")
    except OSError as error:
        return LakeFile(table, name, None, f"not read: {_refusal(error, name)}")


def _opened(lake: Path, path: Path) -> BufferedReader:
    """A file of the lake, open for reading.

    Where a link leads is looked up from what was opened, so that nobody can exchange it in between.

    Raises
    ------
    UnreadableFileError
        What stands there is no file, is too large, or does not stand in the lake.
    """
    if path.is_symlink() and not path.exists():
        raise UnreadableFileError("a link that leads nowhere")
    # A pipe would wait for a writer.
    content = os.fdopen(os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC), "rb")
    real = Path(f"/proc/self/fd/{content.fileno()}")
    inside = (real if real.exists() else path).resolve().is_relative_to(lake.resolve())
    found = os.fstat(content.fileno())
    if inside and stat.S_ISREG(found.st_mode) and found.st_size <= MAX_BYTES:
        return content
    content.close()
    if not inside:
        raise UnreadableFileError("a link that leads out of the lake")
    if stat.S_ISREG(found.st_mode):
        raise UnreadableFileError(f"{found.st_size:,} bytes; accepted: up to {MAX_BYTES:,} a file")
    raise UnreadableFileError("a link to a folder" if path.is_dir() else "no file")


def _refusal(error: OSError, name: str) -> str:
    """Why a file cannot be read for good; raises what may pass."""
    if error.errno in PASSING:
        again = f"{error.strerror}; it was there when the run began: run again"
        raise OSError(error.errno, again, name) from None
    return error.strerror or type(error).__name__


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


def load(
    con: duckdb.DuckDBPyConnection,
    lake: Path,
    settings: Settings,
    now: dt.datetime,
    tell: Callable[[str], None] = lambda _: None,
) -> int:
    """Bring ``raw`` in line with the lake, in one transaction; returns the contents read."""
    _require_clock(con, now)
    files = lake_files(lake)
    readable = [f for f in files if f.sha256 is not None]
    key = parse_key(settings)
    with warehouse.transaction(con):
        known = _known_contents(con, key)
        wanted: dict[ContentKey, LakeFile] = {(f.table, f.sha256): f for f in reversed(readable)}
        _forget(con, known, wanted)
        new = [f for key_, f in sorted(wanted.items(), key=_by_path) if key_ not in known]
        for file in new:
            tell(file.path)
            _load_content(con, lake, file, settings, key, now)
        _record_files(con, files, now)
    return len(new)


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


def _load_content(
    con: duckdb.DuckDBPyConnection,
    lake: Path,
    file: LakeFile,
    settings: Settings,
    key: str,
    now: dt.datetime,
) -> None:
    (content_id,) = warehouse.one_row(
        con, "select coalesce(max(content_id), 0) + 1 from raw.contents"
    )
    rows, problem, unused = _rows_of(lake, file, settings)
    if rows is not None:
        warehouse.append_rows(con, file.table, rows.with_columns(content_id=pl.lit(content_id)))
    con.execute(
        "insert into raw.contents values (?, ?, ?, ?, ?, ?, ?, ?, ?, null)",
        [
            content_id,
            file.table,
            file.sha256,
            0 if rows is None else rows.height,
            problem,
            unused,
            key,
            now.date(),
            now,
        ],
    )


def _rows_of(
    lake: Path, file: LakeFile, settings: Settings
) -> tuple[pl.DataFrame | None, str | None, str | None]:
    """(typed rows, why there are none, headings that nothing reads)."""
    path = lake / file.path
    try:
        with _opened(lake, path) as opened:
            content = opened.read()
        if hashlib.sha256(content).hexdigest() != file.sha256:
            changed = "it changed while it was being read: run again when nobody writes to it"
            raise OSError(errno.EAGAIN, changed, file.path)
        cells = read_cells(content, path)
    except UnreadableFileError as error:
        return None, f"not read: found {error}", None
    except OSError as error:
        if error.errno == errno.EAGAIN:
            raise
        return None, f"not read: {_refusal(error, file.path)}", None
    unused = unused_headings(file.table, cells.headings, settings)
    return typed_rows(file.table, cells, settings), None, ", ".join(unused) or None


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
