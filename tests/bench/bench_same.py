"""Whether a large fleet's whole run says the same however it is run: every mart, row by row.

``python -m tests.bench.bench_same [WHEEL_ENDS …] [--years 5] [--months 2] [--lake FOLDER]`` draws a
lake of so many wheel ends with the sample simulator and runs it, each in a process of its own, from
nothing; with its newest months held back and added one after the other; on one core; and staged in
parts a seventh as large. Prints, for each, every mart with rows that one run has and the other has
not, and asserts nothing. What says when a run was made and which files it read anew is not held
against the other: dates of loading.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb

from pipeline import run as runs
from pipeline.out.holding import opened
from pipeline.warehouse import earlier_days, incremental, warehouse
from tests.bench.bench_scale import NOW, drawn

SIZES = (10_000,)
PARTS = 7
WAYS = ("months", "one core", "small parts")
TOLD_WHEN = {"loads": ("loaded_at",)}
KEPT = ("months", "flags_told")
"""Marts of what each month was told: those of a run from nothing have the last alone."""


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.bench_same")
    parser.add_argument("sizes", nargs="*", type=int, default=list(SIZES))
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument("--months", type=int, default=2, help="held back, and added one by one")
    parser.add_argument("--lake", type=Path, help="a lake of Parquet files that is there already")
    parser.add_argument("--one", nargs=3, metavar=("WAY", "LAKE", "OUT"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        way, lake, out = asked.one
        _one_run(way, Path(lake), Path(out))
        return
    print("wheel ends | run | s | marts | that differ: rows of the first alone, of the other alone")
    for size in asked.sizes:
        with tempfile.TemporaryDirectory() as folder:
            base = Path(folder)
            lake = asked.lake or drawn(base, size, asked.years, "parquet")
            _run("from nothing", lake, base / "first")
            for way in WAYS:
                began = time.perf_counter()
                if way == "months":
                    _month_by_month(lake, base, asked.months)
                else:
                    _run(way, lake, base / "other")
                took = time.perf_counter() - began
                marts, differ = compared(base / "first", base / "other")
                told = "; ".join(differ) or "none"
                print(f"{size:,} | {way} | {took:.0f} | {marts} | {told}", flush=True)
                shutil.rmtree(base / "other")


def compared(first: Path, other: Path) -> tuple[int, list[str]]:
    """How many marts there are; of each that differs, the rows that one of the runs alone has."""
    with duckdb.connect() as con:
        for name, out in (("first", first), ("other", other)):
            con.execute(f"attach '{out / 'drumline.duckdb'}' as {name} (read_only)")
        found = list(_marts(con))
        differ = []
        for mart, columns in found:
            ours, theirs = (f"select {columns} from {db}.mart.{mart}" for db in ("first", "other"))
            pairs = ((ours, theirs), (theirs, ours))
            here, there = (
                warehouse.one_row(con, f"select count(*) from ({a} except all {b})")[0]
                for a, b in pairs
            )
            if here or (there and mart not in KEPT):
                differ.append(f"{mart} {here} and {there}")
    return len(found), differ


def _marts(con: duckdb.DuckDBPyConnection) -> Iterator[tuple[str, str]]:
    """Every mart, and the columns of it that are compared."""
    names = con.execute(
        """select table_name, list(column_name) from duckdb_columns()
        where database_name = 'first' and schema_name = 'mart' group by all order by all"""
    ).fetchall()
    for mart, columns in names:
        kept = sorted(set(columns) - set(TOLD_WHEN.get(mart, ())))
        yield mart, ", ".join(f'"{name}"' for name in kept)


def _month_by_month(lake: Path, base: Path, months: int) -> None:
    """A run without the newest months' files, and one more with each."""
    short = base / "short"
    shutil.copytree(lake, short)
    held = [
        sorted((p for p in (short / table).rglob("*.parquet")), key=lambda p: p.name)[-months:]
        for table in ("inspections", "work")
    ]
    for path in (path for table in held for path in table):
        path.unlink()
    _run("months", short, base / "other")
    for month in zip(*held, strict=True):
        for path in month:
            shutil.copyfile(lake / path.relative_to(short), path)
        _run("months", short, base / "other")
    shutil.rmtree(short)


def _run(way: str, lake: Path, out: Path) -> None:
    command = [sys.executable, "-m", "tests.bench.bench_same", "--one", way, str(lake), str(out)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def _one_run(way: str, lake: Path, out: Path) -> None:
    if way == "one core":
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    if way == "small parts":
        incremental.ROWS_AT_ONCE //= PARTS
        earlier_days.ROWS_AT_ONCE //= PARTS
    with opened(out, lambda _: None) as con:
        runs.run_stages(runs.Run(con, lake, out, runs.settings_of(lake), NOW))


if __name__ == "__main__":
    main()
