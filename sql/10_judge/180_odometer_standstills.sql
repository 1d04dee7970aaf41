-- grain: one odometer value that checks of a unit wrote on several days while its linings wore
-- key: unit_id, odometer_km
-- inputs: judge.inspection_candidates, judge.inspection_exceptions, run.parameters
-- meaning: what the linings lost meanwhile, the median over wheel ends, from reading to reading that
--          no reline lies between. It is more than errors of readings explain: three standard errors
--          of the median of so many falls, with half a millimetre for one reading; and no less than
--          another gauge may read otherwise
with used as (
    select c.unit_id, c.wheel_end_id, c.odometer_km, c.inspected_on, c.as_left, c.row_no, c.lining_mm
    from judge.inspection_candidates c
    left join judge.inspection_exceptions e
        on e.content_id = c.content_id and e.row_no = c.row_no
    where e.row_no is null
),

repeated as (
    select unit_id, odometer_km, min(inspected_on) as from_on, max(inspected_on) as to_on
    from used
    group by unit_id, odometer_km
    having min(inspected_on) < max(inspected_on)
),

steps as (
    select
        u.unit_id,
        u.odometer_km,
        u.wheel_end_id,
        lag(u.lining_mm) over (
            partition by u.wheel_end_id, u.odometer_km
            order by u.inspected_on, u.as_left, u.row_no
        ) - u.lining_mm as fall_mm
    from used u
    inner join repeated r on r.unit_id = u.unit_id and r.odometer_km = u.odometer_km
    where u.lining_mm is not null
),

falls as (
    select s.unit_id, s.odometer_km, s.wheel_end_id, sum(s.fall_mm) as fall_mm
    from steps s
    cross join run.parameters p
    where s.fall_mm > -p.reline_rise_mm
    group by s.unit_id, s.odometer_km, s.wheel_end_id
),

worn as (
    select unit_id, odometer_km, count(*) as wheel_ends, median(fall_mm) as fall_mm
    from falls
    group by unit_id, odometer_km
),

final as (
    select w.unit_id, w.odometer_km, r.from_on, r.to_on, w.wheel_ends, w.fall_mm
    from worn w
    inner join repeated r on r.unit_id = w.unit_id and r.odometer_km = w.odometer_km
    where w.fall_mm >= greatest(1.0, 2.65 / sqrt(w.wheel_ends))
)

select * from final
