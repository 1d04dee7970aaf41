"""Work done beside the run: in a second process, over copies of the tables it reads.

The models work on arrays too small for threads to help. Small fleets are done before a second
process has started, and copies of a large fleet's tables would cost more than they save: both are
worked on in place.
"""

import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from pipeline import warehouse

Work = Callable[..., Any]
LEAST_ROWS, MOST_ROWS = 20_000, 2_000_000


@dataclass(frozen=True, slots=True)
class Aside:
    """Where work can be sent; ``pool`` is None where it is done at once, in place."""

    pool: ProcessPoolExecutor | None = None

    def ask(
        self, con: duckdb.DuckDBPyConnection, tables: Sequence[str], work: Work, *given: object
    ) -> Future[Any]:
        """Call ``work(con, *given)``, later and elsewhere; its con holds ``tables`` and no more."""
        if self.pool is not None:
            copies = {table: warehouse.fetch(con, f"from {table}") for table in tables}
            return self.pool.submit(_over, copies, work, given)
        done: Future[Any] = Future()
        done.set_result(work(con, *given))
        return done


IN_PLACE = Aside()


@contextmanager
def second_process(rows: int) -> Iterator[Aside]:
    """A place for work beside a run over so many rows of records."""
    if not LEAST_ROWS <= rows <= MOST_ROWS or (os.cpu_count() or 1) < 2:
        yield IN_PLACE
        return
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, spawn, _end_with_parent, (os.getpid(),)) as pool:
        pool.submit(_ready)  # it starts while the run goes on
        try:
            yield Aside(pool)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _ready() -> None:
    """Nothing: importing this module was the work."""


def _end_with_parent(parent: int) -> None:
    """A run that was killed leaves nobody behind."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _over(copies: dict[str, pl.DataFrame], work: Work, given: Sequence[object]) -> object:
    with warehouse.in_memory() as con:
        for table, frame in copies.items():
            warehouse.put(con, table, frame)
        return work(con, *given)
