-- grain: one check visit of a unit
-- key: unit_id, visit_on
-- inputs: stage.inspections
-- meaning: days on which some wheel end was inspected; days less than a week apart are one visit,
--          which lasts until until_on; next_* is the visit after it (null: the last one)
with days as (
    select distinct unit_id, inspected_on from stage.inspections
),

spaced as (
    select
        unit_id,
        inspected_on,
        date_diff('day', lag(inspected_on) over unit_days, inspected_on) as days_since
    from days
    window unit_days as (partition by unit_id order by inspected_on)
),

numbered as (
    select
        unit_id,
        inspected_on,
        sum(case when days_since is null or days_since >= 7 then 1 else 0 end) over (
            partition by unit_id order by inspected_on
            rows between unbounded preceding and current row
        ) as visit_no
    from spaced
),

visits as (
    select unit_id, min(inspected_on) as visit_on, max(inspected_on) as until_on
    from numbered
    group by unit_id, visit_no
),

final as (
    select
        unit_id,
        visit_on,
        until_on,
        lead(visit_on) over unit_visits as next_visit_on,
        lead(until_on) over unit_visits as next_until_on
    from visits
    window unit_visits as (partition by unit_id order by visit_on)
)

select * from final
