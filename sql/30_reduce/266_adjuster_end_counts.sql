-- grain: axle type × duty × what it says × cause × age
-- key: axle_type, duty, says, cause, from_km, to_km
-- inputs: stage.adjuster_lives
-- meaning: how adjusters' time ended, in steps of 2,000 km, rounded outwards so that every stretch
--          watched keeps a length: says ended (by cause, between from_km and to_km; planned
--          replacement at to_km), watched (still good at to_km) or entered (seen from to_km on);
--          adjusters never watched over any distance are left out
with watched as (
    select
        axle_type,
        duty,
        cause,
        right_km is not null as failed,
        floor(entry_km / 2000) * 2000 as entry_km,
        floor(left_km / 2000) * 2000 as good_km,
        ceil(coalesce(right_km, left_km) / 2000) * 2000 as end_km
    from stage.adjuster_lives
    where age_known and coalesce(right_km, left_km) > entry_km
),

said as (
    select axle_type, duty, 'ended' as says, cause,
        case when failed then least(good_km, end_km - 2000) else end_km end as from_km,
        end_km as to_km
    from watched
    where failed or cause = 'planned'
    union all
    select axle_type, duty, 'watched', null, null, good_km
    from watched
    where not failed and cause <> 'planned'
    union all
    select axle_type, duty, 'entered', null, null, entry_km
    from watched
    where entry_km > 0
),

final as (
    select axle_type, duty, says, cause, from_km, to_km, count(*) as adjusters
    from said
    group by axle_type, duty, says, cause, from_km, to_km
)

select * from final
