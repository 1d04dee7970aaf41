-- grain: one interval of a unit: from one check visit to the next, or from the last to when last seen
-- key: unit_id, from_on
-- inputs: reduce.check_visits, reduce.visit_linings, stage.unit_sightings, stage.duty_spells,
--         judge.wheel_ends, run.parameters
-- meaning: its days and km; duty is that of most of its days, one_duty whether it was the only one;
--          to_visit is false for the last stretch, whose end is only a sighting (a job's odometer);
--          thinnest_mm: of the linings that the visit left on, above the minimum (null: none read).
--          Older use than habits_since says little about the years ahead
with last_seen as (
    select unit_id, max(on_date) as on_date from stage.unit_sightings group by unit_id
),

ends as (
    select unit_id, visit_on as from_on, next_visit_on as to_on, true as to_visit
    from reduce.check_visits
    where next_visit_on is not null
    union all
    select v.unit_id, v.visit_on as from_on, s.on_date as to_on, false as to_visit
    from reduce.check_visits v
    inner join last_seen s on s.unit_id = v.unit_id
    where v.next_visit_on is null and s.on_date > v.visit_on
),

measured as (
    select
        e.unit_id,
        e.from_on,
        e.to_on,
        e.to_visit,
        date_diff('day', e.from_on, e.to_on) as days,
        b.km - a.km as km
    from ends e
    inner join stage.unit_sightings a on a.unit_id = e.unit_id and a.on_date = e.from_on
    inner join stage.unit_sightings b on b.unit_id = e.unit_id and b.on_date = e.to_on
    cross join run.parameters p
    where e.to_on > p.habits_since
),

duty_days as (
    select
        m.unit_id,
        m.from_on,
        d.duty,
        sum(date_diff('day', greatest(m.from_on, d.from_on), least(m.to_on, d.until_on)))
            as days
    from measured m
    inner join stage.duty_spells d
        on d.unit_id = m.unit_id and d.from_on < m.to_on and d.until_on > m.from_on
    group by m.unit_id, m.from_on, d.duty
),

ranked_duties as (
    select
        unit_id,
        from_on,
        duty,
        row_number() over (partition by unit_id, from_on order by days desc, duty) as place,
        count(*) over (partition by unit_id, from_on) = 1 as one_duty
    from duty_days
),

depots as (
    select unit_id, min(depot) as depot from judge.wheel_ends group by unit_id
),

final as (
    select
        m.unit_id,
        o.depot,
        d.duty,
        d.one_duty,
        m.from_on,
        m.days,
        m.km,
        m.to_visit,
        t.thinnest_mm
    from measured m
    inner join ranked_duties d
        on d.unit_id = m.unit_id and d.from_on = m.from_on and d.place = 1
    inner join depots o on o.unit_id = m.unit_id
    left join reduce.visit_linings t on t.unit_id = m.unit_id and t.visit_on = m.from_on
)

select * from final
