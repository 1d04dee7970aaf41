-- grain: visits of a unit since a lining of an axle was last read
-- key: waited, near
-- inputs: reduce.check_visits, stage.inspections, stage.relines, judge.wheel_ends, run.parameters
-- meaning: at how many check visits of its unit an axle had waited so long for it (1: the very next
--          visit; up to 12), and at how many of these one of its linings was read. near: its thinnest
--          had been read within 5 mm of its minimum. Visits after a reline are left out until the
--          axle is read again, and those that relined it unread: somebody looked. Visits since
--          habits_since
with visits as (
    select v.unit_id, v.visit_on, v.until_on
    from reduce.check_visits v
    cross join run.parameters p
    where v.visit_on > p.habits_since
),

axles as (
    select distinct unit_id, axle_id from judge.wheel_ends
),

read as (
    select e.axle_id, v.visit_on, min(i.lining_mm - e.lining_min_mm) as above_mm
    from visits v
    inner join stage.inspections i
        on i.unit_id = v.unit_id
        and i.inspected_on >= v.visit_on
        and i.inspected_on <= v.until_on
    inner join judge.wheel_ends e on e.wheel_end_id = i.wheel_end_id
    where i.lining_mm is not null and not i.as_left
    group by e.axle_id, v.visit_on
),

due as (
    select
        a.axle_id,
        v.visit_on,
        v.until_on,
        r.axle_id is not null as is_read,
        r.above_mm,
        row_number() over (partition by a.axle_id order by v.visit_on) as place
    from visits v
    inner join axles a on a.unit_id = v.unit_id
    left join read r on r.axle_id = a.axle_id and r.visit_on = v.visit_on
),

since as (
    select
        axle_id,
        visit_on,
        until_on,
        is_read,
        place - max(case when is_read then place end) over before as waited,
        max(case when is_read then until_on end) over before as read_on,
        -- The latest visit that read it, and in the same number whether that was near.
        max(case when is_read then place * 2 + case when above_mm < 5 then 1 else 0 end end)
            over before as code
    from due
    window before as (
        partition by axle_id order by place rows between unbounded preceding and 1 preceding
    )
),

relined as (
    select distinct e.axle_id, r.on_date
    from stage.relines r
    inner join judge.wheel_ends e on e.wheel_end_id = r.wheel_end_id
),

-- Whether an axle was relined between the visit that read it last and this one, or, unread, at it.
renewed as (
    select distinct s.axle_id, s.visit_on
    from since s
    inner join relined r
        on r.axle_id = s.axle_id
        and r.on_date >= s.read_on
        and (r.on_date < s.visit_on or (r.on_date <= s.until_on and not s.is_read))
),

final as (
    select
        cast(least(s.waited, 12) as integer) as waited,
        s.code % 2 = 1 as near,
        count(*) as visits,
        count(*) filter (where s.is_read) as looked
    from since s
    left join renewed n on n.axle_id = s.axle_id and n.visit_on = s.visit_on
    where s.waited is not null and n.axle_id is null
    group by least(s.waited, 12), s.code % 2
)

select * from final
