-- grain: one inspection row with a value that cannot be
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, run.parameters
-- meaning: why: a unit mixed up (25.4 times off its neighbours), above new lining, beyond the arm
with neighbours as (
    select
        *,
        lag(lining_mm) over checks as lining_before_mm,
        lead(lining_mm) over checks as lining_after_mm,
        lag(free_stroke_mm) over checks as stroke_before_mm,
        lead(free_stroke_mm) over checks as stroke_after_mm
    from judge.inspection_candidates
    window checks as (
        partition by wheel_end_id order by inspected_on, as_left, rank_no, row_no
    )
),

ratios as (
    -- How far a reading is from both neighbours, as a natural logarithm; ln(25.4) is 3.235.
    select
        *,
        case when lining_mm > 0 and lining_before_mm > 0 then ln(lining_mm / lining_before_mm) end
            as lining_from_before,
        case when lining_mm > 0 and lining_after_mm > 0 then ln(lining_mm / lining_after_mm) end
            as lining_from_after,
        case when free_stroke_mm > 0 and stroke_before_mm > 0
            then ln(free_stroke_mm / stroke_before_mm) end as stroke_from_before,
        case when free_stroke_mm > 0 and stroke_after_mm > 0
            then ln(free_stroke_mm / stroke_after_mm) end as stroke_from_after
    from neighbours
),

mixed as (
    select
        *,
        coalesce(abs(abs(lining_from_before) - p.ln_inch) < p.mix_up_tolerance, true)
        and coalesce(abs(abs(lining_from_after) - p.ln_inch) < p.mix_up_tolerance, true)
        and coalesce(lining_from_before, lining_from_after) is not null
        and coalesce(sign(lining_from_before) = sign(lining_from_after), true) as lining_mixed_up,
        coalesce(abs(abs(stroke_from_before) - p.ln_inch) < p.mix_up_tolerance, true)
        and coalesce(abs(abs(stroke_from_after) - p.ln_inch) < p.mix_up_tolerance, true)
        and coalesce(stroke_from_before, stroke_from_after) is not null
        and coalesce(sign(stroke_from_before) = sign(stroke_from_after), true) as stroke_mixed_up
    from ratios
    cross join (select ln(25.4) as ln_inch, 0.35 as mix_up_tolerance) p
),

named as (
    select
        m.content_id,
        m.row_no,
        case
            when lining_mixed_up
                then 'lining_mm: found ' || cast(round(lining_mm, 2) as varchar)
                    || ' mm, 25.4 times off its neighbours ('
                    || cast(round(coalesce(lining_before_mm, lining_after_mm), 2) as varchar)
                    || ' mm); accepted: one unit throughout, as set in [units]'
            when stroke_mixed_up
                then 'free_stroke_mm: found ' || cast(round(free_stroke_mm, 2) as varchar)
                    || ' mm, 25.4 times off its neighbours ('
                    || cast(round(coalesce(stroke_before_mm, stroke_after_mm), 2) as varchar)
                    || ' mm); accepted: one unit throughout, as set in [units]'
            when lining_mm > m.lining_new_mm + p.above_new_mm
                then 'lining_mm: found ' || cast(round(lining_mm, 2) as varchar)
                    || ' mm; accepted: up to ' || cast(m.lining_new_mm + p.above_new_mm as varchar)
                    || ' mm (new lining plus ' || cast(p.above_new_mm as varchar) || ' mm)'
            when free_stroke_mm > arm_length_mm
                then 'free_stroke_mm: found ' || cast(round(free_stroke_mm, 2) as varchar)
                    || ' mm; accepted: no more than the arm, '
                    || cast(arm_length_mm as varchar) || ' mm'
        end as problem,
        case
            when lining_mixed_up then 'lining_mm in another unit'
            when stroke_mixed_up then 'free_stroke_mm in another unit'
            when lining_mm > m.lining_new_mm + p.above_new_mm then 'lining_mm above new'
            when free_stroke_mm > arm_length_mm then 'free_stroke_mm longer than the arm'
        end as problem_kind
    from mixed m
    cross join run.parameters p
),

final as (
    select content_id, row_no, problem_kind, problem
    from named
    where problem is not null
)

select * from final
