"""What several test modules look at and none changes, made once."""

from pathlib import Path

import pytest

from pipeline.cli import main
from tests.lakes import write_small_lake


@pytest.fixture(scope="session")
def small_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a small ``lake`` and its ``out``, after ``drumline sheet`` on a bare ``out``:
    the run that it makes first, and the sheets of two units."""
    root = tmp_path_factory.mktemp("small")
    lake = write_small_lake(root / "lake")
    command = ["sheet", str(lake), "--out", str(root / "out"), "--unit", "K01", "--unit", "k03"]
    assert main(command) == 0
    return root
