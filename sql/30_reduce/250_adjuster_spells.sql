-- grain: one stretch of an adjuster's watched life under unchanged circumstances
-- key: adjuster_id, from_km, from_weeks
-- inputs: stage.adjuster_lives, stage.inspections, stage.duty_spells, stage.unit_days, stage.jobs,
--         run.service, run.parameters
-- meaning: ages in km and weeks at its ends (weeks null where only km were written down), the duty
--          run, and the state of maintenance, shares to the nearest third: share of the time
--          between two looks at the wheel end in which greasing was overdue (0 where none was ever
--          on record), whether the look that ended it found the grease cap open or missing (what is
--          found is put right, so it tells of the time before), and the share of greasings up to
--          its start that came more than a week late
with lives as (
    select
        adjuster_id,
        wheel_end_id,
        unit_id,
        axle_type,
        coalesce(depot, '') as depot,
        fitted_on,
        fitted_km,
        entry_on,
        entry_km,
        entry_weeks,
        coalesce(
            fitted_on + cast(round(coalesce(right_weeks, left_weeks) * 7) as integer), ended_on
        ) as last_on,
        coalesce(right_km, left_km) as last_km,
        coalesce(right_weeks, left_weeks) as last_weeks
    from stage.adjuster_lives
    where age_known and coalesce(right_km, left_km) > entry_km
),

looks as (
    select
        wheel_end_id,
        inspected_on,
        km,
        case when cap_state <> 'seated' then 1 else 0 end as cap_open
    from stage.inspections
    where not as_left
),

cuts as (
    select
        adjuster_id, wheel_end_id, unit_id, entry_on as on_date, entry_km as km,
        entry_weeks as weeks, 0 as cap_open
    from lives
    union all
    select
        l.adjuster_id,
        l.wheel_end_id,
        l.unit_id,
        k.inspected_on,
        least(greatest(k.km - l.fitted_km, l.entry_km), l.last_km),
        date_diff('day', l.fitted_on, k.inspected_on) / 7.0,
        k.cap_open
    from lives l
    inner join looks k
        on k.wheel_end_id = l.wheel_end_id
        and k.inspected_on > l.entry_on
        and k.inspected_on < l.last_on
    union all
    select
        l.adjuster_id,
        l.wheel_end_id,
        l.unit_id,
        s.from_on,
        least(greatest(d.km - l.fitted_km, l.entry_km), l.last_km),
        date_diff('day', l.fitted_on, s.from_on) / 7.0,
        null
    from lives l
    inner join stage.duty_spells s
        on s.unit_id = l.unit_id and s.from_on > l.entry_on and s.from_on < l.last_on
    inner join stage.unit_days d on d.unit_id = s.unit_id and d.on_date = s.from_on
    left join looks k on k.wheel_end_id = l.wheel_end_id and k.inspected_on = s.from_on
    where k.wheel_end_id is null
    union all
    select
        l.adjuster_id, l.wheel_end_id, l.unit_id, l.last_on, l.last_km, l.last_weeks,
        coalesce(k.cap_open, 0)
    from lives l
    left join looks k on k.wheel_end_id = l.wheel_end_id and k.inspected_on = l.last_on
    where l.last_on > l.entry_on
),

last_records as (
    -- Whether a greasing is late, its wheel end's last record still tells.
    select wheel_end_id, max(on_date) as last_on
    from (
        select wheel_end_id, inspected_on as on_date from looks
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

greased as (
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
),

counted as (
    select
        c.*,
        coalesce(g.days_before, 0)
        + case when c.on_date > g.overdue_from then date_diff('day', g.overdue_from, c.on_date)
            else 0 end as overdue_days,
        round(coalesce(g.late_share, 0) * 3) / 3 as greased_late_share
    from cuts c
    left join greased g
        on g.wheel_end_id = c.wheel_end_id
        and g.done_on <= c.on_date
        and (g.until_on is null or c.on_date < g.until_on)
),

stretches as (
    select
        c.adjuster_id,
        c.on_date,
        c.km,
        c.weeks,
        d.duty,
        round((lead(c.overdue_days) over ages - c.overdue_days) * 3.0
            / date_diff('day', c.on_date, lead(c.on_date) over ages)) / 3 as greasing_overdue,
        c.greased_late_share,
        -- A change of duty is no look: the next one tells.
        lead(c.cap_open ignore nulls) over ages as cap_open,
        lag(d.duty) over ages as duty_before,
        round((c.overdue_days - lag(c.overdue_days) over ages) * 3.0
            / date_diff('day', lag(c.on_date) over ages, c.on_date)) / 3 as overdue_before,
        lag(c.greased_late_share) over ages as late_share_before,
        coalesce(c.cap_open, lead(c.cap_open ignore nulls) over ages) as cap_open_before,
        lead(c.on_date) over ages is null as is_end
    from counted c
    inner join stage.duty_spells d
        on d.unit_id = c.unit_id and d.from_on <= c.on_date and c.on_date < d.until_on
    window ages as (partition by c.adjuster_id order by c.on_date)
),

starts as (
    select *
    from stretches
    where is_end
        or duty_before is null
        or duty <> duty_before
        or greasing_overdue <> overdue_before
        or greased_late_share <> late_share_before
        or cap_open <> cap_open_before
),

spells as (
    select
        *,
        lead(km) over ages as to_km,
        lead(weeks) over ages as to_weeks
    from starts
    window ages as (partition by adjuster_id order by on_date)
),

final as (
    select
        s.adjuster_id,
        l.unit_id,
        l.axle_type,
        l.depot,
        s.duty,
        s.km as from_km,
        s.to_km,
        s.weeks as from_weeks,
        s.to_weeks,
        cast(s.greasing_overdue as double) as greasing_overdue,
        cast(s.greased_late_share as double) as greased_late_share,
        cast(s.cap_open as double) as cap_open
    from spells s
    inner join lives l on l.adjuster_id = s.adjuster_id
    where not s.is_end
)

select * from final
