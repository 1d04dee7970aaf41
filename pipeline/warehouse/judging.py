"""Deciding every row's fate: against its own cells, the register, and the rows around it."""

import datetime as dt
from collections.abc import Collection

import duckdb
import polars as pl

from pipeline.contract import ABOVE_NEW_MM
from pipeline.errors import UserError
from pipeline.settings import AxleType, Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.misdated import newest_supported
from pipeline.warehouse.odometer import odometer_verdicts
from pipeline.warehouse.standstill import bridged

# How far back use and relining habits are learned from: older ones say little about those ahead.
HABITS = dt.timedelta(days=1461)


def judge(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    today: dt.date,
    as_of: dt.date | None,
    only: Collection[str] | None = None,
) -> dt.date:
    """Decide every row's fate; returns the as-of day (the newest inspection that others
    support, unless given).

    ``only`` names the tables to make where not all are wanted.

    Raises
    ------
    UserError
        No inspection of a registered wheel end can be used, so there is nothing to say.
    """
    with warehouse.transaction(con):
        newest = put_day(con, settings, today, as_of)
        judge_rows(con, settings, only)
        warehouse.build(con, "17_mart", only)
    return require_inspection(con, newest, as_of)


def put_day(
    con: duckdb.DuckDBPyConnection, settings: Settings, today: dt.date, as_of: dt.date | None
) -> dt.date | None:
    """The settings and the as-of day, where SQL reads them; returns the newest inspection's day,
    but of dates that stand apart from all others (``run.doubted_checks``)."""
    warehouse.put_settings(con, settings)
    newest = _newest_inspection(con)
    supported = newest if as_of is not None else _supported(con)
    warehouse.put(con, "run.doubted_checks", _doubted(con, newest, supported))
    newest = supported
    warehouse.put(con, "run.parameters", _parameters(settings, as_of or newest or today, as_of))
    return newest


def judge_rows(
    con: duckdb.DuckDBPyConnection, settings: Settings, only: Collection[str] | None = None
) -> None:
    """Every row's fate, by the settings put before."""
    warehouse.build(con, "10_judge", only)
    sightings = warehouse.fetch(con, "select * from judge.odometer_sightings")
    verdicts = odometer_verdicts(sightings, settings.checks.max_km_per_day)
    standstills = warehouse.fetch(con, "select * from judge.odometer_standstills")
    warehouse.put(con, "judge.odometer_verdicts", bridged(verdicts, standstills))
    warehouse.build(con, "15_fate", only)


def require_inspection(
    con: duckdb.DuckDBPyConnection, newest: dt.date | None, as_of: dt.date | None
) -> dt.date:
    """The as-of day, unless there is nothing to say.

    Raises
    ------
    UserError
        No inspection of a registered wheel end can be used.
    """
    if newest is None and _is_in_another_form(con):
        raise UserError(
            "inspections: found none in the contract's form, but files in another: drumline map "
            "looks at them and writes down how they are read"
        )
    if newest is None:
        (read,) = warehouse.one_row(con, "select count(*) from raw.inspections")
        found, told = (
            (f"of a unit in the register among {read:,}", "check says what is wrong with the rows")
            if read
            else ("in any file", "map says what each file is taken for, check what became of it")
        )
        raise UserError(
            f"inspections: found no usable row {found}; accepted: at least one (drumline {told})"
        )
    return as_of or newest


def _is_in_another_form(con: duckdb.DuckDBPyConnection) -> bool:
    """Whether files lie in no table's folder, or lack columns that the contract asks for."""
    (elsewhere, lacking) = warehouse.one_row(
        con,
        """select
            (select count(*) from raw.files where table_name = '' and content_id is null
                and coalesce(problem, '') not like 'not read%'),
            (select count(*) from (
                select 1 from raw.inspections where problem like '%the file has no such column%'
                limit 1
            ))""",
    )
    return bool(elsewhere or lacking)


# Checks that may be used, with the unit they are of.
_CHECKS = """raw.inspections i
    inner join raw.contents c on c.content_id = i.content_id
    inner join (
        select distinct upper(unit_id) as unit_key from raw.register where problem is null
    ) r
        on r.unit_key = upper(i.unit_id)
    where i.problem is null and i.inspected_on <= c.loaded_on"""
# The latest days with checks, as many as tell a usual gap; of many units some are enough.
_LATEST_DAYS, _UNITS_NAMED = 1_500, 50


def _newest_inspection(con: duckdb.DuckDBPyConnection) -> dt.date | None:
    (day,) = warehouse.one_row(con, f"select max(i.inspected_on) from {_CHECKS}")
    assert day is None or isinstance(day, dt.date)
    return day


def _supported(con: duckdb.DuckDBPyConnection) -> dt.date | None:
    """The newest day of checks but those that stand apart from all others."""
    days = con.execute(
        f"""select
            i.inspected_on, list(distinct r.unit_key order by r.unit_key)[:{_UNITS_NAMED}]
        from {_CHECKS}
        group by i.inspected_on order by i.inspected_on desc limit {_LATEST_DAYS}"""
    ).fetchall()
    return newest_supported(days[::-1])


def _doubted(
    con: duckdb.DuckDBPyConnection, newest: dt.date | None, supported: dt.date | None
) -> pl.DataFrame:
    """Rows dated after the newest day that others support, one for each unit and day: told, and
    counted as soon as the as-of day passes them."""
    schema = {"path": pl.String, "row_no": pl.Int64, "unit_id": pl.String, "found_on": pl.Date}
    if supported is None or newest is None or supported >= newest:
        return pl.DataFrame(schema=schema | {"newest_on": pl.Date})
    rows = con.execute(
        f"""select min_by(f.path, (f.path, i.row_no)), min_by(i.row_no, (f.path, i.row_no)),
            min(i.unit_id), i.inspected_on
        from (select i.content_id, i.row_no, i.unit_id, i.inspected_on from {_CHECKS}) i
        inner join raw.files f on f.content_id = i.content_id
        where i.inspected_on > ?
        group by upper(i.unit_id), i.inspected_on order by i.inspected_on, 1, 2""",
        [supported],
    ).fetchall()
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    return frame.with_columns(newest_on=pl.lit(supported, dtype=pl.Date))


def _parameters(settings: Settings, as_of: dt.date, given: dt.date | None) -> pl.DataFrame:
    """The one-row table of numbers that SQL reads."""
    default = AxleType()
    return pl.DataFrame(
        {
            "as_of": as_of,
            "given_as_of": given,
            "habits_since": as_of - HABITS,
            "begun_on": None,
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
            "first_service_km_low": settings.service.first_service_km_low,
            "first_service_km_high": settings.service.first_service_km_high,
        },
        schema_overrides={"given_as_of": pl.Date, "begun_on": pl.Date},
    )
