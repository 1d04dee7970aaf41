-- grain: one day on which a wheel end was read or worked on
-- key: wheel_end_id, on_date
-- inputs: stage.inspections, stage.jobs, stage.relines, stage.relines_held, judge.wheel_ends
-- meaning: what was read (mm; free stroke also as a share of the arm), as found, else as left, and
--          what was done that day; a reline that nobody recorded stands on the day its thicker lining was found, one that readings
--          contradict is marked; km is the
--          unit's own, carried across odometer replacements
with read as (
    select
        i.wheel_end_id,
        i.inspected_on as on_date,
        i.km,
        i.lining_mm,
        i.wear_indicator_deg,
        i.free_stroke_mm,
        i.applied_stroke_mm,
        i.return_test,
        i.cap_state,
        i.fault
    from stage.inspections i
    left join stage.inspections f
        on f.wheel_end_id = i.wheel_end_id
        and f.inspected_on = i.inspected_on
        and i.as_left
        and not f.as_left
    where f.wheel_end_id is null
),

worked as (
    select
        j.wheel_end_id,
        j.done_on as on_date,
        j.km,
        case when h.wheel_end_id is null then j.action else 'reline (on record, not found)' end
            as action
    from stage.jobs j
    left join stage.relines_held h
        on h.wheel_end_id = j.wheel_end_id
        and h.done_on = j.done_on
        and h.doubted
        and j.action = 'reline'
    union all
    select wheel_end_id, on_date, km, 'reline (found, not recorded)' as action
    from stage.relines
    where source = 'inferred'
),

done as (
    select
        wheel_end_id,
        on_date,
        max(km) as km,
        string_agg(action, ', ' order by action) as jobs
    from worked
    group by wheel_end_id, on_date
),

final as (
    select
        w.wheel_end_id,
        w.unit_id,
        coalesce(r.on_date, d.on_date) as on_date,
        coalesce(r.km, d.km) as km,
        r.lining_mm,
        r.wear_indicator_deg,
        r.free_stroke_mm,
        r.free_stroke_mm / w.arm_length_mm as stroke_ratio,
        r.applied_stroke_mm,
        r.return_test,
        r.cap_state,
        r.fault,
        d.jobs
    from read r
    full join done d on d.wheel_end_id = r.wheel_end_id and d.on_date = r.on_date
    inner join judge.wheel_ends w on w.wheel_end_id = coalesce(r.wheel_end_id, d.wheel_end_id)
)

select * from final
