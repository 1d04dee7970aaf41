"""Disks that are full, lakes that change or go away, clocks that run back: one clear line, exit
code 2, and everything as it was before.
"""

import errno
import os
import shutil
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path

import duckdb
import pytest

from pipeline.cli import main
from pipeline.lake.lake import FolderLake
from pipeline.out.holding import opened
from pipeline.warehouse.warehouse import DATABASE
from tests import ROOT
from tests.lakes import write_small_lake


@pytest.fixture
def lake(tmp_path):
    return write_small_lake(tmp_path / "lake")


@pytest.fixture
def out(tmp_path):
    """What earlier runs left."""
    with opened(tmp_path / "out") as con:
        con.execute("create table mart.told as select 'last month' as what")
    page = tmp_path / "out" / "published" / "2025-10" / "index.html"
    page.parent.mkdir(parents=True)
    page.write_text("last month")
    return tmp_path / "out"


def require_kept(out):
    """The warehouse and the pages of earlier runs, and nothing else."""
    with duckdb.connect(str(out / DATABASE), read_only=True) as con:
        assert con.execute("from mart.told").fetchall() == [("last month",)]
    assert (out / "published" / "2025-10" / "index.html").read_text() == "last month"
    assert {p.name for p in out.iterdir()} == {DATABASE, "published", ".lock"}
    assert [p.name for p in (out / "published").iterdir()] == ["2025-10"]


def refused(capsys, *arguments):
    """The one line of a run that ends with exit code 2."""
    capsys.readouterr()
    assert main([str(a) for a in arguments]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1, error
    assert error.startswith("drumline: ")
    return error


def in_a_process(before, *arguments):
    """A run in a process that does something to itself first."""
    code = f"{textwrap.dedent(before)}\nimport sys\nfrom pipeline.cli import main\n"
    code += f"\nsys.exit(main({[str(a) for a in arguments]!r}))"
    return subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120
    )


@pytest.mark.parametrize("room", [1 << 16, 3 << 18], ids=["at once", "at the end"])
def test_a_disk_that_fills_up(lake, out, room):
    """A limit on file sizes refuses writes as a full disk does; one stage is enough to write."""
    done = in_a_process(
        f"""
        import resource, signal
        from pipeline import run
        from pipeline.commands import report
        run.run_stages, report.summary = lambda given, _: run.load(given), lambda *_: None
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, ({room}, {room}))
        """,
        *("run", lake, "--out", out),
    )
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert "too large" in done.stderr
    require_kept(out)


def test_a_disk_that_is_full_when_the_pages_are_written(lake, out, monkeypatch, capsys):
    def run_stages(run, _):
        aside = run.out / "published" / ".2025-11.new" / "worklist.xlsx"
        raise OSError(errno.ENOSPC, "No space left on device", str(aside))

    monkeypatch.setattr("pipeline.commands.running.run_stages", run_stages)
    line = refused(capsys, "run", lake, "--out", out)
    assert ".2025-11.new/worklist.xlsx: No space left on device" in line
    require_kept(out)


def test_an_out_that_cannot_be_written():
    """Root writes anywhere, so the run gives up being root, once it has loaded what others may not
    be allowed to read."""
    with tempfile.TemporaryDirectory() as base:
        Path(base).chmod(0o755)
        lake, out = write_small_lake(Path(base) / "lake"), Path(base) / "out"
        out.mkdir()
        out.chmod(0o555)
        done = in_a_process(
            """
            import os, encodings.utf_8_sig, pipeline.cli, pipeline.commands.running
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            """,
            *("run", lake, "--out", out),
        )
        assert done.returncode == 2
        assert done.stderr == f"drumline: {out}: cannot be written: Permission denied\n"
        assert list(out.iterdir()) == []


def test_a_file_that_changes_while_it_is_read(lake, out, monkeypatch, capsys):
    path = lake / "inspections" / "K02.csv"
    real = FolderLake.files

    def changing(lake, **how):
        listed = real(lake, **how)
        path.write_text(path.read_text() + "K02,1,L,2025-")
        return listed

    monkeypatch.setattr(FolderLake, "files", changing)
    line = refused(capsys, "run", lake, "--out", out)
    assert "inspections/K02.csv: it changed while it was being read: run again" in line
    require_kept(out)


@pytest.mark.parametrize("gone", ["inspections/K03.csv", "."])
def test_a_lake_that_vanishes_in_mid_run(lake, out, monkeypatch, capsys, gone):
    real = FolderLake.files

    def vanishing(seen, **how):
        listed = real(seen, **how)
        away = lake / gone
        away.unlink() if away.is_file() else shutil.rmtree(away)
        return listed

    monkeypatch.setattr(FolderLake, "files", vanishing)
    line = refused(capsys, "run", lake, "--out", out)
    assert "No such file or directory; it was there when the run began: run again" in line
    require_kept(out)


def test_a_clock_that_was_set_back(lake, tmp_path, capsys):
    with opened(tmp_path / "out") as con:
        con.execute(
            """insert into raw.contents (content_id, table_name, loaded_on, loaded_at)
            values (1, 'work', date '2999-01-01', timestamp '2999-01-01 05:00:00')"""
        )
    line = refused(capsys, "run", lake, "--out", tmp_path / "out")
    assert "the clock of this machine: found 2" in line
    assert "accepted: no earlier than the last load, 2999-01-01 05:00" in line


def test_a_stale_lock_is_recognised_and_said(lake, tmp_path, capsys):
    """A process that died holding OUT leaves its name there, and what it was writing."""
    done = in_a_process(
        """
        import os, signal
        from pathlib import Path
        from pipeline import run
        run.load = lambda _: os.kill(os.getpid(), signal.SIGKILL)
        """,
        *("run", lake, "--out", tmp_path / "out"),
    )
    assert done.returncode == -9
    left = (tmp_path / "out" / ".lock").read_text()
    assert left.startswith("process ")
    said = []
    with opened(tmp_path / "out", said.append):
        pass
    assert said[0].startswith(f"An earlier run was stopped before its end ({left}, since 2")
    with opened(tmp_path / "out", said.append):
        pass
    assert len(said) == 1
    assert {p.name for p in (tmp_path / "out").iterdir()} == {DATABASE, ".lock"}


READER = """
import sys, duckdb
con = duckdb.connect(sys.argv[1], read_only=True)
print(con.execute("from mart.told").fetchall(), flush=True)
sys.stdin.readline()
print(con.execute("from mart.told").fetchall(), flush=True)
"""


def read_elsewhere(path):
    return subprocess.Popen(
        [sys.executable, "-c", READER, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_readers_see_the_last_finished_run_while_another_works_and_hold_up_nobody(out):
    path = out / DATABASE
    with opened(out) as con:
        con.execute("create or replace table mart.told as select 'this month' as what")
        with read_elsewhere(path) as reader:  # opens while the run is at work
            assert reader.stdout.readline() == "[('last month',)]\n"
            reader.stdin.write("\n")
            reader.stdin.flush()
            assert reader.stdout.readline() == "[('last month',)]\n"
    with read_elsewhere(path) as reader:
        assert reader.stdout.readline() == "[('this month',)]\n"
        with opened(out) as con:  # a run begins and ends while somebody reads
            con.execute("create or replace table mart.told as select 'next month' as what")
        reader.stdin.write("\n")
        reader.stdin.flush()
        assert reader.stdout.readline() == "[('this month',)]\n"
    with duckdb.connect(str(path), read_only=True) as con:
        assert con.execute("from mart.told").fetchall() == [("next month",)]


def test_a_warehouse_that_somebody_else_writes_is_left_alone(lake, out, capsys):
    code = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print(1, flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(out / DATABASE)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        assert writer.stdout.readline() == "1\n"
        line = refused(capsys, "run", lake, "--out", out)
        assert "another program has it open for writing; accepted: read_only" in line
        writer.communicate("\n")
    require_kept(out)


@pytest.mark.parametrize("kind", ["link", "pipe"])
def test_a_warehouse_that_is_no_file_is_refused(lake, tmp_path, capsys, kind):
    (tmp_path / "out").mkdir()
    path = tmp_path / "out" / DATABASE
    path.symlink_to("/dev/full") if kind == "link" else os.mkfifo(path)
    line = refused(capsys, "run", lake, "--out", tmp_path / "out")
    assert "found a link or a device; accepted: a file" in line
