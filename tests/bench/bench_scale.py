"""How loading and staging grow with the fleet, against DuckDB merely reading the same files.

``python -m tests.bench.bench_scale [WHEEL_ENDS …] [--years 10] [--csv] [--whole]``: lakes of so
many years are drawn with the sample simulator, the newest month is held back, and the rest is
loaded, judged, staged and counted from nothing in a process of its own; then the month is added.
``--whole`` goes on to the fits, the forecasts and the page, and ends in a table of the stages;
``--before COMMIT`` has a whole run of another commit's code beside each, in this environment.
Seconds are of this machine; ratios travel.
"""

import argparse
import datetime as dt
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import altair as alt
import duckdb
import polars as pl
import vl_convert

from pipeline import run as runs
from pipeline.out.holding import opened
from pipeline.warehouse import warehouse

SIZES = (10_000, 100_000)
T = TypeVar("T")
Row = tuple[str, ...]
NOW = dt.datetime(2026, 12, 1)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("sizes", nargs="*", type=int, default=list(SIZES))
    parser.add_argument("--years", type=int, default=10)
    parser.add_argument("--csv", action="store_true")
    parser.add_argument("--whole", action="store_true")
    parser.add_argument("--before", metavar="COMMIT", help="time a whole run of this one too")
    parser.add_argument("--lake", type=Path, help="a lake of Parquet files that is there already")
    parser.add_argument("--chart", type=Path, help="draw how seconds grow, as a PNG file")
    parser.add_argument("--one", nargs=2, type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        print(json.dumps(_one_run(*asked.one, whole=asked.whole)))
        return
    kind = "csv" if asked.csv else "parquet"
    heading = ("wheel ends", "step", "rows", "s", "rows/s", "peak GB", "times a scan")
    print(" | ".join(heading))
    seconds: list[tuple[int, str, float]] = []
    rows = [TABLE, tuple("---" for _ in TABLE)]
    for size in asked.sizes:
        with tempfile.TemporaryDirectory() as base:
            lake = asked.lake or drawn(Path(base), size, asked.years, kind)
            found = compared(size, lake, Path(base), kind, whole=asked.whole)
            seconds += found.seconds
            rows += found.rows
            if asked.before:
                took, peak = whole_run_of(asked.before, lake, Path(base))
                empty = [""] * (len(TABLE) - 5)
                rows.append((f"{size:,}, {asked.before}", *empty, took, peak, "", ""))
    if asked.whole:
        print("\n".join("| " + " | ".join(row) + " |" for row in rows))
    if asked.chart:
        draw_growth(seconds, asked.years, asked.chart)


TOGETHER = {
    "Load the lake": "load",
    "Judge and stage what has changed": "judge, stage",
    "Count what is staged": "count",
    "Fit wear, use and adjuster lives": "fit",
    "Forecast relines": "relines",
    "Judge adjustment": "adjustment",
    "Look back at earlier origins": "look back",
}
REST = "marts, checks, page"
TABLE = (
    *("wheel ends", "rows", *TOGETHER.values(), REST, "whole run, s", "peak, GB"),
    *("DuckDB reads the files, s", "its windows and group by, s"),
)


@dataclass(frozen=True, slots=True)
class Compared:
    """Total seconds by kind of run, and rows of :data:`TABLE`."""

    seconds: list[tuple[int, str, float]]
    rows: list[tuple[str, ...]]


def _row(size: int, name: str, told: dict[str, Any], rows: int, beside: tuple[float, ...]) -> Row:
    steps = dict.fromkeys((*TOGETHER.values(), REST), 0.0)
    for step, seconds in told["steps"].items():
        steps[TOGETHER.get(step, REST)] += seconds
    figures = (*steps.values(), sum(steps.values()), told["peak"], *beside)
    return f"{size:,}, {name}", f"{rows:,}", *(f"{figure:.1f}" for figure in figures)


def whole_run_of(commit: str, lake: Path, base: Path) -> tuple[str, str]:
    """Seconds and peak memory, in GB, of a run by another commit's code."""
    tree = base / commit
    tree.mkdir()
    archive = subprocess.run(["git", "archive", commit], check=True, stdout=subprocess.PIPE)
    subprocess.run(["tar", "-x", "-C", str(tree)], check=True, input=archive.stdout)
    code = "import sys; from pipeline.cli import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "run", str(lake), "--out", str(base / "out-before")]
    start = time.perf_counter()
    with subprocess.Popen(command, cwd=tree, stdout=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"{commit}: its run ended with {process.returncode}")
    shutil.rmtree(base / "out-before")
    return f"{time.perf_counter() - start:.1f}", f"{used.ru_maxrss / 1e6:.1f}"


def draw_growth(seconds: list[tuple[int, str, float]], years: int, path: Path) -> None:
    """Seconds by fleet size and kind of run, both on logarithmic axes."""
    frame = pl.DataFrame(seconds, schema=["wheel_ends", "run", "seconds"], orient="row")
    whole = frame.filter(pl.col("run") == "from nothing").sort("wheel_ends")
    times = whole["seconds"][-1] / whole["seconds"][0]
    more = whole["wheel_ends"][-1] / whole["wheel_ends"][0]
    base = alt.Chart(frame).encode(
        x=alt.X("wheel_ends:Q", title=f"wheel ends, {years} years each")
        .scale(type="log")
        .axis(format="~s"),
        y=alt.Y("seconds:Q", title="seconds").scale(type="log"),
        shape=alt.Shape("run:N", title=None),
        detail="run:N",
    )
    chart = (
        base.mark_line(color="#767676") + base.mark_point(size=70, color="#1a1a1a", filled=True)
    ).properties(
        width=420,
        height=260,
        title=f"{more:,.0f} times the wheel ends take {times:,.0f} times as long",
    )
    path.write_bytes(vl_convert.vegalite_to_png(chart.to_json(), scale=2))


def drawn(base: Path, wheel_ends: int, years: int, kind: str) -> Path:
    arguments = ["--wheel-ends", str(wheel_ends), "--years", str(years)]
    arguments += ["--greasings-recorded", "0"]
    arguments += ["--format", kind, *(["--clean"] if kind == "csv" else [])]
    command = [sys.executable, "-m", "sample_lake", str(base / "drawn"), *arguments]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return base / "drawn" / "lake"


def compared(size: int, lake: Path, base: Path, kind: str, *, whole: bool) -> Compared:
    """From nothing, then with the newest month's file of inspections and of jobs."""
    scan, bare = scanned(lake, kind), reduced_bare(lake, kind)
    aside = base / "aside"
    month = [newest(lake / table) for table in ("inspections", "work")]
    for path in month:
        (aside / path.parent.name).mkdir(parents=True, exist_ok=True)
        path.rename(aside / path.parent.name / path.name)
    try:
        first = in_its_own_process(lake, base / "out", whole=whole)
        _print_steps(size, "from nothing", first, first["rows"], scan)
        for path in month:
            shutil.copyfile(aside / path.parent.name / path.name, path)
        second = in_its_own_process(lake, base / "out", whole=whole)
        _print_steps(size, "one month more", second, second["rows"] - first["rows"], scan)
    finally:
        for path in month:
            shutil.copyfile(aside / path.parent.name / path.name, path)
        shutil.rmtree(base / "out", ignore_errors=True)
    lining = sum(s for table, s in first["tables"].items() if "reduce.lining_life" in table)
    print(f"{size:,} | DuckDB: every column of the same {kind} read | | {scan:.2f}")
    print(f"{size:,} | DuckDB: two windows and a group by over the same files | | {bare:.2f}")
    print(f"{size:,} | linings' sums alone | | {lining:.2f} | {lining / bare:.2f} times these")
    totals = [(size, "DuckDB reads the files", scan)]
    for name, told in (("from nothing", first), ("one month more", second)):
        totals.append((size, name, sum(told["steps"].values())))
    slowest = Counter(first["tables"]).most_common(6)
    print(f"{size:,} | slowest tables: " + ", ".join(f"{t} {s:.1f} s" for t, s in slowest))
    more = second["rows"] - first["rows"]
    rows = [
        _row(size, "from nothing", first, first["rows"], (scan, bare)),
        _row(size, "one month more", second, more, (scan, bare)),
    ]
    return Compared(totals, rows)


def _print_steps(size: int, name: str, told: dict[str, Any], rows: int, scan: float) -> None:
    for step, seconds in told["steps"].items():
        _print(size, f"{name}: {step}", rows, seconds, told["peak"], seconds / scan)
    total = sum(told["steps"].values())
    _print(size, f"{name}: all of these", rows, total, told["peak"], total / scan)


def _print(size: int, step: str, rows: int, s: float, peak: float, times: float) -> None:
    told = f"{rows:,} | {s:.1f} | {rows / s:,.0f} | {peak:.1f} | {times:.1f}"
    print(f"{size:,} | {step} | {told}", flush=True)


def newest(folder: Path) -> Path:
    return max((p for p in folder.rglob("*") if p.is_file()), key=lambda path: path.name)


def scanned(lake: Path, kind: str) -> float:
    """Seconds in which DuckDB reads every column of every file, and keeps nothing."""
    with duckdb.connect() as con:
        start = time.perf_counter()
        for table in ("register", "inspections", "work", "duty"):
            con.execute(f"select max(columns(*)) from read_{kind}('{lake}/{table}/**/*.{kind}')")
        return time.perf_counter() - start


def reduced_bare(lake: Path, kind: str) -> float:
    """Seconds for sums per lining life, straight from the files, nothing checked."""
    with duckdb.connect() as con:
        start = time.perf_counter()
        con.execute(
            f"""create table sums as
            with rises as (
                select unit_id, axle_no, side, inspected_on, odometer_km, lining_mm,
                    lining_mm - lag(lining_mm) over checks as rise_mm
                from read_{kind}('{lake}/inspections/**/*.{kind}')
                where lining_mm is not null
                window checks as (partition by unit_id, axle_no, side order by inspected_on)
            ),
            lives as (
                select *, sum(case when rise_mm > 3 then 1 else 0 end) over (
                    partition by unit_id, axle_no, side order by inspected_on
                ) as life_no
                from rises
            )
            select unit_id, axle_no, side, life_no, count(*) as readings, avg(odometer_km) as km,
                avg(lining_mm) as mm, regr_sxx(lining_mm, odometer_km) as s_km_km,
                regr_sxy(lining_mm, odometer_km) as s_km_mm
            from lives group by all"""
        )
        return time.perf_counter() - start


def in_its_own_process(lake: Path, out: Path, *, whole: bool) -> dict[str, Any]:
    command = [sys.executable, "-m", "tests.bench.bench_scale", "--one", str(lake), str(out)]
    done = subprocess.run(
        [*command, *(["--whole"] if whole else [])], check=True, stdout=subprocess.PIPE, text=True
    )
    told: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return told


def _one_run(lake: Path, out: Path, *, whole: bool) -> dict[str, Any]:
    """Seconds by stage and by table, rows in the warehouse, peak memory."""
    steps: dict[str, float] = {}
    tables: defaultdict[str, float] = defaultdict(float)
    warehouse.make = _timed(warehouse.make, tables)

    def around(stage: runs.Stage, does: Callable[[], T]) -> T:
        start = time.perf_counter()
        found = does()
        steps[stage.name] = time.perf_counter() - start
        return found

    with opened(out, lambda _: None) as con:
        run = runs.Run(con, lake, out, runs.settings_of(lake), NOW)
        start = time.perf_counter()
        if whole:
            runs.run_stages(run, around)
        else:
            around(runs.LOAD, lambda: runs.load(run))
            around(runs.JUDGE, lambda: runs.judge(run))
            around(runs.REDUCE, lambda: runs.reduce(run))
        (rows,) = warehouse.one_row(con, "select sum(rows_read) from mart.loads")
        before = sum(steps.values())
        if whole:
            steps["waiting for the second process"] = time.perf_counter() - start - before
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    return {"steps": steps, "tables": tables, "rows": int(rows), "peak": peak}


def _timed(make: Callable[..., None], tables: defaultdict[str, float]) -> Callable[..., None]:
    def timed(con: duckdb.DuckDBPyConnection, name: str, select: str) -> None:
        start = time.perf_counter()
        make(con, name, select)
        tables[name] += time.perf_counter() - start

    return timed


if __name__ == "__main__":
    main()
