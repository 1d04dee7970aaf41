"""Work done beside the run: in a second process, over copies of the tables it reads.

The models work on arrays too small for threads to help. Small fleets are done before a second
process has started, and copies of a large fleet's tables would cost more than they save: both are
worked on in place.
"""

import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Protocol

import duckdb
import polars as pl

from pipeline.warehouse import warehouse

Work = Callable[..., Any]
# Of a lake's files: about a hundred wheel ends, and some hundred million readings.
LEAST_BYTES, MOST_BYTES = 400_000, 5_000_000_000


class Future(Protocol):
    """What work that was asked for will have yielded."""

    def result(self) -> Any:
        """Wait for it; an error of the work is raised here."""


@dataclass(frozen=True, slots=True)
class _Deferred:
    """Work in place, put off until its result is wanted."""

    work: Work
    given: tuple[object, ...]

    def result(self) -> Any:
        return self.work(*self.given)


@dataclass(frozen=True, slots=True)
class Worker:
    """Where work can be sent; ``pool`` is None where it is done in place, when it is wanted."""

    pool: ProcessPoolExecutor | None = None

    def submit(self, work: Work, *given: object) -> Future:
        """Ask for ``work(*given)``."""
        return self.pool.submit(work, *given) if self.pool else _Deferred(work, given)

    def submit_over(
        self, con: duckdb.DuckDBPyConnection, tables: Mapping[str, str], work: Work, *given: object
    ) -> Future:
        """Ask for ``work(con, *given)``; elsewhere its con holds ``tables`` and no more.

        ``tables``: each with the query that yields what is wanted of it.
        """
        if self.pool is None:
            return _Deferred(work, (con, *given))
        copies = {table: warehouse.fetch(con, query) for table, query in tables.items()}
        return self.pool.submit(_over, copies, work, given)

    def stream_over(
        self,
        con: duckdb.DuckDBPyConnection,
        tables: Mapping[str, str],
        work: Callable[..., Iterator[Any]],
        *given: object,
        most: int,
    ) -> Iterator[Any]:
        """Ask for what ``work(con, *given)`` yields, each as soon as it is there: ``most`` items or
        fewer, none of them None."""
        if self.pool is None:
            return work(con, *given)
        copies = {table: warehouse.fetch(con, query) for table, query in tables.items()}
        begun = self.pool.submit(_begin, copies, work, given)
        return _as_they_come(begun, [self.pool.submit(_next_item) for _ in range(most + 1)])


IN_PLACE = Worker()


def whole(tables: Iterable[str]) -> dict[str, str]:
    """Tables as they are, for :meth:`Worker.submit_over`."""
    return {table: f"from {table}" for table in tables}


@contextmanager
def second_process(size: int) -> Iterator[Worker]:
    """A place for work beside a run over so many bytes of records."""
    if not LEAST_BYTES <= size <= MOST_BYTES or (os.cpu_count() or 1) < 2:
        yield IN_PLACE
        return
    spawn = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, spawn, _end_with_parent, (os.getpid(),)) as pool:
        pool.submit(_ready)  # it starts while the run goes on
        try:
            yield Worker(pool)
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
    with _database(copies) as con:
        return work(con, *given)


@contextmanager
def _database(copies: Mapping[str, pl.DataFrame]) -> Iterator[duckdb.DuckDBPyConnection]:
    with warehouse.in_memory() as con:
        con.execute("set threads = 1")  # the other cores are the run's own
        for table, frame in copies.items():
            warehouse.put(con, table, frame)
        yield con


# What the second process has begun to yield, while it is at it.
_yielding: list[Iterator[Any]] = []


def _begin(copies: dict[str, pl.DataFrame], work: Work, given: Sequence[object]) -> None:
    def items() -> Iterator[Any]:
        with _database(copies) as con:
            yield from work(con, *given)

    _yielding.append(items())


def _next_item() -> object:
    """The next one of what was begun, or None where there is no more."""
    found = next(_yielding[-1], None) if _yielding else None
    if found is None:
        _yielding.clear()
    return found


def _as_they_come(begun: Future, items: Sequence[Future]) -> Iterator[Any]:
    begun.result()
    for item in items:
        found = item.result()
        if found is None:
            return
        yield found
