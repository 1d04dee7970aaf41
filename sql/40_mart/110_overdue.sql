-- grain: one service that a wheel end is overdue for
-- key: wheel_end_id, kind
-- inputs: stage.inspections, stage.jobs, stage.duty_spells, stage.unit_days, judge.wheel_ends,
--         run.service, run.parameters
-- meaning: adjuster check and greasing, each due an interval after it was last done (the duty's
--          interval, else the fleet's); first service, when a new adjuster has run past its window
--          and nobody has looked since it entered it: a look before tells nothing yet
with standing as (
    select
        w.wheel_end_id,
        w.unit_id,
        w.axle_type,
        w.depot,
        d.duty,
        coalesce(s.check_weeks, p.check_weeks) as check_weeks,
        coalesce(s.grease_weeks, p.grease_weeks) as grease_weeks,
        p.first_service_km_high,
        p.as_of
    from judge.wheel_ends w
    cross join run.parameters p
    inner join stage.duty_spells d
        on d.unit_id = w.unit_id and d.from_on <= p.as_of and p.as_of < d.until_on
    left join run.service s on s.duty = d.duty
),

checked as (
    select wheel_end_id, max(inspected_on) as last_on
    from stage.inspections
    group by wheel_end_id
),

greased as (
    select wheel_end_id, max(done_on) as last_on
    from stage.jobs
    where action = 'greased'
    group by wheel_end_id
),

renewed as (
    select wheel_end_id, max(done_on) as fitted_on, max(km) as fitted_km
    from stage.jobs
    where action = 'adjuster_replaced'
    group by wheel_end_id
),

served as (
    select distinct r.wheel_end_id
    from renewed r
    cross join run.parameters p
    inner join stage.inspections i
        on i.wheel_end_id = r.wheel_end_id
        and i.inspected_on > r.fitted_on
        and i.km - r.fitted_km >= p.first_service_km_low
),

run_by_now as (
    select unit_id, max(km) as km
    from stage.unit_days
    group by unit_id
),

due as (
    select
        s.wheel_end_id,
        'adjuster check' as kind,
        cast(c.last_on as date) + cast(s.check_weeks * 7 as integer) as due_on
    from standing s
    inner join checked c on c.wheel_end_id = s.wheel_end_id
    union all
    select
        s.wheel_end_id,
        'greasing' as kind,
        cast(g.last_on as date) + cast(s.grease_weeks * 7 as integer) as due_on
    from standing s
    inner join greased g on g.wheel_end_id = s.wheel_end_id
    union all
    select s.wheel_end_id, 'first service' as kind, r.fitted_on as due_on
    from standing s
    inner join renewed r on r.wheel_end_id = s.wheel_end_id
    inner join run_by_now k on k.unit_id = s.unit_id
    anti join served v on v.wheel_end_id = s.wheel_end_id
    where k.km - r.fitted_km > s.first_service_km_high
),

final as (
    select
        s.wheel_end_id,
        s.depot,
        s.axle_type,
        s.duty,
        d.kind,
        d.due_on,
        date_diff('day', d.due_on, s.as_of) / 7.0 as weeks_overdue
    from due d
    inner join standing s on s.wheel_end_id = d.wheel_end_id
    where d.due_on < s.as_of
)

select * from final
