-- grain: one candidate inspection row without a misfit, on a day with more than one of them
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, judge.inspection_misfits
-- meaning: which copy of the same content it is, and whether rows of the same day contradict it;
--          most days have one row, which can neither repeat nor contradict
with shared as (
    select wheel_end_id, inspected_on, as_left
    from judge.inspection_candidates
    group by wheel_end_id, inspected_on, as_left
    having count(*) > 1
),

fit as (
    select c.*
    from judge.inspection_candidates c
    inner join shared s
        on s.wheel_end_id = c.wheel_end_id
        and s.inspected_on = c.inspected_on
        and s.as_left = c.as_left
    left join judge.inspection_misfits m
        on m.content_id = c.content_id and m.row_no = c.row_no
    where m.row_no is null
),

agreement as (
    select
        f.wheel_end_id,
        f.inspected_on,
        f.as_left,
        case
            when count(distinct f.lining_mm) > 1
                then 'lining_mm ' || cast(round(min(f.lining_mm), 2) as varchar) || ' and '
                    || cast(round(max(f.lining_mm), 2) as varchar)
            when count(distinct f.free_stroke_mm) > 1
                then 'free_stroke_mm ' || cast(round(min(f.free_stroke_mm), 2) as varchar) || ' and '
                    || cast(round(max(f.free_stroke_mm), 2) as varchar)
            when count(distinct f.applied_stroke_mm) > 1 then 'applied_stroke_mm'
            when count(distinct f.wear_indicator_deg) > 1 then 'wear_indicator_deg'
            when count(distinct f.odometer_km) > 1
                then 'odometer_km ' || cast(round(min(f.odometer_km), 2) as varchar) || ' and '
                    || cast(round(max(f.odometer_km), 2) as varchar)
            when count(distinct f.marks_aligned) > 1 then 'marks_aligned'
            when count(distinct f.return_test) > 1 then 'return_test'
            when count(distinct f.cap_state) > 1 then 'cap_state'
            when count(distinct f.fault) > 1 then 'fault'
        end as differs_in
    from fit f
    group by f.wheel_end_id, f.inspected_on, f.as_left
    having count(*) > 1
),

final as (
    select
        f.content_id,
        f.row_no,
        f.wheel_end_id,
        f.unit_id,
        f.inspected_on,
        f.as_left,
        f.odometer_km,
        a.differs_in,
        row_number() over (
            partition by
                f.wheel_end_id, f.inspected_on, f.as_left, f.odometer_km, f.lining_mm,
                f.wear_indicator_deg, f.free_stroke_mm, f.applied_stroke_mm, f.marks_aligned,
                f.return_test, f.cap_state, f.fault, f.inspector
            order by f.rank_no, f.row_no
        ) as copy_no
    from fit f
    inner join agreement a
        on a.wheel_end_id = f.wheel_end_id
        and a.inspected_on = f.inspected_on
        and a.as_left = f.as_left
)

select * from final
