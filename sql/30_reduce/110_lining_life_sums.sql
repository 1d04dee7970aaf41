-- grain: one instrument's readings of one lining life
-- key: life_id, instrument
-- inputs: reduce.lining_measurements
-- meaning: count, means, and sums of squares and products of km and thickness about the life's own
--          means (km are centred before they are squared, so no odometer offset can cancel);
--          decimals add up to the same sum in whatever order threads take the rows
with exact as (
    select
        *,
        cast(km as decimal(38, 9)) as exact_km,
        cast(lining_mm as decimal(38, 9)) as exact_mm
    from reduce.lining_measurements
),

means as (
    select
        life_id,
        instrument,
        min(wheel_end_id) as wheel_end_id,
        min(unit_id) as unit_id,
        min(axle_type) as axle_type,
        bool_and(start_known) as start_known,
        count(*) as readings,
        cast(sum(exact_km) as double) / count(*) as mean_km,
        cast(sum(exact_mm) as double) / count(*) as mean_mm,
        max(inspected_on) as last_inspected_on
    from exact
    group by life_id, instrument
),

centred as (
    select
        m.life_id,
        m.instrument,
        m.km - a.mean_km as km,
        m.lining_mm - a.mean_mm as mm
    from reduce.lining_measurements m
    inner join means a on a.life_id = m.life_id and a.instrument = m.instrument
),

products as (
    select
        life_id,
        instrument,
        cast(sum(cast(km * km as decimal(38, 9))) as double) as s_km_km,
        cast(sum(cast(km * mm as decimal(38, 9))) as double) as s_km_mm,
        cast(sum(cast(mm * mm as decimal(38, 9))) as double) as s_mm_mm
    from centred
    group by life_id, instrument
),

final as (
    select a.*, p.s_km_km, p.s_km_mm, p.s_mm_mm
    from means a
    inner join products p on p.life_id = a.life_id and p.instrument = a.instrument
)

select * from final
