-- grain: one row that is set aside
-- key: path, row_no
-- inputs: fate.inspections, fate.work, fate.register, fate.duty, raw.inspections, raw.work,
--         raw.register, raw.duty, raw.files, raw.contents
-- meaning: where it stands, why, and its cells; row 1 is the heading; how many of the wheel ends that
--          it is of (parts of parts_read) are set aside: the others were used
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
        f.*,
        coalesce(
            r.raw,
            concat_ws(
                ' | ', 'unit_id=' || r.unit_id, 'axle_no=' || r.axle_no, 'side=' || r.side,
                'inspected_on=' || r.inspected_on, 'odometer_km=' || r.odometer_km,
                'lining_mm=' || r.lining_mm, 'wear_indicator_deg=' || r.wear_indicator_deg,
                'free_stroke_mm=' || r.free_stroke_mm, 'applied_stroke_mm=' || r.applied_stroke_mm,
                'marks_aligned=' || r.marks_aligned, 'return_test=' || r.return_test,
                'cap_state=' || r.cap_state, 'fault=' || r.fault, 'as_left=' || r.as_left
            )
        ) as raw
    from raw.inspections r
    inner join fates f
        on f.table_name = 'inspections' and f.content_id = r.content_id and f.row_no = r.row_no
    union all
    select
        f.*,
        coalesce(
            r.raw,
            concat_ws(
                ' | ', 'unit_id=' || r.unit_id, 'axle_no=' || r.axle_no, 'side=' || r.side,
                'done_on=' || r.done_on, 'odometer_km=' || r.odometer_km, 'action=' || r.action,
                'reason=' || r.reason, 'cost=' || r.cost
            )
        ) as raw
    from raw.work r
    inner join fates f
        on f.table_name = 'work' and f.content_id = r.content_id and f.row_no = r.row_no
    union all
    select
        f.*,
        coalesce(
            r.raw,
            concat_ws(
                ' | ', 'unit_id=' || r.unit_id, 'axle_no=' || r.axle_no, 'side=' || r.side,
                'axle_type=' || r.axle_type, 'arm_length_mm=' || r.arm_length_mm,
                'depot=' || r.depot
            )
        ) as raw
    from raw.register r
    inner join fates f
        on f.table_name = 'register' and f.content_id = r.content_id and f.row_no = r.row_no
    union all
    select
        f.*,
        coalesce(
            r.raw,
            concat_ws(
                ' | ', 'unit_id=' || r.unit_id, 'duty=' || r.duty, 'from_on=' || r.from_on,
                'to_on=' || r.to_on
            )
        ) as raw
    from raw.duty r
    inner join fates f
        on f.table_name = 'duty' and f.content_id = r.content_id and f.row_no = r.row_no
),

listed as (
    -- Rows of an own file may be of several wheel ends, its parts: row_parts numbers for each row.
    select
        c.content_id,
        c.table_name,
        cast(floor(c.row_no / n.row_parts) as bigint) as row_no,
        min_by(c.problem_kind, c.row_no) as reason_kind,
        string_agg(distinct c.problem, '; ' order by c.problem) as reason,
        min_by(c.raw, c.row_no) as raw,
        count(*) as parts
    from cells c
    inner join raw.contents n on n.content_id = c.content_id
    group by c.content_id, c.table_name, cast(floor(c.row_no / n.row_parts) as bigint)
),

read as (
    select content_id, row_no from raw.inspections
    union all
    select content_id, row_no from raw.work
    union all
    select content_id, row_no from raw.register
),

several as (
    select r.content_id, cast(floor(r.row_no / n.row_parts) as bigint) as row_no, count(*) as parts_read
    from read r
    inner join raw.contents n on n.content_id = r.content_id
    where n.row_parts > 1
    group by r.content_id, cast(floor(r.row_no / n.row_parts) as bigint)
),

final as (
    select
        p.path,
        l.row_no,
        l.table_name,
        l.reason_kind,
        l.reason,
        l.raw,
        l.parts,
        coalesce(s.parts_read, 1) as parts_read
    from listed l
    inner join places p on p.content_id = l.content_id
    left join several s on s.content_id = l.content_id and s.row_no = l.row_no
)

select * from final
order by path, row_no
