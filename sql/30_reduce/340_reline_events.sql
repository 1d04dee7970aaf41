-- grain: axle type × depot × kind of reline × days after the visit that decided it
-- key: axle_type, depot, recorded, lag_days, reason, with_partner, above_mm
-- inputs: reduce.reline_decisions, stage.jobs
-- meaning: relines of wheel ends, counted. lag_days is null where nobody wrote the job down;
--          with_partner is null where the axle's other end was not seen; drums counts relines with
--          a drum replaced within a week, cost and costed what the job's cost said and how often
with relined as (
    select * from reduce.reline_decisions where relined
),

partners as (
    select
        r.wheel_end_id,
        r.visit_on,
        max(case when p.relined then 1 else 0 end) as partner_relined
    from relined r
    inner join reduce.reline_decisions p
        on p.axle_id = r.axle_id
        and p.visit_on = r.visit_on
        and p.wheel_end_id <> r.wheel_end_id
    group by r.wheel_end_id, r.visit_on
),

drums as (
    select distinct r.wheel_end_id, r.visit_on
    from relined r
    inner join stage.jobs j
        on j.wheel_end_id = r.wheel_end_id
        and j.action = 'drum_replaced'
        and j.done_on >= date_add(r.done_on, interval (-7) day)
        and j.done_on <= date_add(r.done_on, interval 7 day)
),

final as (
    select
        r.axle_type,
        r.depot,
        r.lag_days is not null as recorded,
        r.lag_days,
        j.reason,
        p.partner_relined = 1 as with_partner,
        round(r.above_mm * 4) / 4 as above_mm,
        count(*) as relines,
        count(d.wheel_end_id) as drums,
        cast(sum(cast(j.cost as decimal(38, 9))) as double) as cost,
        count(j.cost) as costed
    from relined r
    left join partners p on p.wheel_end_id = r.wheel_end_id and p.visit_on = r.visit_on
    left join drums d on d.wheel_end_id = r.wheel_end_id and d.visit_on = r.visit_on
    left join stage.jobs j
        on j.wheel_end_id = r.wheel_end_id and j.action = 'reline' and j.done_on = r.done_on
    group by
        r.axle_type, r.depot, r.lag_days is not null, r.lag_days, j.reason,
        p.partner_relined = 1, round(r.above_mm * 4) / 4
)

select * from final
