"""A disk that may be too small is said before a run, from the size of lake and warehouse."""

import shutil
from collections import namedtuple

import pytest

from pipeline.cli import main
from pipeline.out.disk import disk_warning, needed_disk
from pipeline.warehouse.warehouse import DATABASE
from tests.lakes import write_small_lake

Usage = namedtuple("Usage", "total used free")


@pytest.fixture
def free(monkeypatch):
    """Sets how many bytes the disk has free."""

    def set_to(size):
        monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(10**12, 0, size))

    return set_to


def test_a_lake_takes_room_for_its_warehouse_twice_and_the_months_files():
    assert needed_disk(10**9, 0) == 8e9 + 1e8
    # One that was made from files long gone is copied, however small the lake is now.
    assert needed_disk(10**6, 10**9) == 2e9 + 1e8


def test_it_is_said_only_where_it_may_not_fit(free, tmp_path):
    (tmp_path / DATABASE).write_bytes(b"0" * 1000)
    free(9 * 10**9)
    assert disk_warning(10**9, tmp_path) is None
    free(10**9)
    said = disk_warning(10**9, tmp_path / "not" / "yet" / "there")
    assert said is not None
    assert said.startswith("Warning: a run may take 8.1 GB of disk")
    assert "1.0 GB are free" in said


@pytest.mark.proof
def test_a_run_says_it_before_its_first_stage(free, tmp_path, capsys):
    lake = write_small_lake(tmp_path / "lake")
    free(10**6)
    assert main(["run", str(lake), "--out", str(tmp_path / "out")]) == 0
    lines = capsys.readouterr().out.splitlines()
    [said] = [n for n, line in enumerate(lines) if line.startswith("Warning: a run may take")]
    assert said < lines.index("Load the lake")
