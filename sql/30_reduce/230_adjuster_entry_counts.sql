-- grain: clock × axle type × duty × age at first observation
-- key: clock, axle_type, duty, entry_age
-- inputs: stage.adjuster_lives, reduce.adjuster_age_grids
-- meaning: adjusters that came under observation at an age above 0, and so are seen only because they had survived to it
with
entries as (
    select 'km' as clock, axle_type, duty, entry_km as entry_age
    from stage.adjuster_lives
    where age_known and entry_km > 0
    union all
    select 'weeks', axle_type, duty, entry_weeks
    from stage.adjuster_lives
    where age_known and entry_weeks > 0
),
placed as (
    select
        entries.clock,
        entries.axle_type,
        entries.duty,
        grids.age_step,
        case
            when grids.age_step = 0 then entries.entry_age
            else cast(round(entries.entry_age / grids.age_step) as bigint) * grids.age_step
        end as entry_age
    from entries
    inner join reduce.adjuster_age_grids as grids
        on entries.clock = grids.clock
        and entries.axle_type = grids.axle_type
        and entries.duty = grids.duty
),
final as (
    select clock, axle_type, duty, age_step, entry_age, count(*) as adjusters
    from placed
    where entry_age > 0
    group by clock, axle_type, duty, age_step, entry_age
)
select clock, axle_type, duty, age_step, entry_age, adjusters
from final
