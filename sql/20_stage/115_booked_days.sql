-- grain: one day of a unit on which a job was written down with the odometer of an earlier check
-- key: unit_id, on_date, odometer_km
-- inputs: judge.work_rows, judge.inspection_candidates
-- meaning: jobs done at that check, check_on, and booked later (with the invoice, at the month's
--          end): the unit was not seen that day; it would have run in up to six weeks
with checks as (
    select distinct unit_id, inspected_on, odometer_km
    from judge.inspection_candidates
),

jobs as (
    select distinct unit_id, done_on, odometer_km
    from judge.work_rows
),

final as (
    select
        j.unit_id,
        j.done_on as on_date,
        j.odometer_km,
        max(c.inspected_on) as check_on
    from jobs j
    inner join checks c
        on c.unit_id = j.unit_id
        and c.odometer_km = j.odometer_km
        and c.inspected_on < j.done_on
        and date_diff('day', c.inspected_on, j.done_on) <= 42
    anti join checks s on s.unit_id = j.unit_id and s.inspected_on = j.done_on
    group by j.unit_id, j.done_on, j.odometer_km
)

select * from final
