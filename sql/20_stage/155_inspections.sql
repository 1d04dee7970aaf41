-- grain: one inspection of a wheel end: a day, as found or as left
-- key: wheel_end_id, inspected_on, as_left
-- inputs: judge.inspection_candidates, judge.inspection_copies, judge.odometer_verdicts,
--         fate.inspections, stage.unit_days
-- meaning: accepted readings, the unit's accumulated km and the duty it ran in from that day on;
--          rows of one day that complete each other are one inspection
with days as (
    select v.unit_id, v.on_date, v.odometer_km, v.km, d.duty
    from judge.odometer_verdicts v
    inner join stage.unit_days d on d.unit_id = v.unit_id and d.on_date = v.on_date
),

shared as (
    select c.content_id, c.row_no
    from judge.inspection_copies c
    left join fate.inspections f on f.content_id = c.content_id and f.row_no = c.row_no
    where f.row_no is null
),

-- Most days have one row, and it is accepted.
others as (
    select content_id, row_no from fate.inspections
    union all
    select content_id, row_no from shared
),

final as (
    select
        i.wheel_end_id,
        i.unit_id,
        i.inspected_on,
        i.as_left,
        d.km,
        d.duty,
        i.lining_mm,
        i.wear_indicator_deg,
        i.free_stroke_mm,
        i.applied_stroke_mm,
        i.marks_aligned,
        i.return_test,
        i.cap_state,
        i.fault
    from judge.inspection_candidates i
    inner join days d
        on d.unit_id = i.unit_id and d.on_date = i.inspected_on and d.odometer_km = i.odometer_km
    left join others o on o.content_id = i.content_id and o.row_no = i.row_no
    where o.row_no is null
    union all
    select
        i.wheel_end_id,
        min(i.unit_id) as unit_id,
        i.inspected_on,
        i.as_left,
        max(d.km) as km,
        min(d.duty) as duty,
        min(i.lining_mm) as lining_mm,
        min(i.wear_indicator_deg) as wear_indicator_deg,
        min(i.free_stroke_mm) as free_stroke_mm,
        min(i.applied_stroke_mm) as applied_stroke_mm,
        min(i.marks_aligned) as marks_aligned,
        min(i.return_test) as return_test,
        min(i.cap_state) as cap_state,
        min(i.fault) as fault
    from shared s
    inner join judge.inspection_candidates i
        on i.content_id = s.content_id and i.row_no = s.row_no
    inner join days d
        on d.unit_id = i.unit_id and d.on_date = i.inspected_on and d.odometer_km = i.odometer_km
    group by i.wheel_end_id, i.inspected_on, i.as_left
)

select * from final
