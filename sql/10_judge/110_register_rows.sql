-- grain: one row of the register that is readable by itself
-- key: content_id, row_no
-- inputs: raw.register, raw.contents
-- meaning: its wheel end, how often that wheel end was listed, and whether the listings agree
with keyed as (
    select
        r.*,
        upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side as wheel_end_key,
        c.rank_no
    from raw.register r
    inner join raw.contents c on c.content_id = r.content_id
    where r.problem is null
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
    from keyed
    group by wheel_end_key
),

final as (
    select
        k.*,
        a.contradicts,
        case
            when a.axle_types_differ then 'axle_type ' || a.axle_types
            when a.arms_differ then 'arm_length_mm ' || a.arms
            when a.depots_differ then 'depot ' || a.depots
            else 'the rest of the row'
        end as differs_in,
        -- Rows that only differ in what they leave empty complete each other; an exact copy repeats.
        row_number() over (
            partition by
                k.wheel_end_key, k.axle_type, k.arm_length_mm, k.depot, k.chamber_size,
                k.lining_new_mm, k.lining_min_mm, k.relined_on, k.relined_km,
                k.in_service_on, k.in_service_km, k.adjuster_fitted_on, k.adjuster_fitted_km
            order by k.rank_no, k.row_no
        ) as copy_no
    from keyed k
    inner join agreement a on a.wheel_end_key = k.wheel_end_key
)

select * from final
