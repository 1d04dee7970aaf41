-- grain: clock × axle type × duty × end of watching × last age known good
-- key: clock, axle_type, duty, ending, left_age
-- inputs: reduce.adjuster_duty_pieces, reduce.adjuster_age_grids
-- meaning: adjusters not known to have failed, counted by last age known good; ending in_service, planned, unstated, left_service, or changed (went on in another duty)
with
survivors as (
    select clock, axle_type, duty, ending, left_age as good_at, weight
    from reduce.adjuster_duty_pieces
    where right_age is null
),
placed as (
    select
        survivors.clock,
        survivors.axle_type,
        survivors.duty,
        survivors.ending,
        grids.age_step,
        survivors.weight,
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
        cast(sum(cast(weight as decimal(38, 9))) as double) as adjusters
    from placed
    group by clock, axle_type, duty, ending, age_step, left_age
)
select clock, axle_type, duty, ending, age_step, left_age, adjusters
from final
