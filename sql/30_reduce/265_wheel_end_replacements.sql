-- grain: one replacement of an adjuster while its wheel end was watched
-- key: wheel_end_id, km
-- inputs: reduce.wheel_end_watches, stage.jobs
-- meaning: the unit's accumulated km then, and the duty it ran in
with final as (
    select w.wheel_end_id, w.duty, w.from_km, j.km
    from reduce.wheel_end_watches w
    inner join stage.jobs j on j.wheel_end_id = w.wheel_end_id
    where j.action = 'adjuster_replaced' and j.km > w.from_km and j.km <= w.to_km
    group by w.wheel_end_id, w.duty, w.from_km, j.km
)

select * from final
