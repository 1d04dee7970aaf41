"""Runs on a schedule, and runs whose history a Prefect server keeps.

Prefect's home is inside OUT and its analytics are off, so nothing is written elsewhere and no
address outside this machine is asked for. A schedule only fires while a server runs: one is started
on this machine's loopback unless ``PREFECT_API_URL`` names another.
"""

import datetime as dt
import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console

from pipeline.errors import UserError
from pipeline.places import Place, absolute

SERVER_START_S = 60.0


def set_environment(out: Place) -> None:
    """Prefect's settings; they must stand before Prefect is first imported."""
    if isinstance(out, Path):
        try:
            (out / ".prefect").mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UserError(f"{out}: cannot be written: {error.strerror}") from None
        os.environ.setdefault("PREFECT_HOME", str((out / ".prefect").resolve()))
    elif "PREFECT_HOME" not in os.environ:
        raise UserError(
            f"{out}: the history of runs needs a folder of this machine; accepted: PREFECT_HOME, "
            "set to one"
        )
    os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
    os.environ["PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY"] = "false"
    os.environ["DO_NOT_TRACK"] = "1"


def tracked_run(lake: Place, out: Place, as_of: dt.date | None) -> None:
    """One run, its history kept by the server that ``PREFECT_API_URL`` names."""
    set_environment(out)
    from pipeline.flow import drumline_flow

    drumline_flow(absolute(lake), absolute(out), as_of.isoformat() if as_of else None)


def serve(lake: Place, out: Place, cron: str, console: Console) -> None:
    """Run the flow whenever ``cron`` says, until stopped.

    Raises
    ------
    UserError
        ``cron`` is not a schedule, or no local server comes up.
    """
    set_environment(out)
    from prefect.settings import PREFECT_API_URL, temporary_settings
    from prefect.types.entrypoint import EntrypointType

    from pipeline.flow import drumline_flow

    _require_schedule(cron)
    with _server(console) as address, temporary_settings({PREFECT_API_URL: address}):
        history = address.removesuffix("/api")
        console.print(f"Scheduled: {cron}. Run history: {history}. Ctrl-C stops.", markup=False)
        drumline_flow.serve(
            name="scheduled",
            cron=cron,
            parameters={"lake": absolute(lake), "out": absolute(out)},
            entrypoint_type=EntrypointType.MODULE_PATH,
            print_starting_message=False,
            limit=1,
        )


def hand_over(lake: Place, out: Place, cron: str, pool: str, console: Console) -> None:
    """Leave the schedule with the server that ``PREFECT_API_URL`` names, for a worker of a pool.

    The worker's machine has Drumline installed and sees the lake and OUT under the same names.

    Raises
    ------
    UserError
        No server is named, it does not answer, or it has no such pool; ``cron`` is not a schedule.
    """
    server = os.environ.get("PREFECT_API_URL")
    if not server:
        raise UserError("--pool: found no server; accepted: its address in PREFECT_API_URL")
    set_environment(out)
    from httpx import HTTPError
    from prefect.client.orchestration import get_client
    from prefect.deployments.runner import DeploymentApplyError, RunnerDeployment
    from prefect.exceptions import ObjectNotFound
    from prefect.types.entrypoint import EntrypointType

    from pipeline.flow import drumline_flow

    _require_schedule(cron)
    deployment = RunnerDeployment.from_flow(
        drumline_flow,
        name="scheduled",
        cron=cron,
        parameters={"lake": absolute(lake), "out": absolute(out)},
        work_pool_name=pool,
        entrypoint_type=EntrypointType.MODULE_PATH,
        concurrency_limit=1,
    )
    try:
        # A server that has the deployment already fails, and does not say why, on an unknown pool.
        with get_client(sync_client=True) as client:
            client.read_work_pool(pool)
        deployment.apply()
    except ObjectNotFound:
        accepted = f"a work pool of the server at {server}"
        raise UserError(f'--pool: found "{pool}"; accepted: {accepted}') from None
    except DeploymentApplyError as error:
        line = str(error).strip().splitlines()[0]
        raise UserError(f"--pool {pool}: the server at {server} says: {line}") from None
    except HTTPError as error:
        raise UserError(f"PREFECT_API_URL: {server} does not answer: {error}") from None
    console.print(f"Scheduled: {cron}, for a worker of the pool {pool}.", markup=False)


def _require_schedule(cron: str) -> None:
    from prefect.client.schemas.schedules import CronSchedule

    try:
        CronSchedule(cron=cron)
    except ValueError:
        accepted = 'five fields such as "0 5 1 * *" (05:00 on the first of each month)'
        raise UserError(f'--cron: found "{cron}"; accepted: {accepted}') from None


@contextmanager
def _server(console: Console) -> Iterator[str]:
    """The configured server's address, or that of one started for as long as we run."""
    configured = os.environ.get("PREFECT_API_URL")
    if configured:
        yield configured
        return
    port = _free_port()
    console.print("Starting a local Prefect server", markup=False)
    command = [sys.executable, "-m", "prefect", "server", "start"]
    process = subprocess.Popen(
        [*command, "--host", "127.0.0.1", "--port", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        address = f"http://127.0.0.1:{port}/api"
        _wait_until_healthy(process, address)
        yield address
    finally:
        process.terminate()
        process.wait(timeout=30)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _wait_until_healthy(process: "subprocess.Popen[bytes]", address: str) -> None:
    deadline = time.monotonic() + SERVER_START_S
    while time.monotonic() < deadline and process.poll() is None:
        try:
            with urllib.request.urlopen(f"{address}/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.3)
    raise UserError(f"the local Prefect server did not answer within {SERVER_START_S:g} s")
