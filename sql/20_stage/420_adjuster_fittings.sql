-- grain: one adjuster fitted to a wheel end, as far as records tell
-- key: wheel_end_id, fitting_no
-- inputs: stage.jobs, stage.inspections, stage.records, judge.wheel_ends, stage.unit_days
-- meaning: when it was fitted and when the next one took its place; fitted_km is null where the
--          adjuster is older than the records and nobody wrote down its start
with first_checks as (
    select wheel_end_id, min(inspected_on) as first_on, min(km) as first_km
    from stage.inspections
    group by wheel_end_id
),

original as (
    select
        w.wheel_end_id,
        w.unit_id,
        case
            when w.adjuster_fitted_on is not null or w.adjuster_fitted_km is not null
                then w.adjuster_fitted_on
            when w.in_service_on >= r.begin_on and w.in_service_on <= f.first_on
                then w.in_service_on
        end as fitted_on,
        case
            when w.adjuster_fitted_km is not null and w.adjuster_fitted_km <= f.first_km
                then w.adjuster_fitted_km
            when w.adjuster_fitted_on is null
                and w.adjuster_fitted_km is null
                and w.in_service_on >= r.begin_on
                and w.in_service_km <= f.first_km
                then w.in_service_km
        end as fitted_km,
        'register' as source
    from judge.wheel_ends w
    inner join first_checks f on f.wheel_end_id = w.wheel_end_id
    inner join stage.records r on r.unit_id = w.unit_id
),

fitted as (
    select o.wheel_end_id, o.unit_id, o.fitted_on, coalesce(o.fitted_km, d.km) as fitted_km,
        o.source, cast(null as varchar) as part
    from original o
    left join stage.unit_days d on d.unit_id = o.unit_id and d.on_date = o.fitted_on
    left join stage.jobs j
        on j.wheel_end_id = o.wheel_end_id
        and j.action = 'adjuster_replaced'
        and j.done_on <= o.fitted_on
    -- A register that was brought up to date names an adjuster that a job already named.
    where j.wheel_end_id is null
    union all
    select j.wheel_end_id, j.unit_id, j.done_on as fitted_on, j.km as fitted_km, 'job' as source,
        j.part
    from stage.jobs j
    where j.action = 'adjuster_replaced'
),

replaced as (
    select wheel_end_id, done_on, km, reason
    from stage.jobs
    where action = 'adjuster_replaced'
),

numbered as (
    select
        *,
        row_number() over (partition by wheel_end_id order by source desc, fitted_on) as fitting_no,
        lead(fitted_on) over (partition by wheel_end_id order by source desc, fitted_on)
            as replaced_on
    from fitted
),

final as (
    select
        n.wheel_end_id || '~' || cast(n.fitting_no as varchar) as adjuster_id,
        n.wheel_end_id,
        n.unit_id,
        n.fitting_no,
        n.source,
        n.part,
        n.fitted_on,
        n.fitted_km,
        n.replaced_on,
        r.km as replaced_km,
        r.reason as replaced_for
    from numbered n
    left join replaced r on r.wheel_end_id = n.wheel_end_id and r.done_on = n.replaced_on
)

select * from final
