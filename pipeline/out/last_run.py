"""The last finished run under OUT, a folder or an address, to read from."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from pipeline.errors import UserError
from pipeline.lake.object_store import store
from pipeline.places import Place
from pipeline.warehouse import warehouse


def has_run(out: Place) -> bool:
    """Whether there is a warehouse to take sheets from."""
    if isinstance(out, Path):
        return (out / warehouse.DATABASE).exists()
    return store().version(out / warehouse.DATABASE) is not None


@contextmanager
def last_run(out: Place) -> Iterator[duckdb.DuckDBPyConnection]:
    """Its warehouse, open for reading.

    Raises
    ------
    UserError
        There is none, or it is not of this version.
    """
    told_as = out / warehouse.DATABASE
    if not has_run(out):
        raise UserError(f"{out}: no run yet; accepted: what drumline run LAKE --out {out} left")
    with _local(out) as folder:
        path = str(folder / warehouse.DATABASE)
        try:
            con = duckdb.connect(path, read_only=True)
        except duckdb.Error as error:
            line = str(error).splitlines()[0].replace(path, str(told_as))
            raise UserError(f"{told_as}: cannot be opened: {line}") from None
        with con:
            try:
                yield con
            except (duckdb.CatalogException, duckdb.BinderException):
                line = "no finished run of this version; run drumline run"
                raise UserError(f"{told_as}: {line}") from None


@contextmanager
def _local(out: Place) -> Iterator[Path]:
    """A folder of this machine with the last run's warehouse."""
    if isinstance(out, Path):
        yield out
        return
    from pipeline.out.outputs import copy_of_warehouse  # with it come the page and its library

    with tempfile.TemporaryDirectory(prefix="drumline-") as name:
        copy_of_warehouse(store(), out, Path(name))
        yield Path(name)
