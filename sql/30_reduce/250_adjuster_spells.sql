-- grain: one stretch of an adjuster's watched life under unchanged circumstances
-- key: adjuster_id, from_km, from_weeks
-- inputs: reduce.adjuster_life_cuts, reduce.greasings_kept, stage.adjuster_lives, stage.duty_spells
-- meaning: ages in km and weeks at its ends (weeks null where only km were written down), the duty
--          run, and the state of maintenance, shares to the nearest third: share of the time
--          between two looks at the wheel end in which greasing was overdue (0 where none was ever
--          on record), whether the look that ended it found the grease cap open or missing (what is
--          found is put right, so it tells of the time before), and the share of greasings up to
--          its start that came more than a week late
with counted as (
    select
        c.*,
        coalesce(g.days_before, 0)
        + case when c.on_date > g.overdue_from then date_diff('day', g.overdue_from, c.on_date)
            else 0 end as overdue_days,
        round(coalesce(g.late_share, 0) * 3) / 3 as greased_late_share
    from reduce.adjuster_life_cuts c
    left join reduce.greasings_kept g
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
        coalesce(l.depot, '') as depot,
        s.duty,
        s.km as from_km,
        s.to_km,
        s.weeks as from_weeks,
        s.to_weeks,
        cast(s.greasing_overdue as double) as greasing_overdue,
        cast(s.greased_late_share as double) as greased_late_share,
        cast(s.cap_open as double) as cap_open
    from spells s
    inner join stage.adjuster_lives l on l.adjuster_id = s.adjuster_id
    where not s.is_end
)

select * from final
