-- grain: clock × axle type × duty
-- key: clock, axle_type, duty
-- inputs: stage.adjuster_lives
-- meaning: the step ages are rounded to before they are counted; 0 = not rounded, because few distinct ages occur
with
ages as (
    select 'km' as clock, axle_type, duty, left_km as age
    from stage.adjuster_lives
    where age_known
    union all
    select 'km', axle_type, duty, right_km
    from stage.adjuster_lives
    where age_known and right_km is not null
    union all
    select 'weeks', axle_type, duty, left_weeks
    from stage.adjuster_lives
    where age_known
    union all
    select 'weeks', axle_type, duty, right_weeks
    from stage.adjuster_lives
    where age_known and right_weeks is not null
),
counted as (
    select
        clock,
        axle_type,
        duty,
        count(distinct age) as distinct_ages
    from ages
    group by clock, axle_type, duty
),
final as (
    select
        clock,
        axle_type,
        duty,
        distinct_ages,
        case
            when distinct_ages <= 2000 then 0.0
            when clock = 'km' then 250.0
            else 1.0
        end as age_step
    from counted
)
select clock, axle_type, duty, distinct_ages, age_step
from final
