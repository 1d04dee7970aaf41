"""Runs that are killed at a chosen point, and what they leave behind.

A killer process imports everything once and forks a child per run, so that a kill costs a fraction
of a run. In the child every statement to the warehouse and every change to a file has two *points*,
just before it and just after it. At the chosen one the child sends itself SIGKILL. Pure functions
that take long are remembered on disk; what a run reads and writes is never remembered.
"""

import hashlib
import json
import os
import pickle
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import duckdb

from tests import ROOT
from tests.lakes import write_small_lake

AS_OF = "2025-11-14"
# Calls on a connection that change something, or that a later one depends on.
STATEMENTS = ("execute", "sql", "begin", "commit", "rollback", "register", "cursor", "close")
FILE_CHANGES = ("write_bytes", "write_text", "mkdir", "rename", "replace", "unlink")
# No files, no warehouse, no clock.
PURE = (
    ("pipeline.marts.adjustment", "learn_fleet"),
    ("pipeline.marts.adjustment", "judge_wheel_ends"),
    ("pipeline.marts.adjustment", "flag_wheel_ends"),
    ("vl_convert", "javascript_bundle"),
    ("vl_convert", "vegalite_to_svg"),
)


@dataclass(frozen=True, slots=True)
class Ended:
    """How a run ended: its exit code (-9: killed), the points passed, the stage it was in."""

    code: int
    points: int
    stage: str
    seconds: float


class Killer:
    """The process that runs, and kills, children."""

    def __init__(self, scratch: Path) -> None:
        environment = {**os.environ, "OMP_NUM_THREADS": "1", "POLARS_MAX_THREADS": "2"}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.crashes", str(scratch)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env=environment,
        )

    def run(
        self, lake: Path, out: Path, as_of: str, *, point: float = 0, after_s: float = 0.0
    ) -> Ended:
        """One run, killed at a point or after some seconds; 0: not at all."""
        assert self._process.stdin
        assert self._process.stdout
        asked = {"arguments": ["run", str(lake), "--out", str(out), "--as-of", as_of]}
        print(
            json.dumps({**asked, "point": point, "after_s": after_s}),
            file=self._process.stdin,
            flush=True,
        )
        return Ended(**json.loads(self._process.stdout.readline()))

    def end(self) -> None:
        with self._process as process:
            assert process.stdin
            process.stdin.close()


@contextmanager
def killer(scratch: Path) -> Iterator[Killer]:
    process = Killer(scratch)
    try:
        yield process
    finally:
        process.end()


def _of(digests: dict[str, str], month: str) -> dict[str, str]:
    return {name: digest for name, digest in digests.items() if name.split("/")[0] == month}


def page_digests(out: Path) -> dict[str, str]:
    """Everything a reader finds under ``published``; what is being written aside has a dot."""
    published = out / "published"
    return {
        str(p.relative_to(published)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(published.rglob("*"))
        if p.is_file() and not any(part.startswith(".") for part in p.relative_to(published).parts)
    }


def mart_digests(out: Path) -> dict[str, str]:
    """A digest of every mart, rows in one order, floats to the last digit."""
    found = {}
    with duckdb.connect(str(out / "drumline.duckdb"), read_only=True) as con:
        tables = con.execute(
            """select table_name from information_schema.tables
            where table_schema = 'mart' order by 1"""
        ).fetchall()
        for (table,) in tables:
            text = con.sql(f"from mart.{table} order by all").pl().write_csv()
            found[str(table)] = hashlib.sha256(text.encode()).hexdigest()
    return found


@dataclass(frozen=True, slots=True)
class Scene:
    """A fleet whose month, published once, is made again with more rows; and an older month."""

    runs: Killer
    lake: Path
    start: Path
    marts: dict[str, str]
    pages: dict[str, str]
    pages_before: dict[str, str]
    points: int
    seconds: float

    def chain(self, out: Path, kills: Iterable[dict[str, float]]) -> list[Ended]:
        """Kill run after run on one OUT, then let one end; each leaves what readers may find.

        ``kills`` are the options of ``Killer.run``: a point, or a time.
        """
        shutil.copytree(self.start, out)
        ended = []
        for kill in kills:
            ended.append(self.runs.run(self.lake, out, AS_OF, **kill))
            self.require_readable(out)
        assert self.runs.run(self.lake, out, AS_OF).code == 0
        self.require_complete(out)
        shutil.rmtree(out)
        return ended

    def require_readable(self, out: Path) -> None:
        """Every month is there, as it was or as it will be, and whole."""
        found = page_digests(out)
        for month in {name.split("/")[0] for name in self.pages}:
            allowed = [_of(pages, month) for pages in (self.pages, self.pages_before)]
            assert _of(found, month) in allowed, month

    def require_complete(self, out: Path) -> None:
        """As an undisturbed run leaves it, and nothing else lying about."""
        assert mart_digests(out) == self.marts
        assert page_digests(out) == self.pages
        assert {p.name for p in out.iterdir()} == {"drumline.duckdb", "published", ".lock"}
        assert [p.name for p in (out / "published").iterdir() if p.name[0] == "."] == []


def scene(base: Path, runs: Killer) -> Scene:
    """A month of a small fleet, and the undisturbed run that all others must equal."""
    lake, start, ideal = write_small_lake(base / "lake"), base / "start", base / "ideal"
    older = start / "published" / "2025-08"
    older.mkdir(parents=True)
    (older / "index.html").write_text("<html>" + "a page of long ago " * 9 + "</html>")
    late = base / "K04.csv"
    (lake / "inspections" / "K04.csv").rename(late)
    assert runs.run(lake, start, AS_OF).code == 0
    late.rename(lake / "inspections" / "K04.csv")
    shutil.copytree(start, ideal)
    undisturbed = runs.run(lake, ideal, AS_OF)
    assert undisturbed.code == 0
    return Scene(
        runs,
        lake,
        start,
        mart_digests(ideal),
        page_digests(ideal),
        page_digests(start),
        undisturbed.points,
        undisturbed.seconds,
    )


# What follows runs in the killer process and its children.


class _Points:
    """Counts points, and kills this process at the chosen one."""

    def __init__(self, kill_at: int, trace: Path) -> None:
        self.passed, self.kill_at = 0, kill_at
        self._trace = os.open(trace, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)

    def mark(self) -> None:
        self.passed += 1
        os.pwrite(self._trace, str(self.passed).encode(), 0)
        if self.passed == self.kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def marked(*given: Any, **named: Any) -> Any:
            self.mark()
            result = call(*given, **named)
            self.mark()
            return result

        return marked


class _Connection:
    """A connection whose statements are points."""

    def __init__(self, con: Any, points: _Points) -> None:
        self._con, self._points = con, points

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._con, name)
        if name == "cursor":
            return lambda: _Connection(found(), self._points)
        return self._points.around(found) if name in STATEMENTS else found


def _instrument(points: _Points) -> None:
    real_connect = duckdb.connect

    def connect(*given: Any, **named: Any) -> Any:
        return _Connection(real_connect(*given, **named), points)

    duckdb.connect = connect  # type: ignore[assignment]
    for name in FILE_CHANGES:
        setattr(Path, name, points.around(getattr(Path, name)))
    shutil.rmtree = points.around(shutil.rmtree)  # type: ignore[assignment]
    from pipeline.publish import publishing

    publishing._exchanged = points.around(publishing._exchanged)


def _stop_clock() -> None:
    """Every run at one moment: what is read is stamped alike."""
    import datetime as dt

    import pipeline.cli

    class Stopped(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> "Stopped":
            return cls(2026, 1, 15, 8, 30, tzinfo=tz)

    pipeline.cli.dt = SimpleNamespace(datetime=Stopped, date=dt.date)  # type: ignore[assignment]


def _remember(scratch: Path) -> None:
    """Pure functions answer from disk what they answered before."""
    import importlib

    for module_name, name in PURE:
        module = importlib.import_module(module_name)
        setattr(module, name, _remembered(getattr(module, name), scratch / f"{name}.pickles"))


def _remembered(call: Callable[..., Any], shelf: Path) -> Callable[..., Any]:
    os.makedirs(shelf, exist_ok=True)  # noqa: PTH103 - Path.mkdir is a point

    def answered(*given: Any, **named: Any) -> Any:
        place = shelf / hashlib.sha256(pickle.dumps((given, sorted(named.items())))).hexdigest()
        if place.exists():
            return pickle.loads(place.read_bytes())
        answer = call(*given, **named)
        with place.open("wb") as file:
            pickle.dump(answer, file)
        return answer

    return answered


def _child(asked: dict[str, Any], scratch: Path) -> None:
    output = os.open(scratch / "said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(output, 1)
    os.dup2(output, 2)
    sys.stdout.reconfigure(line_buffering=True)  # type: ignore[union-attr]
    from pipeline.cli import main

    _stop_clock()
    _remember(scratch)
    _instrument(_Points(asked["point"], scratch / "points"))
    code = main(asked["arguments"])
    sys.stdout.flush()
    os._exit(code)


def _watched(child: int, after_s: float, out: Path) -> int:
    """Wait for the child, reading the pages all the while; kill it when its time is up."""
    started = time.monotonic()
    pages = list((out / "published").glob("2*/index.html"))
    while True:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        if after_s and time.monotonic() - started > after_s:
            os.kill(child, signal.SIGKILL)
        for page in pages:
            assert _tail(page) == b"</html>", page
        time.sleep(0.001)


def _tail(page: Path) -> bytes:
    """The end of a page; raises where it is away, if only for a moment."""
    with page.open("rb") as file:
        file.seek(-20, os.SEEK_END)
        return file.read().strip()[-7:]


def _serve(scratch: Path) -> None:
    import pipeline.cli
    import pipeline.commands.running
    import pipeline.publish.publishing  # noqa: F401 - children find it imported

    for line in sys.stdin:
        asked = json.loads(line)
        started = time.monotonic()
        child = os.fork()
        if child == 0:
            _child(asked, scratch)
        code = _watched(child, asked["after_s"], Path(asked["arguments"][3]))
        said = (scratch / "said").read_text().splitlines()
        passed = (scratch / "points").read_text()
        ended = Ended(code, int(passed or 0), _stage(said), time.monotonic() - started)
        print(
            json.dumps({name: getattr(ended, name) for name in Ended.__slots__}),
            flush=True,
        )


def _stage(said: list[str]) -> str:
    from pipeline.run import STAGES

    names = [stage.name for stage in STAGES]
    seen = [line for line in said if line in names]
    return seen[-1] if seen else "Open the warehouse"


if __name__ == "__main__":
    _serve(Path(sys.argv[1]))
