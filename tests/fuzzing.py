"""Mutated files through every reader: no crash, no hang, no row unaccounted for, memory bounded.

The search is guided by coverage: a mutation that reaches a step between two lines of the readers
that none reached before is kept, and mutated further. Each kind is searched in a process of its own
under a limit of memory, so that a crash of a library is seen, and its seed told.
"""

import csv
import io
import json
import os
import random
import re
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from pipeline.errors import UnreadableFileError, UserError
from pipeline.lake.cells import typed_rows
from pipeline.lake.encodings import wide_encoding
from pipeline.lake.files import Cells, read_cells
from pipeline.settings import Settings, load_settings
from tests import mutations

MEMORY_BYTES = 6 << 30
# A hang lasts for ever; a machine at work elsewhere is slow.
LONGEST_S = 60
TABLES = ("inspections", "register", "work", "duty")
FOLLOWED = tuple(f"{name}.py" for name in ("files", "cells", "settings", "workbooks"))
# A search of the readers; text is the slowest to judge, since most of it is read.
FILES_EACH = {"csv": 30_000, "parquet": 30_000, "xlsx": 20_000, "fleet.toml": 30_000}
Search = Callable[[bytes, random.Random], str]


@dataclass
class Kind:
    """A kind of file: what its first ones hold, how they are mutated, what must hold of each."""

    seeds: list[bytes]
    mutate: Callable[[bytes, random.Random, bytes], bytes]
    judge: Search


@dataclass
class Tally:
    """What became of the files of one kind."""

    files: int = 0
    outcomes: dict[str, int] = field(default_factory=dict)
    kept: int = 0
    slowest_s: float = 0.0


class UnaccountedError(AssertionError):
    """A row was lost, or appeared."""


def judged_file(name: str) -> Search:
    def judged(content: bytes, draws: random.Random) -> str:
        settings = draws.choice(SETTINGS)
        table = draws.choice(TABLES)
        try:
            cells = read_cells(content, Path(name))
        except UnreadableFileError as error:
            _require(str(error) and "\n" not in str(error), "not one line")
            return "not read"
        _require_rows(content, cells, name)
        rows = typed_rows(table, cells, settings)
        _require(rows["row_no"].to_list() == cells.rows["row_no"].to_list(), "rows differ")
        told = rows["problem"].is_not_null() == rows["problem_kind"].is_not_null()
        _require(bool(told.all()), "a problem without its kind")
        raw = rows["problem"].is_not_null() & rows["raw"].is_null()
        _require(not raw.any(), "a problem without its cells")
        return "rows set aside" if rows["problem"].is_not_null().any() else "read"

    return judged


SETTINGS = (
    Settings(),
    Settings.model_validate({"fleet": {"decimal_comma": True, "day_first": True}}),
    Settings.model_validate({"units": {"length": "in", "distance": "mi"}}),
)


def _require(holds: object, what: str) -> None:
    if not holds:
        raise UnaccountedError(what)


def _require_rows(content: bytes, cells: Cells, name: str) -> None:
    """Row numbers rise; every record of a text that holds anything is a row (csv counts them)."""
    numbers = cells.rows["row_no"].to_list()
    _require(numbers == sorted(set(numbers)), "row numbers")
    if name.endswith(".csv"):
        _require(len(numbers) == _records(content) - 1, f"{len(numbers)} of {_records(content)}")


def _records(content: bytes) -> int:
    """Records with something in them, counted without the reader under test."""
    text = _text(content)
    heading = re.sub(r'"[^"]*"', "", next(x for x in text.splitlines() if x.strip()))
    delimiter = max(",;\t", key=heading.count)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        return sum(any(c.strip() for c in record) for record in reader)
    except csv.Error:
        lines = re.split("\r\n|\r|\n", text)
        return sum(bool(line.replace(delimiter, "").strip()) for line in lines)


def _text(content: bytes) -> str:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return content.decode("utf-16", errors="replace")
    if wide := wide_encoding(content):
        return content.decode(wide, errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        encoding = "utf-8-sig" if content[:3] == b"\xef\xbb\xbf" else "cp1252"
        return content.decode(encoding, errors="replace")


def judged_settings(content: bytes, _: random.Random) -> str:
    with tempfile.NamedTemporaryFile(suffix=".toml") as file:
        file.write(content)
        file.flush()
        try:
            load_settings(Path(file.name))
        except UserError as error:
            _require(str(error) and "\n" not in str(error), "not one line")
            return "refused"
    return "read"


def kinds() -> dict[str, Kind]:
    text = mutations.csv_file()
    return {
        "csv": Kind(
            [text, text.replace(b",", b";"), text.decode().encode("utf-16")],
            mutations.mutated,
            judged_file("x.csv"),
        ),
        "parquet": Kind([mutations.parquet_file()], mutations.mutated, judged_file("x.parquet")),
        "xlsx": Kind(
            [mutations.workbook_file()], mutations.mutated_workbook, judged_file("x.xlsx")
        ),
        "fleet.toml": Kind([mutations.SETTINGS], mutations.mutated, judged_settings),
    }


class _Coverage:
    """Steps between lines of the readers, as seen so far."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, int, int]] = set()
        self._last: dict[int, int] = {}
        self.new = False

    def __enter__(self) -> "_Coverage":
        self.new = False
        sys.settrace(self._called)
        return self

    def __exit__(self, *_: object) -> None:
        sys.settrace(None)

    def _called(self, frame: FrameType, event: str, _: Any) -> Any:
        if not frame.f_code.co_filename.endswith(FOLLOWED):
            return None
        self._last[id(frame)] = 0
        return self._line

    def _line(self, frame: FrameType, event: str, _: Any) -> Any:
        step = (frame.f_code.co_filename, self._last.get(id(frame), 0), frame.f_lineno)
        self._last[id(frame)] = frame.f_lineno
        if step not in self.seen:
            self.seen.add(step)
            self.new = True
        return self._line


def search(name: str, seed: int, files: int, told: Callable[[str], None]) -> Tally:
    """Mutate and judge so many files of one kind; ``told`` hears of each before it is read."""
    kind, draws = kinds()[name], random.Random(f"{name}{seed}")
    corpus, tally, coverage = list(kind.seeds), Tally(), _Coverage()
    for number in range(files):
        parent = draws.choice(corpus if draws.random() < 0.5 else corpus[-20:])
        content = kind.mutate(parent, draws, draws.choice(corpus))[:200_000]
        told(f"{name} seed {seed} file {number}")
        started = time.monotonic()
        signal.alarm(LONGEST_S)
        with coverage:
            outcome = kind.judge(content, draws)
        signal.alarm(0)
        tally.slowest_s = max(tally.slowest_s, time.monotonic() - started)
        tally.outcomes[outcome] = tally.outcomes.get(outcome, 0) + 1
        tally.files += 1
        if coverage.new and len(content) < 20_000:
            corpus.append(content)
    tally.kept = len(corpus) - len(kind.seeds)
    return tally


def limited() -> None:
    """No more memory than a reader of small files may take, and an end to what hangs."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    signal.signal(signal.SIGALRM, signal.SIG_DFL)


def main(names: list[str], seed: int, files: int, place: Path) -> None:
    """In a process of its own: the last line of ``place`` says which file it was at."""
    limited()
    trace = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    for name in names:
        tally = search(name, seed, files, lambda at: os.pwrite(trace, at.ljust(80).encode(), 0))
        print(json.dumps(asdict(tally)))


def tally_of(told: str) -> Tally:
    return Tally(**json.loads(told))


if __name__ == "__main__":
    main(sys.argv[1].split(","), int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
