"""A scheduled run really fires, with its history kept, and nothing calls outside this machine."""

import os
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests import ROOT
from tests.lakes import write_small_lake

WATCHING = ROOT / "tests" / "watching"
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
    assert {"Load the lake", "Count what is staged", "Publish the month"} <= task_names(history)
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


def prefect(*arguments: object) -> list[str]:
    return [sys.executable, "-m", "prefect", *map(str, arguments)]


@contextmanager
def background(
    told: list[str], env: dict[str, str], said: Path
) -> Iterator["subprocess.Popen[bytes]"]:
    """A process with all that it starts, ended afterwards."""
    with said.open("w") as log:
        process = subprocess.Popen(told, env=env, stdout=log, stderr=log, start_new_session=True)
        try:
            yield process
        finally:
            os.killpg(process.pid, signal.SIGTERM)
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()


def answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(f"{address}/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_a_worker_of_a_pool_makes_the_runs(lake, tmp_path):
    """A server and a worker on loopback; the schedule is left with the server."""
    out, home = tmp_path / "out", tmp_path / "home"
    home.mkdir()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"http://127.0.0.1:{port}/api"
    env = watched(
        tmp_path, HOME=str(home), PREFECT_HOME=str(home / "prefect"), PREFECT_API_URL=address,
        PREFECT_SERVER_ANALYTICS_ENABLED="false", DO_NOT_TRACK="1",
    )  # fmt: skip
    # Prefect's own commands ask elsewhere for a list of pool types; they do without an answer.
    own = {**env, "DRUMLINE_CALLS": str(tmp_path / "own_calls")}
    history = home / "prefect" / "prefect.db"
    server = prefect("server", "start", "--host", "127.0.0.1", "--port", port)
    worker = prefect("worker", "start", "--pool", "brakes", "--type", "process")
    with background(server, own, tmp_path / "server") as up:
        deadline = time.monotonic() + 200
        while not answers(address):
            assert up.poll() is None, (tmp_path / "server").read_text()
            assert time.monotonic() < deadline
            time.sleep(0.5)
        missing = subprocess.run(
            command("schedule", lake, "--out", out, "--cron", EVERY_MINUTE, "--pool", "none"),
            env=env, capture_output=True, text=True, timeout=100, check=False,
        )  # fmt: skip
        assert missing.returncode == 2
        assert missing.stderr.count("\n") == 1
        assert "none" in missing.stderr
        create = prefect("work-pool", "create", "brakes", "--type", "process")
        subprocess.run(create, env=own, check=True, capture_output=True, timeout=100)
        handed = subprocess.run(
            command("schedule", lake, "--out", out, "--cron", "0 5 1 * *", "--pool", "brakes"),
            env=env, capture_output=True, text=True, timeout=100, check=False,
        )  # fmt: skip
        assert handed.returncode == 0, handed.stderr
        now = prefect("deployment", "run", "drumline/scheduled")
        subprocess.run(now, env=own, check=True, capture_output=True, timeout=100)
        with background(worker, own, tmp_path / "worker"):
            while time.monotonic() < deadline and "COMPLETED" not in finished_runs(history):
                time.sleep(1)
    assert "COMPLETED" in finished_runs(history), (tmp_path / "worker").read_text()
    assert (out / "published" / "index.html").exists()
    assert calls(tmp_path) == ""


def test_a_pool_without_a_server_is_said_in_one_line(lake, tmp_path):
    done = subprocess.run(
        command("schedule", lake, "--out", tmp_path / "out", "--cron", "0 5 1 * *", "--pool", "p"),
        env=watched(tmp_path), capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "PREFECT_API_URL" in done.stderr
    assert done.stderr.count("\n") == 1
