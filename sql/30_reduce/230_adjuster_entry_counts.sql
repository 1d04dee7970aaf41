-- grain: clock × axle type × duty × age at first observation
-- key: clock, axle_type, duty, entry_age
-- inputs: reduce.adjuster_duty_pieces, reduce.adjuster_age_grids
-- meaning: adjusters that came under observation at an age above 0, and so are seen only because they had survived to it
with
entries as (
    select clock, axle_type, duty, entry_age, weight
    from reduce.adjuster_duty_pieces
    where entry_age > 0
),
placed as (
    select
        entries.clock,
        entries.axle_type,
        entries.duty,
        grids.age_step,
        entries.weight,
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
    select clock, axle_type, duty, age_step, entry_age, cast(sum(cast(weight as decimal(38, 9))) as double) as adjusters
    from placed
    where entry_age > 0
    group by clock, axle_type, duty, age_step, entry_age
)
select clock, axle_type, duty, age_step, entry_age, adjusters
from final
