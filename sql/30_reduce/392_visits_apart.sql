-- grain: a quarter of a millimetre by which visits of a unit read apart
-- key: unit_id, apart_mm
-- inputs: stage.lining_readings, stage.lining_lives
-- meaning: how many visits read the unit's linings so far off the line between the visits before and
--          after (negative: thinner), three linings or more, on average; 0 too where they do not all
--          lie to the same side
with neighbours as (
    select
        l.unit_id,
        r.life_id,
        r.inspected_on,
        r.km,
        r.lining_mm,
        lag(r.km) over lives as km_before,
        lag(r.lining_mm) over lives as mm_before,
        lead(r.km) over lives as km_after,
        lead(r.lining_mm) over lives as mm_after
    from stage.lining_readings r
    inner join stage.lining_lives l on l.life_id = r.life_id
    where r.lining_mm is not null and not r.as_left
    window lives as (partition by r.life_id order by r.inspected_on)
),

apart as (
    select
        unit_id,
        inspected_on,
        lining_mm - (
            mm_before * (km_after - km) + mm_after * (km - km_before)
        ) / (km_after - km_before) as off_mm
    from neighbours
    where km_before < km and km < km_after
),

visits as (
    select
        unit_id,
        inspected_on,
        case
            when max(off_mm) < -0.05 or min(off_mm) > 0.05
                then round(4 * sum(cast(off_mm as decimal(38, 9))) / count(*)) / 4
            else 0
        end as apart_mm
    from apart
    group by unit_id, inspected_on
    having count(*) >= 3
),

final as (
    select unit_id, cast(apart_mm as double) as apart_mm, count(*) as visits
    from visits
    group by unit_id, cast(apart_mm as double)
)

select * from final
