"""Work done beside the run: in a second process, over copies of the tables it reads.

A run that has to wait for it does meanwhile what the second process has not begun. The models work
on arrays too small for threads to help. Small fleets are done before a second process has started,
and copies of a large fleet's tables would cost more than they save: both are worked on in place.
"""

import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent import futures
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
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


@dataclass(slots=True)
class _Either:
    """Work that is begun by whichever process is free first; ``here``: where it was this one."""

    there: futures.Future[Any]
    work: Work
    given: tuple[object, ...]
    here: futures.Future[Any] | None = None

    def begun_here(self) -> bool:
        """Whether this process has done it now; errors are for those who want the result."""
        if self.here is not None or not self.there.cancel():
            return False
        self.here = futures.Future()
        try:
            self.here.set_result(self.work(*self.given))
        except Exception as error:
            self.here.set_exception(error)
        return True


@dataclass(frozen=True, slots=True)
class _Awaited:
    """A result of the second process; ``waiting``: what can be done until it is there."""

    future: _Either | futures.Future[Any]
    waiting: Sequence[_Either]

    def result(self) -> Any:
        wanted = self.future
        if isinstance(wanted, _Either):
            wanted.begun_here()
            wanted = wanted.here or wanted.there
        while not wanted.done():
            if not any(other.begun_here() for other in reversed(self.waiting)):
                break
        return wanted.result()


@dataclass(frozen=True, slots=True)
class Worker:
    """Where work can be sent; ``pool`` is None where it is done in place, when it is wanted."""

    pool: ProcessPoolExecutor | None = None
    waiting: list[_Either] = field(default_factory=list)

    def submit(self, work: Work, *given: object) -> Future:
        """Ask for ``work(*given)``."""
        if self.pool is None:
            return _Deferred(work, given)
        return _Awaited(self.pool.submit(work, *given), self.waiting)

    def submit_to_either(self, work: Work, *given: object) -> Future:
        """The same of work that is as well done here, should this process have to wait."""
        if self.pool is None:
            return _Deferred(work, given)
        return self._of_either(self.pool.submit(work, *given), work, given)

    def submit_over(
        self, con: duckdb.DuckDBPyConnection, tables: Mapping[str, str], work: Work, *given: object
    ) -> Future:
        """Ask either for ``work(con, *given)``; elsewhere its con holds ``tables`` and no more.

        ``tables``: each with the query that yields what is wanted of it; they stay as they are
        until the result is there.
        """
        if self.pool is None:
            return _Deferred(work, (con, *given))
        there = self.pool.submit(_over, _copies(con, tables), work, given)
        return self._of_either(there, work, (con, *given))

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
        begun = self.submit(_begin, _copies(con, tables), work, given)
        return _as_they_come(begun, [self.submit(_next_item) for _ in range(most + 1)])

    def while_waiting(self, work: Work, *given: object) -> None:
        """Do ``work(*given)`` should this process have to wait for the other."""
        self.waiting.append(_Either(futures.Future(), work, given))

    def _of_either(
        self, there: futures.Future[Any], work: Work, given: tuple[object, ...]
    ) -> _Awaited:
        either = _Either(there, work, given)
        self.waiting.append(either)
        return _Awaited(either, self.waiting)


def _copies(con: duckdb.DuckDBPyConnection, tables: Mapping[str, str]) -> dict[str, pl.DataFrame]:
    return {table: warehouse.fetch(con, query) for table, query in tables.items()}


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
