-- grain: one age at which an adjuster's watched life may change circumstances
-- key: adjuster_id, on_date
-- inputs: stage.adjuster_lives, stage.inspections, stage.duty_spells, stage.unit_days
-- meaning: where watching begins and ends, each look at the wheel end between, and each change of duty;
--          ages in km and weeks (null where only km were written down); cap_open of a look: the
--          grease cap was found open or missing (null where nobody looked)
with lives as (
    select
        adjuster_id,
        wheel_end_id,
        unit_id,
        fitted_on,
        fitted_km,
        entry_on,
        entry_km,
        entry_weeks,
        coalesce(
            fitted_on + cast(round(coalesce(right_weeks, left_weeks) * 7) as integer), ended_on
        ) as last_on,
        coalesce(right_km, left_km) as last_km,
        coalesce(right_weeks, left_weeks) as last_weeks
    from stage.adjuster_lives
    where age_known and coalesce(right_km, left_km) > entry_km
),

looks as (
    select
        wheel_end_id,
        inspected_on,
        km,
        case when cap_state <> 'seated' then 1 else 0 end as cap_open
    from stage.inspections
    where not as_left
),

final as (
    select
        adjuster_id, wheel_end_id, unit_id, entry_on as on_date, entry_km as km,
        entry_weeks as weeks, 0 as cap_open
    from lives
    union all
    select
        l.adjuster_id,
        l.wheel_end_id,
        l.unit_id,
        k.inspected_on,
        least(greatest(k.km - l.fitted_km, l.entry_km), l.last_km),
        date_diff('day', l.fitted_on, k.inspected_on) / 7.0,
        k.cap_open
    from lives l
    inner join looks k
        on k.wheel_end_id = l.wheel_end_id
        and k.inspected_on > l.entry_on
        and k.inspected_on < l.last_on
    union all
    select
        l.adjuster_id,
        l.wheel_end_id,
        l.unit_id,
        s.from_on,
        least(greatest(d.km - l.fitted_km, l.entry_km), l.last_km),
        date_diff('day', l.fitted_on, s.from_on) / 7.0,
        null
    from lives l
    inner join stage.duty_spells s
        on s.unit_id = l.unit_id and s.from_on > l.entry_on and s.from_on < l.last_on
    inner join stage.unit_days d on d.unit_id = s.unit_id and d.on_date = s.from_on
    left join looks k on k.wheel_end_id = l.wheel_end_id and k.inspected_on = s.from_on
    where k.wheel_end_id is null
    union all
    select
        l.adjuster_id, l.wheel_end_id, l.unit_id, l.last_on, l.last_km, l.last_weeks,
        coalesce(k.cap_open, 0)
    from lives l
    left join looks k on k.wheel_end_id = l.wheel_end_id and k.inspected_on = l.last_on
    where l.last_on > l.entry_on
)

select * from final
