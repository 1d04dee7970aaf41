-- grain: one reading that is 25.4 times off the readings around it
-- key: content_id, row_no, reading
-- inputs: judge.inspection_candidates
-- meaning: a reading in inches among millimetres, or the other way round: off on both sides (or at
--          an end of the record), and against the majority of the three readings either way; a
--          stroke of a whole millimetre or two is a brake that was taken up too far
with spread as (
    -- Readings 25.4 times apart (15.4 times, at the least, by the margin below) are rare.
    select wheel_end_id
    from judge.inspection_candidates
    group by wheel_end_id
    having max(lining_mm) > 15 * min(case when lining_mm > 0 then lining_mm end)
        or max(free_stroke_mm) > 15 * min(case when free_stroke_mm > 0 then free_stroke_mm end)
),

readings as (
    select c.wheel_end_id, c.inspected_on, c.as_left, c.rank_no, c.content_id, c.row_no,
        'lining_mm' as reading, c.lining_mm as value
    from judge.inspection_candidates c
    inner join spread s on s.wheel_end_id = c.wheel_end_id
    where c.lining_mm > 0
    union all
    select c.wheel_end_id, c.inspected_on, c.as_left, c.rank_no, c.content_id, c.row_no,
        'free_stroke_mm' as reading, c.free_stroke_mm as value
    from judge.inspection_candidates c
    inner join spread s on s.wheel_end_id = c.wheel_end_id
    where c.free_stroke_mm > 0
),

numbered as (
    select
        *,
        ln(value) as level,
        ln(value) - lag(ln(value)) over checks as from_before,
        ln(value) - lead(ln(value)) over checks as from_after,
        row_number() over checks as check_no
    from readings
    window checks as (
        partition by wheel_end_id, reading order by inspected_on, as_left, rank_no, row_no
    )
),

-- In logarithms, wear between checks moves a reading by far less than a factor of 25.4.
suspects as (
    select *
    from numbered
    where abs(abs(from_before) - ln(25.4)) < 0.5 or abs(abs(from_after) - ln(25.4)) < 0.5
),

around as (
    select
        s.content_id,
        s.row_no,
        s.reading,
        s.value,
        n.value as neighbour,
        n.check_no > s.check_no as is_after,
        abs(abs(s.level - n.level) - ln(25.4)) < 0.5 as is_off,
        abs(s.level - n.level) < 1 as agrees
    from suspects s
    inner join numbered n
        on n.wheel_end_id = s.wheel_end_id
        and n.reading = s.reading
        and n.check_no between s.check_no - 3 and s.check_no + 3
        and n.check_no <> s.check_no
),

counted as (
    select
        content_id,
        row_no,
        reading,
        sum(case when is_off then 1 else 0 end) as off,
        sum(case when agrees then 1 else 0 end) as agreeing,
        sum(case when is_after then 0 else 1 end) as before,
        sum(case when is_after then 1 else 0 end) as after,
        sum(case when is_off and not is_after then 1 else 0 end) as off_before,
        sum(case when is_off and is_after then 1 else 0 end) as off_after,
        min(value) as value,
        median(neighbour) as neighbours
    from around
    group by content_id, row_no, reading
),

final as (
    select content_id, row_no, reading, neighbours
    from counted
    where off > agreeing + 1
        and (off_before > 0 or before = 0)
        and (off_after > 0 or after = 0)
        and not (reading = 'free_stroke_mm' and value < neighbours and value = round(value))
)

select * from final
