"""What several test modules look at and none changes, made once."""

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from pipeline.cli import main
from tests import browser
from tests.lakes import write_small_lake

# A unit, a depot and an axle type whose names are nasty, in a lake as anyone could hand one in.
NASTY = {
    "K02": '"; drop table mart.loads; --',
    "K04": "<script>alert(4)</script>",
    "Millbrook": "=cmd|' /C calc'!A1",
    "trailing": '<img src=x onerror="alert(5)">',
}


@pytest.fixture(scope="session")
def small_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a small ``lake`` and its ``out``, after ``drumline sheet`` on a bare ``out``:
    the run that it makes first, and the sheets of two units. Some of its names are nasty."""
    root = tmp_path_factory.mktemp("small")
    lake = write_small_lake(root / "lake")
    for path in lake.rglob("*.csv"):
        plain = pl.read_csv(path, infer_schema=False)
        plain.with_columns(pl.all().replace(NASTY)).write_csv(path)
    command = ["sheet", str(lake), "--out", str(root / "out"), "--unit", "K01", "--unit", "k03"]
    assert main(command) == 0
    return root


@pytest.fixture(scope="session")
def tab() -> Iterator[browser.Tab]:
    """One browser for all tests that need one."""
    with browser.tab() as opened:
        yield opened
