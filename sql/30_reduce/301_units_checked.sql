-- grain: one unit with four intervals between check visits or more
-- key: unit_id
-- inputs: reduce.check_visits
-- meaning: every_days: the median of days from one of its check visits to the next, pauses among them
with intervals as (
    select unit_id, date_diff('day', visit_on, next_visit_on) as days
    from reduce.check_visits
    where next_visit_on is not null
),

final as (
    select unit_id, cast(round(median(days)) as integer) as every_days
    from intervals
    group by unit_id
    having count(*) >= 4
)

select * from final
