"""One run: the stages in order, over one lake and one warehouse."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from pipeline import loading, stages, warehouse
from pipeline.settings import Settings, load_settings

SETTINGS_FILE = "fleet.toml"


@dataclass(slots=True)
class Run:
    """What the stages of one run share."""

    con: duckdb.DuckDBPyConnection
    lake: Path
    out: Path
    settings: Settings
    started_at: dt.datetime
    given_as_of: dt.date | None = None
    as_of: dt.date | None = None
    tell: Callable[[str], None] = field(default=lambda _: None)

    @property
    def day(self) -> dt.date:
        """The as-of day, known once the rows have been judged."""
        assert self.as_of is not None
        return self.as_of


@dataclass(frozen=True, slots=True)
class Stage:
    """A named step of a run. ``retries`` only where trying again can help: reading a share."""

    name: str
    does: Callable[[Run], None]
    retries: int = 0


def load(run: Run) -> None:
    loading.load(run.con, run.lake, run.settings, run.started_at, run.tell)


def judge(run: Run) -> None:
    run.as_of = stages.judge(run.con, run.settings, run.started_at.date(), run.given_as_of)


def stage(run: Run) -> None:
    stages.stage(run.con)


def mart(run: Run) -> None:
    with warehouse.transaction(run.con):
        warehouse.build(run.con, "40_mart")


STAGES = (
    Stage("Load the lake", load, retries=2),
    Stage("Judge every row", judge),
    Stage("Stage lives and episodes", stage),
    Stage("Fill the marts", mart),
)


def settings_of(lake: Path) -> Settings:
    return load_settings(lake / SETTINGS_FILE)


def run_stages(run: Run, around: Callable[[Stage], Callable[[Run], None]]) -> None:
    """Every stage in turn, each called through what ``around`` makes of it."""
    for step in STAGES:
        around(step)(run)
