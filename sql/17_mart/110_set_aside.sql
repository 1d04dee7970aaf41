-- grain: one row that is set aside
-- key: path, row_no
-- inputs: fate.inspections, fate.work, fate.register, fate.duty, raw.inspections, raw.work,
--         raw.register, raw.duty, raw.files
-- meaning: where it stands, why, and its cells; row 1 is the heading
with fates as (
    select 'inspections' as table_name, * from fate.inspections where fate = 'set_aside'
    union all
    select 'work' as table_name, * from fate.work where fate = 'set_aside'
    union all
    select 'register' as table_name, * from fate.register where fate = 'set_aside'
    union all
    select 'duty' as table_name, * from fate.duty where fate = 'set_aside'
),

places as (
    select content_id, min(path) as path
    from raw.files
    where content_id is not null
    group by content_id
),

cells as (
    select
        content_id,
        row_no,
        'inspections' as table_name,
        coalesce(
            raw,
            concat_ws(
                ' | ', 'unit_id=' || unit_id, 'axle_no=' || axle_no, 'side=' || side,
                'inspected_on=' || inspected_on, 'odometer_km=' || odometer_km,
                'lining_mm=' || lining_mm, 'wear_indicator_deg=' || wear_indicator_deg,
                'free_stroke_mm=' || free_stroke_mm, 'applied_stroke_mm=' || applied_stroke_mm,
                'marks_aligned=' || marks_aligned, 'return_test=' || return_test,
                'cap_state=' || cap_state, 'fault=' || fault, 'as_left=' || as_left
            )
        ) as raw
    from raw.inspections
    union all
    select
        content_id,
        row_no,
        'work' as table_name,
        coalesce(
            raw,
            concat_ws(
                ' | ', 'unit_id=' || unit_id, 'axle_no=' || axle_no, 'side=' || side,
                'done_on=' || done_on, 'odometer_km=' || odometer_km, 'action=' || action,
                'reason=' || reason, 'cost=' || cost
            )
        ) as raw
    from raw.work
    union all
    select
        content_id,
        row_no,
        'register' as table_name,
        coalesce(
            raw,
            concat_ws(
                ' | ', 'unit_id=' || unit_id, 'axle_no=' || axle_no, 'side=' || side,
                'axle_type=' || axle_type, 'arm_length_mm=' || arm_length_mm, 'depot=' || depot
            )
        ) as raw
    from raw.register
    union all
    select
        content_id,
        row_no,
        'duty' as table_name,
        coalesce(
            raw,
            concat_ws(
                ' | ', 'unit_id=' || unit_id, 'duty=' || duty, 'from_on=' || from_on,
                'to_on=' || to_on
            )
        ) as raw
    from raw.duty
),

final as (
    select
        p.path,
        f.row_no,
        f.table_name,
        f.problem_kind as reason_kind,
        f.problem as reason,
        c.raw
    from fates f
    inner join places p on p.content_id = f.content_id
    inner join cells c
        on c.table_name = f.table_name and c.content_id = f.content_id and c.row_no = f.row_no
)

select * from final
order by path, row_no
