"""The run as a Prefect flow: each stage in a thin task, so that its history can be looked up.

Importing this module imports Prefect, which takes a second and reads its settings from the
environment: only ``pipeline.scheduling`` and tracked runs do so, after setting its home.
"""

import datetime as dt
from collections.abc import Callable
from typing import TypeVar

from prefect import Task, flow, task
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State, TaskRun

from pipeline.commands import report
from pipeline.errors import UserError
from pipeline.lake.lake import lake_size
from pipeline.out.disk import disk_warning
from pipeline.out.outputs import opened_out
from pipeline.places import place
from pipeline.run import Run, Stage, run_stages, settings_of

T = TypeVar("T")


def _worth_retrying(_task: Task[..., object], _run: TaskRun, state: State[object]) -> bool:
    """A share that was away may come back; a setting that is wrong stays wrong."""
    return not isinstance(state.result(raise_on_failure=False), UserError)


def _as_task(stage: Stage, does: Callable[[], T]) -> T:
    """Done as a task without parameters: Prefect would walk through whatever it is given."""

    def step() -> T:
        return does()

    return task(
        name=stage.name,
        retries=stage.retries,
        retry_delay_seconds=10,
        retry_condition_fn=_worth_retrying,
        cache_policy=NO_CACHE,
        persist_result=False,
    )(step)()


@flow(name="drumline", persist_result=False, log_prints=True)
def drumline_flow(lake: str, out: str, as_of: str | None = None) -> None:
    """Load, judge, fit, forecast and publish one lake."""
    records, pages = place(lake), place(out)
    settings = settings_of(records)
    given = dt.date.fromisoformat(as_of) if as_of else None
    if short := disk_warning(lake_size(records), pages):
        print(short)
    with opened_out(pages, print) as held:
        now = dt.datetime.now()
        run = Run(held.con, records, held.folder, settings, now, given_as_of=given)
        day = run_stages(run, _as_task)
        summary = report.summary(run, pages, day)
    for line in report.summary_lines(summary):
        print(line)
