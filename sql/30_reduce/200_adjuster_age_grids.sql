-- grain: clock × axle type × duty
-- key: clock, axle_type, duty
-- inputs: reduce.adjuster_duty_pieces
-- meaning: the step ages are rounded to before they are counted; 0 = not rounded, because few distinct ages occur
with
ages as (
    select clock, axle_type, duty, left_age as age
    from reduce.adjuster_duty_pieces
    union all
    select clock, axle_type, duty, right_age
    from reduce.adjuster_duty_pieces
    where right_age is not null
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
