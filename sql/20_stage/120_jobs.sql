-- grain: one job of one kind on a wheel end
-- key: wheel_end_id, done_on, action
-- inputs: judge.work_rows, judge.odometer_verdicts, fate.work
-- meaning: accepted jobs, with the unit's accumulated km
with final as (
    select
        w.wheel_end_id,
        min(w.unit_id) as unit_id,
        w.done_on,
        w.action,
        max(v.km) as km,
        min(w.reason) as reason,
        max(w.cost) as cost,
        min(w.part) as part
    from judge.work_rows w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
    left join fate.work f on f.content_id = w.content_id and f.row_no = w.row_no
    where f.row_no is null
    group by w.wheel_end_id, w.done_on, w.action
)

select * from final
