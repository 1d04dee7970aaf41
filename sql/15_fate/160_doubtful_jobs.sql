-- grain: one value of an accepted job that is left out
-- key: wheel_end_id, done_on, action, left_out, found
-- inputs: judge.work_rows, judge.odometer_verdicts, fate.work
-- meaning: the job counts without it: its odometer contradicts the checks around it, or its rows
--          differ in its cost
with accepted as (
    select w.*
    from judge.work_rows w
    left join fate.work f on f.content_id = w.content_id and f.row_no = w.row_no
    where f.row_no is null
),

final as (
    select distinct
        w.wheel_end_id,
        w.unit_id,
        w.done_on,
        w.action,
        'odometer_km' as left_out,
        cast(cast(round(w.odometer_km) as bigint) as varchar) || ' km' as found
    from accepted w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
    where v.reason is not null
    union all
    select distinct wheel_end_id, unit_id, done_on, action, 'cost' as left_out, costs as found
    from accepted
    where costs is not null
)

select * from final
