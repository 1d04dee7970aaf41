-- form: view
-- grain: one thickness of a lining as found
-- key: wheel_end_id, inspected_on
-- inputs: stage.inspections, judge.wheel_ends
-- meaning: the reading in mm above the wheel end's minimum: what forecasts of linings are held
--          against
with final as (
    select
        i.wheel_end_id,
        i.inspected_on,
        i.lining_mm - e.lining_min_mm as above_mm
    from stage.inspections i
    inner join judge.wheel_ends e on e.wheel_end_id = i.wheel_end_id
    where i.lining_mm is not null and not i.as_left
)

select * from final
