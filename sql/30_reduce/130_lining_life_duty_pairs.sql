-- grain: one pair of duties (a duty with itself included) of an instrument's readings of a life that
--        ran in more than one duty
-- key: life_id, instrument, duty_a, duty_b
-- inputs: reduce.lining_measurements, reduce.lining_life_duty_sums, stage.lining_reading_km
-- meaning: sum of products of the km run in the two duties, each centred within the life
with mixed_lives as (
    select life_id, instrument
    from reduce.lining_life_duty_sums
    group by life_id, instrument
    having count(*) > 1
),

centred as (
    select
        m.life_id,
        m.instrument,
        m.inspected_on,
        m.as_left,
        s.duty,
        coalesce(d.km, 0) - s.mean_km as km
    from mixed_lives x
    inner join reduce.lining_measurements m
        on m.life_id = x.life_id and m.instrument = x.instrument
    inner join reduce.lining_life_duty_sums s
        on s.life_id = x.life_id and s.instrument = x.instrument
    left join stage.lining_reading_km d
        on d.life_id = m.life_id
        and d.inspected_on = m.inspected_on
        and d.as_left = m.as_left
        and d.duty = s.duty
),

final as (
    select
        a.life_id,
        a.instrument,
        a.duty as duty_a,
        b.duty as duty_b,
        cast(sum(cast(a.km * b.km as decimal(38, 9))) as double) as s_km_km
    from centred a
    inner join centred b
        on b.life_id = a.life_id
        and b.instrument = a.instrument
        and b.inspected_on = a.inspected_on
        and b.as_left = a.as_left
        and b.duty >= a.duty
    group by a.life_id, a.instrument, a.duty, b.duty
)

select * from final
