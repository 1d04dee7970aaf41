"""OUT, held by one run at a time, which works on a copy of the warehouse.

DuckDB lets nobody read a file that another process writes. So a run writes a copy under
``OUT/.work/`` and renames it over ``OUT/drumline.duckdb`` when every stage is done: readers come
and go as they like, and see the last finished run until there is another. A run that fails or is
killed changes nothing. It costs the disk space of a second warehouse, and the time to copy it once
(none where the file system can share blocks).
"""

import datetime as dt
import fcntl
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import duckdb

from pipeline.errors import UserError
from pipeline.places import Place
from pipeline.warehouse.memory import bound_memory
from pipeline.warehouse.warehouse import DATABASE, prepare

LOCK, WORK = ".lock", ".work"
FICLONE = 0x40049409  # <linux/fs.h>: the copy shares its blocks with the original


@contextmanager
def opened(
    out: Path, tell: Callable[[str], None] = lambda _: None
) -> Iterator[duckdb.DuckDBPyConnection]:
    """The warehouse under ``out``, for this run alone; kept only if the block ends without error.

    Raises
    ------
    UserError
        ``out`` cannot be written, another run holds it, or its warehouse is not one of ours.
    """
    with _held(out, tell):
        work = out / WORK
        shutil.rmtree(work, ignore_errors=True)
        try:
            work.mkdir()
            _copy(out / DATABASE, work / DATABASE)
            with connected(work / DATABASE, out / DATABASE) as con:
                yield con
                con.execute("checkpoint")
            _put_in_place(work / DATABASE, out / DATABASE)
        finally:
            shutil.rmtree(work, ignore_errors=True)


@contextmanager
def _held(out: Path, tell: Callable[[str], None]) -> Iterator[None]:
    try:
        out.mkdir(parents=True, exist_ok=True)
        lock = (out / LOCK).open("a+b")
    except OSError as error:
        raise UserError(f"{out}: cannot be written: {error.strerror}") from None
    with lock:
        try:
            # The system lets go of it when the process ends, however it ends.
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise UserError(f"{out}: another run is at work there: {_holder(lock)}") from None
        left = _holder(lock)
        if left:
            tell(f"An earlier run was stopped before its end ({left}); what it began is made again")
        _sign(lock, f"process {os.getpid()}")
        try:
            yield
        except UserError:
            _sign(lock, "")  # it was told why and has ended; nothing was stopped
            raise
        _sign(lock, "")


def _holder(lock: BinaryIO) -> str:
    """Who signed the lock and when; empty where nobody is in."""
    who = os.pread(lock.fileno(), 200, 0).decode(errors="replace").strip()
    since = dt.datetime.fromtimestamp(os.fstat(lock.fileno()).st_mtime)
    return f"{who}, since {since:%Y-%m-%d %H:%M:%S}" if who else ""


def _sign(lock: BinaryIO, who: str) -> None:
    os.ftruncate(lock.fileno(), 0)
    os.pwrite(lock.fileno(), who.encode(), 0)


def _copy(published: Path, working: Path) -> None:
    """The published warehouse, and what an older version's run may not yet have put into it."""
    if published.is_symlink() or (published.exists() and not published.is_file()):
        raise UserError(f"{published}: found a link or a device; accepted: a file")
    for source in (published, _log(published)):
        if source.exists():
            _copy_file(source, working.with_name(source.name))


def _copy_file(source: Path, target: Path) -> None:
    with source.open("rb") as read, target.open("wb") as write:
        try:
            # DuckDB's own lock: refused while somebody has the file open for writing.
            fcntl.lockf(read, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            raise UserError(
                f"{source}: another program has it open for writing; accepted: read_only"
            ) from None
        try:
            fcntl.ioctl(write, FICLONE, read.fileno())
        except OSError:
            shutil.copyfileobj(read, write, 1 << 24)


def _log(database: Path) -> Path:
    return database.with_name(f"{database.name}.wal")


@contextmanager
def connected(path: Path, told_as: Place) -> Iterator[duckdb.DuckDBPyConnection]:
    """A warehouse file, open for writing, and told by another name than its own.

    Raises
    ------
    UserError
        It is not one of ours.
    """
    try:
        con = duckdb.connect(str(path))
    except duckdb.Error as error:
        line = str(error).splitlines()[0].replace(str(path), str(told_as))
        raise UserError(f"{told_as}: cannot be opened: {line}") from None
    try:
        bound_memory(con)
        # A working copy needs no log to recover from: one checkpoint at the end.
        con.execute("set wal_autocheckpoint = '1TB'")
        prepare(con)
        yield con
    finally:
        con.close()


def _put_in_place(finished: Path, published: Path) -> None:
    _log(published).unlink(missing_ok=True)
    finished.replace(published)
