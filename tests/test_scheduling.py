"""A scheduled run really fires, with its history kept, and nothing calls outside this machine."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.lakes import write_small_lake

WATCHING = Path(__file__).parent / "watching"
EVERY_MINUTE = "* * * * *"


@pytest.fixture
def lake(tmp_path):
    return write_small_lake(tmp_path / "lake")


def watched(tmp_path: Path, **more: str) -> dict[str, str]:
    """An environment in which calls to other machines are refused and written down."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT")}
    calls = str(tmp_path / "calls")
    return {
        **kept,
        "PYTHONPATH": str(WATCHING),
        "DRUMLINE_CALLS": calls,
        "HOME": str(tmp_path),
        **more,
    }


def calls(tmp_path: Path) -> str:
    log = tmp_path / "calls"
    return log.read_text() if log.exists() else ""


def command(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "pipeline.cli", *map(str, arguments)]


def test_the_watch_itself_sees_a_call(tmp_path):
    code = "import urllib.request; urllib.request.urlopen('http://192.0.2.1/', timeout=1)"
    subprocess.run(
        [sys.executable, "-c", code], env=watched(tmp_path), capture_output=True, check=False
    )
    assert "192.0.2.1" in calls(tmp_path)


@pytest.mark.slow
def test_a_run_calls_nobody_and_writes_only_into_out(lake, tmp_path):
    home = tmp_path / "home"
    home.mkdir()
    env = watched(tmp_path, HOME=str(home))
    done = subprocess.run(
        command("run", lake, "--out", tmp_path / "out"),
        env=env, capture_output=True, text=True, timeout=200, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert calls(tmp_path) == ""
    assert list(home.rglob("*")) == []


def finished_runs(database: Path) -> list[str]:
    """States of the flow's runs in Prefect's own database."""
    if not database.exists():
        return []
    try:
        with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as con:
            return [state for (state,) in con.execute("select state_type from flow_run")]
    except sqlite3.OperationalError:  # the server is still making its tables
        return []


def task_names(database: Path) -> set[str]:
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as con:
        return {name.rsplit("-", 1)[0] for (name,) in con.execute("select name from task_run")}


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_a_scheduled_run_fires_and_its_history_is_kept_inside_out(lake, tmp_path):
    out, home = tmp_path / "out", tmp_path / "home"
    home.mkdir()
    history = out / ".prefect" / "prefect.db"
    with (tmp_path / "said").open("w") as log:
        process = subprocess.Popen(
            command("schedule", lake, "--out", out, "--cron", EVERY_MINUTE),
            env=watched(tmp_path, HOME=str(home)), stdout=log, stderr=log, start_new_session=True,
        )  # fmt: skip
        try:
            deadline = time.monotonic() + 200
            while time.monotonic() < deadline and "COMPLETED" not in finished_runs(history):
                assert process.poll() is None, (tmp_path / "said").read_text()
                time.sleep(1)
        finally:
            os.killpg(process.pid, signal.SIGINT)
            try:
                process.wait(timeout=30)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()
    said = (tmp_path / "said").read_text()
    assert "COMPLETED" in finished_runs(history), said
    assert (out / "published" / "index.html").exists()
    assert {"Load the lake", "Judge every row", "Publish the month"} <= task_names(history)
    assert calls(tmp_path) == ""
    assert list(home.rglob("*")) == []


def test_a_cron_that_is_none_is_said_in_one_line(lake, tmp_path):
    done = subprocess.run(
        command("schedule", lake, "--out", tmp_path / "out", "--cron", "every day"),
        env=watched(tmp_path), capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert 'found "every day"; accepted: five fields' in done.stderr
    assert done.stderr.count("\n") == 1
