-- grain: one duty of one instrument's readings of one lining life
-- key: life_id, instrument, duty
-- inputs: reduce.lining_measurements, reduce.lining_life_sums, stage.lining_reading_km
-- meaning: mean km run in the duty, its products with all km and with thickness (centred within the
--          life; a reading before the duty began counts as 0 km in it), and km at the last reading
with joined as (
    select
        m.life_id,
        m.instrument,
        d.duty,
        a.readings,
        d.km as duty_km,
        -- Near 0 where the life ran in one duty, so that no odometer offset can cancel.
        d.km - a.mean_km as run_km,
        m.km - a.mean_km as km,
        m.lining_mm - a.mean_mm as mm
    from reduce.lining_measurements m
    inner join reduce.lining_life_sums a on a.life_id = m.life_id and a.instrument = m.instrument
    inner join stage.lining_reading_km d
        on d.life_id = m.life_id
        and d.inspected_on = m.inspected_on
        and d.as_left = m.as_left
),

summed as (
    select
        life_id,
        instrument,
        duty,
        count(*) = min(readings) as in_all,
        cast(sum(cast(duty_km as decimal(38, 9))) as double) / min(readings) as mean_km,
        cast(sum(cast(run_km * km as decimal(38, 9))) as double) as s_run_km,
        cast(sum(cast(run_km * mm as decimal(38, 9))) as double) as s_run_mm,
        cast(sum(cast(duty_km * km as decimal(38, 9))) as double) as s_some_km,
        cast(sum(cast(duty_km * mm as decimal(38, 9))) as double) as s_some_mm,
        max(duty_km) as last_km
    from joined
    group by life_id, instrument, duty
),

final as (
    select
        life_id,
        instrument,
        duty,
        mean_km,
        -- The life's mean, taken from every reading's km, changes no product of centred figures.
        case when in_all then s_run_km else s_some_km end as s_duty_km,
        case when in_all then s_run_mm else s_some_mm end as s_duty_mm,
        last_km
    from summed
)

select * from final
