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
        a.mean_km,
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
        cast(sum(cast(duty_km as decimal(38, 9))) as double) / min(readings) as mean_km,
        cast(sum(cast(run_km * km as decimal(38, 9))) as double) as s_run_km,
        cast(sum(cast(run_km * mm as decimal(38, 9))) as double) as s_run_mm,
        cast(sum(cast(km as decimal(38, 9))) as double) as km_left,
        cast(sum(cast(mm as decimal(38, 9))) as double) as mm_left,
        -- What the life's mean takes away cancels where every reading has the duty.
        case when count(*) < min(readings) then min(mean_km) else 0 end as taken_km,
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
        s_run_km + taken_km * km_left as s_duty_km,
        s_run_mm + taken_km * mm_left as s_duty_mm,
        last_km
    from summed
)

select * from final
