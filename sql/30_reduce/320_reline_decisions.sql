-- grain: one wheel end at one check visit
-- key: wheel_end_id, visit_on
-- inputs: reduce.check_visits, reduce.lining_ages, stage.inspections, stage.relines,
--         stage.lining_lives, stage.lining_readings, judge.wheel_ends, run.parameters
-- meaning: its reading as found, in mm above its minimum (null: not read; where it was read as left
--          alone: that, or what the lining before it would have read, as of linings that a depot
--          renews without measuring them), and whether it was
--          relined at that visit or before the next (done_on and lag_days are null where nobody wrote
--          the job down); age_days of the lining found there, at least so many where age_known is
--          false. A unit's last visit is left out: what follows it is not known yet.
--          Visits since habits_since: habits change
with windows as (
    select v.*
    from reduce.check_visits v
    cross join run.parameters p
    where v.next_visit_on is not null
        and v.visit_on > p.habits_since
),

thick as (
    -- A rise that does not even reach half of the usable lining is a misreading, not a new lining.
    select distinct i.wheel_end_id, i.inspected_on
    from stage.inspections i
    inner join judge.wheel_ends e on e.wheel_end_id = i.wheel_end_id
    where i.lining_mm >= (e.lining_new_mm + e.lining_min_mm) / 2
),

inferred as (
    select r.unit_id, r.wheel_end_id, r.on_date, r.slot
    from stage.relines r
    inner join thick t on t.wheel_end_id = r.wheel_end_id and t.inspected_on = r.on_date
    where r.source = 'inferred'
),

relined_once as (
    select r.wheel_end_id, w.visit_on, max(r.on_date) as done_on
    from windows w
    inner join stage.relines r on r.unit_id = w.unit_id
    where r.source = 'job' and r.on_date >= w.visit_on and r.on_date < w.next_visit_on
    group by r.wheel_end_id, w.visit_on
    union all
    select distinct r.wheel_end_id, w.visit_on, cast(null as date) as done_on
    from windows w
    inner join inferred r on r.unit_id = w.unit_id
    -- Found at the next visit, it was done before; left at this one, it was done here.
    where (r.slot = -1 and r.on_date >= w.next_visit_on and r.on_date <= w.next_until_on)
        or (r.slot = 1 and r.on_date >= w.visit_on and r.on_date <= w.until_on)
),

relined as (
    select wheel_end_id, visit_on, max(done_on) as done_on
    from relined_once
    group by wheel_end_id, visit_on
),

checked as (
    select
        i.wheel_end_id,
        w.unit_id,
        w.visit_on,
        min(case when not i.as_left then i.lining_mm end) as lining_mm,
        min(case when i.as_left then i.lining_mm end) as left_mm,
        max(case when i.as_left and i.lining_mm is not null then i.km end) as left_km,
        max(i.km) as km
    from windows w
    inner join stage.inspections i
        on i.unit_id = w.unit_id
        and i.inspected_on >= w.visit_on
        and i.inspected_on <= w.until_on
    group by i.wheel_end_id, w.unit_id, w.visit_on
),

visit_km as (
    select unit_id, visit_on, max(km) as km from checked group by unit_id, visit_on
),

-- And linings that were renewed at a visit that wrote no other word of their wheel end.
found as (
    select
        e.wheel_end_id,
        e.unit_id,
        coalesce(e.depot, '') as depot,
        coalesce(c.visit_on, r.visit_on) as visit_on,
        c.lining_mm,
        c.left_mm,
        c.left_km,
        c.wheel_end_id is not null as is_checked,
        r.wheel_end_id is not null as relined,
        r.done_on
    from checked c
    full join relined r on r.wheel_end_id = c.wheel_end_id and r.visit_on = c.visit_on
    inner join judge.wheel_ends e on e.wheel_end_id = coalesce(c.wheel_end_id, r.wheel_end_id)
),

-- Every wheel end at every visit: one without a row was not read either.
expected as (
    select coalesce(e.depot, '') as depot, count(*) as wheel_ends
    from windows w
    inner join judge.wheel_ends e on e.unit_id = w.unit_id
    group by coalesce(e.depot, '')
),

-- Where a lining that is renewed is not measured first, by habit: unread three times as often as
-- one that is left on, and in a fifth of all cases. Left out, such relines would seem to have had no reason.
unmeasured as (
    select s.depot
    from (
        select
            depot,
            count(*) filter (where relined) as relined,
            count(*) filter (where relined and done_on is not null) as renewed,
            count(*) filter (
                where relined and done_on is not null and lining_mm is null and left_mm is null
            ) as renewed_unread,
            count(*) filter (where not relined and coalesce(lining_mm, left_mm) is not null)
                as left_read
        from found
        group by depot
    ) s
    inner join expected x on x.depot = s.depot
    where s.renewed_unread >= 5
        and s.renewed_unread * 5 >= s.renewed
        and s.renewed_unread * (x.wheel_ends - s.relined)
        > 3 * (x.wheel_ends - s.relined - s.left_read) * s.renewed
),

seen as (
    select f.*, coalesce(f.left_km, k.km) as read_km
    from found f
    left join visit_km k on k.unit_id = f.unit_id and k.visit_on = f.visit_on
    where f.is_checked or f.depot in (select depot from unmeasured)
),

-- Of linings that were renewed where nobody read the old ones: what these would have read.
renewed as (
    select s.wheel_end_id, s.visit_on, s.read_km, l.life_id
    from seen s
    inner join stage.lining_lives l
        on l.wheel_end_id = s.wheel_end_id and l.ended_on = s.done_on and l.end_slot > 0
    where s.relined
        and s.lining_mm is null
        and (s.left_mm is not null or s.depot in (select depot from unmeasured))
),

worn as (
    select r.life_id, r.inspected_on, r.as_left, r.km, r.lining_mm,
        lead(r.km) over readings as next_km, lead(r.lining_mm) over readings as next_mm
    from stage.lining_readings r
    inner join stage.lining_lives l on l.life_id = r.life_id
    inner join (
        select distinct o.axle_id
        from renewed n
        inner join stage.lining_lives o on o.life_id = n.life_id
    ) a on a.axle_id = l.axle_id
    where r.lining_mm is not null
    window readings as (partition by r.life_id order by r.inspected_on, r.as_left)
),

axle_wear as (
    select l.axle_id, median((w.lining_mm - w.next_mm) / (w.next_km - w.km)) as mm_per_km
    from worn w
    inner join stage.lining_lives l on l.life_id = w.life_id
    where w.next_km > w.km
    group by l.axle_id
),

old as (
    select n.wheel_end_id, n.visit_on,
        max_by(
            w.lining_mm - a.mm_per_km * greatest(n.read_km - w.km, 0), (w.inspected_on, w.as_left)
        ) as lining_mm
    from renewed n
    inner join worn w on w.life_id = n.life_id and w.km <= n.read_km
    inner join stage.lining_lives l on l.life_id = n.life_id
    inner join axle_wear a on a.axle_id = l.axle_id
    group by n.wheel_end_id, n.visit_on
),

final as (
    select
        s.wheel_end_id,
        s.unit_id,
        e.axle_id,
        e.axle_type,
        e.depot,
        s.visit_on,
        coalesce(
            s.lining_mm, o.lining_mm, case when not s.relined then s.left_mm end
        ) - e.lining_min_mm as above_mm,
        s.relined,
        s.done_on,
        date_diff('day', s.visit_on, s.done_on) as lag_days,
        greatest(date_diff('day', a.aged_from_on, s.visit_on), 0) as age_days,
        coalesce(a.age_known, false) as age_known
    from seen s
    inner join judge.wheel_ends e on e.wheel_end_id = s.wheel_end_id
    left join old o on o.wheel_end_id = s.wheel_end_id and o.visit_on = s.visit_on
    -- The lining that was there before anything was done at the visit.
    left join reduce.lining_ages a
        on a.wheel_end_id = s.wheel_end_id
        and (
            a.started_on is null
            or a.started_on < s.visit_on
            or (a.started_on = s.visit_on and a.start_slot < 0)
        )
        and (
            a.ended_on is null
            or a.ended_on > s.visit_on
            or (a.ended_on = s.visit_on and a.end_slot > 0)
        )
)

select * from final
