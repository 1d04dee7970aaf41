-- grain: one unit of the register
-- key: unit_id
-- inputs: stage.inspections, judge.wheel_ends, run.parameters
-- meaning: the day the fleet's records begin: what entered service before is older than they are. Where
--          units are staged some at a time, begun_on is the first day of those not among them
with firsts as (
    select min(inspected_on) as first_on from stage.inspections
),

units as (
    select distinct unit_id from judge.wheel_ends
),

final as (
    select u.unit_id, least(f.first_on, p.begun_on) as begin_on
    from units u
    cross join firsts f
    cross join run.parameters p
)

select * from final
