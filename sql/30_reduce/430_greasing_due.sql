-- grain: one inspection as found of a wheel end that had been greased before
-- key: wheel_end_id, inspected_on
-- inputs: stage.inspections, stage.jobs, stage.unit_days, run.service, run.parameters
-- meaning: when its next greasing was due, by its last one and its duty's interval
with visits as (
    select
        i.wheel_end_id,
        i.unit_id,
        i.inspected_on,
        max(j.done_on) as greased_on
    from stage.inspections i
    inner join stage.jobs j
        on j.wheel_end_id = i.wheel_end_id
        and j.action = 'greased'
        and j.done_on < i.inspected_on
    where not i.as_left
    group by i.wheel_end_id, i.unit_id, i.inspected_on
),

final as (
    select
        v.wheel_end_id,
        v.inspected_on,
        v.greased_on,
        v.greased_on + cast(coalesce(s.grease_weeks, p.grease_weeks) * 7 as integer) as due_on
    from visits v
    cross join run.parameters p
    inner join stage.unit_days d on d.unit_id = v.unit_id and d.on_date = v.inspected_on
    left join run.service s on s.duty = d.duty
)

select * from final
