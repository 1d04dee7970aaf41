"""``drumline run`` in this process, with its progress."""

import datetime as dt
from collections.abc import Callable
from functools import partial
from typing import Self, TypeVar

from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TaskID, TextColumn, TimeElapsedColumn

from pipeline.commands import report
from pipeline.lake.lake import lake_size, require_apart, usable_settings
from pipeline.out.disk import disk_warning
from pipeline.out.outputs import opened_out
from pipeline.places import Place
from pipeline.run import Run, Stage, run_stages

T = TypeVar("T")


def run_once(
    lake: Place, out: Place, as_of: dt.date | None, now: dt.datetime, console: Console
) -> report.Summary:
    """All stages, in this process, with progress on a terminal and plain lines elsewhere."""
    require_apart(lake, out)
    settings = usable_settings(lake)
    if short := disk_warning(lake_size(lake), out):
        console.print(short, markup=False, soft_wrap=True)
    with opened_out(out, partial(console.print, markup=False)) as held:
        with _Progress(console) as progress:
            run = Run(held.con, lake, held.folder, settings, now, as_of, tell=progress.tell)
            day = run_stages(run, progress.around)
        return report.summary(run, out, day)


class _Progress:
    """A spinner per stage on a terminal; one plain line per stage otherwise."""

    def __init__(self, console: Console) -> None:
        self._console = console
        columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
        self._bars = Progress(*columns, console=console) if console.is_terminal else None
        self._bar = TaskID(0)
        self._name = ""

    def __enter__(self) -> Self:
        if self._bars:
            self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bars:
            self._bars.stop()

    def tell(self, what: str) -> None:
        """How far the stage at work has come."""
        if self._bars:
            self._bars.update(self._bar, description=f"{self._name}: {what}")

    def around(self, stage: Stage, does: Callable[[], T]) -> T:
        """Do a stage, and show that it is done."""
        if self._bars is None:
            self._console.print(stage.name)
            return does()
        self._bar, self._name = self._bars.add_task(stage.name, total=1), stage.name
        found = does()
        self._bars.update(self._bar, completed=1, description=stage.name)
        return found
