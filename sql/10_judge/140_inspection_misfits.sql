-- grain: one inspection row with a value that cannot be
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, judge.mixed_units, judge.centimetres, run.parameters
-- meaning: why: a unit mixed up, a lining above new, a stroke beyond the arm
with mixed as (
    select
        c.content_id,
        c.row_no,
        case m.reading when 'lining_mm' then 1 else 1.5 end as turn,
        m.reading || ' in another unit' as problem_kind,
        m.reading || ': found '
        || cast(
            round(case m.reading when 'lining_mm' then c.lining_mm else c.free_stroke_mm end, 2)
            as varchar
        )
        || ' mm, 25.4 times off its neighbours (' || cast(round(m.neighbours, 2) as varchar)
        || ' mm); accepted: one unit throughout, as set in [units]' as problem
    from judge.mixed_units m
    inner join judge.inspection_candidates c
        on c.content_id = m.content_id and c.row_no = m.row_no
),

centimetres as (
    select
        c.content_id,
        c.row_no,
        1.2 as turn,
        'lining_mm in another unit' as problem_kind,
        'lining_mm: found ' || cast(round(c.lining_mm, 2) as varchar)
        || ' mm, in centimetres? Ten times it fits the ' || cast(round(m.line_mm, 2) as varchar)
        || ' mm beside it; accepted: one unit throughout, as set in [units]' as problem
    from judge.centimetres m
    inner join judge.inspection_candidates c
        on c.content_id = m.content_id and c.row_no = m.row_no
),

thick as (
    select
        c.content_id,
        c.row_no,
        2 as turn,
        'lining_mm above new' as problem_kind,
        'lining_mm: found ' || cast(round(c.lining_mm, 2) as varchar)
        || ' mm; accepted: up to ' || cast(round(c.lining_new_mm + p.above_new_mm, 2) as varchar)
        || ' mm (new lining plus ' || cast(p.above_new_mm as varchar) || ' mm)' as problem
    from judge.inspection_candidates c
    cross join run.parameters p
    where c.lining_mm > c.lining_new_mm + p.above_new_mm
),

long as (
    select
        content_id,
        row_no,
        3 as turn,
        'free_stroke_mm longer than the arm' as problem_kind,
        'free_stroke_mm: found ' || cast(round(free_stroke_mm, 2) as varchar)
        || ' mm; accepted: no more than the arm, ' || cast(round(arm_length_mm, 2) as varchar) || ' mm'
            as problem
    from judge.inspection_candidates
    where free_stroke_mm > arm_length_mm
),

problems as (
    select * from mixed
    union all
    select * from centimetres
    union all
    select * from thick
    union all
    select * from long
),

final as (
    select
        content_id,
        row_no,
        min_by(problem_kind, turn) as problem_kind,
        min_by(problem, turn) as problem
    from problems
    group by content_id, row_no
)

select * from final
