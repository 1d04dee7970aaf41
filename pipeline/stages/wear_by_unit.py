"""Units whose linings wear otherwise since a day of their own: found, and told apart from before.

What such a unit's linings did before that day tells of another work than today's. In the tables
that the wear fit reads, its linings since are those of the unit, and what came before of a unit,
and of linings, of other names.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

import duckdb
import polars as pl

from models.wear.generations.by_unit import UnitChange, one_side, units_changed
from models.wear.result import WearFit
from models.wear.sums import EARLIER, LiningLifeSums
from pipeline.stages.wear_by_day import UNITS_ASKED, dated_readings
from pipeline.stages.wear_scale import REDUCED
from pipeline.warehouse import warehouse

# Of a larger fleet a sample is asked first: where a smaller share of it changed, no more are.
LEAST_SHARE = 0.01
# So many days of checks since the change tell a rate; with fewer, the last one before it counts.
ENOUGH_DAYS = 3
# From which day on linings are those of today's work.
FROM_ON = f"""
    with days as (
        select distinct l.unit_id, u.since_on, r.inspected_on
        from stage.lining_readings r
        inner join stage.lining_lives l on l.life_id = r.life_id
        inner join units_apart u on u.unit_id = l.unit_id
    )
    select unit_id,
        case
            when count(*) filter (inspected_on >= since_on) >= {ENOUGH_DAYS} then since_on
            else coalesce(max(inspected_on) filter (inspected_on < since_on), since_on)
        end as from_on
    from days
    group by unit_id, since_on
"""
# Linings of such units by the day: those that ended before it, and those that were read since too.
CUT_LIVES = """
    select
        l.life_id, a.from_on, min(r.inspected_on) filter (r.inspected_on >= a.from_on) as since_on
    from stage.lining_lives l
    inner join apart_from a on a.unit_id = l.unit_id
    left join stage.lining_readings r on r.life_id = l.life_id
    where l.started_on is null or l.started_on < a.from_on
    group by l.life_id, a.from_on, l.ended_on
    having l.ended_on <= a.from_on or min(r.inspected_on) filter (r.inspected_on >= a.from_on)
        is not null
"""
EARLIER_ID = f"|| '{EARLIER}'"
LIVES = f"""
    select l.* replace (l.start_known and c.life_id is null as start_known)
    from stage.lining_lives l
    left join apart_cut c on c.life_id = l.life_id
    where c.life_id is null or c.since_on is not null
    union all
    select l.* replace (l.life_id {EARLIER_ID} as life_id, l.unit_id {EARLIER_ID} as unit_id)
    from stage.lining_lives l
    inner join apart_cut c on c.life_id = l.life_id
"""
READINGS = f"""
    with since as (
        select r.life_id, min_by(r.km_since_reline, r.inspected_on) as km
        from stage.lining_readings r
        inner join apart_cut c on c.life_id = r.life_id and r.inspected_on >= c.since_on
        group by r.life_id
    )
    select r.* replace (
        case when is_earlier then r.life_id {EARLIER_ID} else r.life_id end as life_id,
        case when c.since_on is null or is_earlier then r.km_since_reline
            else r.km_since_reline - s.km end as km_since_reline,
        case when c.since_on is null or is_earlier then r.origin_on else c.since_on end as origin_on
    )
    from stage.lining_readings r
    left join apart_cut c on c.life_id = r.life_id
    left join since s on s.life_id = r.life_id
    cross join lateral (
        select c.life_id is not null and (c.since_on is null or r.inspected_on < c.since_on)
    ) x (is_earlier)
"""
READING_KM = f"""
    with since as (
        select k.life_id, k.duty, min(k.km) as km
        from stage.lining_reading_km k
        inner join apart_cut c on c.life_id = k.life_id and k.inspected_on = c.since_on
        group by k.life_id, k.duty
    )
    select * from (
        select k.* replace (
            case when is_earlier then k.life_id {EARLIER_ID} else k.life_id end as life_id,
            case when c.since_on is null or is_earlier then k.km
                else k.km - coalesce(s.km, 0) end as km
        )
        from stage.lining_reading_km k
        left join apart_cut c on c.life_id = k.life_id
        left join since s on s.life_id = k.life_id and s.duty = k.duty
        cross join lateral (
            select c.life_id is not null and (c.since_on is null or k.inspected_on < c.since_on)
        ) x (is_earlier)
    )
    where km > 0
"""
UNIT_KM = f"""
    from stage.unit_duty_km
    union all
    select u.* replace (u.unit_id {EARLIER_ID} as unit_id)
    from stage.unit_duty_km u
    inner join apart_from a on a.unit_id = u.unit_id
"""
TABLES = {
    "stage.lining_lives": ("apart_lives", LIVES),
    "stage.lining_readings": ("apart_readings", READINGS),
    "stage.lining_reading_km": ("apart_reading_km", READING_KM),
    "stage.unit_duty_km": ("apart_unit_km", UNIT_KM),
}
"""Tables of ``stage`` made anew, and what they are called meanwhile."""


def found_apart(
    con: duckdb.DuckDBPyConnection,
    sums: LiningLifeSums,
    fit: WearFit,
    names: Mapping[str, str],
    before: Sequence[UnitChange] = (),
) -> tuple[UnitChange, ...]:
    """Units whose wear has changed beside those found ``before``, by the fit and what its tables
    are called; to one side at a time."""
    units = len(sums.units)
    found = units_changed(sums, fit, dated_readings(con, names), before)
    if len(found) >= LEAST_SHARE * min(units, UNITS_ASKED):
        for part in range(1, -(-units // UNITS_ASKED)):
            found += units_changed(sums, fit, dated_readings(con, names, part), before)
    return tuple(one_side(found))


@contextmanager
def told_apart(
    con: duckdb.DuckDBPyConnection, apart: Sequence[UnitChange], names: Mapping[str, str]
) -> Iterator[Mapping[str, str]]:
    """What the tables are called meanwhile in which units are told apart from what they were;
    ``names``: what some are called already."""
    if not apart:
        yield names
        return
    texts, found = dict(warehouse.sql_files("30_reduce")), dict(names)
    rows = {"unit_id": [a.unit_id for a in apart], "since_on": [a.since for a in apart]}
    con.register("units_apart", pl.DataFrame(rows, {"unit_id": pl.String, "since_on": pl.Date}))
    made = ["apart_from", "apart_cut"]
    try:
        for name, text in zip(made, (FROM_ON, CUT_LIVES), strict=True):
            con.execute(f"create or replace temp table {name} as {warehouse.renamed(text, names)}")
        for name, text in TABLES.values():
            con.execute(f"create or replace temp table {name} as {warehouse.renamed(text, names)}")
            made.append(name)
        found |= {table: name for table, (name, _) in TABLES.items()}
        for table in REDUCED:
            text = warehouse.renamed(texts[f"reduce.{table}"], found)
            con.execute(f"create or replace temp table apart_{table} as {text}")
            made.append(f"apart_{table}")
            found[f"reduce.{table}"] = f"apart_{table}"
        yield found
    finally:
        con.unregister("units_apart")
        for name in made:
            con.execute(f"drop table if exists {name}")
