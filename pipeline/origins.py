"""The fleet as it stood on an earlier day, judged and fitted from what was known then.

An origin is staged in a database of its own in memory, beside the warehouse and reading its ``raw``
tables, with nothing dated after its day.
"""

import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import duckdb
import polars as pl

from models.reline_simulation import FleetModel
from models.usage_rates import UsageFit
from pipeline import warehouse
from pipeline.drift_marts import Drift, Strokes, rejudged, strokes_of
from pipeline.errors import UserError
from pipeline.fitting import fit_wear_and_use
from pipeline.forecasting import known_fleet
from pipeline.judging import judge
from pipeline.settings import Settings

FOLDERS = ("10_judge", "15_fate", "20_stage", "30_reduce")
# What the wear fit, the fleet's habit and the judgement of strokes are read from.
READ = (
    "judge.odometer_sightings",
    "reduce.axle_decisions",
    "reduce.drift_outlook",
    "reduce.greasing_due",
    "reduce.lining_life_duty_pairs",
    "reduce.lining_life_duty_sums",
    "reduce.lining_life_sums",
    "reduce.lining_pointer_pairs",
    "reduce.reading_noise",
    "reduce.reline_events",
    "reduce.stroke_reading_km",
    "reduce.stroke_reading_lives",
    "reduce.unit_usage",
    "reduce.units_now",
    "reduce.wheel_ends_now",
)


@dataclass(frozen=True, slots=True)
class Origin:
    """What was known on ``as_of``: ``fleet`` is None where the readings allowed no wear fit then or
    it was not asked for, ``judged`` where no stroke had been read or nobody has judged yet."""

    as_of: dt.date
    fleet: FleetModel | None
    strokes: Strokes
    judged: pl.DataFrame | None = None


def months_before(day: dt.date, months: int) -> dt.date:
    """The same day some months earlier, or that month's last day."""
    shifted: dt.date = pl.select(pl.lit(day).dt.offset_by(f"-{months}mo")).item()
    return shifted


def origin(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    as_of: dt.date,
    today: dt.date,
    *,
    near: UsageFit | None = None,
    flags_only: bool = False,
) -> Origin | None:
    """The fleet as of an earlier day; None where the records do not reach back so far.

    ``near`` is its use on another day, to start the search from; ``flags_only`` spares the fleet's
    habit.
    """
    with _staged(con, settings, as_of, today) as past:
        if past is None:
            return None
        fits = fit_wear_and_use(past, settings, as_of, near)
        fleet = None if flags_only else known_fleet(past, fits)
        return Origin(as_of, fleet, strokes_of(past, fits))


def origins(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    days: Sequence[dt.date],
    today: dt.date,
) -> list[Origin]:
    """The fleet as of each of some earlier days that the records reach back to."""
    found: list[Origin] = []
    near = None
    for day in days:
        each = origin(con, settings, day, today, near=near)
        found += [each] if each else []
        near = each.fleet.usage if each and each.fleet else near
    return found


def judged_by(drift: Drift | None, then: Origin) -> Origin:
    """The same origin with its flags, by the weights and limits learned since.

    Those of a fleet change slowly; the readings of its wheel ends are only those of then.
    """
    judged = rejudged(drift, then.strokes, then.as_of) if drift else None
    return replace(then, judged=judged)


@contextmanager
def _staged(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date, today: dt.date
) -> Iterator[duckdb.DuckDBPyConnection | None]:
    (home,) = warehouse.one_row(con, "select current_database()")
    name = f"origin_{as_of:%Y%m%d}"
    past = con.cursor()
    past.execute(f"attach ':memory:' as {name}")
    try:
        past.execute(f"use {name}")
        warehouse.make_schemas(past)
        for table in warehouse.RAW:
            past.execute(f'create view {table} as from "{home}".{table}')
        try:
            needed = warehouse.behind(FOLDERS, READ)
            judge(past, settings, today, as_of, needed)
        except UserError:
            yield None
        else:
            warehouse.build(past, "20_stage", needed)
            warehouse.build(past, "30_reduce", needed)
            yield past
    finally:
        past.execute(f'use "{home}"')
        past.execute(f"detach {name}")
        past.close()
