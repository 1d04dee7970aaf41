"""OUT, a folder or an address, for one run: where it works, and what becomes of it at the end.

Under an address the run works in a folder of this machine, on a copy of the warehouse. At the end
the warehouse is put over the version that was copied, in one write that the store refuses if there
is another by now; then the month's files follow. A run that fails or is killed before has changed
nothing.
"""

import tempfile
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb

from dashboards.page import month_index
from pipeline.errors import UserError
from pipeline.lake.object_store import ChangedError, Only, Store, store
from pipeline.out.holding import connected, opened
from pipeline.out.store_lock import held
from pipeline.places import Address, Place
from pipeline.publish.provenance import RECORD
from pipeline.publish.publishing import PUBLISHED, months
from pipeline.warehouse.warehouse import DATABASE

PAGE = "index.html"
AT_ONCE = 8


@dataclass(frozen=True, slots=True)
class Out:
    """The warehouse to work on, and the folder to publish into."""

    con: duckdb.DuckDBPyConnection
    folder: Path


@contextmanager
def opened_out(out: Place, tell: Callable[[str], None] = lambda _: None) -> Iterator[Out]:
    """OUT for this run alone; what it holds changes only if the block ends without error.

    Raises
    ------
    UserError
        OUT cannot be written, another run holds it, or its warehouse is not one of ours.
    """
    if isinstance(out, Path):
        with opened(out, tell) as con:
            yield Out(con, out)
        return
    objects = store()
    with held(objects, out, tell) as lock, tempfile.TemporaryDirectory(prefix="drumline-") as name:
        folder = Path(name)
        copied = copy_of_warehouse(objects, out, folder)
        with connected(folder / DATABASE, out / DATABASE) as con:
            yield Out(con, folder)
            con.execute("checkpoint")
        lock.require()
        tell(f"Write to {out}")
        _put_warehouse(objects, out, folder / DATABASE, copied)
        try:
            put_published(objects, out / PUBLISHED, folder / PUBLISHED)
        except KeyboardInterrupt:
            line = "stopped before all of the month was in place: run again"
            raise UserError(f"{out}: {line}") from None


def copy_of_warehouse(objects: Store, out: Address, folder: Path) -> Only:
    """Bring the warehouse into a folder, where there is one; returns which version it is."""
    found = objects.version(out / DATABASE)
    if found is None:
        return Only(None)
    try:
        objects.download(found, folder / DATABASE)
    except ChangedError:
        raise UserError(f"{out / DATABASE}: it was replaced while it was being read") from None
    return Only(found.etag)


def _put_warehouse(objects: Store, out: Address, finished: Path, copied: Only) -> None:
    try:
        objects.put_file(out / DATABASE, finished, copied)
    except ChangedError:
        raise UserError(
            f"{out / DATABASE}: another program replaced it since this run began; nothing of this "
            "run was written: run again"
        ) from None


def put_published(objects: Store, published: Address, folder: Path) -> None:
    """Put the months of a folder beside those that are published.

    The record goes first and the page last: as long as files of two runs stand side by side, the
    page is not the one of the record.
    """
    made = months(folder) if folder.exists() else []
    for month in made:
        _put_month(objects, published / month, folder / month)
    if made:
        objects.put(published / PAGE, month_index(_months_there(objects, published)).encode())
    for month in made:
        _remove_others(objects, published / month, folder / month)


def _months_there(objects: Store, published: Address) -> list[str]:
    """Months that have a page."""
    below = (found.address.key.removeprefix(published.below) for found in objects.listed(published))
    return sorted(name.removesuffix(f"/{PAGE}") for name in below if name.endswith(f"/{PAGE}"))


def _put_month(objects: Store, month: Address, folder: Path) -> None:
    names = _names(folder)
    objects.put_file(month / RECORD, folder / RECORD)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        others = names - {RECORD, PAGE}
        list(pool.map(lambda name: objects.put_file(month / name, folder / name), sorted(others)))
    objects.put_file(month / PAGE, folder / PAGE)


def _remove_others(objects: Store, month: Address, folder: Path) -> None:
    """What an earlier run of the month left, and this one did not make again."""
    names = _names(folder)
    for found in objects.listed(month):
        if found.address.key.removeprefix(month.below) not in names:
            objects.remove(found.address)


def _names(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
