-- grain: one day of a unit on which a job was written down with the odometer of an earlier check
-- key: unit_id, on_date, odometer_km
-- inputs: judge.work_rows, judge.inspection_candidates, judge.odometer_verdicts
-- meaning: jobs done at that check, check_on, and booked later (with the invoice, at the month's
--          end): the unit was not seen that day; it would have run in up to six weeks. Where checks show
--          that it had run on by then, up to half a year
with checks as (
    select distinct i.unit_id, i.inspected_on, i.odometer_km
    from judge.inspection_candidates i
    inner join judge.odometer_verdicts v
        on v.unit_id = i.unit_id and v.on_date = i.inspected_on and v.odometer_km = i.odometer_km
    where v.reason is null
),

jobs as (
    select distinct w.unit_id, w.done_on, w.odometer_km, v.reason is not null as out_of_line
    from judge.work_rows w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
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
        and date_diff('day', c.inspected_on, j.done_on)
            <= case when j.out_of_line then 183 else 42 end
    left join (select distinct unit_id, inspected_on from checks) s
        on s.unit_id = j.unit_id and s.inspected_on = j.done_on
    where j.out_of_line or s.unit_id is null
    group by j.unit_id, j.done_on, j.odometer_km
)

select * from final
