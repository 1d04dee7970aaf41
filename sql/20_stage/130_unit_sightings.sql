-- grain: one day on which a unit's accumulated km is known
-- key: unit_id, on_date
-- inputs: judge.odometer_verdicts, judge.wheel_ends, stage.booked_days
-- meaning: km by the odometer, carried across replacements; earlier days from the register
with seen as (
    select v.unit_id, v.on_date, max(v.km) as km
    from judge.odometer_verdicts v
    anti join stage.booked_days b
        on b.unit_id = v.unit_id and b.on_date = v.on_date and b.odometer_km = v.odometer_km
    where v.reason is null
    group by v.unit_id, v.on_date
),

first_seen as (
    select unit_id, min(on_date) as on_date, min(km) as km
    from seen
    group by unit_id
),

registered as (
    select unit_id, relined_on as on_date, relined_km as km from judge.wheel_ends
    union all
    select unit_id, in_service_on as on_date, in_service_km as km from judge.wheel_ends
    union all
    select unit_id, adjuster_fitted_on as on_date, adjuster_fitted_km as km from judge.wheel_ends
    union all
    -- A reline with its km but no day: all that is known is that it came before the records.
    select w.unit_id, date_add(f.on_date, interval (-1) day) as on_date, max(w.relined_km) as km
    from judge.wheel_ends w
    inner join first_seen f on f.unit_id = w.unit_id
    where w.relined_on is null and w.relined_km is not null
    group by w.unit_id, f.on_date
),

final as (
    select unit_id, on_date, km from seen
    union all
    select r.unit_id, cast(r.on_date as date) as on_date, max(r.km) as km
    from registered r
    inner join first_seen f on f.unit_id = r.unit_id
    where cast(r.on_date as date) < f.on_date and r.km <= f.km
    group by r.unit_id, cast(r.on_date as date)
)

select * from final
