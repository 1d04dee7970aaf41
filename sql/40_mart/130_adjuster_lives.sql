-- grain: one adjuster
-- key: adjuster_id
-- inputs: stage.adjuster_lives
-- meaning: its age in km at entry, when last known good, and when first known failed (null: still
--          good); cause is a failure cause, or how watching it ended
with final as (
    select
        adjuster_id,
        wheel_end_id,
        unit_id,
        axle_type,
        duty,
        depot,
        age_known,
        entry_km,
        left_km,
        right_km,
        entry_weeks,
        left_weeks,
        right_weeks,
        cause
    from stage.adjuster_lives
)

select * from final
