"""Deciding every row's fate: against its own cells, the register, and the rows around it."""

import datetime as dt
from collections.abc import Collection

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.contract import ABOVE_NEW_MM
from pipeline.errors import UserError
from pipeline.odometer import odometer_verdicts
from pipeline.settings import AxleType, Settings


def judge(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    today: dt.date,
    as_of: dt.date | None,
    only: Collection[str] | None = None,
) -> dt.date:
    """Decide every row's fate; returns the as-of day (the newest inspection, unless given).

    ``only`` names the tables to make where not all are wanted.

    Raises
    ------
    UserError
        No inspection of a registered wheel end can be used, so there is nothing to say.
    """
    with warehouse.transaction(con):
        warehouse.put_settings(con, settings)
        newest = _newest_inspection(con)
        day = as_of or newest or today
        warehouse.put(con, "run.parameters", _parameters(settings, day, as_of))
        warehouse.build(con, "10_judge", only)
        sightings = warehouse.fetch(con, "select * from judge.odometer_sightings")
        verdicts = odometer_verdicts(sightings, settings.checks.max_km_per_day)
        warehouse.put(con, "judge.odometer_verdicts", verdicts)
        warehouse.build(con, "15_fate", only)
        warehouse.build(con, "17_mart", only)
    if newest is None:
        raise UserError(
            "inspections: found no usable row of a unit in the register; "
            "accepted: at least one (drumline check says what is wrong with the rows)"
        )
    return day


def _newest_inspection(con: duckdb.DuckDBPyConnection) -> dt.date | None:
    (day,) = warehouse.one_row(
        con,
        """select max(i.inspected_on) from raw.inspections i
        inner join raw.contents c on c.content_id = i.content_id
        inner join (
            select distinct upper(unit_id) as unit_key from raw.register where problem is null
        ) r
            on r.unit_key = upper(i.unit_id)
        where i.problem is null and i.inspected_on <= c.loaded_on""",
    )
    assert day is None or isinstance(day, dt.date)
    return day


def _parameters(settings: Settings, as_of: dt.date, given: dt.date | None) -> pl.DataFrame:
    """The one-row table of numbers that SQL reads."""
    default = AxleType()
    return pl.DataFrame(
        {
            "as_of": as_of,
            "given_as_of": given,
            "above_new_mm": ABOVE_NEW_MM,
            "reline_rise_mm": settings.checks.reline_rise_mm,
            "unstated_replacement": settings.checks.unstated_replacement,
            "band_low": settings.adjustment.band_low,
            "band_high": settings.adjustment.band_high,
            "lining_new_mm": default.lining_new_mm,
            "lining_min_mm": default.lining_min_mm,
            "cam_degrees": default.cam_degrees,
            "check_weeks": settings.service.check_weeks,
            "grease_weeks": settings.service.grease_weeks,
            "first_service_km_high": settings.service.first_service_km_high,
        },
        schema_overrides={"given_as_of": pl.Date},
    )
