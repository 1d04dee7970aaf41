-- form: view
-- grain: one lining reading that the wear fit used
-- key: life_id, inspected_on, as_left
-- inputs: stage.lining_readings
-- meaning: thickness by gauge, and the km since its reline (since the life's first reading, where
--          start_known is false)
with final as (
    select
        life_id,
        wheel_end_id,
        unit_id,
        axle_type,
        duty,
        inspected_on,
        as_left,
        km_since_reline,
        start_known,
        lining_mm
    from stage.lining_readings
    where lining_mm is not null
)

select * from final
