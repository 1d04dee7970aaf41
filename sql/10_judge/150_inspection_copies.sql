-- grain: one candidate inspection row without a misfit, on a day with more than one of them
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, judge.inspection_misfits
-- meaning: which copy of the same content it is, whether a newer file corrects it, and whether rows of
--          the same day contradict it; most days have one row, which can do none of these
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

newest as (
    -- What the newest of the files that tell of a day says of it.
    select
        f.wheel_end_id,
        f.inspected_on,
        f.as_left,
        max(f.age_no) as age_no,
        max(f.last_on) as last_on,
        max(f.odometer_km) as odometer_km,
        max(f.lining_mm) as lining_mm,
        max(f.wear_indicator_deg) as wear_indicator_deg,
        max(f.free_stroke_mm) as free_stroke_mm,
        max(f.applied_stroke_mm) as applied_stroke_mm,
        max(f.marks_aligned) as marks_aligned,
        max(f.return_test) as return_test,
        max(f.cap_state) as cap_state,
        max(f.fault) as fault
    from fit f
    inner join (
        select wheel_end_id, inspected_on, as_left, max(age_no) as age_no
        from fit
        group by wheel_end_id, inspected_on, as_left
    ) a
        on a.wheel_end_id = f.wheel_end_id
        and a.inspected_on = f.inspected_on
        and a.as_left = f.as_left
        and a.age_no = f.age_no
    group by f.wheel_end_id, f.inspected_on, f.as_left
),

compared as (
    select
        f.*,
        case
            when f.lining_mm <> n.lining_mm
                then 'lining_mm ' || cast(round(f.lining_mm, 2) as varchar) || ', and '
                    || cast(round(n.lining_mm, 2) as varchar)
            when f.free_stroke_mm <> n.free_stroke_mm
                then 'free_stroke_mm ' || cast(round(f.free_stroke_mm, 2) as varchar) || ', and '
                    || cast(round(n.free_stroke_mm, 2) as varchar)
            when f.odometer_km <> n.odometer_km
                then 'odometer_km ' || cast(round(f.odometer_km, 2) as varchar) || ', and '
                    || cast(round(n.odometer_km, 2) as varchar)
            when f.applied_stroke_mm <> n.applied_stroke_mm then 'another applied_stroke_mm'
            when f.wear_indicator_deg <> n.wear_indicator_deg then 'another wear_indicator_deg'
            when f.marks_aligned <> n.marks_aligned then 'another marks_aligned'
            when f.return_test <> n.return_test then 'another return_test'
            when f.cap_state <> n.cap_state then 'another cap_state'
            when f.fault <> n.fault then 'another fault'
        end || ' in a newer file, with records to ' || cast(n.last_on as varchar) as corrected
    from fit f
    left join newest n
        on n.wheel_end_id = f.wheel_end_id
        and n.inspected_on = f.inspected_on
        and n.as_left = f.as_left
        and n.age_no > f.age_no
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
    from compared f
    where f.corrected is null
    group by f.wheel_end_id, f.inspected_on, f.as_left
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
        f.corrected,
        case when f.corrected is null then a.differs_in end as differs_in,
        row_number() over (
            partition by
                f.wheel_end_id, f.inspected_on, f.as_left, f.odometer_km, f.lining_mm,
                f.wear_indicator_deg, f.free_stroke_mm, f.applied_stroke_mm, f.marks_aligned,
                f.return_test, f.cap_state, f.fault, f.inspector
            order by f.rank_no, f.row_no
        ) as copy_no
    from compared f
    left join agreement a
        on a.wheel_end_id = f.wheel_end_id
        and a.inspected_on = f.inspected_on
        and a.as_left = f.as_left
)

select * from final
