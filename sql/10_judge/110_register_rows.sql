-- grain: one row of the register that is readable by itself
-- key: content_id, row_no
-- inputs: raw.register, raw.contents
-- meaning: its wheel end, how often that wheel end was listed, and whether the listings agree
with keyed as (
    select
        r.*,
        upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side as wheel_end_key,
        c.rank_no,
        c.sha256 = 'derived' as is_derived
    from raw.register r
    inner join raw.contents c on c.content_id = r.content_id
    where r.problem is null
),

listed_again as (
    -- Only wheel ends with more than one row can contradict or repeat; most have one.
    select wheel_end_key from keyed group by wheel_end_key having count(*) > 1
),

doubtful as (
    select k.*
    from keyed k
    inner join listed_again l on l.wheel_end_key = k.wheel_end_key
),

agreement as (
    select
        wheel_end_key,
        count(distinct axle_type) > 1
        or count(distinct arm_length_mm) > 1
        or count(distinct depot) > 1
        or count(distinct chamber_size) > 1
        or count(distinct lining_new_mm) > 1
        or count(distinct lining_min_mm) > 1
        or count(distinct relined_on) > 1
        or count(distinct relined_km) > 1
        or count(distinct in_service_on) > 1
        or count(distinct in_service_km) > 1
        or count(distinct adjuster_fitted_on) > 1
        or count(distinct adjuster_fitted_km) > 1 as contradicts,
        min(axle_type) || ' / ' || max(axle_type) as axle_types,
        cast(min(arm_length_mm) as varchar) || ' / ' || cast(max(arm_length_mm) as varchar) as arms,
        min(depot) || ' / ' || max(depot) as depots,
        count(distinct axle_type) > 1 as axle_types_differ,
        count(distinct arm_length_mm) > 1 as arms_differ,
        count(distinct depot) > 1 as depots_differ
    from doubtful
    group by wheel_end_key
),

copies as (
    select
        content_id,
        row_no,
        -- Rows that only differ in what they leave empty complete each other; an exact copy repeats.
        row_number() over (
            partition by
                wheel_end_key, axle_type, arm_length_mm, depot, chamber_size, lining_new_mm,
                lining_min_mm, relined_on, relined_km, in_service_on, in_service_km,
                adjuster_fitted_on, adjuster_fitted_km
            order by rank_no, row_no
        ) as copy_no
    from doubtful
),

final as (
    select
        k.*,
        coalesce(a.contradicts, false) as contradicts,
        case
            when a.axle_types_differ then 'axle_type ' || a.axle_types
            when a.arms_differ then 'arm_length_mm ' || a.arms
            when a.depots_differ then 'depot ' || a.depots
            else 'the rest of the row'
        end as differs_in,
        coalesce(c.copy_no, 1) as copy_no
    from keyed k
    left join agreement a on a.wheel_end_key = k.wheel_end_key
    left join copies c on c.content_id = k.content_id and c.row_no = k.row_no
)

select * from final
