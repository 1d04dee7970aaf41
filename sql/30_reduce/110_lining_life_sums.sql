-- grain: one instrument's readings of one lining life
-- key: life_id, instrument
-- inputs: reduce.lining_measurements
-- meaning: count, means, and sums of squares and products of km and thickness about the life's own
--          means (km are centred before they are squared, so no odometer offset can cancel)
with means as (
    select
        life_id,
        instrument,
        min(wheel_end_id) as wheel_end_id,
        min(unit_id) as unit_id,
        min(axle_type) as axle_type,
        bool_and(start_known) as start_known,
        count(*) as readings,
        avg(km) as mean_km,
        avg(lining_mm) as mean_mm,
        max(inspected_on) as last_inspected_on
    from reduce.lining_measurements
    group by life_id, instrument
),

products as (
    select
        m.life_id,
        m.instrument,
        sum((m.km - a.mean_km) * (m.km - a.mean_km)) as s_km_km,
        sum((m.km - a.mean_km) * (m.lining_mm - a.mean_mm)) as s_km_mm,
        sum((m.lining_mm - a.mean_mm) * (m.lining_mm - a.mean_mm)) as s_mm_mm
    from reduce.lining_measurements m
    inner join means a on a.life_id = m.life_id and a.instrument = m.instrument
    group by m.life_id, m.instrument
),

final as (
    select a.*, p.s_km_km, p.s_km_mm, p.s_mm_mm
    from means a
    inner join products p on p.life_id = a.life_id and p.instrument = a.instrument
)

select * from final
