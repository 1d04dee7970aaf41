-- grain: one duty that a wheel end ran in between a setting and a stroke reading
-- key: episode_id, inspected_on, as_left, duty
-- inputs: stage.stroke_readings, stage.setting_episodes, stage.unit_duty_km
-- meaning: km run in that duty since the setting, or since the first reading where no setting is on
--          record
with origins as (
    select episode_id, unit_id, set_on as origin_on
    from stage.setting_episodes
    where set_on is not null
    union all
    select e.episode_id, e.unit_id, min(r.inspected_on) as origin_on
    from stage.setting_episodes e
    inner join stage.stroke_readings r on r.episode_id = e.episode_id
    where e.set_on is null
    group by e.episode_id, e.unit_id
),

final as (
    select
        r.episode_id,
        r.inspected_on,
        r.as_left,
        u.duty,
        greatest(u.km - coalesce(a.km, 0), 0) as km
    from stage.stroke_readings r
    inner join origins o on o.episode_id = r.episode_id
    inner join stage.unit_duty_km u on u.unit_id = o.unit_id and u.on_date = r.inspected_on
    left join stage.unit_duty_km a
        on a.unit_id = o.unit_id and a.on_date = o.origin_on and a.duty = u.duty
    where r.stroke_ratio is not null and u.km > coalesce(a.km, 0)
)

select * from final
