-- grain: clock × axle type × duty × cause × last age known good × age found failed
-- key: clock, axle_type, duty, cause, left_age, right_age
-- inputs: reduce.adjuster_duty_pieces, reduce.adjuster_age_grids
-- meaning: failed adjusters counted by the duty and the interval they failed in (equal ages: seen to fail); ages in the clock's unit
with
failures as (
    select
        clock, axle_type, duty, ending as cause, left_age as good_at, right_age as failed_at, weight
    from reduce.adjuster_duty_pieces
    where right_age is not null
),
stepped as (
    select
        failures.clock,
        failures.axle_type,
        failures.duty,
        failures.cause,
        failures.good_at,
        failures.failed_at,
        failures.weight,
        grids.age_step,
        case when grids.age_step > 0
            then cast(round(failures.good_at / grids.age_step) as bigint) end as good_step,
        case when grids.age_step > 0
            then cast(round(failures.failed_at / grids.age_step) as bigint) end as failed_step
    from failures
    inner join reduce.adjuster_age_grids as grids
        on failures.clock = grids.clock
        and failures.axle_type = grids.axle_type
        and failures.duty = grids.duty
),
-- A rounded interval stays an interval, and a failure is never moved to age 0.
placed as (
    select
        clock,
        axle_type,
        duty,
        cause,
        age_step,
        weight,
        case
            when age_step = 0 then good_at
            when good_at = failed_at then greatest(failed_step, 1) * age_step
            else good_step * age_step
        end as left_age,
        case
            when age_step = 0 then failed_at
            when good_at = failed_at then greatest(failed_step, 1) * age_step
            else greatest(failed_step, good_step + 1) * age_step
        end as right_age
    from stepped
),
final as (
    select
        clock,
        axle_type,
        duty,
        cause,
        age_step,
        left_age,
        right_age,
        cast(sum(cast(weight as decimal(38, 9))) as double) as adjusters
    from placed
    group by clock, axle_type, duty, cause, age_step, left_age, right_age
)
select clock, axle_type, duty, cause, age_step, left_age, right_age, adjusters
from final
