-- grain: one wheel end over one stretch of its unit's km in one duty
-- key: wheel_end_id, from_km
-- inputs: stage.inspections, stage.jobs, stage.unit_days, judge.wheel_ends
-- meaning: the unit's accumulated km between which a replacement on this wheel end would be on
--          record: from the first look at it to the last look or job
with records as (
    select wheel_end_id, km from stage.inspections
    union all
    select wheel_end_id, km from stage.jobs
),

first_looks as (
    select wheel_end_id, min(km) as from_km from stage.inspections group by wheel_end_id
),

last_records as (
    select wheel_end_id, max(km) as to_km from records group by wheel_end_id
),

turned as (
    select
        unit_id,
        on_date,
        km,
        duty,
        lag(duty) over (partition by unit_id order by on_date) as duty_before
    from stage.unit_days
),

duties as (
    select
        unit_id,
        duty,
        case when duty_before is null then 0 else km end as from_km,
        lead(km) over (partition by unit_id order by on_date) as to_km
    from turned
    where duty_before is null or duty_before <> duty
),

final as (
    select
        w.wheel_end_id,
        w.unit_id,
        w.axle_type,
        d.duty,
        greatest(f.from_km, d.from_km) as from_km,
        least(l.to_km, coalesce(d.to_km, l.to_km)) as to_km
    from judge.wheel_ends w
    inner join first_looks f on f.wheel_end_id = w.wheel_end_id
    inner join last_records l on l.wheel_end_id = w.wheel_end_id
    inner join duties d on d.unit_id = w.unit_id
    where least(l.to_km, coalesce(d.to_km, l.to_km)) > greatest(f.from_km, d.from_km)
)

select * from final
