-- grain: one wheel end of the register
-- key: wheel_end_id
-- inputs: judge.register_rows, run.axle_types, run.chambers, run.parameters
-- meaning: what the wheel end is; lengths in mm, limits from the register, else its axle type's, else the default; what
--          the register dates after the as-of day was not known then; derived: listed by no register
with merged as (
    select
        wheel_end_key,
        min(unit_id) as unit_id,
        min(axle_no) as axle_no,
        min(side) as side,
        min(axle_type) as axle_type,
        min(arm_length_mm) as arm_length_mm,
        min(depot) as depot,
        min(chamber_size) as chamber_size,
        min(lining_new_mm) as lining_new_mm,
        min(lining_min_mm) as lining_min_mm,
        min(relined_on) as relined_on,
        min(relined_km) as relined_km,
        min(in_service_on) as in_service_on,
        min(in_service_km) as in_service_km,
        min(adjuster_fitted_on) as adjuster_fitted_on,
        min(adjuster_fitted_km) as adjuster_fitted_km,
        bool_and(is_derived) as is_derived
    from judge.register_rows
    where not contradicts
    group by wheel_end_key
),

final as (
    select
        m.unit_id || '/' || cast(m.axle_no as varchar) || m.side as wheel_end_id,
        m.wheel_end_key,
        m.unit_id,
        m.unit_id || '/' || cast(m.axle_no as varchar) as axle_id,
        m.axle_no,
        m.side,
        m.axle_type,
        m.arm_length_mm,
        m.depot,
        m.chamber_size,
        coalesce(m.lining_new_mm, t.lining_new_mm, p.lining_new_mm) as lining_new_mm,
        coalesce(m.lining_min_mm, t.lining_min_mm, p.lining_min_mm) as lining_min_mm,
        coalesce(m.lining_min_mm, t.lining_min_mm) is null as minimum_by_default,
        coalesce(t.cam_degrees, p.cam_degrees) as cam_degrees,
        c.readjust_limit_mm,
        case when m.relined_on <= p.as_of then m.relined_on end as relined_on,
        case when m.relined_on > p.as_of then null else m.relined_km end as relined_km,
        case when m.in_service_on <= p.as_of then m.in_service_on end as in_service_on,
        case when m.in_service_on > p.as_of then null else m.in_service_km end as in_service_km,
        case when m.adjuster_fitted_on <= p.as_of then m.adjuster_fitted_on end
            as adjuster_fitted_on,
        case when m.adjuster_fitted_on > p.as_of then null else m.adjuster_fitted_km end
            as adjuster_fitted_km,
        m.is_derived
    from merged m
    cross join run.parameters p
    left join run.axle_types t on t.axle_type = m.axle_type
    left join run.chambers c on c.chamber_size = m.chamber_size
)

select * from final
