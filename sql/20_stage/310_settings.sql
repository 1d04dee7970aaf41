-- grain: one setting of a wheel end's adjustment
-- key: wheel_end_id, on_date
-- inputs: stage.jobs, stage.relines_held, stage.relines, stage.inspections, judge.wheel_ends,
--         run.parameters
-- meaning: what set it: a job that leaves the brake adjusted (a doubted reline did not), a stroke
--          recorded as left, or a reline that nobody wrote down (source first_reading, on the day
--          before the lining was read grown): one that the next reading of the lining bears out, or a
--          reline of the axle's other end since the reading before, with no other setting since
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

readings as (
    select
        wheel_end_id,
        inspected_on,
        lining_mm,
        lag(inspected_on) over checks as before_on,
        lag(lining_mm) over checks as before_mm,
        lead(lining_mm) over checks as after_mm
    from stage.inspections
    where lining_mm is not null
    window checks as (partition by wheel_end_id order by inspected_on, as_left)
),

grown as (
    select
        r.wheel_end_id,
        w.axle_id,
        l.before_on,
        r.on_date,
        cast(date_add(r.on_date, interval (-1) day) as date) as set_on,
        coalesce(l.after_mm - l.before_mm > p.reline_rise_mm, false) as stayed
    from stage.relines r
    cross join run.parameters p
    inner join judge.wheel_ends w on w.wheel_end_id = r.wheel_end_id
    inner join readings l
        on l.wheel_end_id = r.wheel_end_id and l.inspected_on = r.on_date and l.before_on < r.on_date
    where r.source = 'inferred' and r.slot = -1
),

unwritten as (
    select g.wheel_end_id, g.set_on as on_date
    from grown g
    inner join judge.wheel_ends w on w.axle_id = g.axle_id
    -- What no stroke has been read of since says nothing of its setting.
    inner join stage.inspections s
        on s.wheel_end_id = g.wheel_end_id
        and s.inspected_on >= g.on_date
        and s.free_stroke_mm is not null
    left join stage.relines o
        on o.wheel_end_id = w.wheel_end_id
        and o.wheel_end_id <> g.wheel_end_id
        and o.on_date >= g.before_on
        and o.on_date <= g.on_date
    left join jobs j
        on j.wheel_end_id = g.wheel_end_id and j.on_date >= g.before_on and j.on_date < g.on_date
    left join stage.inspections i
        on i.wheel_end_id = g.wheel_end_id
        and i.inspected_on >= g.before_on
        and i.inspected_on < g.on_date
        and i.as_left
        and i.free_stroke_mm is not null
    group by g.wheel_end_id, g.set_on
    having (max(case when g.stayed then 1 else 0 end) = 1 or count(o.wheel_end_id) > 0)
        and count(j.wheel_end_id) = 0
        and count(i.wheel_end_id) = 0
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
    union all
    select wheel_end_id, on_date, 'first_reading' as source from unwritten
)

select * from final
