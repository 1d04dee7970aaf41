"""The fleet as it stood on an earlier day, judged and fitted from what was known then.

Forecasts are made again every quarter back to where a year of records is left. A large fleet's are
looked back on for a sample of its units; flags, for units with records since, since the others'
readings are those of then. How the days are staged: ``pipeline.warehouse.earlier_days``.
"""

import datetime as dt
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace

import duckdb
import polars as pl

from models.relines.budget import budget_months
from models.relines.look_back import QUARTERS_A_YEAR
from models.relines.past_errors import MONTHS_A_QUARTER
from pipeline.contract import TABLES
from pipeline.marts.adjustment import (
    ENDS_AT_ONCE,
    flagged_strokes,
    flagged_then,
    strokes_of,
)
from pipeline.marts.lives.failures import failures_ahead
from pipeline.marts.lives.fits import GroupLives, life_choices, unit_lives_now
from pipeline.marts.results import Drift, FailuresAhead, Fits, Origin
from pipeline.settings import Settings
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import known_fleet, linings_before, linings_now
from pipeline.warehouse import warehouse
from pipeline.warehouse.background import Future, Worker
from pipeline.warehouse.earlier_days import EarlierDay, staged_days

# What the wear fit, the fleet's policy and adjusters' lives are read from; and the judgement of
# strokes.
FORECAST_READ = (
    "judge.wheel_ends",
    "reduce.adjuster_censored_counts",
    "reduce.adjuster_duty_pieces",
    "reduce.adjuster_entry_counts",
    "reduce.adjuster_interval_counts",
    "reduce.adjusters_now",
    "reduce.axle_decisions",
    "reduce.axle_looks",
    "reduce.axles_read",
    "reduce.lining_life_duty_pairs",
    "reduce.lining_life_duty_sums",
    "reduce.lining_life_sums",
    "reduce.lining_pointer_pairs",
    "reduce.reading_noise",
    "reduce.reline_events",
    "reduce.unit_usage",
    "reduce.units_now",
    "reduce.wheel_ends_now",
    "stage.adjuster_fittings",
    "stage.adjuster_lives",
    "stage.inspections",
    "stage.jobs",
    "stage.lining_lives",
    "stage.lining_reading_km",
    "stage.lining_readings",
    "stage.unit_duty_km",
)
FLAGS_READ = (
    "judge.wheel_ends",
    "reduce.drift_outlook",
    "reduce.greasing_due",
    "reduce.stroke_reading_km",
    "stage.inspections",
    "stage.lining_lives",
    "stage.lining_readings",
    "stage.setting_episodes",
    "stage.stroke_readings",
)
# Quarters back at which flags are judged too, however short the records.
FLAGGED_QUARTERS = (1, 2, 4)
QUARTERS = range(1, 13)
# The earliest are fitted apart from the others, by whoever is free first: about as many as leave
# two processes done at one time.
RECENT, EARLIEST = QUARTERS[:8], QUARTERS[8:]
LEAST_RECORDS_DAYS = 365
# Wheel ends of the sample: enough to tell coverage to a percent; and for the other origins, from
# which alone totals are learned.
SAMPLED_ENDS = 6_000
LEARNED_ENDS = 3_000
SAMPLE = """
    select unit_key from (
        select upper(unit_id) as unit_key, count(*) as ends
        from raw.register where problem is null group by all
    )
    qualify sum(ends) over (order by md5(unit_key)) - ends < {ends}
"""
OF_SAMPLE, OF_LEARNED = (
    f"upper(unit_id) in ({SAMPLE.format(ends=ends)})" for ends in (SAMPLED_ENDS, LEARNED_ENDS)
)


def months_before(day: dt.date, months: int) -> dt.date:
    """The same day some months earlier, or that month's last day."""
    shifted: dt.date = pl.select(pl.lit(day).dt.offset_by(f"-{months}mo")).item()
    return shifted


def origins(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    as_of: dt.date,
    flagged_quarters: Collection[int] = FLAGGED_QUARTERS,
    quarters: Sequence[int] = QUARTERS,
) -> Iterator[Origin]:
    """The fleet, or a sample of it, as of each of these earlier quarters that its records reach
    back to, the latest first."""
    return _origins_on(con, settings, _looked_back_on(con, as_of, flagged_quarters, quarters))


def _origins_on(
    con: duckdb.DuckDBPyConnection, settings: Settings, days: Sequence[EarlierDay]
) -> Iterator[Origin]:
    warm_start, lives = None, None
    for then, past in staged_days(con, settings, days):
        fits = fit_wear_and_use(past, settings, then.day, warm_start)
        fleet = known_fleet(past, fits)
        strokes = None
        if set(FLAGS_READ) <= set(then.read):
            strokes = strokes_of(past, fits, linings_now(past, fleet), then.day)
        lives = life_choices(past, settings, unit_lives_now(past), lives)
        ahead = failures_then(past, lives, fits, then.day)
        yield Origin(then.day, fleet, ahead, strokes)
        warm_start = fits


def recent_origins(
    worker: Worker, con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date
) -> Iterator[Origin]:
    """The same of the recent quarters, begun now beside what ``con`` is read for meanwhile."""
    given = settings, as_of, FLAGGED_QUARTERS, RECENT
    inputs = _origins_inputs(OF_SAMPLE)
    return worker.stream_over(con, inputs, origins, *given, most=len(RECENT))


def earliest_origins(
    worker: Worker, con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date
) -> Future:
    """The same of the earliest quarters, by whoever is free first: a list."""
    # Which days is asked of all records, wherever they are fitted.
    days = _looked_back_on(con, as_of, (), EARLIEST)
    return worker.submit_over(con, _origins_inputs(OF_LEARNED), _earliest, settings, days)


def _earliest(
    con: duckdb.DuckDBPyConnection, settings: Settings, days: Sequence[EarlierDay]
) -> list[Origin]:
    return list(_origins_on(con, settings, days))


def _looked_back_on(
    con: duckdb.DuckDBPyConnection,
    as_of: dt.date,
    flagged_quarters: Collection[int],
    quarters: Sequence[int],
) -> list[EarlierDay]:
    """Each of these quarters with records enough, and the units it is looked back on for."""
    # A date mistyped into the past begins no records.
    (began_on,) = warehouse.one_row(
        con, "select quantile_disc(inspected_on, 0.01) from raw.inspections where problem is null"
    )
    days = []
    for quarter in quarters:
        day, flagged = months_before(as_of, 3 * quarter), quarter in flagged_quarters
        long_enough = began_on is not None and (day - began_on).days >= LEAST_RECORDS_DAYS
        if flagged or long_enough:
            units = sampled_units(con, day, SAMPLED_ENDS if flagged else LEARNED_ENDS)
            days.append(EarlierDay(day, units, FORECAST_READ + FLAGS_READ * flagged))
    return days


def failures_then(
    past: duckdb.DuckDBPyConnection, lives: GroupLives, fits: Fits, day: dt.date
) -> FailuresAhead | None:
    """Failures forecast from what was known then, as far ahead as they are judged."""
    months = QUARTERS_A_YEAR * MONTHS_A_QUARTER
    return failures_ahead(past, lives, fits.usage, budget_months(day, months))


def _origins_inputs(of_units: str) -> dict[str, str]:
    """What :func:`origins` reads of some units, for the work to be done over a copy."""
    rows = {f"raw.{table}": f"from raw.{table} where {of_units}" for table in TABLES}
    return {"raw.contents": "from raw.contents", **rows}


def sampled_units(con: duckdb.DuckDBPyConnection, day: dt.date, ends: int) -> pl.DataFrame:
    """``unit_key`` of units with so many wheel ends, or of all of a small fleet's, if a check or
    job is on record by the day: random, the same every time."""
    recorded = " union ".join(
        f"select upper(unit_id) as unit_key from raw.{table} where {column} <= date '{day}'"
        for table, column in (("inspections", "inspected_on"), ("work", "done_on"))
    )
    return warehouse.fetch(con, f"{SAMPLE.format(ends=ends)} intersect ({recorded})")


def judged_by(drift: Drift | None, then: Origin) -> Origin:
    """The same origin with its flags, by the weights and limits learned since.

    Those of a fleet change slowly; the readings of its wheel ends are only those of then.
    """
    if drift is None or then.strokes is None:
        return then
    return replace(then, judged=flagged_strokes(drift, then.strokes, then.as_of))


def flags_before(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    day: dt.date,
    drift: Drift | None,
    fits: Fits,
    linings: pl.DataFrame,
) -> Origin | None:
    """Every wheel end's flag on an earlier day, by the limits and wear rates learned since.

    None where the records do not reach back so far.
    """
    (began_on,) = warehouse.one_row(con, "select min(inspected_on) from stage.inspections")
    if drift is None or began_on is None or began_on > day:
        return Origin(day) if began_on is not None and began_on <= day else None
    judged = []
    linings = linings_before(linings, (fits.usage.as_of - day).days)
    since = _changed_since(con, day)
    for units in since.partition_by("block_no"):
        then = EarlierDay(day, units.select("unit_key"), FLAGS_READ)
        for _, past in staged_days(con, settings, [then]):
            judged += flagged_then(past, drift, fits, linings, day)
    judged += flagged_then(con, drift, fits, linings, day, without=since)
    return Origin(day, judged=pl.concat(judged))


def _changed_since(con: duckdb.DuckDBPyConnection, day: dt.date) -> pl.DataFrame:
    """``unit_key`` of units that a date after ``day`` tells of, and ``block_no`` of those that are
    staged together."""
    told = " union all ".join(
        f"select upper(unit_id) as unit_key from raw.{table} where \"{name}\" > date '{day}'"
        for table, contract in TABLES.items()
        for name, column in contract.schema.columns().items()
        if column.dtype == pl.Date
    )
    return warehouse.fetch(
        con,
        f"""select unit_key, cast(floor(
            (sum(ends) over (order by unit_key) - ends) / {ENDS_AT_ONCE}
        ) as integer) as block_no
        from (
            select upper(unit_id) as unit_key, count(*) as ends from judge.wheel_ends
            where upper(unit_id) in (select unit_key from ({told})) group by all
        )""",
        order="unit_key",
    )
