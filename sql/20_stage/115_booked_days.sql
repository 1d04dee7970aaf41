-- grain: one day of a unit on which a job was written down with the odometer of another day's check
-- key: unit_id, on_date, odometer_km
-- inputs: judge.work_rows, judge.inspection_candidates, judge.odometer_verdicts, run.parameters
-- meaning: jobs done at that check, check_on, and booked later (with the invoice, at the month's
--          end): the unit was not seen that day; it would have run in up to six weeks. Where checks show
--          that it had run on by then, up to half a year. Or jobs whose card was opened up to three
--          days before the check: of units whose old linings were mostly read after their relines
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

opened as (
    select j.unit_id, j.done_on as on_date, j.odometer_km, min(c.inspected_on) as check_on
    from jobs j
    inner join checks c
        on c.unit_id = j.unit_id
        and c.odometer_km = j.odometer_km
        and c.inspected_on > j.done_on
        and date_diff('day', j.done_on, c.inspected_on) <= 3
    left join (select distinct unit_id, inspected_on from checks) s
        on s.unit_id = j.unit_id and s.inspected_on = j.done_on
    where s.unit_id is null and not j.out_of_line
    group by j.unit_id, j.done_on, j.odometer_km
),

-- What was read at the check after a reline on such a day, and before.
around as (
    select
        o.unit_id,
        w.wheel_end_id,
        o.check_on,
        max(case when i.inspected_on = o.check_on then i.lining_mm end) as read_mm,
        max_by(
            case when i.inspected_on < o.on_date then i.lining_mm end,
            case when i.inspected_on < o.on_date then (i.inspected_on, i.lining_mm) end
        ) as before_mm
    from opened o
    inner join judge.work_rows w
        on w.unit_id = o.unit_id
        and w.done_on = o.on_date
        and w.odometer_km = o.odometer_km
        and w.action = 'reline'
    inner join judge.inspection_candidates i
        on i.wheel_end_id = w.wheel_end_id
        and i.inspected_on <= o.check_on
        and i.lining_mm is not null
        and not i.as_left
    group by o.unit_id, w.wheel_end_id, o.check_on
),

opened_early as (
    select a.unit_id
    from around a
    cross join run.parameters p
    where a.read_mm is not null and a.before_mm is not null
    group by a.unit_id
    having count(*) filter (where a.read_mm - a.before_mm <= p.reline_rise_mm)
        > count(*) filter (where a.read_mm - a.before_mm > p.reline_rise_mm)
),

booked as (
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
),

final as (
    select unit_id, on_date, odometer_km, check_on from booked
    union all
    -- Between two checks with its odometer it was done at the first.
    select o.unit_id, o.on_date, o.odometer_km, o.check_on
    from opened o
    inner join opened_early e on e.unit_id = o.unit_id
    left join booked b
        on b.unit_id = o.unit_id
        and b.on_date = o.on_date
        and b.odometer_km = o.odometer_km
    where b.unit_id is null
)

select * from final
