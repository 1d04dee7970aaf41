-- grain: one stroke reading
-- key: episode_id, inspected_on, as_left
-- inputs: stage.stroke_readings, stage.lining_lives
-- meaning: the lining life in place at the reading
with final as (
    select r.episode_id, r.inspected_on, r.as_left, l.life_id
    from stage.stroke_readings r
    inner join stage.lining_lives l
        on l.wheel_end_id = r.wheel_end_id
        and (
            l.started_on is null
            or r.inspected_on > l.started_on
            or (
                r.inspected_on = l.started_on
                and case when r.as_left then 2 else 0 end > l.start_slot
            )
        )
        and (
            l.ended_on is null
            or r.inspected_on < l.ended_on
            or (
                r.inspected_on = l.ended_on and case when r.as_left then 2 else 0 end < l.end_slot
            )
        )
    where r.stroke_ratio is not null
)

select * from final
