-- grain: one stretch of a wheel end between two settings
-- key: episode_id
-- inputs: stage.settings, stage.inspections, judge.wheel_ends, stage.unit_days
-- meaning: set_on is null where nobody wrote down what set it: before the first setting on record,
--          and since a reline without a job; begun_on is the day after which it begins (null: none)
with checked as (
    select wheel_end_id, min(inspected_on) as first_on
    from stage.inspections
    group by wheel_end_id
),

starts as (
    select wheel_end_id, on_date, source from stage.settings
    union all
    select c.wheel_end_id, cast(null as date) as on_date, 'first_reading' as source
    from checked c
    left join (
        select wheel_end_id, min(on_date) as on_date from stage.settings group by wheel_end_id
    ) s on s.wheel_end_id = c.wheel_end_id
    where s.on_date is null or c.first_on <= s.on_date
),

numbered as (
    select
        wheel_end_id,
        on_date,
        source,
        row_number() over episodes as episode_no,
        lead(on_date) over episodes as ended_on
    from starts
    window episodes as (partition by wheel_end_id order by on_date nulls first)
),

final as (
    select
        n.wheel_end_id || '@' || cast(n.episode_no as varchar) as episode_id,
        n.wheel_end_id,
        w.unit_id,
        w.axle_id,
        w.axle_type,
        n.episode_no,
        n.on_date as begun_on,
        case when n.source <> 'first_reading' then n.on_date end as set_on,
        d.km as set_km,
        n.source as set_source,
        n.ended_on
    from numbered n
    inner join judge.wheel_ends w on w.wheel_end_id = n.wheel_end_id
    left join stage.unit_days d
        on d.unit_id = w.unit_id and d.on_date = n.on_date and n.source <> 'first_reading'
)

select * from final
