"""Readings by their day, and the fleet's sums with km run since some day counted apart."""

import datetime as dt
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from itertools import pairwise

import duckdb
import polars as pl

from models.wear.generations.by_day import DatedReadings
from models.wear.generations.fit import ByDay, Cuts
from models.wear.generations.names import era_name
from models.wear.sums import LiningLifeSums, lining_life_sums
from pipeline.warehouse import warehouse

AS_THEY_ARE: Mapping[str, str] = {}
# Units whose readings are asked for a change: their few thousand linings tell one of a twentieth.
UNITS_ASKED = 300
ASKED = f"""(select unit_id from reduce.units_now order by hash(unit_id), unit_id
    limit {UNITS_ASKED}"""
# Km of every unit in a duty on the days that cut it, on the line between days it is known on.
ON_CUTS = """
    with cut as (select distinct duty, from_on as cut_on from eras where from_on is not null),
    beside as (
        select u.unit_id, u.duty, c.cut_on,
            max(u.on_date) filter (u.on_date < c.cut_on) as on_before,
            max_by(u.km, u.on_date) filter (u.on_date < c.cut_on) as km_before,
            min(u.on_date) filter (u.on_date >= c.cut_on) as on_after,
            min_by(u.km, u.on_date) filter (u.on_date >= c.cut_on) as km_after
        from stage.unit_duty_km u
        inner join cut c on c.duty = u.duty
        group by all
    )
    select unit_id, duty, cut_on,
        case
            when km_after is null then km_before
            when km_before is null then 0
            -- Up to the end of the day before.
            else km_before + (km_after - km_before)
                * (date_diff('day', on_before, cut_on) - 1) / date_diff('day', on_before, on_after)
        end as km
    from beside
"""
PIECES = f"""
    with on_cuts as ({ON_CUTS})
    select l.unit_id, r.life_id, r.inspected_on, r.as_left, e.name as duty,
        least(u.km, coalesce(b.km, u.km)) - greatest(coalesce(o.km, 0), coalesce(a.km, 0)) as km
    from stage.lining_readings r
    inner join stage.lining_lives l on l.life_id = r.life_id
    inner join stage.unit_duty_km u on u.unit_id = l.unit_id and u.on_date = r.inspected_on
    inner join eras e on e.duty = u.duty
    left join stage.unit_duty_km o
        on o.unit_id = l.unit_id and o.on_date = r.origin_on and o.duty = u.duty
    left join on_cuts a on a.unit_id = l.unit_id and a.duty = u.duty and a.cut_on = e.from_on
    left join on_cuts b on b.unit_id = l.unit_id and b.duty = u.duty and b.cut_on = e.until_on
"""


def readings_by_day(
    con: duckdb.DuckDBPyConnection, names: Mapping[str, str] = AS_THEY_ARE
) -> ByDay:
    """What a change of wear since a day is sought in, and found by; ``names``: what tables are
    called whose thicknesses are on a scale of their own."""
    return ByDay(dated_readings(con, names), partial(sums_by_era, con, names=names))


def dated_readings(
    con: duckdb.DuckDBPyConnection, names: Mapping[str, str] = AS_THEY_ARE, part: int = 0
) -> DatedReadings:
    """Readings of ``UNITS_ASKED`` units: of the first so many in a random order, or of a later
    ``part``."""
    asked = f"{ASKED} offset {part * UNITS_ASKED})"
    query = f"""select r.life_id, l.unit_id, r.inspected_on, r.origin_on, r.lining_mm
        from stage.lining_readings r
        inner join stage.lining_lives l on l.life_id = r.life_id
        where r.lining_mm is not null and l.unit_id in {asked}"""
    readings = warehouse.fetch(con, warehouse.renamed(query, names))
    unit_km = warehouse.fetch(
        con,
        f"select unit_id, on_date, duty, km from stage.unit_duty_km where unit_id in {asked}",
    )
    return DatedReadings(readings, unit_km)


def sums_by_era(
    con: duckdb.DuckDBPyConnection, cuts: Cuts, names: Mapping[str, str] = AS_THEY_ARE
) -> LiningLifeSums:
    """The sums of the fleet's lining readings, km of some duties counted apart since days."""
    texts = dict(warehouse.sql_files("30_reduce"))
    with _eras(con, cuts):
        try:
            con.execute(
                f"""create or replace temp table lining_km_by_era
                as from ({warehouse.renamed(PIECES, names)}) where km > 0"""
            )
            instead = {**names, "stage.lining_reading_km": "lining_km_by_era"}
            for table, name in BY_ERA.items():
                text = warehouse.renamed(texts[f"reduce.{table}"], instead)
                con.execute(f"create or replace temp table {name} as {text}")
                instead[f"reduce.{table}"] = name
            of_lives = warehouse.renamed("from reduce.lining_life_sums", names)
            return lining_life_sums(
                warehouse.fetch(con, of_lives),
                warehouse.fetch(con, "from duty_sums_by_era"),
                warehouse.fetch(con, "from duty_pairs_by_era"),
            )
        finally:
            for name in ("lining_km_by_era", *BY_ERA.values()):
                con.execute(f"drop table if exists {name}")


def km_by_era(con: duckdb.DuckDBPyConnection, cuts: Cuts, units: str) -> pl.DataFrame:
    """``stage.lining_reading_km`` of some ``units``, km of some duties apart since days."""
    with _eras(con, cuts):
        return warehouse.fetch(
            con, f"select * from ({PIECES}) where km > 0 and unit_id in {units}"
        ).drop("unit_id")


BY_ERA = {
    "lining_measurements": "measurements_by_era",
    "lining_life_duty_sums": "duty_sums_by_era",
    "lining_life_duty_pairs": "duty_pairs_by_era",
}
"""Tables of ``reduce`` made anew of km by era, and what they are called meanwhile."""


@contextmanager
def _eras(con: duckdb.DuckDBPyConnection, cuts: Cuts) -> Iterator[None]:
    """With a table of every duty's eras: duty, name, from_on (null: the first) and until_on (null:
    the last)."""
    duties = warehouse.fetch(con, "select distinct duty from stage.unit_duty_km")["duty"]
    rows: list[tuple[str, str, dt.date | None, dt.date | None]] = []
    for duty in duties:
        days = [None, *cuts.get(duty, ()), None]
        for since, until in pairwise(days):
            rows.append((duty, duty if since is None else era_name(duty, since), since, until))
    schema = {"duty": pl.String, "name": pl.String, "from_on": pl.Date, "until_on": pl.Date}
    con.register("eras", pl.DataFrame(rows, schema=schema, orient="row"))
    try:
        yield
    finally:
        con.unregister("eras")
