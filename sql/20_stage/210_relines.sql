-- grain: one reline of a wheel end, recorded or inferred
-- key: wheel_end_id, on_date
-- inputs: stage.jobs, stage.relines_held, stage.inspections, stage.records, stage.unit_days,
--         judge.wheel_ends, run.parameters
-- meaning: where a lining life starts; slot orders the day: -1 before the reading as found
--          (inferred: it grew since the last one), 1 after it (a job, or a reading as left that
--          grew), 2 is a reading as left; a job that readings contradict is none
with first_checks as (
    select wheel_end_id, min(inspected_on) as first_on from stage.inspections group by wheel_end_id
),

recorded as (
    select j.wheel_end_id, j.unit_id, j.done_on as on_date, 'job' as source
    from stage.jobs j
    left join stage.relines_held h
        on h.wheel_end_id = j.wheel_end_id and h.done_on = j.done_on and h.doubted
    where j.action = 'reline' and h.wheel_end_id is null
    union all
    select
        w.wheel_end_id,
        w.unit_id,
        case
            when w.relined_on is not null then w.relined_on
            else cast(date_add(f.first_on, interval (-1) day) as date)
        end as on_date,
        'register' as source
    from judge.wheel_ends w
    inner join first_checks f on f.wheel_end_id = w.wheel_end_id
    where w.relined_on is not null or w.relined_km is not null
    union all
    -- Linings are the first ones where the wheel end entered service while records ran; one that
    -- was inspected before it was registered says nothing about its linings.
    select w.wheel_end_id, w.unit_id, w.in_service_on as on_date, 'in_service' as source
    from judge.wheel_ends w
    inner join first_checks f
        on f.wheel_end_id = w.wheel_end_id and f.first_on >= w.in_service_on
    inner join stage.records r on r.unit_id = w.unit_id
    where w.relined_on is null
        and w.relined_km is null
        and w.in_service_on >= r.begin_on
),

distinct_recorded as (
    select wheel_end_id, min(unit_id) as unit_id, on_date, min(source) as source
    from recorded
    cross join run.parameters p
    where on_date <= p.as_of
    group by wheel_end_id, on_date
),

readings as (
    select
        wheel_end_id,
        inspected_on as on_date,
        case when as_left then 2 else 0 end as slot,
        lining_mm
    from stage.inspections
    where lining_mm is not null
),

steps as (
    select
        wheel_end_id,
        on_date,
        slot,
        lining_mm - lag(lining_mm) over checks as rise_mm,
        lag(on_date) over checks as before_on,
        lag(slot) over checks as before_slot
    from readings
    window checks as (partition by wheel_end_id order by on_date, slot)
),

grown as (
    -- Where a reline on record lies between two readings, the lining may have grown.
    select s.*
    from steps s
    cross join run.parameters p
    left join distinct_recorded r
        on r.wheel_end_id = s.wheel_end_id
        and (r.on_date > s.before_on or (r.on_date = s.before_on and s.before_slot = 0))
        and (r.on_date < s.on_date or (r.on_date = s.on_date and s.slot = 2))
    where s.rise_mm > p.reline_rise_mm and r.wheel_end_id is null
),

final as (
    select
        r.wheel_end_id, r.unit_id, r.on_date, 1 as slot, r.source, d.km
    from distinct_recorded r
    left join stage.unit_days d on d.unit_id = r.unit_id and d.on_date = r.on_date
    union all
    select
        g.wheel_end_id, w.unit_id, g.on_date, case g.slot when 2 then 1 else -1 end as slot,
        'inferred' as source, d.km
    from grown g
    inner join judge.wheel_ends w on w.wheel_end_id = g.wheel_end_id
    left join stage.unit_days d on d.unit_id = w.unit_id and d.on_date = g.on_date
)

select * from final
