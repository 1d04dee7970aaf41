-- grain: one way an adjuster's watched life in one duty may have ended, on one clock
-- key: clock, adjuster_id, entry_age, left_age, ending
-- inputs: stage.adjuster_lives, stage.duty_spells, stage.unit_days
-- meaning: every duty an adjuster ran in gets the ages it ran there: it came under watch at entry_age,
--          worked at left_age and was found failed at right_age (null: not); one that went on in
--          another duty ends as 'changed'. Where the duty changed between the last good look and
--          the failure, the failure counts for both by the age run in each (weight)
with clocks as (
    select
        'km' as clock, adjuster_id, unit_id, axle_type, duty, cause, fitted_on, entry_on, ended_on,
        fitted_km, entry_km as entry_age, left_km as left_age, right_km as right_age
    from stage.adjuster_lives
    where age_known
    union all
    select
        'weeks', adjuster_id, unit_id, axle_type, duty, cause, fitted_on, entry_on, ended_on,
        fitted_km, entry_weeks, left_weeks, right_weeks
    from stage.adjuster_lives
    where age_known and left_weeks is not null
),

lives as (
    select
        *,
        coalesce(entry_age, 0) as start_age,
        coalesce(right_age, left_age) as end_age
    from clocks
),

changes as (
    select
        l.clock,
        l.adjuster_id,
        s.duty,
        case
            when l.clock = 'km' then d.km - l.fitted_km
            else date_diff('day', l.fitted_on, s.from_on) / 7.0
        end as age
    from lives l
    inner join stage.duty_spells s
        on s.unit_id = l.unit_id and s.from_on > l.entry_on and s.from_on < l.ended_on
    inner join stage.unit_days d on d.unit_id = s.unit_id and d.on_date = s.from_on
),

inside as (
    select c.clock, c.adjuster_id, c.age, max(c.duty) as duty
    from changes c
    inner join lives l on l.clock = c.clock and l.adjuster_id = c.adjuster_id
    where c.age > l.start_age and c.age < l.end_age
    group by c.clock, c.adjuster_id, c.age
),

movers as (
    select clock, adjuster_id from inside group by clock, adjuster_id
),

starts as (
    select
        l.clock,
        l.adjuster_id,
        l.start_age as age,
        -- The duty of a life that never changed is known; that of another is looked up.
        coalesce(case when m.adjuster_id is not null then s.duty end, l.duty) as duty
    from lives l
    left join movers m on m.clock = l.clock and m.adjuster_id = l.adjuster_id
    left join stage.duty_spells s
        on m.adjuster_id is not null
        and s.unit_id = l.unit_id
        and s.from_on <= l.entry_on
        and l.entry_on < s.until_on
    union all
    select clock, adjuster_id, age, duty from inside
),

pieces as (
    select
        l.clock,
        l.adjuster_id,
        l.unit_id,
        l.axle_type,
        l.cause,
        p.duty,
        l.left_age as good_age,
        l.right_age as found_age,
        p.age as from_age,
        coalesce(lead(p.age) over (partition by p.clock, p.adjuster_id order by p.age), l.end_age)
            as until_age,
        lead(p.age) over (partition by p.clock, p.adjuster_id order by p.age) is null as is_last
    from starts p
    inner join lives l on l.clock = p.clock and l.adjuster_id = p.adjuster_id
),

shared as (
    select
        *,
        case
            when found_age is null then 0.0
            when found_age = good_age then case when is_last then 1.0 else 0.0 end
            when until_age <= good_age then 0.0
            else (least(until_age, found_age) - greatest(from_age, good_age))
                / (found_age - good_age)
        end as failed_here
    from pieces
),

reached as (
    select
        *,
        1.0 - (sum(failed_here) over (
            partition by clock, adjuster_id order by from_age
            rows between unbounded preceding and current row
        ) - failed_here) as came_here
    from shared
),

ends as (
    select
        clock, adjuster_id, unit_id, axle_type, duty, cause as ending, from_age as entry_age,
        greatest(from_age, good_age) as left_age,
        least(until_age, found_age) as right_age,
        failed_here as weight
    from reached
    where failed_here > 0
    union all
    select
        clock, adjuster_id, unit_id, axle_type, duty,
        case when is_last then cause else 'changed' end, from_age,
        case when is_last then good_age else until_age end,
        null,
        came_here - failed_here
    from reached
    where (is_last and found_age is null) or (not is_last and came_here - failed_here > 1e-9)
),

final as (
    select
        clock,
        adjuster_id,
        unit_id,
        axle_type,
        duty,
        ending,
        entry_age,
        left_age,
        right_age,
        cast(weight as double) as weight
    from ends
)

select * from final
