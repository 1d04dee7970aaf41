-- grain: one inspection as found of a wheel end that had been greased before
-- key: wheel_end_id, inspected_on
-- inputs: stage.inspections, stage.jobs, stage.unit_days, run.service, run.parameters
-- meaning: when its next greasing was due, by its last one and its duty's interval
with greasings as (
    select
        wheel_end_id,
        done_on,
        lead(done_on) over (partition by wheel_end_id order by done_on) as next_on
    from stage.jobs
    where action = 'greased'
),

visits as (
    select i.wheel_end_id, i.unit_id, i.inspected_on, g.done_on as greased_on
    from stage.inspections i
    inner join greasings g
        on g.wheel_end_id = i.wheel_end_id
        and g.done_on < i.inspected_on
        and (g.next_on is null or i.inspected_on <= g.next_on)
    where not i.as_left
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
