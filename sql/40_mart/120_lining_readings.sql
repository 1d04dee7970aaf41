-- form: view
-- grain: one lining reading that the wear fit used
-- key: life_id, inspected_on, as_left
-- inputs: stage.lining_readings, stage.lining_lives
-- meaning: thickness by gauge, and the km since its reline (since the life's first reading, where
--          start_known is false)
with final as (
    select
        r.life_id,
        l.wheel_end_id,
        l.unit_id,
        l.axle_type,
        r.duty,
        r.inspected_on,
        r.as_left,
        r.km_since_reline,
        l.start_known,
        r.lining_mm
    from stage.lining_readings r
    inner join stage.lining_lives l on l.life_id = r.life_id
    where r.lining_mm is not null
)

select * from final
