"""A run that may hold a tenth of the memory its tables want: the rest spills, nothing differs."""

import datetime as dt
import threading
from pathlib import Path

import duckdb
import pytest

from pipeline import run as runs
from pipeline.out.holding import opened
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.memory import LEAST_ROWS, memory_for_tables, rows_at_once
from sample_lake.__main__ import main as draw

NOW = dt.datetime(2026, 12, 1)


def with_memory(settings: Settings, gb: float | None) -> Settings:
    engine = settings.engine.model_copy(update={"memory_gb": gb})
    return settings.model_copy(update={"engine": engine})


class Watch(threading.Thread):
    """Most bytes of tables in memory, and on disk because they found no room there."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        super().__init__()
        self.con, self.ended = con.cursor(), threading.Event()
        self.held, self.spilled = 0, 0

    def run(self) -> None:
        sizes = "sum(memory_usage_bytes), sum(temporary_storage_bytes)"
        while not self.ended.wait(0.05):
            held, spilled = warehouse.one_row(self.con, f"select {sizes} from duckdb_memory()")
            self.held, self.spilled = max(self.held, held), max(self.spilled, spilled)


def staged(lake: Path, out: Path, memory_gb: float | None) -> tuple[Watch, dict[str, object]]:
    """What loading, judging, staging and counting took, and a checksum of every table it left."""
    settings = with_memory(runs.settings_of(lake), memory_gb)
    with opened(out, lambda _: None) as con:
        watch = Watch(con)
        watch.start()
        try:
            run = runs.Run(con, lake, out, settings, NOW)
            runs.load(run)
            runs.judge(run)
            runs.reduce(run)
        finally:
            watch.ended.set()
            watch.join()
        tables = con.sql(
            """select schema_name || '.' || table_name from duckdb_tables()
            where schema_name in ('stage', 'reduce', 'mart') and not temporary"""
        ).fetchall()
        told = {
            name: con.sql(f"select count(*), bit_xor(hash(t)) from {name} t").fetchall()
            for (name,) in tables
        }
    return watch, told


@pytest.mark.proof
def test_a_tenth_of_the_memory_it_wants_changes_nothing(tmp_path):
    drawn = ["--wheel-ends", "45000", "--years", "3", "--greasings-recorded", "0"]
    draw([str(tmp_path / "drawn"), *drawn, "--format", "parquet"])
    lake = tmp_path / "drawn" / "lake"
    free, wanted = staged(lake, tmp_path / "free", None)
    bound, found = staged(lake, tmp_path / "bound", free.held / 10 / 1e9)
    assert free.spilled == 0
    assert bound.spilled > 0
    assert bound.held <= 1.05 * free.held / 10
    assert len(found) > 20
    assert found == wanted


def test_rows_staged_together_follow_the_memory():
    plain = runs.settings_of(Path("sample_lake/lake"))
    small = with_memory(plain, 0.5)
    assert memory_for_tables(small) == 0.5e9
    assert rows_at_once(small, 2_000_000) == 200_000
    assert rows_at_once(small, 100_000) == 100_000
    assert rows_at_once(with_memory(plain, 0.001), 10**6) == LEAST_ROWS
