"""``drumline run`` in this process, with its progress."""

import datetime as dt
from collections.abc import Callable
from functools import partial

from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from pipeline.commands import report
from pipeline.lake.lake import usable_settings
from pipeline.out.outputs import opened_out
from pipeline.places import Place
from pipeline.run import Run, Stage, run_stages


def run_once(
    lake: Place, out: Place, as_of: dt.date | None, now: dt.datetime, console: Console
) -> report.Summary:
    """All stages, in this process, with progress on a terminal and plain lines elsewhere."""
    settings = usable_settings(lake)
    tell = partial(console.print, markup=False)
    with opened_out(out, tell) as held:
        run = Run(held.con, lake, held.folder, settings, now, given_as_of=as_of)
        with _progress(console) as around:
            run_stages(run, around)
        return report.summary(run, out)


class _progress:  # noqa: N801
    """A spinner per stage on a terminal; one plain line per stage otherwise."""

    def __init__(self, console: Console) -> None:
        self._console = console
        columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
        self._bars = Progress(*columns, console=console) if console.is_terminal else None

    def __enter__(self) -> Callable[[Stage], Callable[[Run], None]]:
        if self._bars:
            self._bars.start()
        return self._around

    def __exit__(self, *_: object) -> None:
        if self._bars:
            self._bars.stop()

    def _around(self, stage: Stage) -> Callable[[Run], None]:
        def shown(run: Run) -> None:
            if self._bars is None:
                self._console.print(stage.name)
                stage.does(run)
                return
            bar = self._bars.add_task(stage.name, total=1)
            run.tell = lambda what: self._bars.update(bar, description=f"{stage.name}: {what}")  # type: ignore[union-attr]
            stage.does(run)
            self._bars.update(bar, completed=1, description=stage.name)

        return shown
