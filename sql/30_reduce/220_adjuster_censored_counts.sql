-- grain: clock × axle type × duty × end of watching × last age known good
-- key: clock, axle_type, duty, ending, left_age
-- inputs: stage.adjuster_lives, reduce.adjuster_age_grids
-- meaning: adjusters not known to have failed, counted by last age known good; ending in_service, planned, unstated, left_service
with
survivors as (
    select 'km' as clock, axle_type, duty, cause as ending, left_km as good_at
    from stage.adjuster_lives
    where age_known and right_km is null
    union all
    select 'weeks', axle_type, duty, cause, left_weeks
    from stage.adjuster_lives
    where age_known and right_weeks is null and left_weeks is not null
),
placed as (
    select
        survivors.clock,
        survivors.axle_type,
        survivors.duty,
        survivors.ending,
        grids.age_step,
        case
            when grids.age_step = 0 then survivors.good_at
            else cast(round(survivors.good_at / grids.age_step) as bigint) * grids.age_step
        end as left_age
    from survivors
    inner join reduce.adjuster_age_grids as grids
        on survivors.clock = grids.clock
        and survivors.axle_type = grids.axle_type
        and survivors.duty = grids.duty
),
final as (
    select
        clock,
        axle_type,
        duty,
        ending,
        age_step,
        left_age,
        count(*) as adjusters
    from placed
    group by clock, axle_type, duty, ending, age_step, left_age
)
select clock, axle_type, duty, ending, age_step, left_age, adjusters
from final
