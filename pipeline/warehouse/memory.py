"""How much memory tables may take, and how many rows are staged together in it."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import duckdb

from pipeline.settings import Settings

MOST_MEMORY, MEMORY_SHARE = 4e9, 0.4
BYTES_A_ROW = 2_500.0
"""Of an inspection or job while it is staged: measured at 1,100 (10,000 wheel ends), and room."""
LEAST_ROWS = 5_000
SHARE_ASIDE = 0.25
"""Of the memory for tables, while models are fitted to what was read of them, and marts filled."""


def memory_for_tables(settings: Settings | None = None) -> float:
    """Bytes the warehouse may hold in memory; what does not fit spills beside its file.

    Unless the settings say, a part of the machine's, so that the models have theirs, and no more
    than helps.
    """
    if settings is not None and settings.engine.memory_gb is not None:
        return settings.engine.memory_gb * 1e9
    machine = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    return min(MOST_MEMORY, machine * MEMORY_SHARE)


def bound_memory(con: duckdb.DuckDBPyConnection, settings: Settings | None = None) -> None:
    """Hold tables to their memory."""
    _hold_to(con, memory_for_tables(settings))


def _hold_to(con: duckdb.DuckDBPyConnection, size: float) -> None:
    con.execute(f"set memory_limit = '{size:.0f}B'")


@contextmanager
def tables_aside(con: duckdb.DuckDBPyConnection, settings: Settings) -> Iterator[None]:
    """Tables give way to models, which need memory when the most has been read: those that are
    wanted again are read from disk again."""
    with suppress(duckdb.OutOfMemoryException):  # they hold more than can be put aside
        _hold_to(con, memory_for_tables(settings) * SHARE_ASIDE)
    try:
        yield
    finally:
        bound_memory(con, settings)


def rows_at_once(settings: Settings, most: int) -> int:
    """Rows that are staged together: no more than memory has room for, or ``most``."""
    room = int(memory_for_tables(settings) / BYTES_A_ROW)
    return min(most, max(room, LEAST_ROWS))
