-- grain: one reline on record of a wheel end
-- key: wheel_end_id, done_on
-- inputs: stage.jobs, stage.inspections, judge.wheel_ends, run.parameters
-- meaning: the readings just before and after the job (null: none), and what they say of it. shown:
--          the lining grew; false: within half a year it did not, and no new lining can have worn
--          down so far since, at twice the pace of its axle; null: nothing tells. alone: the axle's other
--          end has no job that day. unit_doubted: two relines of the unit or more are not,
--          and no less than half as many as are. doubted: not shown, or not told of and the
--          unit's are doubted: the job may be another wheel end's, and counts as no reline
with readings as (
    select
        i.wheel_end_id,
        w.axle_id,
        w.unit_id,
        w.axle_type,
        i.inspected_on,
        case when i.as_left then 2 else 0 end as slot,
        i.km,
        i.lining_mm
    from stage.inspections i
    inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
    where i.lining_mm is not null
),

-- The next reading of the same wheel end: null after the last; nothing before the first.
steps as (
    select
        wheel_end_id,
        axle_id,
        inspected_on as before_on,
        slot as before_slot,
        km as before_km,
        lining_mm as before_mm,
        lead(inspected_on) over checks as after_on,
        lead(slot) over checks as after_slot,
        lead(km) over checks as after_km,
        lead(lining_mm) over checks as after_mm
    from readings
    window checks as (partition by wheel_end_id order by inspected_on, slot)
),

jobs as (
    select j.wheel_end_id, j.done_on, j.km, w.unit_id, w.axle_id, w.axle_type, w.depot, w.lining_new_mm
    from stage.jobs j
    inner join judge.wheel_ends w on w.wheel_end_id = j.wheel_end_id
    where j.action = 'reline'
),

within as (
    select
        j.wheel_end_id,
        j.done_on,
        s.before_on,
        s.before_slot,
        s.before_km,
        s.before_mm,
        s.after_on,
        s.after_km,
        s.after_mm
    from jobs j
    inner join steps s
        on s.wheel_end_id = j.wheel_end_id
        and (j.done_on > s.before_on or (j.done_on = s.before_on and s.before_slot = 0))
        and (
            s.after_on is null
            or j.done_on < s.after_on
            or (j.done_on = s.after_on and s.after_slot = 2)
        )
),

-- The pace of linings over which no job lies and that did not grow.
paces as (
    select
        s.axle_id,
        cast(sum(cast(s.before_mm - s.after_mm as decimal(38, 9))) as double)
        / cast(sum(cast(s.after_km - s.before_km as decimal(38, 9))) as double) as mm_per_km
    from steps s
    cross join run.parameters p
    left join (select distinct wheel_end_id, before_on, before_slot from within) w
        on w.wheel_end_id = s.wheel_end_id
        and w.before_on = s.before_on
        and w.before_slot = s.before_slot
    where w.wheel_end_id is null
        and s.after_km > s.before_km
        and s.after_mm - s.before_mm <= p.reline_rise_mm
    group by s.axle_id
),

-- New linings are no thicker than the unit's were ever read.
thickest as (
    select unit_id, axle_type, max(lining_mm) as lining_mm
    from readings
    group by unit_id, axle_type
),

axle_days as (
    select axle_id, done_on, count(*) as wheel_ends
    from jobs
    group by axle_id, done_on
),

told as (
    select
        j.wheel_end_id,
        j.unit_id,
        j.axle_id,
        j.depot,
        j.done_on,
        a.wheel_ends = 1 as alone,
        w.before_on,
        w.before_mm,
        w.after_on,
        w.after_mm,
        case
            when w.after_mm - w.before_mm > p.reline_rise_mm then true
            when least(j.lining_new_mm, t.lining_mm) - w.after_mm
                > p.reline_rise_mm
                + 2 * greatest(r.mm_per_km, 0)
                * greatest(w.after_km - coalesce(j.km, w.before_km), 0)
                and date_diff('day', j.done_on, w.after_on) <= 183
                then false
        end as shown
    from jobs j
    cross join run.parameters p
    inner join axle_days a on a.axle_id = j.axle_id and a.done_on = j.done_on
    left join within w on w.wheel_end_id = j.wheel_end_id and w.done_on = j.done_on
    left join paces r on r.axle_id = j.axle_id
    left join thickest t on t.unit_id = j.unit_id and t.axle_type = j.axle_type
),

units as (
    select
        unit_id,
        sum(case when not shown then 1 else 0 end) as missed,
        sum(case when shown then 1 else 0 end) as shown
    from told
    group by unit_id
),

final as (
    select
        t.wheel_end_id,
        t.unit_id,
        t.axle_id,
        t.depot,
        t.done_on,
        t.alone,
        t.before_on,
        t.before_mm,
        t.after_on,
        t.after_mm,
        t.shown,
        u.missed >= 2 and 2 * u.missed >= u.shown as unit_doubted,
        coalesce(not t.shown, u.missed >= 2 and 2 * u.missed >= u.shown) as doubted
    from told t
    inner join units u on u.unit_id = t.unit_id
)

select * from final
