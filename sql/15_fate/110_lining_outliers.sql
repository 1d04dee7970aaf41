-- grain: one inspection row whose lining reading rises or falls and comes straight back
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, judge.inspection_exceptions, judge.odometer_verdicts,
--         judge.work_rows, run.parameters
-- meaning: a lining cannot grow and shrink again; a reading that does, with no reline on record just
--          before it, is mistyped
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

neighbours as (
    select
        *,
        lag(lining_mm) over checks as before_mm,
        lag(inspected_on) over checks as before_on,
        lead(lining_mm) over checks as after_mm
    from used
    window checks as (partition by wheel_end_id order by inspected_on, as_left, row_no)
),

relines as (
    select distinct wheel_end_id, done_on
    from judge.work_rows
    where action = 'reline'
),

final as (
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
    left join relines r
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
