-- grain: one duty of a unit on one of its days
-- key: unit_id, on_date, duty
-- inputs: stage.unit_days
-- meaning: km run in that duty up to that day, since the unit's first known day
with steps as (
    select
        unit_id,
        on_date,
        lag(duty) over days as duty,
        km - lag(km) over days as km
    from stage.unit_days
    window days as (partition by unit_id order by on_date)
),

duties as (
    select distinct unit_id, duty from stage.unit_days
),

final as (
    select
        s.unit_id,
        s.on_date,
        d.duty,
        -- Over decimals, so that no km run adds nothing to the last digit.
        cast(
            sum(cast(case when s.duty = d.duty then s.km else 0 end as decimal(38, 9))) over (
                partition by s.unit_id, d.duty order by s.on_date
                rows between unbounded preceding and current row
            ) as double
        ) as km
    from steps s
    inner join duties d on d.unit_id = s.unit_id
)

select * from final
