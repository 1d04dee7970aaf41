-- grain: one value of an accepted job that is left out
-- key: wheel_end_id, done_on, action, left_out, found
-- inputs: judge.work_rows, judge.odometer_verdicts, fate.work
-- meaning: the job counts without it: its odometer contradicts the checks around it
with final as (
    select distinct
        w.wheel_end_id,
        w.unit_id,
        w.done_on,
        w.action,
        'odometer_km' as left_out,
        cast(cast(round(w.odometer_km) as bigint) as varchar) || ' km' as found
    from judge.work_rows w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
    left join fate.work f on f.content_id = w.content_id and f.row_no = w.row_no
    where v.reason is not null and f.row_no is null
)

select * from final
