-- grain: one adjuster
-- key: adjuster_id
-- inputs: stage.adjuster_fittings, stage.adjuster_checks, stage.jobs, judge.wheel_ends,
--         stage.unit_duty_km, run.parameters
-- meaning: its age in km and weeks at entry (first seen working), when last known good, and when
--          first known failed (null: not failed); cause is a failure cause, or how watching ended;
--          age_known is false where it cannot enter a life fit (start unknown, or it had failed
--          before anyone saw it work)
with checks as (
    select
        f.adjuster_id,
        c.inspected_on,
        c.km,
        c.failed,
        c.cause
    from stage.adjuster_fittings f
    inner join stage.adjuster_checks c
        on c.wheel_end_id = f.wheel_end_id
        and (f.source = 'register' or c.inspected_on > f.fitted_on)
        -- As found on the day of its replacement is still the old adjuster.
        and (f.replaced_on is null or c.inspected_on <= f.replaced_on)
),

failures as (
    select
        adjuster_id,
        min(inspected_on) as failed_on,
        min_by(km, inspected_on) as failed_km,
        min_by(cause, inspected_on) as failed_cause
    from checks
    where failed
    group by adjuster_id
),

good as (
    select
        c.adjuster_id,
        min(c.inspected_on) as first_good_on,
        min(c.km) as first_good_km,
        max(c.inspected_on) as last_good_on,
        max(c.km) as last_good_km
    from checks c
    left join failures f on f.adjuster_id = c.adjuster_id
    where not c.failed and (f.failed_on is null or c.inspected_on < f.failed_on)
    group by c.adjuster_id
),

-- Worn, with the linings, and good on the same day: it went along with them.
went_along as (
    select f.adjuster_id
    from stage.adjuster_fittings f
    inner join good g on g.adjuster_id = f.adjuster_id and g.last_good_on = f.replaced_on
    inner join stage.jobs j
        on j.wheel_end_id = f.wheel_end_id and j.action = 'reline' and j.done_on = f.replaced_on
    where f.replaced_for = 'worn'
),

reasons as (
    select
        f.adjuster_id,
        case when w.adjuster_id is null then f.replaced_for else 'planned' end as replaced_for
    from stage.adjuster_fittings f
    left join went_along w on w.adjuster_id = f.adjuster_id
),

ended as (
    select
        f.adjuster_id,
        f.wheel_end_id,
        f.unit_id,
        f.source,
        f.part,
        f.fitted_on,
        f.fitted_km,
        g.first_good_on,
        g.first_good_km,
        g.last_good_on,
        g.last_good_km,
        case
            when s.failed_on is not null then s.failed_on
            when r.replaced_for in ('failed', 'damaged', 'worn') then f.replaced_on
            when f.replaced_on is not null
                and r.replaced_for is null
                and p.unstated_replacement = 'failed' then f.replaced_on
        end as failed_on,
        case
            when s.failed_on is not null then s.failed_km
            when r.replaced_for in ('failed', 'damaged', 'worn') then f.replaced_km
            when f.replaced_on is not null
                and r.replaced_for is null
                and p.unstated_replacement = 'failed' then f.replaced_km
        end as failed_km,
        case
            when s.failed_on is not null then s.failed_cause
            when r.replaced_for = 'damaged' then 'damaged'
            when r.replaced_for in ('failed', 'worn') then 'failed'
            when f.replaced_on is null then 'in_service'
            when r.replaced_for = 'planned' then 'planned'
            when r.replaced_for is null and p.unstated_replacement = 'failed' then 'failed'
            else 'unstated'
        end as cause,
        coalesce(s.failed_on, f.replaced_on, g.last_good_on, f.fitted_on) as ended_on,
        coalesce(s.failed_km, f.replaced_km, g.last_good_km, f.fitted_km) as ended_km
    from stage.adjuster_fittings f
    inner join reasons r on r.adjuster_id = f.adjuster_id
    left join failures s on s.adjuster_id = f.adjuster_id
    left join good g on g.adjuster_id = f.adjuster_id
    cross join run.parameters p
),

aged as (
    select
        *,
        case when source = 'job' then fitted_on else first_good_on end as entry_on,
        case when source = 'job' then fitted_km else first_good_km end as entry_at_km,
        greatest(coalesce(last_good_on, fitted_on), coalesce(fitted_on, last_good_on)) as left_on,
        greatest(coalesce(last_good_km, fitted_km), coalesce(fitted_km, last_good_km)) as left_at_km
    from ended
),

duties as (
    -- The duty it ran most km in; comparisons that follow every km have their own table.
    select
        a.adjuster_id,
        u.duty,
        row_number() over (
            partition by a.adjuster_id order by u.km - coalesce(o.km, 0) desc, u.duty
        ) as place
    from aged a
    inner join stage.unit_duty_km u on u.unit_id = a.unit_id and u.on_date = a.ended_on
    left join stage.unit_duty_km o
        on o.unit_id = a.unit_id and o.on_date = a.entry_on and o.duty = u.duty
),

final as (
    select
        a.adjuster_id,
        a.wheel_end_id,
        a.unit_id,
        w.axle_type,
        coalesce(d.duty, 'unassigned') as duty,
        w.depot,
        a.fitted_on,
        a.fitted_km,
        a.fitted_km is not null
        and a.entry_at_km is not null
        and (a.failed_km is null or a.failed_km > a.entry_at_km or a.source = 'job') as age_known,
        a.entry_at_km - a.fitted_km as entry_km,
        a.left_at_km - a.fitted_km as left_km,
        -- A failure found at no km after the last good check still needs an interval.
        case when a.failed_km is not null
            then greatest(a.failed_km, a.left_at_km + 1) - a.fitted_km end as right_km,
        a.ended_km - a.fitted_km as ended_km,
        date_diff('day', a.fitted_on, a.entry_on) / 7.0 as entry_weeks,
        date_diff('day', a.fitted_on, a.left_on) / 7.0 as left_weeks,
        case when a.failed_on is not null
            then date_diff('day', a.fitted_on, greatest(a.failed_on, a.left_on)) / 7.0
        end as right_weeks,
        a.entry_on,
        a.ended_on,
        a.cause,
        a.part
    from aged a
    inner join judge.wheel_ends w on w.wheel_end_id = a.wheel_end_id
    left join duties d on d.adjuster_id = a.adjuster_id and d.place = 1
)

select * from final
