-- grain: one lining or wear pointer reading
-- key: life_id, inspected_on, as_left
-- inputs: stage.inspections, stage.lining_lives, judge.wheel_ends
-- meaning: the reading within its life; km_since_reline counts from the life's origin: its start
--          where that is known, else its first reading; the duty is the day's
with lives as (
    select
        l.*,
        w.lining_new_mm,
        w.lining_new_mm - w.lining_min_mm as wearing_mm
    from stage.lining_lives l
    inner join judge.wheel_ends w on w.wheel_end_id = l.wheel_end_id
),

placed as (
    select
        l.life_id,
        i.duty,
        i.inspected_on,
        i.as_left,
        i.km,
        l.start_known,
        l.started_on,
        l.start_km,
        i.lining_mm,
        i.wear_indicator_deg as pointer_deg,
        l.lining_new_mm - l.wearing_mm * i.wear_indicator_deg / 90 as pointer_lining_mm
    from stage.inspections i
    inner join lives l
        on l.wheel_end_id = i.wheel_end_id
        and (
            l.started_on is null
            or i.inspected_on > l.started_on
            or (
                i.inspected_on = l.started_on
                and case when i.as_left then 2 else 0 end > l.start_slot
            )
        )
        and (
            l.ended_on is null
            or i.inspected_on < l.ended_on
            or (
                i.inspected_on = l.ended_on
                and case when i.as_left then 2 else 0 end < l.end_slot
            )
        )
    where i.lining_mm is not null or i.wear_indicator_deg is not null
),

first_readings as (
    select life_id, min(inspected_on) as first_on, min(km) as first_km
    from placed
    where not start_known
    group by life_id
),

final as (
    select
        p.life_id,
        p.duty,
        p.inspected_on,
        p.as_left,
        p.km,
        greatest(p.km - case when p.start_known then p.start_km else o.first_km end, 0)
            as km_since_reline,
        case when p.start_known then p.started_on else o.first_on end as origin_on,
        p.lining_mm,
        p.pointer_deg,
        p.pointer_lining_mm
    from placed p
    left join first_readings o on o.life_id = p.life_id
)

select * from final
