-- form: view once kept
-- grain: one duty that a lining ran in, up to one reading
-- key: life_id, inspected_on, as_left, duty
-- inputs: stage.lining_readings, stage.lining_lives, stage.unit_duty_km
-- meaning: km run in that duty from the life's origin to the reading
with final as (
    select
        r.life_id,
        r.inspected_on,
        r.as_left,
        u.duty,
        greatest(u.km - coalesce(o.km, 0), 0) as km
    from stage.lining_readings r
    inner join stage.lining_lives l on l.life_id = r.life_id
    inner join stage.unit_duty_km u on u.unit_id = l.unit_id and u.on_date = r.inspected_on
    left join stage.unit_duty_km o
        on o.unit_id = l.unit_id and o.on_date = r.origin_on and o.duty = u.duty
    where u.km > coalesce(o.km, 0)
)

select * from final
