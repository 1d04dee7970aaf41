-- grain: one stretch of an adjuster's watched life, from one day of its unit to the next
-- key: adjuster_id, from_km
-- inputs: stage.adjuster_lives, stage.unit_days, stage.inspections, stage.jobs, run.service,
--         run.parameters
-- meaning: ages in km and weeks at its ends, the duty run, and the state of maintenance as it
--          began: greasing overdue (its last one longer ago than the duty's interval), grease cap
--          found open or missing at the last look, share of greasings so far that came late
with lives as (
    select
        adjuster_id,
        wheel_end_id,
        unit_id,
        axle_type,
        coalesce(depot, '') as depot,
        fitted_on,
        fitted_km,
        entry_km,
        entry_on,
        coalesce(right_km, left_km) as last_km,
        coalesce(right_weeks, left_weeks) as last_weeks
    from stage.adjuster_lives
    where age_known and coalesce(right_km, left_km) > entry_km
),

stretches as (
    select
        unit_id,
        on_date as from_on,
        km as from_at_km,
        duty,
        lead(on_date) over days as to_on,
        lead(km) over days as to_at_km
    from stage.unit_days
    window days as (partition by unit_id order by on_date)
),

greasings as (
    select
        j.wheel_end_id,
        j.done_on,
        lag(j.done_on) over (partition by j.wheel_end_id order by j.done_on) as before_on,
        coalesce(s.grease_weeks, p.grease_weeks) * 7 as every_days
    from stage.jobs j
    cross join run.parameters p
    inner join stage.unit_days d on d.unit_id = j.unit_id and d.on_date = j.done_on
    left join run.service s on s.duty = d.duty
    where j.action = 'greased'
),

graded as (
    select
        wheel_end_id,
        done_on,
        every_days,
        avg(case when date_diff('day', before_on, done_on) > every_days + 7 then 1.0 else 0.0 end)
            over (
                partition by wheel_end_id order by done_on
                rows between unbounded preceding and current row
            ) as late_share,
        lead(done_on) over (partition by wheel_end_id order by done_on) as next_on
    from greasings
    where before_on is not null
),

caps as (
    select
        wheel_end_id,
        inspected_on,
        cap_state <> 'seated' as cap_open,
        lead(inspected_on) over (partition by wheel_end_id order by inspected_on) as next_on
    from stage.inspections
    where cap_state is not null and not as_left
),

placed as (
    select
        l.adjuster_id,
        l.wheel_end_id,
        l.unit_id,
        l.axle_type,
        l.depot,
        s.duty,
        greatest(s.from_at_km - l.fitted_km, l.entry_km) as from_km,
        least(s.to_at_km - l.fitted_km, l.last_km) as to_km,
        date_diff('day', l.fitted_on, greatest(s.from_on, l.entry_on)) / 7.0 as from_weeks,
        least(date_diff('day', l.fitted_on, s.to_on) / 7.0, l.last_weeks) as to_weeks,
        s.from_on,
        l.last_km,
        l.last_weeks
    from lives l
    inner join stretches s
        on s.unit_id = l.unit_id
        and s.to_at_km > l.fitted_km + l.entry_km
        and s.from_at_km < l.fitted_km + l.last_km
    where s.to_at_km > s.from_at_km
),

final as (
    select
        p.adjuster_id,
        p.unit_id,
        p.axle_type,
        p.depot,
        p.duty,
        p.from_km,
        case
            when row_number() over (partition by p.adjuster_id order by p.from_km desc) = 1
                then p.last_km
            else p.to_km
        end as to_km,
        p.from_weeks,
        case
            when row_number() over (partition by p.adjuster_id order by p.from_km desc) = 1
                then p.last_weeks
            else p.to_weeks
        end as to_weeks,
        case
            when date_diff('day', g.done_on, p.from_on) > g.every_days + 7 then 1.0 else 0.0
        end as greasing_overdue,
        round(coalesce(g.late_share, 0), 1) as greased_late_share,
        case when c.cap_open then 1.0 else 0.0 end as cap_open
    from placed p
    left join graded g
        on g.wheel_end_id = p.wheel_end_id
        and g.done_on <= p.from_on
        and (g.next_on is null or p.from_on < g.next_on)
    left join caps c
        on c.wheel_end_id = p.wheel_end_id
        and c.inspected_on <= p.from_on
        and (c.next_on is null or p.from_on < c.next_on)
)

select * from final
