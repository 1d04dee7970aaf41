-- grain: one wheel end of the register
-- key: wheel_end_id
-- inputs: judge.wheel_ends, stage.duty_spells, stage.setting_episodes, stage.lining_lives,
--         stage.adjuster_fittings, stage.adjuster_checks, stage.inspections, run.service,
--         run.parameters
-- meaning: the setting, lining and adjuster in place on the as-of day, its check interval, the
--          adjuster's age in km when it was last known good, and when anyone last looked
with episodes as (
    select wheel_end_id, episode_id, set_on
    from stage.setting_episodes
    where ended_on is null
),

lives as (
    select wheel_end_id, life_id from stage.lining_lives where ended_on is null
),

ages as (
    select f.wheel_end_id, max(c.km) - min(f.fitted_km) as adjuster_km
    from stage.adjuster_fittings f
    inner join stage.adjuster_checks c
        on c.wheel_end_id = f.wheel_end_id
        and (f.fitted_on is null or c.inspected_on > f.fitted_on)
    where f.replaced_on is null and not c.failed and f.fitted_km is not null
    group by f.wheel_end_id
),

looked as (
    select wheel_end_id, max(inspected_on) as last_inspected_on
    from stage.inspections
    group by wheel_end_id
),

final as (
    select
        w.wheel_end_id,
        w.unit_id,
        w.axle_id,
        w.axle_no,
        w.side,
        w.axle_type,
        w.depot,
        d.duty,
        e.episode_id,
        e.set_on,
        l.life_id,
        a.adjuster_km,
        k.last_inspected_on,
        coalesce(s.check_weeks, p.check_weeks) as check_weeks
    from judge.wheel_ends w
    cross join run.parameters p
    inner join stage.duty_spells d
        on d.unit_id = w.unit_id and d.from_on <= p.as_of and p.as_of < d.until_on
    left join episodes e on e.wheel_end_id = w.wheel_end_id
    left join lives l on l.wheel_end_id = w.wheel_end_id
    left join ages a on a.wheel_end_id = w.wheel_end_id
    left join looked k on k.wheel_end_id = w.wheel_end_id
    left join run.service s on s.duty = d.duty
)

select * from final
