-- grain: one lining life with thickness read by gauge and by wear pointer at the same inspections
-- key: life_id
-- inputs: stage.lining_readings
-- meaning: count, mean and centred sum of squares of pointer minus gauge; the gap follows thickness
--          too if the pointer's scale is off, so its product with the gauge's thickness is kept
with pairs as (
    select life_id, lining_mm as gauge_mm, pointer_lining_mm - lining_mm as gap_mm
    from stage.lining_readings
    where lining_mm is not null and pointer_lining_mm is not null and pointer_deg < 90
),

means as (
    select
        life_id,
        count(*) as pairs,
        cast(sum(cast(gap_mm as decimal(38, 9))) as double) / count(*) as mean_gap_mm,
        cast(sum(cast(gauge_mm as decimal(38, 9))) as double) / count(*) as mean_gauge_mm
    from pairs
    group by life_id
),

centred as (
    select
        p.life_id,
        m.pairs,
        m.mean_gap_mm,
        m.mean_gauge_mm,
        p.gap_mm - m.mean_gap_mm as gap,
        p.gauge_mm - m.mean_gauge_mm as gauge
    from pairs p
    inner join means m on m.life_id = p.life_id
),

final as (
    select
        life_id,
        min(pairs) as pairs,
        min(mean_gap_mm) as mean_gap_mm,
        min(mean_gauge_mm) as mean_gauge_mm,
        cast(sum(cast(gap * gap as decimal(38, 9))) as double) as s_gap_gap,
        cast(sum(cast(gap * gauge as decimal(38, 9))) as double) as s_gap_gauge,
        cast(sum(cast(gauge * gauge as decimal(38, 9))) as double) as s_gauge_gauge
    from centred
    group by life_id
)

select * from final
