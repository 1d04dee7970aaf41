"""One run: the stages in order, over one lake and one warehouse."""

import datetime as dt
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import duckdb

from pipeline import judging, loading, publishing, warehouse
from pipeline.backtesting import write_backtest
from pipeline.budget_marts import write_budget_marts
from pipeline.drift_marts import Drift, judge_drift
from pipeline.fitting import Fits, fit_fleet
from pipeline.flag_marts import write_flag_marts
from pipeline.forecasting import Forecasts, forecast_relines
from pipeline.origins import months_before, origin
from pipeline.setting_marts import write_setting_quality
from pipeline.settings import Settings, load_settings
from pipeline.status import write_month, write_status

SETTINGS_FILE = "fleet.toml"
# How far back forecasts and flags are made again, and held against what happened since.
ORIGIN_MONTHS = (1, 3, 6, 12)
# Origins have nothing in common but what they read.
WORKERS = 2


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
    fits: Fits | None = None
    drift: Drift | None = None
    forecasts: Forecasts | None = None
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
    run.as_of = judging.judge(run.con, run.settings, run.started_at.date(), run.given_as_of)


def stage(run: Run) -> None:
    with warehouse.transaction(run.con):
        warehouse.build(run.con, "20_stage")


def reduce(run: Run) -> None:
    with warehouse.transaction(run.con):
        warehouse.build(run.con, "30_reduce")


def fit(run: Run) -> None:
    with warehouse.transaction(run.con):
        run.fits = fit_fleet(run.con, run.settings, run.day)


def drift(run: Run) -> None:
    assert run.fits is not None
    run.drift = judge_drift(run.con, run.settings, run.fits, run.day)


def forecast(run: Run) -> None:
    assert run.fits is not None
    run.forecasts = forecast_relines(run.con, run.fits, run.day)


def look_back(run: Run) -> None:
    today = run.started_at.date()
    days = [months_before(run.day, months) for months in ORIGIN_MONTHS]
    with ThreadPoolExecutor(WORKERS) as pool:
        asked = [
            pool.submit(origin, run.con.cursor(), run.settings, run.drift, day, today)
            for day in days
        ]
        past = [answer.result() for answer in asked]
    with warehouse.transaction(run.con):
        origins = [o for o in past if o is not None]
        precision = write_flag_marts(run.con, run.drift, origins, run.day)
        write_backtest(run.con, origins, precision, run.day)


def mart(run: Run) -> None:
    assert run.fits is not None
    with warehouse.transaction(run.con):
        write_status(run.con, run.fits, run.drift, run.forecasts, run.day)
        write_budget_marts(run.con, run.settings, run.forecasts, run.day)
        write_month(run.con, run.day)
        write_setting_quality(run.con, run.settings.adjustment)
        warehouse.build(run.con, "40_mart")


def publish(run: Run) -> None:
    publishing.publish(run.con, run.settings, run.out, run.day)


STAGES = (
    Stage("Load the lake", load, retries=2),
    Stage("Judge every row", judge),
    Stage("Stage lives and episodes", stage),
    Stage("Reduce to sums and counts", reduce),
    Stage("Fit wear, use and adjuster lives", fit),
    Stage("Judge adjustment", drift),
    Stage("Forecast relines", forecast),
    Stage("Look back at earlier origins", look_back),
    Stage("Fill the marts", mart),
    Stage("Publish the month", publish),
)


def settings_of(lake: Path) -> Settings:
    return load_settings(lake / SETTINGS_FILE)


def run_stages(run: Run, around: Callable[[Stage], Callable[[Run], None]]) -> None:
    """Every stage in turn, each called through what ``around`` makes of it."""
    for step in STAGES:
        around(step)(run)
