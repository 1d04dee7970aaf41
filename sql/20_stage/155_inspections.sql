-- grain: one inspection of a wheel end: a day, as found or as left
-- key: wheel_end_id, inspected_on, as_left
-- inputs: judge.inspection_candidates, judge.inspection_copies, judge.odometer_verdicts,
--         fate.inspections, stage.unit_days
-- meaning: accepted readings, the unit's accumulated km and the duty it ran in from that day on;
--          rows of one day that complete each other are one inspection
with accepted as (
    select
        i.wheel_end_id,
        i.unit_id,
        i.inspected_on,
        i.as_left,
        v.km,
        d.duty,
        i.lining_mm,
        i.wear_indicator_deg,
        i.free_stroke_mm,
        i.applied_stroke_mm,
        i.marks_aligned,
        i.return_test,
        i.cap_state,
        i.fault,
        i.inspector,
        c.row_no is not null as is_shared
    from judge.inspection_candidates i
    inner join judge.odometer_verdicts v
        on v.unit_id = i.unit_id and v.on_date = i.inspected_on and v.odometer_km = i.odometer_km
    inner join stage.unit_days d on d.unit_id = i.unit_id and d.on_date = i.inspected_on
    left join fate.inspections f on f.content_id = i.content_id and f.row_no = i.row_no
    left join judge.inspection_copies c on c.content_id = i.content_id and c.row_no = i.row_no
    where f.row_no is null
),

completed as (
    select
        wheel_end_id,
        min(unit_id) as unit_id,
        inspected_on,
        as_left,
        max(km) as km,
        min(duty) as duty,
        min(lining_mm) as lining_mm,
        min(wear_indicator_deg) as wear_indicator_deg,
        min(free_stroke_mm) as free_stroke_mm,
        min(applied_stroke_mm) as applied_stroke_mm,
        min(marks_aligned) as marks_aligned,
        min(return_test) as return_test,
        min(cap_state) as cap_state,
        min(fault) as fault,
        min(inspector) as inspector
    from accepted
    where is_shared
    group by wheel_end_id, inspected_on, as_left
),

final as (
    select
        wheel_end_id, unit_id, inspected_on, as_left, km, duty, lining_mm, wear_indicator_deg,
        free_stroke_mm, applied_stroke_mm, marks_aligned, return_test, cap_state, fault, inspector
    from accepted
    where not is_shared
    union all
    select * from completed
)

select * from final
