-- grain: one thickness of a lining, by gauge or by wear pointer
-- key: life_id, instrument, inspected_on, as_left
-- inputs: stage.lining_readings
-- meaning: km run since the life's origin and the thickness read there; a pointer at its end stop
--          (90 degrees) is a bound, not a reading, and is left out
with final as (
    select
        life_id, 'gauge' as instrument, inspected_on, as_left, km_since_reline as km, lining_mm
    from stage.lining_readings
    where lining_mm is not null
    union all
    select
        life_id, 'pointer' as instrument, inspected_on, as_left, km_since_reline as km,
        pointer_lining_mm as lining_mm
    from stage.lining_readings
    where pointer_lining_mm is not null and pointer_deg < 90
)

select * from final
