-- grain: axle type × duty
-- key: axle_type, duty
-- inputs: stage.adjuster_lives
-- meaning: how many adjusters each group holds, how many failed, ended otherwise, or are left out because their age is unknown
with
final as (
    select
        axle_type,
        duty,
        count(*) filter (where age_known) as adjusters,
        count(*) filter (where age_known and right_km is not null) as failures,
        count(*) filter (where age_known and right_km is not null and left_km = right_km) as seen_to_fail,
        count(*) filter (where age_known and entry_km > 0) as entered_late,
        count(*) filter (where age_known and right_km is null and cause = 'planned') as planned,
        count(*) filter (where not age_known) as age_unknown,
        coalesce(
            cast(
                sum(cast(coalesce((left_km + right_km) / 2, left_km) - entry_km as decimal(38, 9)))
                    filter (where age_known) as double
            ),
            0
        ) as km_watched
    from stage.adjuster_lives
    group by axle_type, duty
)
select
    axle_type, duty, adjusters, failures, seen_to_fail, entered_late, planned, age_unknown, km_watched
from final
