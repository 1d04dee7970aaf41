-- grain: the fleet
-- key: none
-- inputs: reduce.reline_decisions
-- meaning: of axles with two ends seen at a check visit that read any of the unit's linings: at how
--          many neither end was read, one, both
with axles as (
    select
        unit_id,
        axle_id,
        visit_on,
        count(*) as ends,
        count(above_mm) as read
    from reduce.reline_decisions
    group by unit_id, axle_id, visit_on
),

visits as (
    select *, sum(read) over (partition by unit_id, visit_on) as read_of_unit
    from axles
),

final as (
    select
        count(*) filter (where read = 0) as neither_read,
        count(*) filter (where read = 1) as one_read,
        count(*) filter (where read = 2) as both_read
    from visits
    where ends = 2 and read_of_unit > 0
)

select * from final
