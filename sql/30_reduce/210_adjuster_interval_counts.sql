-- grain: clock × axle type × duty × cause × last age known good × age found failed
-- key: clock, axle_type, duty, cause, left_age, right_age
-- inputs: stage.adjuster_lives, reduce.adjuster_age_grids
-- meaning: failed adjusters counted by the interval they failed in (equal ages: seen to fail); ages in the clock's unit
with
failures as (
    select 'km' as clock, axle_type, duty, cause, left_km as good_at, right_km as failed_at
    from stage.adjuster_lives
    where age_known and right_km is not null
    union all
    select 'weeks', axle_type, duty, cause, left_weeks, right_weeks
    from stage.adjuster_lives
    where age_known and right_weeks is not null and left_weeks is not null
),
stepped as (
    select
        failures.clock,
        failures.axle_type,
        failures.duty,
        failures.cause,
        failures.good_at,
        failures.failed_at,
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
        count(*) as adjusters
    from placed
    group by clock, axle_type, duty, cause, age_step, left_age, right_age
)
select clock, axle_type, duty, cause, age_step, left_age, right_age, adjusters
from final
