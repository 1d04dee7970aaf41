-- grain: one lining life of a wheel end: from one reline to the next
-- key: life_id
-- inputs: stage.relines, stage.inspections, stage.jobs, judge.wheel_ends
-- meaning: where it starts and ends (accumulated km of the unit); start_known is false where the
--          km of its start is not on record, and then start_km is null; part is what was fitted
with before_any as (
    -- Readings older than the first reline belong to a life whose start nobody recorded.
    select i.wheel_end_id, min(i.inspected_on) as first_on
    from stage.inspections i
    group by i.wheel_end_id
),

first_relines as (
    select wheel_end_id, min(on_date) as on_date, min_by(slot, on_date) as slot
    from stage.relines
    group by wheel_end_id
),

starts as (
    select wheel_end_id, on_date, slot, source, km from stage.relines
    union all
    select
        b.wheel_end_id, cast(null as date) as on_date, -2 as slot, 'before_records' as source,
        cast(null as double) as km
    from before_any b
    left join first_relines f on f.wheel_end_id = b.wheel_end_id
    where f.on_date is null
        or b.first_on < f.on_date
        or (b.first_on = f.on_date and f.slot = 1)
),

numbered as (
    select
        *,
        row_number() over lives as life_no,
        lead(on_date) over lives as ended_on,
        lead(slot) over lives as end_slot,
        lead(km) over lives as end_km,
        lead(source) over lives as end_source
    from starts
    window lives as (partition by wheel_end_id order by on_date nulls first, slot)
),

final as (
    select
        n.wheel_end_id || '#' || cast(n.life_no as varchar) as life_id,
        n.wheel_end_id,
        w.unit_id,
        w.axle_id,
        w.axle_type,
        w.depot,
        n.life_no,
        n.source <> 'inferred' and n.source <> 'before_records' and n.km is not null as start_known,
        n.source as start_source,
        n.on_date as started_on,
        n.slot as start_slot,
        case when n.source <> 'inferred' then n.km end as start_km,
        n.ended_on,
        n.end_slot,
        n.end_km,
        n.end_source,
        j.part
    from numbered n
    inner join judge.wheel_ends w on w.wheel_end_id = n.wheel_end_id
    left join stage.jobs j
        on j.wheel_end_id = n.wheel_end_id and j.done_on = n.on_date and j.action = 'reline'
)

select * from final
