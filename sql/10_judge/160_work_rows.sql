-- grain: one work row that is readable, of a known wheel end, dated no later than the as-of day
-- key: content_id, row_no
-- inputs: raw.work, raw.contents, judge.wheel_ends, run.parameters
-- meaning: which copy of the same job it is, and whether rows of the same job contradict it
with candidates as (
    select
        r.content_id,
        r.row_no,
        c.rank_no,
        w.wheel_end_id,
        w.unit_id,
        r.done_on,
        r.odometer_km,
        r.action,
        r.reason,
        r.cost
    from raw.work r
    inner join raw.contents c on c.content_id = r.content_id
    inner join judge.wheel_ends w
        on w.wheel_end_key = upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side
    cross join run.parameters p
    where r.problem is null
        and r.done_on <= p.as_of
),

agreement as (
    select
        wheel_end_id,
        done_on,
        action,
        case
            when count(distinct odometer_km) > 1
                then 'odometer_km ' || cast(round(min(odometer_km), 2) as varchar) || ' and '
                    || cast(round(max(odometer_km), 2) as varchar)
            when count(distinct reason) > 1
                then 'reason ' || min(reason) || ' and ' || max(reason)
            when count(distinct cost) > 1
                then 'cost ' || cast(round(min(cost), 2) as varchar) || ' and ' || cast(round(max(cost), 2) as varchar)
        end as differs_in
    from candidates
    group by wheel_end_id, done_on, action
),

final as (
    select
        c.*,
        a.differs_in,
        row_number() over (
            partition by
                c.wheel_end_id, c.done_on, c.action, c.odometer_km, c.reason, c.cost
            order by c.rank_no, c.row_no
        ) as copy_no
    from candidates c
    inner join agreement a
        on a.wheel_end_id = c.wheel_end_id and a.done_on = c.done_on and a.action = c.action
)

select * from final
