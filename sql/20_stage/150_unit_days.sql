-- grain: one day of a unit on which something happened or changed
-- key: unit_id, on_date
-- inputs: stage.unit_sightings, stage.duty_spells, judge.wheel_ends, judge.work_rows,
--         judge.odometer_verdicts, fate.work
-- meaning: accumulated km on that day: seen, or on the line between the days it was seen
--          (before the first and after the last, the km of that day), and the duty from then on
with spans as (
    select unit_id, min(on_date) as first_on, max(on_date) as last_on
    from stage.unit_sightings
    group by unit_id
),

wanted as (
    select unit_id, on_date from stage.unit_sightings
    union
    select d.unit_id, d.from_on as on_date
    from stage.duty_spells d
    inner join spans s on s.unit_id = d.unit_id
    where d.from_on > s.first_on and d.from_on <= s.last_on
    union
    select w.unit_id, w.relined_on as on_date
    from judge.wheel_ends w
    inner join spans s on s.unit_id = w.unit_id
    where w.relined_on >= s.first_on and w.relined_on <= s.last_on
    union
    select w.unit_id, w.adjuster_fitted_on as on_date
    from judge.wheel_ends w
    inner join spans s on s.unit_id = w.unit_id
    where w.adjuster_fitted_on >= s.first_on and w.adjuster_fitted_on <= s.last_on
    union
    select w.unit_id, w.in_service_on as on_date
    from judge.wheel_ends w
    inner join spans s on s.unit_id = w.unit_id
    where w.in_service_on >= s.first_on and w.in_service_on <= s.last_on
    union
    -- A job keeps its day where its odometer cannot be.
    select w.unit_id, w.done_on as on_date
    from judge.work_rows w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
    inner join spans s on s.unit_id = w.unit_id
    left join fate.work f on f.content_id = w.content_id and f.row_no = w.row_no
    where v.reason is not null and f.row_no is null
),

placed as (
    select
        w.unit_id,
        w.on_date,
        s.km,
        last_value(s.km ignore nulls) over up_to_now as km_before,
        last_value(case when s.km is not null then w.on_date end ignore nulls) over up_to_now
            as on_before,
        first_value(s.km ignore nulls) over from_now as km_after,
        first_value(case when s.km is not null then w.on_date end ignore nulls) over from_now
            as on_after
    from wanted w
    left join stage.unit_sightings s on s.unit_id = w.unit_id and s.on_date = w.on_date
    window
        up_to_now as (
            partition by w.unit_id order by w.on_date
            rows between unbounded preceding and current row
        ),
        from_now as (
            partition by w.unit_id order by w.on_date
            rows between current row and unbounded following
        )
),

final as (
    select
        p.unit_id,
        p.on_date,
        case
            when p.km is not null then p.km
            when p.km_before is null or p.km_after is null
                then coalesce(p.km_before, p.km_after)
            else p.km_before + (p.km_after - p.km_before)
                * date_diff('day', p.on_before, p.on_date) / date_diff('day', p.on_before, p.on_after)
        end as km,
        d.duty
    from placed p
    inner join stage.duty_spells d
        on d.unit_id = p.unit_id and d.from_on <= p.on_date and p.on_date < d.until_on
)

select * from final
