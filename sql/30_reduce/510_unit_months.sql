-- form: view
-- grain: one month of a unit's wheel ends of one axle type in one duty
-- key: unit_id, axle_type, duty, month
-- inputs: stage.inspections, stage.jobs, stage.relines, stage.lining_readings, stage.lining_lives,
--         stage.adjuster_lives, stage.stroke_readings, stage.setting_episodes, stage.duty_spells,
--         judge.wheel_ends, run.parameters
-- meaning: what was run, found and done: km times wheel ends (a stretch between two inspection days
--          counts in the month that ends it), relines and how many of them were no part of a check,
--          drums, adjusters fitted and failed, other jobs, what jobs cost where a cost is on record
--          and how many have none; settings by the month they were made in and those out of band at
--          the next check; lining lost between two readings of a life, and the km between them
with ends as (
    select unit_id, axle_type, min(depot) as depot, count(*) as wheel_ends
    from judge.wheel_ends
    group by unit_id, axle_type
),

days as (
    select unit_id, inspected_on, max(km) as km, min(duty) as duty
    from stage.inspections
    group by unit_id, inspected_on
),

legs as (
    select
        unit_id,
        inspected_on as on_date,
        lag(duty) over unit_days as duty,
        km - lag(km) over unit_days as km
    from days
    window unit_days as (partition by unit_id order by inspected_on)
),

run as (
    select
        l.unit_id, e.axle_type, l.duty, l.on_date, 'run' as what, l.km * e.wheel_ends as amount,
        cast(null as double) as cost
    from legs l
    inner join ends e on e.unit_id = l.unit_id
    where l.km > 0
),

firsts as (
    select unit_id, min(inspected_on) as first_on from days group by unit_id
),

done as (
    select
        j.wheel_end_id,
        j.unit_id,
        j.done_on as on_date,
        case
            when j.action in ('adjuster_replaced', 'drum_replaced', 'reline') then j.action
            else 'other'
        end as what,
        1.0 as amount,
        j.cost
    from stage.jobs j
    union all
    select wheel_end_id, unit_id, on_date, 'reline' as what, 1.0 as amount, cast(null as double)
    from stage.relines
    where source = 'inferred'
    union all
    select wheel_end_id, unit_id, ended_on as on_date, 'failure' as what, 1.0 as amount, 0.0 as cost
    from stage.adjuster_lives
    where cause not in ('in_service', 'planned', 'unstated')
    union all
    -- A job written down within a week of a check belongs to it.
    select r.wheel_end_id, r.unit_id, r.done_on as on_date, 'alone' as what, 1.0 as amount,
        0.0 as cost
    from stage.jobs r
    left join days d
        on d.unit_id = r.unit_id
        and d.inspected_on <= r.done_on
        and d.inspected_on >= r.done_on - 7
    where r.action = 'reline' and d.unit_id is null
),

checked as (
    select
        r.episode_id,
        min_by(r.stroke_ratio, r.inspected_on) as stroke_ratio
    from stage.stroke_readings r
    inner join stage.setting_episodes e on e.episode_id = r.episode_id
    where not r.as_left and r.stroke_ratio is not null and r.inspected_on > e.set_on
    group by r.episode_id
),

set_then as (
    select
        e.wheel_end_id,
        e.unit_id,
        e.set_on as on_date,
        case when c.stroke_ratio between p.band_low and p.band_high then 'set_right'
            else 'set_wrong' end as what,
        1.0 as amount,
        0.0 as cost
    from checked c
    inner join stage.setting_episodes e on e.episode_id = c.episode_id
    cross join run.parameters p
),

readings as (
    select
        life_id,
        inspected_on,
        lag(lining_mm) over life - lining_mm as mm,
        km_since_reline - lag(km_since_reline) over life as km
    from stage.lining_readings
    where lining_mm is not null
    window life as (partition by life_id order by inspected_on, as_left)
),

worn as (
    select l.wheel_end_id, l.unit_id, r.inspected_on as on_date, r.mm, r.km
    from readings r
    inner join stage.lining_lives l on l.life_id = r.life_id
    where r.km > 0
),

of_wheel_ends as (
    select wheel_end_id, unit_id, on_date, what, amount, cost from done
    union all
    select wheel_end_id, unit_id, on_date, what, amount, cost from set_then
    union all
    select wheel_end_id, unit_id, on_date, 'worn_mm' as what, mm as amount, 0.0 as cost from worn
    union all
    select wheel_end_id, unit_id, on_date, 'worn_km' as what, km as amount, 0.0 as cost from worn
),

everything as (
    select * from run
    union all
    select o.unit_id, w.axle_type, d.duty, o.on_date, o.what, o.amount, o.cost
    from of_wheel_ends o
    inner join judge.wheel_ends w on w.wheel_end_id = o.wheel_end_id
    inner join firsts f on f.unit_id = o.unit_id and f.first_on <= o.on_date
    inner join stage.duty_spells d
        on d.unit_id = o.unit_id and d.from_on <= o.on_date and o.on_date < d.until_on
),

final as (
    select
        v.unit_id,
        v.axle_type,
        v.duty,
        cast(date_trunc('month', v.on_date) as date) as month,
        min(e.depot) as depot,
        min(e.wheel_ends) as wheel_ends,
        cast(sum(cast(case when v.what = 'run' then v.amount else 0 end as decimal(38, 9))) as double)
            as wheel_end_km,
        cast(sum(cast(case when v.what = 'reline' then v.amount else 0 end as decimal(38, 9))) as double)
            as relines,
        cast(sum(cast(case when v.what = 'alone' then v.amount else 0 end as decimal(38, 9))) as double)
            as relines_alone,
        cast(sum(cast(case when v.what = 'drum_replaced' then v.amount else 0 end as decimal(38, 9))) as double)
            as drums,
        cast(sum(cast(case when v.what = 'adjuster_replaced' then v.amount else 0 end as decimal(38, 9))) as double)
            as adjusters,
        cast(sum(cast(case when v.what = 'failure' then v.amount else 0 end as decimal(38, 9))) as double)
            as failures,
        cast(sum(cast(case when v.what = 'other' then v.amount else 0 end as decimal(38, 9))) as double)
            as others,
        cast(sum(cast(case when v.what = 'set_right' then v.amount else 0 end as decimal(38, 9))) as double)
            as set_right,
        cast(sum(cast(case when v.what = 'set_wrong' then v.amount else 0 end as decimal(38, 9))) as double)
            as set_wrong,
        cast(sum(cast(case when v.what = 'worn_mm' then v.amount else 0 end as decimal(38, 9))) as double)
            as worn_mm,
        cast(sum(cast(case when v.what = 'worn_km' then v.amount else 0 end as decimal(38, 9))) as double)
            as worn_km,
        cast(sum(cast(case when v.what = 'reline' then coalesce(v.cost, 0) else 0 end as decimal(38, 9))) as double)
            as reline_cost,
        cast(sum(case when v.what = 'reline' and v.cost is null then 1 else 0 end) as double)
            as reline_unpriced,
        cast(sum(cast(case when v.what = 'drum_replaced' then coalesce(v.cost, 0) else 0 end as decimal(38, 9))) as double)
            as drum_cost,
        cast(sum(case when v.what = 'drum_replaced' and v.cost is null then 1 else 0 end) as double)
            as drum_unpriced,
        cast(sum(cast(case when v.what = 'adjuster_replaced' then coalesce(v.cost, 0) else 0 end as decimal(38, 9))) as double)
            as adjuster_cost,
        cast(sum(case when v.what = 'adjuster_replaced' and v.cost is null then 1 else 0 end) as double)
            as adjuster_unpriced,
        cast(sum(cast(case when v.what = 'other' then coalesce(v.cost, 0) else 0 end as decimal(38, 9))) as double)
            as other_cost,
        cast(sum(case when v.what = 'other' and v.cost is null then 1 else 0 end) as double)
            as other_unpriced
    from everything v
    inner join ends e on e.unit_id = v.unit_id and e.axle_type = v.axle_type
    group by v.unit_id, v.axle_type, v.duty, date_trunc('month', v.on_date)
)

select * from final
