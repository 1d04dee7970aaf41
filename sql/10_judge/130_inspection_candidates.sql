-- grain: one inspection row that is readable, of a known wheel end, dated no later than the as-of day
-- key: content_id, row_no
-- inputs: raw.inspections, raw.contents, judge.wheel_ends, run.parameters
-- meaning: rows whose values can now be judged against the wheel end and against each other
with final as (
    select
        r.content_id,
        r.row_no,
        c.rank_no,
        c.age_no,
        c.last_on,
        w.wheel_end_id,
        w.unit_id,
        r.inspected_on,
        coalesce(r.as_left, false) as as_left,
        r.odometer_km,
        r.lining_mm,
        r.wear_indicator_deg,
        r.free_stroke_mm,
        r.applied_stroke_mm,
        r.marks_aligned,
        r.return_test,
        r.cap_state,
        r.fault,
        r.inspector,
        w.lining_new_mm,
        w.arm_length_mm
    from raw.inspections r
    inner join raw.contents c on c.content_id = r.content_id
    inner join judge.wheel_ends w
        on w.wheel_end_key = upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side
    cross join run.parameters p
    where r.problem is null
        and r.inspected_on <= p.as_of
)

select * from final
