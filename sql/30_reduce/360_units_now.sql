-- grain: one unit of the register
-- key: unit_id
-- inputs: judge.wheel_ends, stage.duty_spells, stage.unit_sightings, reduce.check_visits,
--         reduce.visit_linings, run.parameters
-- meaning: its depot, its duty on the as-of day, when it was last seen and last checked, and how far
--          above its minimum the thinnest lining was that the last check left on (null: none read)
with units as (
    select unit_id, min(depot) as depot from judge.wheel_ends group by unit_id
),

seen as (
    select unit_id, max(on_date) as seen_on from stage.unit_sightings group by unit_id
),

visits as (
    select unit_id, max(visit_on) as visit_on from reduce.check_visits group by unit_id
),

final as (
    select u.unit_id, u.depot, d.duty, s.seen_on, v.visit_on, t.thinnest_mm
    from units u
    cross join run.parameters p
    inner join stage.duty_spells d
        on d.unit_id = u.unit_id and d.from_on <= p.as_of and p.as_of < d.until_on
    left join seen s on s.unit_id = u.unit_id
    left join visits v on v.unit_id = u.unit_id
    left join reduce.visit_linings t on t.unit_id = v.unit_id and t.visit_on = v.visit_on
)

select * from final
