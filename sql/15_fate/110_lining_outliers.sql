-- grain: one inspection row whose lining reading is none, or rises or falls and comes straight back
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, judge.inspection_exceptions, judge.odometer_verdicts,
--         judge.work_rows, judge.wheel_ends, run.parameters
-- meaning: a lining cannot grow and shrink again; a reading that does, with no reline on record just
--          before it, is mistyped; a 0 before a thicker one, with no reline on record between, was
--          typed for a reading not taken (a last one of 0 may be true)
with mistyped as (
    select unit_id, on_date, odometer_km from judge.odometer_verdicts where reason is not null
),

used as (
    select i.content_id, i.row_no, i.wheel_end_id, i.inspected_on, i.as_left, i.lining_mm
    from judge.inspection_candidates i
    left join judge.inspection_exceptions e
        on e.content_id = i.content_id and e.row_no = i.row_no
    left join mistyped v
        on v.unit_id = i.unit_id and v.on_date = i.inspected_on and v.odometer_km = i.odometer_km
    where e.row_no is null and v.unit_id is null and i.lining_mm is not null
),

relines as (
    select wheel_end_id, done_on
    from judge.work_rows
    where action = 'reline'
    union
    select wheel_end_id, cast(relined_on as date) as done_on
    from judge.wheel_ends
    where relined_on is not null
),

zeros as (
    -- The next reading that is not 0.
    select z.content_id, z.row_no, z.wheel_end_id, z.inspected_on,
        min(u.inspected_on) as next_on,
        min_by(u.lining_mm, (u.inspected_on, u.as_left, u.row_no)) as next_mm
    from used z
    inner join used u
        on u.wheel_end_id = z.wheel_end_id
        and u.lining_mm > 0
        and (u.inspected_on, u.as_left) > (z.inspected_on, z.as_left)
    where z.lining_mm = 0
    group by z.content_id, z.row_no, z.wheel_end_id, z.inspected_on
),

not_taken as (
    select z.content_id, z.row_no, z.next_on, z.next_mm
    from zeros z
    cross join run.parameters p
    left join relines r
        on r.wheel_end_id = z.wheel_end_id
        and r.done_on >= z.inspected_on
        and r.done_on <= z.next_on
    -- As left on the same day it was relined that day.
    where r.done_on is null
        and z.next_mm > p.reline_rise_mm
        and z.next_on > z.inspected_on
),

taken as (
    select u.*
    from used u
    left join not_taken t on t.content_id = u.content_id and t.row_no = u.row_no
    where t.row_no is null
),

neighbours as (
    select
        *,
        lag(lining_mm) over checks as before_mm,
        lag(inspected_on) over checks as before_on,
        lead(lining_mm) over checks as after_mm
    from taken
    window checks as (partition by wheel_end_id order by inspected_on, as_left, row_no)
),

final as (
    select
        content_id,
        row_no,
        'lining_mm not taken' as problem_kind,
        'lining_mm: found 0 mm, then ' || cast(round(next_mm, 2) as varchar) || ' mm on '
        || cast(next_on as varchar)
        || ', with no reline on record between; accepted: an empty cell where no reading was taken'
            as problem
    from not_taken
    union all
    select
        n.content_id,
        n.row_no,
        'lining_mm out of line' as problem_kind,
        'lining_mm: found ' || cast(round(lining_mm, 2) as varchar) || ' mm between '
        || cast(round(before_mm, 2) as varchar) || ' and ' || cast(round(after_mm, 2) as varchar)
        || ' mm; accepted: within ' || cast(p.reline_rise_mm as varchar)
        || ' mm of its neighbours, when these agree' as problem
    from neighbours n
    cross join run.parameters p
    left join (select distinct wheel_end_id, done_on from judge.work_rows where action = 'reline') r
        on r.wheel_end_id = n.wheel_end_id
        and r.done_on >= n.before_on
        and r.done_on <= n.inspected_on
    -- Neighbours that agree: the lining before and after differs by wear and reading error alone.
    where r.done_on is null
        and before_mm - after_mm between -p.reline_rise_mm / 2 and p.reline_rise_mm
        and (
            lining_mm > greatest(before_mm, after_mm) + p.reline_rise_mm
            or lining_mm < least(before_mm, after_mm) - p.reline_rise_mm
        )
)

select * from final
