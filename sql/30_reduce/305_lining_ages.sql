-- grain: one lining life of a wheel end
-- key: life_id
-- inputs: stage.lining_lives, stage.inspections, judge.wheel_ends, reduce.check_visits
-- meaning: the day its age is counted from: of its fitting, or, where that is not on record
--          (age_known false), the first day on which it is known to have been there, so that it is
--          at least so old. A reline found at a visit, and that nobody wrote down, is counted from
--          the visit before, which decided it
with first_checks as (
    select wheel_end_id, min(inspected_on) as first_on from stage.inspections group by wheel_end_id
),

final as (
    select
        l.life_id,
        l.wheel_end_id,
        l.started_on,
        l.start_slot,
        l.ended_on,
        l.end_slot,
        case
            when l.started_on is null then f.first_on
            when l.start_source = 'inferred' and l.start_slot = -1
                then coalesce(v.visit_on, l.started_on)
            else l.started_on
        end as aged_from_on,
        case
            when l.started_on is null then false
            when l.start_source = 'register' then coalesce(e.relined_on = l.started_on, false)
            else true
        end as age_known
    from stage.lining_lives l
    inner join judge.wheel_ends e on e.wheel_end_id = l.wheel_end_id
    inner join first_checks f on f.wheel_end_id = l.wheel_end_id
    left join reduce.check_visits v
        on v.unit_id = l.unit_id
        and l.started_on >= v.next_visit_on
        and l.started_on <= v.next_until_on
)

select * from final
