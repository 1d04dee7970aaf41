-- grain: one job of one kind on a wheel end
-- key: wheel_end_id, done_on, action
-- inputs: judge.work_rows, judge.odometer_verdicts, fate.work, stage.booked_days, stage.unit_days
-- meaning: accepted jobs, with the unit's accumulated km (of its day, where its odometer cannot be);
--          one that was booked later was done at the check; no cost where its rows differ in that
with accepted as (
    select
        w.wheel_end_id,
        w.unit_id,
        coalesce(b.check_on, w.done_on) as done_on,
        w.action,
        coalesce(v.km, d.km) as km,
        w.reason,
        case when w.costs is null then w.cost end as cost,
        w.part
    from judge.work_rows w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
    left join fate.work f on f.content_id = w.content_id and f.row_no = w.row_no
    left join stage.booked_days b
        on b.unit_id = w.unit_id and b.on_date = w.done_on and b.odometer_km = w.odometer_km
    left join stage.unit_days d
        on d.unit_id = w.unit_id and d.on_date = coalesce(b.check_on, w.done_on)
    where f.row_no is null
),

final as (
    select
        wheel_end_id,
        min(unit_id) as unit_id,
        done_on,
        action,
        max(km) as km,
        min(reason) as reason,
        max(cost) as cost,
        min(part) as part
    from accepted
    group by wheel_end_id, done_on, action
)

select * from final
