-- grain: the fleet
-- key: none
-- inputs: stage.lining_readings
-- meaning: how far a thickness reading lies from the line between the one before and the one after
--          it, in units of one reading's error: the mean distance, in which none counts for more
--          than three times the middle one (0.7819 SD of a normal one, capped so). Not the middle
--          one alone: readings in half millimetres at even checks have few distances, and it falls
--          on one of them. A lining that does not wear in a straight line over its whole life still
--          does between three readings; readings is how many such middles there are
with neighbours as (
    select
        km,
        lining_mm,
        lag(km) over lives as km_before,
        lag(lining_mm) over lives as mm_before,
        lead(km) over lives as km_after,
        lead(lining_mm) over lives as mm_after
    from stage.lining_readings
    where lining_mm is not null and not as_left
    window lives as (partition by life_id order by inspected_on)
),

shares as (
    select *, (km_after - km) / (km_after - km_before) as share_before
    from neighbours
    where km_before < km and km < km_after
),

off as (
    select
        abs(lining_mm - share_before * mm_before - (1 - share_before) * mm_after)
        / sqrt(1 + share_before * share_before + (1 - share_before) * (1 - share_before))
            as off_mm
    from shares
),

final as (
    select
        count(*) as readings,
        cast(sum(cast(least(o.off_mm, 3 * m.middle_mm) as decimal(38, 9))) as double)
            / nullif(count(*), 0) / 0.7819 as reading_sd_mm
    from off o
    cross join (select median(off_mm) as middle_mm from off) m
)

select * from final
