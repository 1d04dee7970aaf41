"""A scheduled run really fires, with its history kept, and nothing calls outside this machine."""

import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests import ROOT
from tests.lakes import write_small_lake

WATCHING = ROOT / "tests" / "watching"
# A sixth field, seconds, is for tests: the command asks users for five.
OFTEN = "* * * * * */5"


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


@pytest.mark.proof
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


def finished_in_pool(database: Path) -> list[str]:
    """Runs of the pool's worker that have ended well."""
    asked = """select r.id from flow_run r inner join work_queue q on q.id = r.work_queue_id
        inner join work_pool p on p.id = q.work_pool_id
        where p.name = 'brakes' and r.state_type = 'COMPLETED'"""
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as con:
        return [name for (name,) in con.execute(asked)]


def task_names(database: Path) -> set[str]:
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as con:
        return {name.rsplit("-", 1)[0] for (name,) in con.execute("select name from task_run")}


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
    told: list[str], env: dict[str, str], said: Path, ended_by: int = signal.SIGTERM
) -> Iterator["subprocess.Popen[bytes]"]:
    """A process with all that it starts, ended afterwards."""
    with said.open("w") as log:
        process = subprocess.Popen(told, env=env, stdout=log, stderr=log, start_new_session=True)
        try:
            yield process
        finally:
            os.killpg(process.pid, ended_by)
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()


@dataclass(frozen=True, slots=True)
class Scheduled:
    """``drumline schedule`` at work, with the server that it started."""

    out: Path
    home: Path
    said: Path
    address: str

    @property
    def history(self) -> Path:
        return self.out / ".prefect" / "prefect.db"


def waited_for(happened: Callable[[], object], process: "subprocess.Popen[bytes]", said: Path):
    """What ``happened`` yields, as soon as that is something; the process must live until then."""
    deadline = time.monotonic() + 200
    while not (found := happened()):
        assert process.poll() is None, said.read_text()
        assert time.monotonic() < deadline, said.read_text()
        time.sleep(0.3)
    return found


@pytest.fixture(scope="module")
def scheduled(tmp_path_factory):
    """A schedule that has made a run: due every few seconds, so that nobody waits for a minute."""
    base = tmp_path_factory.mktemp("scheduled")
    out, home, said = base / "out", base / "home", base / "said"
    home.mkdir()
    env = watched(base, HOME=str(home), PREFECT_RUNNER_POLL_FREQUENCY="1")
    told = command("schedule", write_small_lake(base / "lake"), "--out", out, "--cron", OFTEN)
    with background(told, env, said, signal.SIGINT) as process:

        def address():
            return re.search(r"Run history: (\S+?)\.? ", said.read_text())

        found = waited_for(address, process, said)
        made = Scheduled(out, home, said, f"{found[1]}/api")
        waited_for(lambda: "COMPLETED" in finished_runs(made.history), process, said)
        # Asleep, so that only the pool's worker makes what comes next; its server lives on.
        process.send_signal(signal.SIGSTOP)
        yield made
        process.send_signal(signal.SIGCONT)


@pytest.mark.proof
@pytest.mark.timeout(280)
def test_a_scheduled_run_fires_and_its_history_is_kept_inside_out(scheduled):
    assert (scheduled.out / "published" / "index.html").exists()
    names = {"Load the lake", "Count what is staged", "Publish the month"}
    assert names <= task_names(scheduled.history)
    assert calls(scheduled.home.parent) == ""
    assert list(scheduled.home.rglob("*")) == []


@pytest.mark.proof
@pytest.mark.timeout(280)
def test_a_worker_of_a_pool_makes_the_runs(scheduled, lake, tmp_path):
    """A worker on this machine; the schedule is left with the server, as on any other."""
    out, home = tmp_path / "out", tmp_path / "home"
    home.mkdir()
    env = watched(
        tmp_path, HOME=str(home), PREFECT_HOME=str(home / "prefect"),
        PREFECT_API_URL=scheduled.address, PREFECT_SERVER_ANALYTICS_ENABLED="false",
        DO_NOT_TRACK="1", PREFECT_WORKER_QUERY_SECONDS="1",
    )  # fmt: skip
    # Prefect's own commands ask elsewhere for a list of pool types; they do without an answer.
    own = {**env, "DRUMLINE_CALLS": str(tmp_path / "own_calls")}
    missing = subprocess.run(
        command("schedule", lake, "--out", out, "--cron", "0 5 1 * *", "--pool", "none"),
        env=env, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert missing.returncode == 2
    assert missing.stderr.count("\n") == 1
    assert '--pool: found "none"; accepted: a work pool of the server at' in missing.stderr
    create = prefect("work-pool", "create", "brakes", "--type", "process")
    subprocess.run(create, env=own, check=True, capture_output=True, timeout=100)
    handed = subprocess.run(
        command("schedule", lake, "--out", out, "--cron", "0 5 1 * *", "--pool", "brakes"),
        env=env, capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert handed.returncode == 0, handed.stderr
    now = prefect("deployment", "run", "drumline/scheduled")
    subprocess.run(now, env=own, check=True, capture_output=True, timeout=100)
    worker, said = prefect("worker", "start", "--pool", "brakes"), tmp_path / "worker"
    with background(worker, own, said) as process:
        waited_for((out / "published" / "index.html").exists, process, said)
        waited_for(lambda: finished_in_pool(scheduled.history), process, said)
    assert calls(tmp_path) == ""


def test_a_pool_without_a_server_is_said_in_one_line(lake, tmp_path):
    done = subprocess.run(
        command("schedule", lake, "--out", tmp_path / "out", "--cron", "0 5 1 * *", "--pool", "p"),
        env=watched(tmp_path), capture_output=True, text=True, timeout=100, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "PREFECT_API_URL" in done.stderr
    assert done.stderr.count("\n") == 1
