-- grain: one greasing of a wheel end
-- key: wheel_end_id, done_on
-- inputs: stage.jobs, stage.inspections, stage.unit_days, run.service, run.parameters
-- meaning: how greasing was kept: it counts until_on the next (null: the last one), is overdue_from a
--          day on (null: never, or by less than a week), days_before that greasings before it were
--          overdue, and the share of them that came late
with last_records as (
    -- Whether a greasing is late, its wheel end's last record still tells.
    select wheel_end_id, max(on_date) as last_on
    from (
        select wheel_end_id, inspected_on as on_date from stage.inspections where not as_left
        union all
        select wheel_end_id, done_on as on_date from stage.jobs
    ) r
    group by wheel_end_id
),

greasings as (
    select
        j.wheel_end_id,
        j.done_on,
        j.done_on + cast(coalesce(s.grease_weeks, p.grease_weeks) * 7 as integer) as due_on,
        lead(j.done_on, 1, l.last_on) over jobs as next_on
    from stage.jobs j
    cross join run.parameters p
    inner join last_records l on l.wheel_end_id = j.wheel_end_id
    inner join stage.unit_days d on d.unit_id = j.unit_id and d.on_date = j.done_on
    left join run.service s on s.duty = d.duty
    where j.action = 'greased'
    window jobs as (partition by j.wheel_end_id order by j.done_on)
),

graded as (
    select
        wheel_end_id,
        done_on,
        -- A week's grace: a greasing that waits for a visit is not late.
        case when next_on > due_on + 7 then due_on end as overdue_from,
        case when next_on > due_on + 7 then date_diff('day', due_on, next_on) else 0 end
            as overdue_days,
        lag(case when next_on > due_on + 7 then 1.0 else 0.0 end) over (
            partition by wheel_end_id order by done_on
        ) as came_late
    from greasings
),

final as (
    select
        wheel_end_id,
        done_on,
        lead(done_on) over (partition by wheel_end_id order by done_on) as until_on,
        overdue_from,
        sum(overdue_days) over earlier - overdue_days as days_before,
        avg(came_late) over earlier as late_share
    from graded
    window earlier as (
        partition by wheel_end_id order by done_on
        rows between unbounded preceding and current row
    )
)

select * from final
