-- grain: one wheel end of the register
-- key: wheel_end_id
-- inputs: judge.wheel_ends, reduce.check_visits, reduce.units_checked, reduce.lining_ages,
--         stage.lining_lives, stage.lining_readings, stage.inspections, stage.duty_spells,
--         stage.unit_sightings, run.parameters
-- meaning: where it stands: its current life (fitted_on null: before the records;
--          aged_from_on: the day its age is counted from, a later one than that of its fitting
--          unless age_known) and duty, when
--          and at what km the unit was last seen, the unit's km at the life's start and at its
--          latest reading (its start where there is none; null: not on record), the unit's last
--          check visit, and what was read then of the lining in place now, in mm above its minimum
--          (null: not read, or relined since); last_mm, last_km: what a gauge read last of that
--          lining, as found or as left, and at what km of the unit; unread_visits: check visits of the unit since a lining
--          of the axle was last read (12: more, or none ever was); every_days: how often the unit is
--          checked (null: not known yet)
with seen as (
    select unit_id, max(on_date) as seen_on, max_by(km, on_date) as seen_km
    from stage.unit_sightings
    group by unit_id
),

visits as (
    select unit_id, visit_on, until_on from reduce.check_visits where next_visit_on is null
),

lives as (
    select wheel_end_id, life_id, started_on, start_slot, start_km
    from stage.lining_lives
    where ended_on is null
),

latest as (
    select life_id, max(km) as km
    from stage.lining_readings
    where lining_mm is not null or (pointer_lining_mm is not null and pointer_deg < 90)
    group by life_id
),

last_gauged as (
    select
        life_id,
        max_by(lining_mm, (inspected_on, as_left)) as last_mm,
        max_by(km, (inspected_on, as_left)) as last_km
    from stage.lining_readings
    where lining_mm is not null
    group by life_id
),

read_then as (
    select i.wheel_end_id, min(i.lining_mm) as lining_mm
    from stage.inspections i
    inner join visits v
        on v.unit_id = i.unit_id
        and i.inspected_on >= v.visit_on
        and i.inspected_on <= v.until_on
    inner join lives l on l.wheel_end_id = i.wheel_end_id
    where not i.as_left
        and (
            l.started_on is null
            or l.started_on < i.inspected_on
            or (l.started_on = i.inspected_on and l.start_slot < 0)
        )
    group by i.wheel_end_id
),

last_read as (
    select e.unit_id, e.axle_id, max(i.inspected_on) as read_on
    from stage.inspections i
    inner join judge.wheel_ends e on e.wheel_end_id = i.wheel_end_id
    where i.lining_mm is not null and not i.as_left
    group by e.unit_id, e.axle_id
),

-- Of axles that the unit's last visit did not read.
unread as (
    select l.axle_id, count(*) as visits
    from last_read l
    inner join reduce.check_visits c on c.unit_id = l.unit_id and c.visit_on > l.read_on
    group by l.axle_id
),

duties as (
    select d.unit_id, d.duty
    from stage.duty_spells d
    cross join run.parameters p
    where d.from_on <= p.as_of and d.until_on > p.as_of
),

final as (
    select
        e.wheel_end_id,
        e.unit_id,
        e.axle_id,
        e.axle_no,
        e.side,
        e.axle_type,
        e.depot,
        d.duty,
        e.lining_new_mm,
        e.lining_min_mm,
        l.life_id,
        l.started_on as fitted_on,
        a.aged_from_on,
        a.age_known,
        s.seen_on,
        s.seen_km,
        l.start_km,
        coalesce(m.km, l.start_km) as line_km,
        v.visit_on,
        r.lining_mm - e.lining_min_mm as above_mm,
        g.last_mm,
        g.last_km,
        cast(
            case when k.axle_id is null then 12 else least(coalesce(n.visits, 0), 12) end as integer
        ) as unread_visits,
        u.every_days
    from judge.wheel_ends e
    left join duties d on d.unit_id = e.unit_id
    left join lives l on l.wheel_end_id = e.wheel_end_id
    left join reduce.lining_ages a on a.life_id = l.life_id
    left join latest m on m.life_id = l.life_id
    left join last_gauged g on g.life_id = l.life_id
    left join seen s on s.unit_id = e.unit_id
    left join visits v on v.unit_id = e.unit_id
    left join reduce.units_checked u on u.unit_id = e.unit_id
    left join read_then r on r.wheel_end_id = e.wheel_end_id
    left join last_read k on k.axle_id = e.axle_id
    left join unread n on n.axle_id = e.axle_id
)

select * from final
