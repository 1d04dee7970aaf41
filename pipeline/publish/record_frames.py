"""How far records contradict each other, counted by depot for the top of the page."""

import duckdb
import polars as pl

from pipeline.warehouse import warehouse

# A unit that came new since its number's last check has run no more by its first.
NEW_UNIT_KM = 50_000


def relines_held(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Relines on record held against readings, as ``contradictions.relines_said`` takes them."""
    return warehouse.fetch(
        con,
        """with places as (
            select wheel_end_id, unit_id, axle_no, side,
                1 + max(axle_no) over (partition by unit_id) - axle_no as from_rear_no
            from judge.wheel_ends
        ),
        grown as (
            select p.unit_id, p.axle_no, p.side, r.wheel_end_id, r.on_date
            from stage.relines r inner join places p on p.wheel_end_id = r.wheel_end_id
            where r.source = 'inferred'
        ),
        missed as (
            select h.wheel_end_id, h.done_on,
                bool_or(since and g.axle_no = p.axle_no and g.side <> p.side) as other_side,
                bool_or(since and g.axle_no = p.from_rear_no and g.axle_no <> p.axle_no
                    and g.side = p.side) as from_rear,
                bool_or(not since and g.wheel_end_id = h.wheel_end_id) as late
            from stage.relines_held h
            inner join places p on p.wheel_end_id = h.wheel_end_id
            inner join (
                select h.wheel_end_id, h.done_on, g.wheel_end_id as grown_id,
                    g.on_date >= h.done_on as since
                from stage.relines_held h
                inner join grown g on g.unit_id = h.unit_id
                    and g.on_date between h.done_on - 183 and h.after_on
                where not h.shown
            ) n on n.wheel_end_id = h.wheel_end_id and n.done_on = h.done_on
            inner join places g on g.wheel_end_id = n.grown_id
            group by h.wheel_end_id, h.done_on
        ),
        depots as (
            select w.depot, count(*) as grown
            from stage.relines r inner join judge.wheel_ends w on w.wheel_end_id = r.wheel_end_id
            where r.source = 'inferred' group by w.depot
        )
        select h.depot, h.alone, count(h.shown) as told, count(*) filter (not h.shown) as missed,
            count(*) filter (m.other_side) as other_side,
            count(*) filter (m.from_rear) as from_rear, count(*) filter (m.late) as late,
            coalesce(any_value(d.grown), 0) as grown
        from stage.relines_held h
        left join missed m on m.wheel_end_id = h.wheel_end_id and m.done_on = h.done_on
        left join depots d on d.depot is not distinct from h.depot
        group by h.depot, h.alone""",
        order="depot, alone",
    )


def rising_units(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """By depot: its units, those whose lining readings rise, and how many steps of theirs do."""
    return warehouse.fetch(
        con,
        """select w.depot, count(*) as units, count(r.unit_id) as rising,
            coalesce(sum(r.steps), 0) as steps, coalesce(sum(r.rose), 0) as rose
        from (select unit_id, min(depot) as depot from judge.wheel_ends group by unit_id) w
        left join judge.rising_units r on r.unit_id = w.unit_id
        group by w.depot""",
        order="depot",
    )


def visits_apart(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """By depot: visits by how far they read off the visits before and after, in quarter mm."""
    return warehouse.fetch(
        con,
        """select w.depot, a.apart_mm, cast(sum(a.visits) as bigint) as visits
        from (select unit_id, min(depot) as depot from judge.wheel_ends group by unit_id) w
        inner join reduce.visits_apart a on a.unit_id = w.unit_id
        group by w.depot, a.apart_mm""",
        order="depot, apart_mm",
    )


def numbers_reused(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Units that came back with a low odometer and all linings new at once, and no job of that."""
    return warehouse.fetch(
        con,
        f"""with fresh as (
            select unit_id, on_date, odometer_km, before_km from (
                select *, lag(odometer_km) over (
                    partition by unit_id order by on_date, odometer_km) as before_km
                from judge.odometer_verdicts where reason is null
            ) where replaced and odometer_km < least({NEW_UNIT_KM}, before_km)
        ),
        ends as (select unit_id, count(*) as ends from judge.wheel_ends group by unit_id),
        grown as (
            select w.unit_id, r.on_date, count(distinct r.wheel_end_id) as grown
            from stage.relines r
            inner join judge.wheel_ends w on w.wheel_end_id = r.wheel_end_id
            where r.source = 'inferred'
            group by w.unit_id, r.on_date
        )
        select f.unit_id, f.on_date, f.before_km, f.odometer_km, g.grown as linings
        from fresh f
        inner join ends e on e.unit_id = f.unit_id
        inner join grown g on g.unit_id = f.unit_id and g.on_date = f.on_date
        where g.grown >= 3 and 4 * g.grown >= 3 * e.ends""",
        order="on_date, unit_id",
    )
