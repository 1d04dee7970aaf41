"""Do the tests notice? Small changes of models and SQL, one at a time, each against its own tests.

A change that no test notices survives; the list says where. Some survivors are as good as the
original (a limit that no value meets, an order that decides nothing), so each is for a person to
judge. ``python -m tests.bench.bench_mutants 200`` tries so many of each file; 40 else.
"""

import ast
import io
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
COPIED = ("pipeline", "models", "dashboards", "sample_lake", "sql", "tests", "pyproject.toml")
# What is changed, and the tests that should notice.
TARGETS = {
    "models/adjustment/verdicts.py": ("tests/models/adjustment/test_verdicts.py",),
    "models/relines/forecast/minimum.py": (
        "tests/models/relines/test_minimum.py",
        "tests/models/relines/test_backtest.py",
    ),
    "pipeline/warehouse/odometer.py": ("tests/pipeline/warehouse/test_odometer.py",),
    "sql/10_judge": ("tests/sql/test_judge.py",),
    "sql/15_fate": ("tests/sql/test_judge.py",),
    "sql/20_stage": ("tests/sql/test_stage.py", "tests/pipeline/warehouse/test_invariants.py"),
}
TRIED, LONGEST_S = 40, 90


@dataclass(frozen=True, slots=True)
class Mutant:
    path: str
    line: int
    change: str
    text: str


def main() -> None:
    tried = int(sys.argv[1]) if len(sys.argv) > 1 else TRIED
    with tempfile.TemporaryDirectory() as copy:
        for name in COPIED:
            source = ROOT / name
            _copy(source, Path(copy) / name)
        for target, tests in TARGETS.items():
            _report(target, _tried(Path(copy), target, tests, tried))


def _copy(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
    else:
        shutil.copy(source, target)


def _report(target: str, results: list[tuple[Mutant, bool]]) -> None:
    survivors = [mutant for mutant, noticed in results if not noticed]
    print(f"{target}: {len(results)} changes, {len(survivors)} survive", flush=True)
    for one in sorted(survivors, key=lambda m: (m.path, m.line)):
        print(f"  {one.path}:{one.line}  {one.change}", flush=True)


def _tried(
    copy: Path, target: str, tests: tuple[str, ...], tried: int
) -> list[tuple[Mutant, bool]]:
    place = copy / target
    files = sorted(place.glob("*.sql")) if place.is_dir() else [place]
    mutants = [m for file in files for m in _mutants(file, copy)]
    chosen = random.Random(2026).sample(mutants, min(tried, len(mutants)))
    if not _passes(copy, tests):
        raise SystemExit(f"{target}: its tests fail unchanged")
    return [(mutant, _noticed(copy, mutant, tests)) for mutant in chosen]


def _noticed(copy: Path, mutant: Mutant, tests: tuple[str, ...]) -> bool:
    file = copy / mutant.path
    original = file.read_text(encoding="utf-8")
    file.write_text(mutant.text, encoding="utf-8")
    try:
        return not _passes(copy, tests)
    finally:
        file.write_text(original, encoding="utf-8")


def _passes(copy: Path, tests: tuple[str, ...]) -> bool:
    """In a fork that imports the changed files anew; the libraries are there already."""
    import polars  # noqa: F401
    import pytest
    import scipy.stats  # noqa: F401

    child = os.fork()
    if child == 0:
        os.chdir(copy)
        sys.dont_write_bytecode = True
        sys.path.insert(0, str(copy))
        for name in [n for n in sys.modules if n.split(".")[0] in ("tests", *COPIED)]:
            del sys.modules[name]
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
            code = pytest.main(["-x", "-q", "-p", "no:cacheprovider", *tests])
        os._exit(int(code))
    return _exit_code(child) == 0


def _exit_code(child: int) -> int:
    """-9 for a change that makes the tests run for ever."""
    started = time.monotonic()
    while time.monotonic() - started < LONGEST_S:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.02)
    os.kill(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _mutants(file: Path, copy: Path) -> Iterator[Mutant]:
    text, path = file.read_text(encoding="utf-8"), str(file.relative_to(copy))
    changes = _sql_changes(text) if file.suffix == ".sql" else _python_changes(text)
    for line, change, changed in changes:
        yield Mutant(path, line, change, changed)


COMPARED = {
    **{ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt},
    **{ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is},
}
COMPUTED = {
    **{ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult},
    **{ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd},
}


def _python_changes(text: str) -> Iterator[tuple[int, str, str]]:
    count = sum(1 for _ in ast.walk(ast.parse(text)))
    for number in range(count):
        tree = ast.parse(text)
        node = next(n for i, n in enumerate(ast.walk(tree)) if i == number)
        before = ast.unparse(node) if isinstance(node, ast.expr) else ""
        if _changed(node):
            change = f"{before}  ->  {ast.unparse(node)}"
            yield getattr(node, "lineno", 0), change[:160], ast.unparse(tree)


def _changed(node: ast.AST) -> bool:
    """Changes a node in place; False where there is nothing to change about it."""
    match node:
        case ast.Compare(ops=[op, *_]) if type(op) in COMPARED:
            node.ops[0] = COMPARED[type(op)]()
        case ast.BinOp(op=op) if type(op) in COMPUTED and not _is_type(node):
            node.op = COMPUTED[type(op)]()
        case ast.BoolOp(op=op):
            node.op = ast.Or() if isinstance(op, ast.And) else ast.And()
        case ast.UnaryOp(op=ast.Not() | ast.Invert() | ast.USub()):
            node.op = ast.UAdd() if isinstance(node.op, ast.USub) else node.op
            if not isinstance(node.op, ast.UAdd):
                return False
        case ast.Constant(value=bool(value)):
            node.value = not value
        case ast.Constant(value=int(value) | float(value)):
            node.value = value + 1
        case _:
            return False
    return True


def _is_type(node: ast.BinOp) -> bool:
    """``X | None``."""
    return isinstance(node.op, ast.BitOr) and "None" in ast.unparse(node)


SQL_CHANGES = (
    (r"\n\s+and [^\n]+(?=\n)", ""),
    (r" <= ", " < "),
    (r" < ", " <= "),
    (r" >= ", " > "),
    (r" > ", " >= "),
    (r" = ", " <> "),
    (r" <> ", " = "),
    (r"\bmin\(", "max("),
    (r"\bmax\(", "min("),
    (r"\bis null\b", "is not null"),
    (r"\bis not null\b", "is null"),
    (r"\binner join\b", "left join"),
    (r"\bleft join\b", "inner join"),
    (r"\bor\b", "and"),
    (r" \+ ", " - "),
    (r" - ", " + "),
    (r"\bunion all\b", "except all"),
)


def _sql_changes(text: str) -> Iterator[tuple[int, str, str]]:
    for pattern, change in SQL_CHANGES:
        for found in re.finditer(pattern, text):
            start = text.rfind("\n", 0, found.start() + 1) + 1
            line = text[start : text.find("\n", found.start() + 1)]
            if line.lstrip().startswith("--") or text[start : found.start()].count("'") % 2:
                continue
            changed = text[: found.start()] + change + text[found.end() :]
            told = f"{' '.join(found.group().split())}  ->  {change.strip() or 'nothing'}"
            number = text.count("\n", 0, found.start() + 1) + 1
            yield number, f"{told}   in: {line.strip()[:90]}", changed


if __name__ == "__main__":
    main()
