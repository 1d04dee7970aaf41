-- grain: one wheel end
-- key: wheel_end_id
-- inputs: stage.inspections, stage.jobs, stage.relines, stage.duty_spells, judge.wheel_ends, run.parameters
-- meaning: how much of each kind the records hold of it: what has none cannot be judged, however
--          well it may be; relines are those recorded and those seen as lining that grew;
--          strokes_left: strokes as they were left, not found;
--          month_ends: inspections dated on the first or the last day of a month
with read as (
    select
        wheel_end_id,
        count(*) as inspections,
        max(inspected_on) as last_inspected_on,
        count(lining_mm) as linings,
        count(free_stroke_mm) as strokes,
        count(free_stroke_mm) filter (where as_left) as strokes_left,
        count(return_test) as return_tests,
        count(fault) as faults,
        count(applied_stroke_mm) as applied_strokes,
        count(wear_indicator_deg) as wear_pointers,
        count(marks_aligned) as marks,
        count(cap_state) as caps,
        count(*) filter (
            where extract(day from inspected_on) = 1 or inspected_on = last_day(inspected_on)
        ) as month_ends
    from stage.inspections
    group by wheel_end_id
),

done as (
    select
        wheel_end_id,
        count(*) as jobs,
        count(*) filter (where action = 'greased') as greasings,
        count(*) filter (where action = 'adjuster_replaced') as adjusters_replaced
    from stage.jobs
    group by wheel_end_id
),

renewed as (
    select wheel_end_id, count(*) as relines
    from stage.relines
    where source in ('job', 'inferred')
    group by wheel_end_id
),

final as (
    select
        w.wheel_end_id,
        w.unit_id,
        w.depot,
        w.axle_type,
        d.duty,
        r.last_inspected_on,
        coalesce(r.inspections, 0) as inspections,
        coalesce(r.linings, 0) as linings,
        coalesce(r.strokes, 0) as strokes,
        coalesce(r.strokes_left, 0) as strokes_left,
        coalesce(r.return_tests, 0) as return_tests,
        coalesce(r.faults, 0) as faults,
        coalesce(r.applied_strokes, 0) as applied_strokes,
        coalesce(r.wear_pointers, 0) as wear_pointers,
        coalesce(r.marks, 0) as marks,
        coalesce(r.caps, 0) as caps,
        coalesce(r.month_ends, 0) as month_ends,
        coalesce(j.jobs, 0) as jobs,
        coalesce(j.greasings, 0) as greasings,
        coalesce(n.relines, 0) as relines,
        coalesce(j.adjusters_replaced, 0) as adjusters_replaced,
        w.arm_length_mm
    from judge.wheel_ends w
    cross join run.parameters p
    left join stage.duty_spells d
        on d.unit_id = w.unit_id and d.from_on <= p.as_of and p.as_of < d.until_on
    left join read r on r.wheel_end_id = w.wheel_end_id
    left join done j on j.wheel_end_id = w.wheel_end_id
    left join renewed n on n.wheel_end_id = w.wheel_end_id
)

select * from final
