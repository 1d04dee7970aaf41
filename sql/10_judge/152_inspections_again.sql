-- grain: one candidate inspection row of a visit that stands again some days after its own
-- key: content_id, row_no
-- inputs: judge.inspection_candidates
-- meaning: another system, or whoever keyed it in again, has it one to four days later: two wheel
--          ends or more were read then and at the unit's visit before, and every reading of each is the
--          same to the last digit
with days as (
    select unit_id, inspected_on, as_left, lag(inspected_on) over visits as before_on
    from (select distinct unit_id, inspected_on, as_left from judge.inspection_candidates) v
    window visits as (partition by unit_id, as_left order by inspected_on)
),

close as (
    select unit_id, inspected_on, as_left, before_on
    from days
    where date_diff('day', before_on, inspected_on) <= 4
),

compared as (
    select
        d.unit_id,
        d.inspected_on,
        d.as_left,
        i.wheel_end_id,
        max(
            case
                when coalesce(i.lining_mm, -1) = coalesce(b.lining_mm, -1)
                    and coalesce(i.free_stroke_mm, -1) = coalesce(b.free_stroke_mm, -1)
                    and coalesce(i.applied_stroke_mm, -1) = coalesce(b.applied_stroke_mm, -1)
                    and coalesce(i.return_test, '') = coalesce(b.return_test, '')
                    and coalesce(i.cap_state, '') = coalesce(b.cap_state, '')
                    then 1
                else 0
            end
        ) as same,
        max(case when i.lining_mm is null and i.free_stroke_mm is null then 0 else 1 end) as read
    from close d
    inner join judge.inspection_candidates i
        on i.unit_id = d.unit_id and i.inspected_on = d.inspected_on and i.as_left = d.as_left
    left join judge.inspection_candidates b
        on b.wheel_end_id = i.wheel_end_id
        and b.inspected_on = d.before_on
        and b.as_left = i.as_left
    group by d.unit_id, d.inspected_on, d.as_left, i.wheel_end_id
),

again as (
    select unit_id, inspected_on, as_left
    from compared
    group by unit_id, inspected_on, as_left
    having min(same) = 1 and sum(read) >= 2
),

final as (
    select i.content_id, i.row_no
    from again a
    inner join judge.inspection_candidates i
        on i.unit_id = a.unit_id and i.inspected_on = a.inspected_on and i.as_left = a.as_left
)

select * from final
