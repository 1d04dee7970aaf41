-- grain: one job of one kind on a wheel end
-- key: wheel_end_id, done_on, action
-- inputs: judge.work_rows, judge.inspection_candidates, judge.inspections_again,
--         judge.odometer_verdicts, fate.work, stage.booked_days, stage.unit_days
-- meaning: accepted jobs, with the unit's accumulated km (of its day, where its odometer cannot be);
--          one that was booked later was done at the check; no cost where its rows differ in that;
--          again_on: a reline or a new adjuster that stands again within two weeks, with no check
--          since, was done once, and this is the last of its days (null: it stands once)
with accepted as (
    select
        w.wheel_end_id,
        w.unit_id,
        coalesce(b.check_on, w.done_on) as done_on,
        w.action,
        coalesce(v.km, d.km) as km,
        w.reason,
        case when w.costs is null then w.cost end as cost,
        w.part
    from judge.work_rows w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
    left join fate.work f on f.content_id = w.content_id and f.row_no = w.row_no
    left join stage.booked_days b
        on b.unit_id = w.unit_id and b.on_date = w.done_on and b.odometer_km = w.odometer_km
    left join stage.unit_days d
        on d.unit_id = w.unit_id and d.on_date = coalesce(b.check_on, w.done_on)
    where f.row_no is null
),

-- On the fitter's sheet and on the invoice, or in two systems.
days as (
    select wheel_end_id, action, done_on, lag(done_on) over jobs as before_on
    from (
        select distinct wheel_end_id, action, done_on
        from accepted
        where action in ('reline', 'adjuster_replaced')
    ) d
    window jobs as (partition by wheel_end_id, action order by done_on)
),

checked as (
    select d.wheel_end_id, d.action, d.done_on
    from days d
    inner join judge.inspection_candidates i
        on i.wheel_end_id = d.wheel_end_id
        and i.inspected_on > d.before_on
        and i.inspected_on <= d.done_on
    left join judge.inspections_again r on r.content_id = i.content_id and r.row_no = i.row_no
    where date_diff('day', d.before_on, d.done_on) <= 14 and r.row_no is null
    group by d.wheel_end_id, d.action, d.done_on
),

counted as (
    select
        d.wheel_end_id,
        d.action,
        d.done_on,
        sum(
            case
                when d.before_on is null
                    or date_diff('day', d.before_on, d.done_on) > 14
                    or c.done_on is not null
                    then 1
                else 0
            end
        ) over (partition by d.wheel_end_id, d.action order by d.done_on) as job_no
    from days d
    left join checked c
        on c.wheel_end_id = d.wheel_end_id and c.action = d.action and c.done_on = d.done_on
),

once as (
    select
        wheel_end_id,
        action,
        done_on,
        min(done_on) over (partition by wheel_end_id, action, job_no) as first_on
    from counted
),

final as (
    select
        a.wheel_end_id,
        min(a.unit_id) as unit_id,
        coalesce(o.first_on, a.done_on) as done_on,
        a.action,
        min(a.km) as km,
        coalesce(
            min(case when a.done_on = coalesce(o.first_on, a.done_on) then a.reason end), min(a.reason)
        ) as reason,
        max(a.cost) as cost,
        min(a.part) as part,
        max(case when a.done_on > o.first_on then a.done_on end) as again_on
    from accepted a
    left join once o
        on o.wheel_end_id = a.wheel_end_id and o.action = a.action and o.done_on = a.done_on
    group by a.wheel_end_id, coalesce(o.first_on, a.done_on), a.action
)

select * from final
