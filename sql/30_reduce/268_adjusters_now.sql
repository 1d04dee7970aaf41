-- grain: one wheel end of the register
-- key: wheel_end_id
-- inputs: judge.wheel_ends, stage.duty_spells, stage.unit_sightings, stage.inspections,
--         stage.adjuster_fittings, stage.adjuster_lives, run.parameters
-- meaning: the adjuster in place on the as-of day and its age in km when its unit was last seen:
--          null where nobody knows when it was fitted, 0 where it was found failed and its
--          replacement is not on record yet; watched_km: km from its wheel end's first check to
--          when its unit was last seen; unit_km: what the unit has run by then
with seen as (
    select unit_id, max(on_date) as seen_on, max(km) as seen_km
    from stage.unit_sightings
    group by unit_id
),

first_checks as (
    select wheel_end_id, min(km) as first_km from stage.inspections group by wheel_end_id
),

in_place as (
    select f.wheel_end_id, f.adjuster_id, f.part, f.fitted_km, l.right_km is not null as failed
    from stage.adjuster_fittings f
    left join stage.adjuster_lives l on l.adjuster_id = f.adjuster_id
    where f.replaced_on is null
),

final as (
    select
        w.wheel_end_id,
        w.unit_id,
        w.axle_type,
        w.depot,
        d.duty,
        a.part,
        s.seen_on,
        case
            when a.failed then 0
            when a.fitted_km is not null then greatest(s.seen_km - a.fitted_km, 0)
        end as age_km,
        greatest(coalesce(s.seen_km - f.first_km, 0), 0) as watched_km,
        s.seen_km as unit_km
    from judge.wheel_ends w
    cross join run.parameters p
    inner join stage.duty_spells d
        on d.unit_id = w.unit_id and d.from_on <= p.as_of and p.as_of < d.until_on
    left join seen s on s.unit_id = w.unit_id
    left join in_place a on a.wheel_end_id = w.wheel_end_id
    left join first_checks f on f.wheel_end_id = w.wheel_end_id
)

select * from final
