-- grain: the fleet
-- key: none
-- inputs: stage.inspections, run.parameters
-- meaning: the day its records begin: what entered service before is older than they are. Where
--          units are staged some at a time, begun_on is the first day of those not among them
with firsts as (
    select min(inspected_on) as first_on from stage.inspections
),

final as (
    select least(f.first_on, p.begun_on) as begin_on
    from firsts f
    cross join run.parameters p
)

select * from final
