-- form: view once kept
-- grain: one inspection as found that says whether the adjuster works
-- key: wheel_end_id, inspected_on
-- inputs: stage.inspections, judge.wheel_ends, run.parameters
-- meaning: failed: its return test failed or a fault that is the adjuster's was named; good: the
--          test passed, or untested and without fault the stroke stood in its band
with judged as (
    select
        i.wheel_end_id,
        i.unit_id,
        i.inspected_on,
        i.km,
        coalesce(i.return_test = 'fail', false)
        or coalesce(lower(i.fault) in ('stuck', 'over_adjusting', 'damaged'), false) as failed,
        case
            when lower(i.fault) in ('stuck', 'over_adjusting', 'damaged') then lower(i.fault)
            else 'failed'
        end as cause,
        coalesce(i.return_test = 'pass', false)
        or (
            i.return_test is null
            and coalesce(
                i.free_stroke_mm / w.arm_length_mm between p.band_low and p.band_high, false
            )
        ) as passed
    from stage.inspections i
    inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
    cross join run.parameters p
    where not i.as_left
),

final as (
    select wheel_end_id, unit_id, inspected_on, km, failed, case when failed then cause end as cause
    from judged
    where failed or passed
)

select * from final
