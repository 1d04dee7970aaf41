"""One run: the stages in order, over one lake and one warehouse.

A stage takes what the run was given and what earlier stages found, and returns what it found;
``run_stages`` hands it on.
"""

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib import import_module
from itertools import chain
from pathlib import Path
from typing import Protocol, TypeVar

import duckdb
import polars as pl

from dashboards.drawing.svg import start_drawing
from models.relines.simulation.simulate import FleetModel
from pipeline.commands.asking import keep_for_asking
from pipeline.lake import loading
from pipeline.lake.lake import lake_size, opened_lake
from pipeline.marts.adjustment import judge_drift
from pipeline.marts.budget import (
    DEPOT_FUTURES,
    Futures,
    budget_frames,
    simulated_futures,
    write_budget_marts,
)
from pipeline.marts.budget_terms import months_of
from pipeline.marts.flags import write_flag_marts
from pipeline.marts.lives.failures import failures_ahead, write_failure_marts
from pipeline.marts.lives.fits import GroupLives
from pipeline.marts.planning.chapter import write_planning_marts
from pipeline.marts.planning.plan import Ahead
from pipeline.marts.planning.stock import lead_days
from pipeline.marts.results import Drift, FailuresAhead, Fits, Forecasts, Missed, Origin
from pipeline.marts.setting_quality import write_setting_quality
from pipeline.marts.status import write_month, write_status
from pipeline.places import Place
from pipeline.settings import Settings
from pipeline.stages.backtesting import looked_back, records_since, write_backtest
from pipeline.stages.fitting import fit_fleet, write_chapter
from pipeline.stages.forecasting import forecast_relines, linings_now
from pipeline.stages.origins import (
    earliest_origins,
    flags_before,
    judged_by,
    months_before,
    recent_origins,
)
from pipeline.warehouse import spark, warehouse
from pipeline.warehouse.background import IN_PLACE, Future, Worker, second_process
from pipeline.warehouse.incremental import counted_together, restage
from pipeline.warehouse.invariants import require_invariants
from pipeline.warehouse.memory import bound_memory, tables_aside

PUBLISHING = "pipeline.publish.publishing"
# How far back flags alone are made again, and held against what happened since.
FLAGS_MONTHS = 1


T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Run:
    """What a run is given; ``tell`` says how far the stage at work has come."""

    con: duckdb.DuckDBPyConnection
    lake: Place
    out: Path
    settings: Settings
    started_at: dt.datetime
    given_as_of: dt.date | None = None
    worker: Worker = IN_PLACE
    tell: Callable[[str], None] = lambda _: None

    @property
    def on_spark(self) -> bool:
        return self.settings.engine.kind == "spark"


@dataclass(frozen=True, slots=True)
class Judged:
    """The as-of day; and ``past``, recent origins, as they are worked out beside the run."""

    as_of: dt.date
    past: Iterator[Origin]


@dataclass(frozen=True, slots=True)
class Fitted:
    """The fits; and the adjusters' chapter, the earliest origins and the page's library, in the
    making beside the run."""

    fits: Fits
    lives: GroupLives
    chapter: Future
    earliest: Future
    library: Future


@dataclass(frozen=True, slots=True)
class Forecast:
    """``forecasts`` and ``futures`` are None where the readings allow no wear fit; ``linings`` then
    has no rows. ``failures`` is None where none has been found failed."""

    forecasts: Forecasts | None
    futures: Futures | None
    linings: pl.DataFrame
    failures: FailuresAhead | None

    @property
    def fleet(self) -> FleetModel | None:
        return self.forecasts.fleet if self.forecasts else None


@dataclass(frozen=True, slots=True)
class Results:
    """All that the stages before the marts found."""

    judged: Judged
    fitted: Fitted
    forecast: Forecast
    drift: Drift | None
    missed: Missed


@dataclass(frozen=True, slots=True)
class Stage:
    """The name of a step. ``retries`` only where trying again can help: reading a share."""

    name: str
    retries: int = 0


STAGES = LOAD, JUDGE, REDUCE, FIT, FORECAST, DRIFT, LOOK_BACK, MART, CHECK, PUBLISH = (
    Stage("Load the lake", retries=2),
    Stage("Judge and stage what has changed"),
    Stage("Count what is staged"),
    Stage("Fit wear, use and adjuster lives"),
    Stage("Forecast relines"),
    Stage("Judge adjustment"),
    Stage("Look back at earlier origins"),
    Stage("Fill the marts"),
    Stage("Check the results"),
    Stage("Publish the month"),
)


class Around(Protocol):
    """Does a stage's work, and whatever belongs around it: a line, a clock, a task on record."""

    def __call__(self, stage: Stage, does: Callable[[], T], /) -> T: ...


def plainly(_: Stage, does: Callable[[], T]) -> T:
    """Nothing around it."""
    return does()


def load(run: Run) -> None:
    bound_memory(run.con, run.settings)
    loading.load(run.con, run.lake, run.settings, run.started_at, run.tell)


def judge(run: Run) -> Judged:
    today = run.started_at.date()
    engine = spark.restage if run.on_spark else restage
    as_of = engine(run.con, run.settings, today, run.given_as_of)
    return Judged(as_of, recent_origins(run.worker, run.con, run.settings, as_of))


def reduce(run: Run) -> None:
    if run.on_spark:  # it has counted while it staged
        return
    with warehouse.transaction(run.con):
        warehouse.build(run.con, "30_reduce", counted_together())


def fit(run: Run, judged: Judged) -> Fitted:
    with tables_aside(run.con, run.settings), warehouse.transaction(run.con):
        fits, lives, chapter = fit_fleet(run.con, run.settings, judged.as_of, run.worker)
    # A run that has to wait begins with what was asked for last, and this takes longest.
    earliest = earliest_origins(run.worker, run.con, run.settings, judged.as_of)
    run.worker.while_waiting(import_module, PUBLISHING)
    return Fitted(fits, lives, chapter, earliest, run.worker.submit(start_drawing))


def forecast(run: Run, fitted: Fitted, as_of: dt.date) -> Forecast:
    fits, settings = fitted.fits, run.settings
    months = months_of(settings, as_of)
    lead = lead_days(settings)
    with tables_aside(run.con, settings):
        failures = failures_ahead(run.con, fitted.lives, fits.usage, months, lead)
        found = forecast_relines(run.con, fits, as_of)
    if found is None:
        return Forecast(None, None, linings_now(run.con, None), failures)
    # Drawn now, while earlier origins are worked out in the second process.
    futures = simulated_futures(found.fleet, settings, as_of)
    return Forecast(found, futures, found.linings, failures)


def drift(run: Run, fitted: Fitted, linings: pl.DataFrame, as_of: dt.date) -> Drift:
    fits, lives = fitted.fits, fitted.lives.distributions
    return judge_drift(run.con, run.settings, fits, lives, linings, as_of)


def look_back(
    run: Run, judged: Judged, fitted: Fitted, now: Forecast, drift: Drift | None
) -> Missed:
    day = months_before(judged.as_of, FLAGS_MONTHS)
    last = flags_before(run.con, run.settings, day, drift, fitted.fits, now.linings)
    since = records_since(run.con, now.fleet, judged.as_of)
    past, relines = [last] if last else [], []
    for then in chain(judged.past, _once_there(fitted.earliest)):
        past.append(judged_by(drift, then))
        relines.append(looked_back(then, since))
    with warehouse.transaction(run.con):
        precision = write_flag_marts(run.con, drift, past, judged.as_of)
        return write_backtest(run.con, past, relines, precision, since, now.fleet)


def _once_there(origins: Future) -> Iterator[Origin]:
    yield from origins.result()


def mart(run: Run, results: Results) -> None:
    day, fits, now = results.judged.as_of, results.fitted.fits, results.forecast
    chapter = results.fitted.chapter.result()
    with tables_aside(run.con, run.settings), warehouse.transaction(run.con):
        write_chapter(run.con, fits.wear, chapter)
        write_status(run.con, run.settings, results.drift, now.forecasts, day)
        past = results.missed.relines
        write_failure_marts(run.con, now.failures, results.missed.failures, day)
        budget = budget_frames(now.futures, run.settings, past) if now.futures else None
        write_budget_marts(run.con, budget)
        agreed = now.futures.all_event_counts[0].agreed if now.futures else None
        keep_for_asking(run.con, now.fleet, agreed, past, run.settings, day)
        write_month(run.con, day)
        write_setting_quality(run.con, run.settings.adjustment)
        ahead = _ahead(now, budget, results.missed)
        write_planning_marts(run.con, run.settings, fits, ahead, day)
        warehouse.build(run.con, "40_mart")


def _ahead(now: Forecast, budget: dict[str, pl.DataFrame] | None, missed: Missed) -> Ahead | None:
    if now.fleet is None or budget is None:
        return None
    return Ahead(now.fleet, budget[DEPOT_FUTURES], now.failures, missed)


def publish(run: Run, results: Results) -> None:
    # With it come the page's libraries, half a second that a run may have while it waits.
    publishing = import_module(PUBLISHING)
    day, library = results.judged.as_of, results.fitted.library
    publishing.publish(run.con, run.settings, run.out, day, run.worker, library)


def settings_of(lake: Place) -> Settings:
    with opened_lake(lake) as opened:
        return opened.settings()


def worked_out(run: Run, around: Around = plainly) -> Results:
    """The stages before the marts, each done by ``around``."""
    around(LOAD, lambda: load(run))
    judged = around(JUDGE, lambda: judge(run))
    day = judged.as_of
    around(REDUCE, lambda: reduce(run))
    fitted = around(FIT, lambda: fit(run, judged))
    now = around(FORECAST, lambda: forecast(run, fitted, day))
    drifts = around(DRIFT, lambda: drift(run, fitted, now.linings, day))
    missed = around(LOOK_BACK, lambda: look_back(run, judged, fitted, now, drifts))
    return Results(judged, fitted, now, drifts, missed)


def filled(run: Run, around: Around = plainly) -> Results:
    """All but the publication."""
    results = worked_out(run, around)
    around(MART, lambda: mart(run, results))
    around(CHECK, lambda: require_invariants(run.con))
    return results


def run_stages(run: Run, around: Around = plainly) -> dt.date:
    """Every stage in turn; returns the as-of day."""
    with second_process(lake_size(run.lake)) as worker:
        run = replace(run, worker=worker)
        results = filled(run, around)
        around(PUBLISH, lambda: publish(run, results))
    return results.judged.as_of
