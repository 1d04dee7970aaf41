-- grain: one reline of a wheel end
-- key: wheel_end_id, relined_on
-- inputs: stage.jobs, stage.relines_held, reduce.reline_decisions, judge.wheel_ends
-- meaning: the day it was written down for, or where nobody did, the check visit after which the
--          lining was new: what forecasts of relines are held against; jobs that readings contradict
--          are left out
with written as (
    select j.wheel_end_id, j.done_on as relined_on, true as recorded
    from stage.jobs j
    left join stage.relines_held h
        on h.wheel_end_id = j.wheel_end_id and h.done_on = j.done_on and h.doubted
    where j.action = 'reline' and h.wheel_end_id is null
),

shown as (
    select wheel_end_id, visit_on as relined_on, false as recorded
    from reduce.reline_decisions
    where relined and done_on is null
),

all_relines as (
    select * from written
    union all
    select * from shown
),

final as (
    select b.wheel_end_id, e.unit_id, e.axle_type, e.depot, b.relined_on, b.recorded
    from all_relines b
    inner join judge.wheel_ends e on e.wheel_end_id = b.wheel_end_id
)

select * from final
