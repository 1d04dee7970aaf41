"""What several test modules look at and none changes, made once; and which modules begin first."""

from collections.abc import Iterator
from pathlib import Path

import hypothesis
import polars as pl
import pytest

from pipeline.cli import main
from tests import ROOT, browser
from tests.lakes import write_small_lake
from tests.sharing import made_once

# How long one example takes depends on what else the machine does.
hypothesis.settings.register_profile("drumline", deadline=None)
hypothesis.settings.load_profile("drumline")

# A unit, a depot and an axle type whose names are nasty, in a lake as anyone could hand one in.
NASTY = {
    "K02": '"; drop table mart.loads; --',
    "K04": "<script>alert(4)</script>",
    "Millbrook": "=cmd|' /C calc'!A1",
    "trailing": '<img src=x onerror="alert(5)">',
}
# A module's tests stay on one core, so that what they share is made once: the longest begin first.
LONGEST = (
    *("test_six", "test_crash", "test_on_the_day", "test_visit_dates", "test_scheduling"),
    *("test_odd_fleets", "test_incremental", "test_object_store", "test_run", "test_reproducible"),
    *("test_browser", "test_hostile", "test_readers", "test_asking", "test_invariants"),
    *("test_planning", "test_charts", "test_page", "test_regression", "test_crash_faults"),
)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The longest first; what is marked ``proof`` only where ``-m`` speaks of it. So is whatever
    looks at the sample lake's run, which takes a minute: a small lake's stands for it."""
    for item in items:
        if "sample_out" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.proof)
    if "proof" not in config.option.markexpr:
        left_out = [item for item in items if item.get_closest_marker("proof")]
        items[:] = [item for item in items if not item.get_closest_marker("proof")]
        config.hook.pytest_deselected(items=left_out)

    def place(item: pytest.Item) -> int:
        return LONGEST.index(item.path.stem) if item.path.stem in LONGEST else len(LONGEST)

    items.sort(key=place)


def _run_small(root: Path) -> None:
    lake = write_small_lake(root / "lake")
    for path in lake.rglob("*.csv"):
        plain = pl.read_csv(path, infer_schema=False)
        plain.with_columns(pl.all().replace(NASTY)).write_csv(path)
    command = ["sheet", str(lake), "--out", str(root / "out"), "--unit", "K01", "--unit", "k03"]
    assert main(command) == 0


def _run_sample(root: Path) -> None:
    lake = ROOT / "sample_lake" / "lake"
    assert main(["run", str(lake), "--out", str(root / "out")]) == 0


@pytest.fixture(scope="session")
def small_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a small ``lake`` and its ``out``, after ``drumline sheet`` on a bare ``out``:
    the run that it makes first, and the sheets of two units. Some of its names are nasty."""
    return made_once(tmp_path_factory, "small", _run_small)


@pytest.fixture(scope="session")
def sample_out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a run leaves of the sample lake."""
    return made_once(tmp_path_factory, "sample", _run_sample) / "out"


@pytest.fixture(scope="session")
def tab() -> Iterator[browser.Tab]:
    """One browser for all tests that need one."""
    with browser.tab() as opened:
        yield opened
