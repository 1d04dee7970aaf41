-- grain: one wheel end with a finding in a row that was set aside
-- key: wheel_end_id
-- inputs: fate.inspections, raw.inspections, judge.wheel_ends, judge.rising_units, stage.inspections, run.parameters
-- meaning: what the newest rows that are not used say of a wheel end, where no check after them
--          was used: the day of a failed return test, and of a lining at or below its minimum, and
--          that lining; a slip elsewhere in the row is no reason not to look
with looked as (
    select wheel_end_id, max(inspected_on) as last_on from stage.inspections group by wheel_end_id
),

unused as (
    select
        w.wheel_end_id,
        w.lining_min_mm,
        r.inspected_on,
        r.return_test,
        case when g.unit_id is null then r.lining_mm end as lining_mm
    from fate.inspections f
    inner join raw.inspections r on r.content_id = f.content_id and r.row_no = f.row_no
    inner join judge.wheel_ends w
        on w.wheel_end_key
        = upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side
    cross join run.parameters p
    left join judge.rising_units g on g.unit_id = w.unit_id
    left join looked l on l.wheel_end_id = w.wheel_end_id
    where f.fate = 'set_aside'
        and r.inspected_on <= p.as_of
        and (l.last_on is null or r.inspected_on >= l.last_on)
),

-- Of each the newest day's: an older one may have been put right since, in rows set aside as well.
newest as (
    select
        wheel_end_id,
        max(inspected_on) filter (where return_test is not null) as tested_on,
        max(inspected_on) filter (where lining_mm is not null) as read_on
    from unused
    group by wheel_end_id
),

final as (
    select
        u.wheel_end_id,
        max(u.inspected_on) filter (
            where u.return_test = 'fail' and u.inspected_on = n.tested_on
        ) as failed_on,
        min(u.lining_mm) filter (
            where u.lining_mm <= u.lining_min_mm and u.inspected_on = n.read_on
        ) as lining_mm,
        max(u.inspected_on) filter (
            where u.lining_mm <= u.lining_min_mm and u.inspected_on = n.read_on
        ) as lining_read_on
    from unused u
    inner join newest n on n.wheel_end_id = u.wheel_end_id
    group by u.wheel_end_id
    having failed_on is not null or lining_read_on is not null
)

select * from final
