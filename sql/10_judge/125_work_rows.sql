-- grain: one work row that is readable, of a known wheel end, dated no later than the as-of day
-- key: content_id, row_no
-- inputs: raw.work, raw.contents, judge.wheel_ends, run.parameters
-- meaning: which copy of the same job it is, and whether rows of the same job contradict it;
--          costs: what they say of its cost, where they differ in that alone (parts and labour)
with candidates as (
    select
        r.content_id,
        r.row_no,
        c.rank_no,
        c.age_no,
        c.last_on,
        w.wheel_end_id,
        w.unit_id,
        r.done_on,
        r.odometer_km,
        r.action,
        r.reason,
        r.cost,
        nullif(trim(r.part), '') as part
    from raw.work r
    inner join raw.contents c on c.content_id = r.content_id
    inner join judge.wheel_ends w
        on w.wheel_end_key = upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side
    cross join run.parameters p
    where r.problem is null
        and r.done_on <= p.as_of
),

shared as (
    -- Only days with more than one row of a job can repeat or contradict; most have one.
    select wheel_end_id, done_on, action
    from candidates
    group by wheel_end_id, done_on, action
    having count(*) > 1
),

doubtful as (
    select c.*
    from candidates c
    inner join shared s
        on s.wheel_end_id = c.wheel_end_id and s.done_on = c.done_on and s.action = c.action
),

newest as (
    -- What the newest of the files that tell of a job says of it.
    select
        d.wheel_end_id,
        d.done_on,
        d.action,
        max(d.age_no) as age_no,
        max(d.last_on) as last_on,
        max(d.odometer_km) as odometer_km,
        max(d.reason) as reason,
        max(d.cost) as cost
    from doubtful d
    inner join (
        select wheel_end_id, done_on, action, max(age_no) as age_no
        from doubtful
        group by wheel_end_id, done_on, action
    ) a
        on a.wheel_end_id = d.wheel_end_id
        and a.done_on = d.done_on
        and a.action = d.action
        and a.age_no = d.age_no
    group by d.wheel_end_id, d.done_on, d.action
),

compared as (
    select
        d.*,
        case
            when d.odometer_km <> n.odometer_km
                then 'odometer_km ' || cast(round(d.odometer_km, 2) as varchar) || ', and '
                    || cast(round(n.odometer_km, 2) as varchar)
            when d.reason <> n.reason then 'reason ' || d.reason || ', and ' || n.reason
            when d.cost <> n.cost
                then 'cost ' || cast(round(d.cost, 2) as varchar) || ', and '
                    || cast(round(n.cost, 2) as varchar)
        end || ' in a newer file, with records to ' || cast(n.last_on as varchar) as corrected
    from doubtful d
    left join newest n
        on n.wheel_end_id = d.wheel_end_id
        and n.done_on = d.done_on
        and n.action = d.action
        and n.age_no > d.age_no
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
            when count(distinct part) > 1
                then 'part ' || min(part) || ' and ' || max(part)
        end as differs_in,
        case
            when count(distinct cost) > 1
                then cast(round(min(cost), 2) as varchar) || ' and '
                    || cast(round(max(cost), 2) as varchar)
        end as costs
    from compared
    where corrected is null
    group by wheel_end_id, done_on, action
),

copies as (
    select
        d.content_id,
        d.row_no,
        d.corrected,
        case when d.corrected is null then a.differs_in end as differs_in,
        case when d.corrected is null and a.differs_in is null then a.costs end as costs,
        row_number() over (
            partition by
                d.wheel_end_id, d.done_on, d.action, d.odometer_km, d.reason, d.cost,
                d.part
            order by d.rank_no, d.row_no
        ) as copy_no
    from compared d
    left join agreement a
        on a.wheel_end_id = d.wheel_end_id and a.done_on = d.done_on and a.action = d.action
),

final as (
    select c.*, d.corrected, d.differs_in, d.costs, coalesce(d.copy_no, 1) as copy_no
    from candidates c
    left join copies d on d.content_id = c.content_id and d.row_no = c.row_no
)

select * from final
