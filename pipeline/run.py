"""One run: the stages in order, over one lake and one warehouse."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import polars as pl

from dashboards.drawing.svg import start_drawing
from models.relines.past_errors import PastErrors
from pipeline.commands.asking import keep_for_asking
from pipeline.lake import loading
from pipeline.lake.lake import lake_size, opened_lake
from pipeline.marts.adjustment import judge_drift
from pipeline.marts.budget import (
    Futures,
    budget_frames,
    simulated_futures,
    write_budget_marts,
)
from pipeline.marts.flags import write_flag_marts
from pipeline.marts.planning.chapter import write_planning_marts
from pipeline.marts.results import Drift, Fits, Forecasts
from pipeline.marts.setting_quality import write_setting_quality
from pipeline.marts.status import write_month, write_status
from pipeline.places import Place
from pipeline.publish import publishing
from pipeline.settings import Settings
from pipeline.stages.backtesting import write_backtest
from pipeline.stages.fitting import fit_fleet, write_chapter
from pipeline.stages.forecasting import forecast_relines, linings_now
from pipeline.stages.origins import flags_before, judged_by, months_before, origins, origins_inputs
from pipeline.warehouse import spark, warehouse
from pipeline.warehouse.background import IN_PLACE, Future, Worker, second_process
from pipeline.warehouse.incremental import counted_together, restage
from pipeline.warehouse.invariants import require_invariants

# How far back flags alone are made again, and held against what happened since.
FLAGS_MONTHS = 1


@dataclass(slots=True)
class Run:
    """What the stages of one run share."""

    con: duckdb.DuckDBPyConnection
    lake: Place
    out: Path
    settings: Settings
    started_at: dt.datetime
    given_as_of: dt.date | None = None
    as_of: dt.date | None = None
    worker: Worker = IN_PLACE
    fits: Fits | None = None
    past: Future | None = None
    chapter: Future | None = None
    library: Future | None = None
    drift: Drift | None = None
    forecasts: Forecasts | None = None
    futures: Futures | None = None
    past_errors: PastErrors | None = None
    tell: Callable[[str], None] = field(default=lambda _: None)

    @property
    def on_spark(self) -> bool:
        return self.settings.engine.kind == "spark"

    @property
    def day(self) -> dt.date:
        """The as-of day, known once the rows have been judged."""
        assert self.as_of is not None
        return self.as_of

    @property
    def linings(self) -> pl.DataFrame:
        """Every lining as estimated on the as-of day; no rows where nothing can be estimated."""
        return self.forecasts.linings if self.forecasts else linings_now(self.con, None)


@dataclass(frozen=True, slots=True)
class Stage:
    """A named step of a run. ``retries`` only where trying again can help: reading a share."""

    name: str
    does: Callable[[Run], None]
    retries: int = 0


def load(run: Run) -> None:
    loading.load(run.con, run.lake, run.settings, run.started_at, run.tell)


def judge(run: Run) -> None:
    today = run.started_at.date()
    engine = spark.restage if run.on_spark else restage
    run.as_of = engine(run.con, run.settings, today, run.given_as_of)
    run.past = run.worker.submit_over(
        run.con, origins_inputs(), origins, run.settings, run.day, today
    )


def reduce(run: Run) -> None:
    if run.on_spark:  # it has counted while it staged
        return
    with warehouse.transaction(run.con):
        warehouse.build(run.con, "30_reduce", counted_together())


def fit(run: Run) -> None:
    with warehouse.transaction(run.con):
        run.fits, run.chapter = fit_fleet(run.con, run.settings, run.day, run.worker)
    run.library = run.worker.submit(start_drawing)


def forecast(run: Run) -> None:
    assert run.fits is not None
    run.forecasts = forecast_relines(run.con, run.fits, run.day)
    # Drawn now, while earlier origins are worked out in the second process.
    if run.forecasts:
        run.futures = simulated_futures(run.forecasts.fleet, run.settings, run.day)


def drift(run: Run) -> None:
    assert run.fits is not None
    run.drift = judge_drift(run.con, run.settings, run.fits, run.linings, run.day)


def look_back(run: Run) -> None:
    assert run.fits is not None
    assert run.past is not None
    day, today = months_before(run.day, FLAGS_MONTHS), run.started_at.date()
    last = flags_before(run.con, run.settings, day, today, run.drift, run.fits, run.linings)
    past = [last] if last else []
    past += [judged_by(run.drift, then) for then in run.past.result()]
    with warehouse.transaction(run.con):
        precision = write_flag_marts(run.con, run.drift, past, run.day)
        now = run.forecasts.fleet if run.forecasts else None
        run.past_errors = write_backtest(run.con, past, precision, now, run.day)


def mart(run: Run) -> None:
    assert run.fits is not None
    assert run.chapter is not None
    chapter = run.chapter.result()
    with warehouse.transaction(run.con):
        write_chapter(run.con, run.fits.wear, chapter)
        write_status(run.con, run.settings, run.drift, run.forecasts, run.day)
        futures, past = run.futures, run.past_errors
        fleet = run.forecasts.fleet if run.forecasts else None
        budget = budget_frames(futures, run.settings, past) if futures else None
        write_budget_marts(run.con, budget)
        agreed = futures.all_event_counts[0].agreed if futures else None
        keep_for_asking(run.con, fleet, agreed, past, run.settings, run.day)
        write_month(run.con, run.day)
        write_setting_quality(run.con, run.settings.adjustment)
        write_planning_marts(run.con, run.settings, run.fits, fleet, budget, run.day)
        warehouse.build(run.con, "40_mart")


def check_results(run: Run) -> None:
    require_invariants(run.con)


def publish(run: Run) -> None:
    publishing.publish(run.con, run.settings, run.out, run.day, run.worker, run.library)


STAGES = (
    Stage("Load the lake", load, retries=2),
    Stage("Judge and stage what has changed", judge),
    Stage("Count what is staged", reduce),
    Stage("Fit wear, use and adjuster lives", fit),
    Stage("Forecast relines", forecast),
    Stage("Judge adjustment", drift),
    Stage("Look back at earlier origins", look_back),
    Stage("Fill the marts", mart),
    Stage("Check the results", check_results),
    Stage("Publish the month", publish),
)


def settings_of(lake: Place) -> Settings:
    with opened_lake(lake) as opened:
        return opened.settings()


def run_stages(run: Run, around: Callable[[Stage], Callable[[Run], None]]) -> None:
    """Every stage in turn, each called through what ``around`` makes of it."""
    with second_process(lake_size(run.lake)) as run.worker:
        for step in STAGES:
            around(step)(run)
