-- grain: one inspection row whose lining reading is none, or rises or falls and comes straight back
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, judge.inspection_exceptions, judge.odometer_verdicts,
--         judge.work_rows, judge.wheel_ends, run.parameters
-- meaning: a lining cannot grow and shrink again; a reading that does, with no reline on record just
--          before it, is mistyped. One that grew was relined where it can have worn down since, at
--          the pace of its axle (a half more; two and a half times, where the other side grew too
--          that day). A 0 before a thicker one, with no reline on record between, was typed for a
--          reading not taken (a last one of 0 may be true)
with used as (
    select
        i.content_id, i.row_no, i.wheel_end_id, w.axle_id, i.inspected_on, i.as_left, v.km,
        i.lining_mm
    from judge.inspection_candidates i
    left join judge.inspection_exceptions e
        on e.content_id = i.content_id and e.row_no = i.row_no
    inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
    inner join judge.odometer_verdicts v
        on v.unit_id = i.unit_id and v.on_date = i.inspected_on and v.odometer_km = i.odometer_km
    where e.row_no is null and v.reason is null and i.lining_mm is not null
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
        lag(km) over checks as before_km,
        lead(lining_mm) over checks as after_mm,
        lead(km) over checks as after_km
    from taken
    window checks as (partition by wheel_end_id order by inspected_on, as_left, row_no)
),

out_of_line as (
    -- Neighbours that agree: the lining before and after differs by wear and reading error alone.
    select n.*, p.reline_rise_mm
    from neighbours n
    cross join run.parameters p
    left join (select distinct wheel_end_id, done_on from judge.work_rows where action = 'reline') r
        on r.wheel_end_id = n.wheel_end_id
        and r.done_on >= n.before_on
        and r.done_on <= n.inspected_on
    where r.done_on is null
        and n.before_mm - n.after_mm between -p.reline_rise_mm / 2 and p.reline_rise_mm
        and (
            n.lining_mm > greatest(n.before_mm, n.after_mm) + p.reline_rise_mm
            or n.lining_mm < least(n.before_mm, n.after_mm) - p.reline_rise_mm
        )
),

axle_wear as (
    -- Of the axles in question, from reading to reading that neither grew nor are in question.
    select
        n.axle_id,
        median((n.lining_mm - n.after_mm) / (n.after_km - n.km)) as mm_per_km
    from neighbours n
    inner join (select distinct axle_id from out_of_line) a on a.axle_id = n.axle_id
    cross join run.parameters p
    left join out_of_line o on o.content_id = n.content_id and o.row_no = n.row_no
    left join out_of_line f
        on f.wheel_end_id = n.wheel_end_id and f.before_on = n.inspected_on and f.before_km = n.km
    where o.row_no is null
        and f.row_no is null
        and n.after_km > n.km
        and n.lining_mm - n.after_mm >= -p.reline_rise_mm
    group by n.axle_id
),

grown_together as (
    select distinct o.content_id, o.row_no
    from out_of_line o
    inner join neighbours s
        on s.axle_id = o.axle_id
        and s.wheel_end_id <> o.wheel_end_id
        and s.inspected_on = o.inspected_on
        and s.as_left = o.as_left
    where s.lining_mm > s.before_mm + o.reline_rise_mm
),

relined as (
    select o.content_id, o.row_no
    from out_of_line o
    left join axle_wear w on w.axle_id = o.axle_id
    left join grown_together g on g.content_id = o.content_id and g.row_no = o.row_no
    where o.lining_mm > o.before_mm
        and coalesce(
            o.lining_mm - o.after_mm
                <= case when g.row_no is null then 1.5 else 2.5 end
                    * w.mm_per_km * (o.after_km - o.km),
            g.row_no is not null
        )
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
        o.content_id,
        o.row_no,
        'lining_mm out of line' as problem_kind,
        'lining_mm: found ' || cast(round(o.lining_mm, 2) as varchar) || ' mm between '
        || cast(round(o.before_mm, 2) as varchar) || ' and '
        || cast(round(o.after_mm, 2) as varchar)
        || ' mm; accepted: within ' || cast(o.reline_rise_mm as varchar)
        || ' mm of its neighbours, when these agree' as problem
    from out_of_line o
    left join relined r on r.content_id = o.content_id and r.row_no = o.row_no
    where r.row_no is null
)

select * from final
