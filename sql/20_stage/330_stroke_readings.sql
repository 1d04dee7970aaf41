-- grain: one stroke reading within its setting episode
-- key: episode_id, inspected_on, as_left
-- inputs: stage.inspections, stage.setting_episodes, judge.wheel_ends, stage.unit_days
-- meaning: the stroke ratio (free stroke / arm length) and what else was seen that day; km and
--          weeks count from the setting, or from the first reading where none is on record
with placed as (
    select
        e.episode_id,
        e.episode_no,
        e.wheel_end_id,
        e.unit_id,
        e.axle_id,
        e.axle_type,
        e.set_on,
        e.set_km,
        e.set_source,
        i.inspected_on,
        i.as_left,
        i.km,
        i.lining_mm,
        i.free_stroke_mm,
        i.applied_stroke_mm,
        i.marks_aligned,
        i.return_test,
        i.cap_state,
        i.fault
    from stage.inspections i
    inner join stage.setting_episodes e
        on e.wheel_end_id = i.wheel_end_id
        and (
            e.set_on is null
            or i.inspected_on > e.set_on
            or (i.inspected_on = e.set_on and i.as_left)
        )
        and (
            e.ended_on is null
            or i.inspected_on < e.ended_on
            or (i.inspected_on = e.ended_on and not i.as_left)
        )
),

origins as (
    select episode_id, min(inspected_on) as first_on, min(km) as first_km
    from placed
    group by episode_id
),

final as (
    select
        p.*,
        d.duty,
        w.arm_length_mm,
        p.free_stroke_mm / w.arm_length_mm as stroke_ratio,
        p.km - coalesce(p.set_km, o.first_km) as km_since_set,
        date_diff('day', coalesce(p.set_on, o.first_on), p.inspected_on) / 7.0 as weeks_since_set,
        radians(w.cam_degrees) / (w.lining_new_mm - w.lining_min_mm) as ratio_per_mm,
        w.readjust_limit_mm
    from placed p
    inner join origins o on o.episode_id = p.episode_id
    inner join judge.wheel_ends w on w.wheel_end_id = p.wheel_end_id
    inner join stage.unit_days d on d.unit_id = p.unit_id and d.on_date = p.inspected_on
)

select * from final
