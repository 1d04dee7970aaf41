-- grain: one stroke reading within its setting episode
-- key: episode_id, inspected_on, as_left
-- inputs: stage.inspections, stage.setting_episodes, stage.lining_lives, judge.wheel_ends
-- meaning: the stroke ratio (free stroke / arm length; null: not read) and the lining life in place;
--          km and weeks count from the setting, or from the first reading where none is on record
with first_readings as (
    -- Where no km of a setting is on record; an earlier day's setting ends with the next one.
    select e.episode_id, min(i.inspected_on) as first_on, min(i.km) as first_km
    from stage.setting_episodes e
    inner join stage.inspections i
        on i.wheel_end_id = e.wheel_end_id
        and (
            e.begun_on is null
            or i.inspected_on > e.begun_on
            or (i.inspected_on = e.begun_on and i.as_left)
        )
        and (
            e.ended_on is null
            or i.inspected_on < e.ended_on
            or (i.inspected_on = e.ended_on and not i.as_left)
        )
    where e.set_km is null
    group by e.episode_id
),

episodes as (
    select
        e.episode_id,
        e.wheel_end_id,
        e.begun_on,
        e.ended_on,
        coalesce(e.set_km, f.first_km) as origin_km,
        coalesce(e.set_on, f.first_on) as origin_on,
        w.arm_length_mm
    from stage.setting_episodes e
    inner join judge.wheel_ends w on w.wheel_end_id = e.wheel_end_id
    left join first_readings f on f.episode_id = e.episode_id
),

final as (
    select
        e.episode_id,
        e.wheel_end_id,
        l.life_id,
        i.inspected_on,
        i.as_left,
        i.free_stroke_mm / e.arm_length_mm as stroke_ratio,
        i.km - e.origin_km as km_since_set,
        date_diff('day', e.origin_on, i.inspected_on) / 7.0 as weeks_since_set
    from stage.inspections i
    inner join episodes e
        on e.wheel_end_id = i.wheel_end_id
        and (
            e.begun_on is null
            or i.inspected_on > e.begun_on
            or (i.inspected_on = e.begun_on and i.as_left)
        )
        and (
            e.ended_on is null
            or i.inspected_on < e.ended_on
            or (i.inspected_on = e.ended_on and not i.as_left)
        )
    left join stage.lining_lives l
        on l.wheel_end_id = i.wheel_end_id
        and (
            l.started_on is null
            or i.inspected_on > l.started_on
            or (
                i.inspected_on = l.started_on
                and case when i.as_left then 2 else 0 end > l.start_slot
            )
        )
        and (
            l.ended_on is null
            or i.inspected_on < l.ended_on
            or (
                i.inspected_on = l.ended_on and case when i.as_left then 2 else 0 end < l.end_slot
            )
        )
)

select * from final
