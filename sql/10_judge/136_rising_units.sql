-- grain: one unit whose lining readings rise from check to check
-- key: unit_id
-- inputs: judge.inspection_candidates
-- meaning: of successive readings that differ, two in three or more are thicker, beyond three standard
--          errors of chance, and a third of a millimetre or more in the middle of all: what is read may
--          be what is worn off, and is no lining; steps, and those that rose
with steps as (
    select
        unit_id,
        lining_mm - lag(lining_mm) over (
            partition by wheel_end_id order by inspected_on, as_left, rank_no, row_no
        ) as rise_mm
    from judge.inspection_candidates
    where lining_mm is not null
),

counted as (
    select
        unit_id,
        count(*) as steps,
        sum(case when rise_mm > 0 then 1 else 0 end) as rose,
        median(rise_mm) as middle_mm
    from steps
    where rise_mm <> 0
    group by unit_id
),

final as (
    select unit_id, cast(steps as bigint) as steps, cast(rose as bigint) as rose
    from counted
    where 3 * rose >= 2 * steps
        and 2 * rose - steps >= 3 * sqrt(steps)
        and middle_mm >= 1.0 / 3
)

select * from final
