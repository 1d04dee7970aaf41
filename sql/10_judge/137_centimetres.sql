-- grain: one lining reading that was probably written in centimetres
-- key: content_id, row_no
-- inputs: judge.inspection_candidates, judge.rising_units, judge.work_rows, run.parameters
-- meaning: so small that ten times it is no more than a new lining, and a third of one or more below
--          the nearest that is not so small, of the half-year before or after; ten times it goes on
--          from the one before (no more than 1.5 mm above, or 5 below), or where it does not, leads so
--          to the next, with no reline on record between; or it is a new one (no more than 5 mm
--          below) after a reline on record. line_mm: what it fits. A true reading that
--          thin is looked at all the same: findings of rows set aside are told until the next check
with readings as (
    select
        c.content_id,
        c.row_no,
        c.wheel_end_id,
        c.inspected_on,
        c.as_left,
        c.rank_no,
        c.lining_mm,
        c.lining_new_mm,
        10 * c.lining_mm <= c.lining_new_mm + p.above_new_mm as is_small
    from judge.inspection_candidates c
    cross join run.parameters p
    left join judge.rising_units u on u.unit_id = c.unit_id
    where c.lining_mm > 0 and u.unit_id is null
),

some_small as (
    -- Most wheel ends have none.
    select distinct wheel_end_id from readings where is_small
),

beside as (
    select
        r.*,
        last_value(case when not r.is_small then r.lining_mm end ignore nulls) over (
            checks rows between unbounded preceding and 1 preceding
        ) as before_mm,
        last_value(case when not r.is_small then r.inspected_on end ignore nulls) over (
            checks rows between unbounded preceding and 1 preceding
        ) as before_on,
        first_value(case when not r.is_small then r.inspected_on end ignore nulls) over (
            checks rows between 1 following and unbounded following
        ) as after_on,
        lead(r.inspected_on) over checks as next_on,
        first_value(case when not r.is_small then r.lining_mm end ignore nulls) over (
            checks rows between 1 following and unbounded following
        ) as after_mm
    from readings r
    inner join some_small s on s.wheel_end_id = r.wheel_end_id
    window checks as (
        partition by r.wheel_end_id order by r.inspected_on, r.as_left, r.rank_no, r.row_no
    )
),

relined as (
    select
        b.content_id,
        b.row_no,
        bool_or(w.done_on >= b.inspected_on and w.done_on <= b.after_on) as since,
        bool_or(w.done_on >= b.before_on and w.done_on < b.inspected_on) as before
    from beside b
    inner join judge.work_rows w on w.wheel_end_id = b.wheel_end_id and w.action = 'reline'
    where b.is_small
    group by b.content_id, b.row_no
),

fitted as (
    select
        b.content_id,
        b.row_no,
        b.before_mm,
        b.after_mm,
        b.before_mm - b.lining_mm > b.lining_new_mm / 3 as falls,
        date_diff('day', b.before_on, b.inspected_on) <= 183
        and 10 * b.lining_mm between b.before_mm - 5 and b.before_mm + 1.5 as goes_on,
        not coalesce(r.since, false)
        and b.after_mm - b.lining_mm > b.lining_new_mm / 3
        and date_diff('day', b.inspected_on, b.after_on) <= 183
        and b.after_on = b.next_on
        and 10 * b.lining_mm between b.after_mm - 1.5 and b.after_mm + 5 as leads_on,
        r.before and 10 * b.lining_mm >= b.lining_new_mm - 5 as is_new,
        b.lining_new_mm
    from beside b
    left join relined r on r.content_id = b.content_id and r.row_no = b.row_no
    where b.is_small
),

final as (
    select
        content_id,
        row_no,
        case when falls and goes_on then before_mm when leads_on then after_mm
            else lining_new_mm end as line_mm
    from fitted
    where (falls and goes_on) or (coalesce(falls, true) and leads_on) or is_new
)

select * from final
