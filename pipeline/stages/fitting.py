"""Everything fitted from the reduced tables in one run, kept together for the stages after it."""

import datetime as dt

import duckdb
import polars as pl

from models.usage.fit import fit_usage
from models.wear.generations.by_unit import UnitChange
from models.wear.generations.fit import fit_wear_by_generation
from models.wear.generations.names import has_later
from models.wear.pointers import WearFitWithPointers
from models.wear.predict import lining_lines
from models.wear.result import WearFit
from models.wear.shape.thinning import Thinning
from pipeline.marts import marts
from pipeline.marts.lives import chapter as life_chapter
from pipeline.marts.lives.fits import GroupLives, write_life_marts
from pipeline.marts.results import Fits
from pipeline.marts.wear import fleet_sums, wear_comparisons, write_wear_marts
from pipeline.settings import Settings
from pipeline.stages.wear_by_day import readings_by_day
from pipeline.stages.wear_by_unit import found_apart, told_apart
from pipeline.stages.wear_scale import on_scale, shown_thinning
from pipeline.warehouse import warehouse
from pipeline.warehouse.background import Future, Worker, whole

DAYS_PER_WEEK = 7.0
# Units that changed much hide others that changed less.
TIMES_ASKED = 3


def fit_fleet(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date, worker: Worker
) -> tuple[Fits, GroupLives, Future]:
    """Fit wear, use and adjuster lives, and write the marts that say so.

    Returns the fits, adjusters' lives, and their chapter that is being worked out beside the run.
    """
    fits = fit_wear_and_use(con, settings, as_of)
    write_wear_marts(con, fits)
    lives = write_life_marts(con, settings)
    given = settings, lives, fits.km_per_day
    chapter = worker.submit_over(con, whole(life_chapter.READ), life_chapter.life_chapter, *given)
    return fits, lives, chapter


def write_chapter(
    con: duckdb.DuckDBPyConnection, wear: WearFit, chapter: dict[str, pl.DataFrame]
) -> None:
    """Put the adjusters' chapter in place, its comparisons of duties after those of wear."""
    for name in life_chapter.WRITTEN:
        marts.write(con, name, chapter[name])
    for table in life_chapter.KEPT:
        warehouse.put(con, table, chapter[table])
    compared = [wear_comparisons(wear), chapter[life_chapter.COMPARED]]
    marts.write(con, life_chapter.COMPARED, pl.concat(compared, how="diagonal_relaxed"))


def fit_wear_and_use(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    as_of: dt.date,
    warm_start: Fits | None = None,
) -> Fits:
    """What forecasts need: wear by gauge and wear pointer, and every unit's km per day.

    ``warm_start`` are the same fleet's on a later day: searches start from there, and how wear
    spreads, which is a trait of its brakes and not of the day, is not compared anew; nor are
    changes of wear sought that the later day, with more records, has not found.
    """
    later = warm_start.wear if warm_start else None
    if warm_start is None:
        fitted = _fitted_wear(con, None, None)
        thinning = shown_thinning(con, fitted.fit)
        if thinning is not None:
            fitted = _fitted_wear(con, None, thinning)
    else:
        thinning = shown_thinning(con, warm_start.wear) if warm_start.thinning else None
        fitted = _fitted_wear(con, later, thinning)
    apart: tuple[UnitChange, ...] = ()
    if warm_start is None or warm_start.apart:
        fitted, apart = _units_apart(con, fitted, later, thinning)
    wear, sums = fitted.fit, fitted.sums
    lines = lining_lines(wear, sums) if wear.mixed is not None else None
    units = warehouse.fetch(con, "from reduce.units_now", order="unit_id")
    intervals = warehouse.fetch(con, "from reduce.unit_usage", order="unit_id, from_on")
    start = warm_start.usage.variances if warm_start else None
    usage = fit_usage(units, intervals, as_of, check_days(settings), start)
    return Fits(wear, fitted.calibration, sums, lines, usage, thinning, apart)


def _units_apart(
    con: duckdb.DuckDBPyConnection,
    fitted: WearFitWithPointers,
    later: WearFit | None,
    thinning: Thinning | None,
) -> tuple[WearFitWithPointers, tuple[UnitChange, ...]]:
    """The fit with units told apart from what they were before their wear changed, and these."""
    apart: tuple[UnitChange, ...] = ()
    for _ in range(TIMES_ASKED):
        with on_scale(con, thinning) as scaled, told_apart(con, apart, scaled) as names:
            more = found_apart(con, fitted.sums, fitted.fit, names, apart)
        if not more:
            break
        apart = (*apart, *more)
        fitted = _fitted_wear(con, later, thinning, apart)
    return fitted, apart


def _fitted_wear(
    con: duckdb.DuckDBPyConnection,
    later: WearFit | None,
    thinning: Thinning | None,
    apart: tuple[UnitChange, ...] = (),
) -> WearFitWithPointers:
    """The wear fit of readings on the scale on which wear is even; with units told ``apart``."""
    with on_scale(con, thinning) as scaled, told_apart(con, apart, scaled) as names:
        pairs = warehouse.renamed("from reduce.lining_pointer_pairs", names)
        return fit_wear_by_generation(
            fleet_sums(con, names),
            warehouse.fetch(con, pairs, order="life_id"),
            readings_by_day(con, names) if later is None or has_later(later.duties) else None,
            laws=later.laws or None if later else None,
            start=later,
        )


def check_days(settings: Settings) -> dict[str, float]:
    """Days between checks by duty, where the fleet names them."""
    service = settings.service
    named = {duty: own.check_weeks or service.check_weeks for duty, own in service.duties.items()}
    return {duty: weeks * DAYS_PER_WEEK for duty, weeks in named.items()}
