-- grain: one instrument's readings of one lining life
-- key: life_id, instrument
-- inputs: reduce.lining_measurements, stage.lining_lives
-- meaning: count, means, and sums of squares and products of km and thickness about the life's own
--          means (km are centred before they are squared, so no odometer offset can cancel);
--          decimals add up to the same sum in whatever order threads take the rows; fitted_on is the
--          day the lining was fitted (null: before the records)
with means as (
    select
        life_id,
        instrument,
        count(*) as readings,
        cast(sum(cast(km as decimal(38, 9))) as double) / count(*) as mean_km,
        cast(sum(cast(lining_mm as decimal(38, 9))) as double) / count(*) as mean_mm,
        max(inspected_on) as last_inspected_on
    from reduce.lining_measurements
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
    select
        a.life_id,
        a.instrument,
        l.wheel_end_id,
        l.unit_id,
        l.axle_type,
        l.start_known,
        l.started_on as fitted_on,
        a.readings,
        a.mean_km,
        a.mean_mm,
        a.last_inspected_on,
        p.s_km_km,
        p.s_km_mm,
        p.s_mm_mm
    from means a
    inner join products p on p.life_id = a.life_id and p.instrument = a.instrument
    inner join stage.lining_lives l on l.life_id = a.life_id
)

select * from final
