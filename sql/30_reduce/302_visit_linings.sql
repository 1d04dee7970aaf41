-- grain: one check visit of a unit that read a lining which was left on
-- key: unit_id, visit_on
-- inputs: reduce.check_visits, stage.inspections, stage.relines, judge.wheel_ends
-- meaning: thinnest_mm: the thinnest of these, mm above its minimum. A lining that was renewed there,
--          or within a week after, or found renewed at the next visit, is not among them
with read as (
    select
        v.unit_id,
        v.visit_on,
        v.until_on,
        v.next_visit_on,
        v.next_until_on,
        i.wheel_end_id,
        min(i.lining_mm) - min(e.lining_min_mm) as above_mm
    from reduce.check_visits v
    inner join stage.inspections i
        on i.unit_id = v.unit_id
        and i.inspected_on >= v.visit_on
        and i.inspected_on <= v.until_on
    inner join judge.wheel_ends e on e.wheel_end_id = i.wheel_end_id
    where i.lining_mm is not null
    group by
        v.unit_id, v.visit_on, v.until_on, v.next_visit_on, v.next_until_on, i.wheel_end_id
),

renewed as (
    select distinct d.wheel_end_id, d.visit_on
    from read d
    inner join stage.relines r on r.wheel_end_id = d.wheel_end_id
    where (r.on_date >= d.visit_on and date_diff('day', d.until_on, r.on_date) <= 7)
        or (
            r.source = 'inferred'
            and r.slot = -1
            and r.on_date >= d.next_visit_on
            and r.on_date <= d.next_until_on
        )
),

final as (
    select d.unit_id, d.visit_on, min(d.above_mm) as thinnest_mm
    from read d
    left join renewed n on n.wheel_end_id = d.wheel_end_id and n.visit_on = d.visit_on
    where n.wheel_end_id is null
    group by d.unit_id, d.visit_on
)

select * from final
