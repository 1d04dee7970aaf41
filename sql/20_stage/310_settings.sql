-- grain: one setting of a wheel end's adjustment
-- key: wheel_end_id, on_date
-- inputs: stage.jobs, stage.relines_held, stage.inspections
-- meaning: what set it: a job that leaves the brake adjusted (a doubted reline did not), or a stroke
--          recorded as left
with jobs as (
    select
        j.wheel_end_id,
        j.done_on as on_date,
        -- The most thorough of the day's jobs names the setting.
        min(case j.action when 'adjuster_replaced' then 1 when 'reline' then 2 else 3 end)
            as thorough
    from stage.jobs j
    left join stage.relines_held h
        on h.wheel_end_id = j.wheel_end_id
        and h.done_on = j.done_on
        and h.doubted
        and j.action = 'reline'
    where j.action in ('adjuster_set', 'adjuster_replaced', 'reline') and h.wheel_end_id is null
    group by j.wheel_end_id, j.done_on
),

final as (
    select
        wheel_end_id,
        on_date,
        case thorough when 1 then 'adjuster_replaced' when 2 then 'reline' else 'adjuster_set' end
            as source
    from jobs
    union all
    select i.wheel_end_id, i.inspected_on as on_date, 'as_left' as source
    from stage.inspections i
    left join jobs j on j.wheel_end_id = i.wheel_end_id and j.on_date = i.inspected_on
    where i.as_left and i.free_stroke_mm is not null and j.wheel_end_id is null
)

select * from final
