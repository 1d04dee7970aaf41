-- grain: one inspection of a wheel end: a day, as found or as left
-- key: wheel_end_id, inspected_on, as_left
-- inputs: judge.inspection_copies, judge.odometer_verdicts, fate.inspections
-- meaning: accepted readings; rows of one day that complete each other are one inspection
with accepted as (
    select i.*, v.km
    from judge.inspection_copies i
    inner join judge.odometer_verdicts v
        on v.unit_id = i.unit_id and v.on_date = i.inspected_on and v.odometer_km = i.odometer_km
    left join fate.inspections f on f.content_id = i.content_id and f.row_no = i.row_no
    where f.row_no is null
),

final as (
    select
        wheel_end_id,
        min(unit_id) as unit_id,
        inspected_on,
        as_left,
        max(km) as km,
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
    group by wheel_end_id, inspected_on, as_left
)

select * from final
