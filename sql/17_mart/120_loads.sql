-- grain: one file of the lake
-- key: path
-- inputs: raw.files, raw.contents, raw.inspections, raw.work, raw.register, fate.inspections,
--         fate.work, fate.register, fate.duty
-- meaning: what became of its rows; accepted + repeated + set_aside = rows_read; a file whose
--          content another file already brought is all repeated; a row of several wheel ends counts
--          once, and as accepted where one of them was used; its parts_… count the wheel ends
with fates as (
    select 'inspections' as table_name, content_id, row_no, fate from fate.inspections
    union all
    select 'work' as table_name, content_id, row_no, fate from fate.work
    union all
    select 'register' as table_name, content_id, row_no, fate from fate.register
    union all
    select 'duty' as table_name, content_id, row_no, fate from fate.duty
),

read as (
    -- Rows of an own file may be of several wheel ends, its parts: row_parts numbers for each row.
    select 'inspections' as table_name, content_id, row_no from raw.inspections
    union all
    select 'work' as table_name, content_id, row_no from raw.work
    union all
    select 'register' as table_name, content_id, row_no from raw.register
),

several as (
    select
        c.content_id,
        cast(floor(r.row_no / c.row_parts) as bigint) as row_no,
        count(*) as parts,
        count(f.fate) as fated,
        count(*) filter (where f.fate = 'set_aside') as set_aside
    from raw.contents c
    inner join read r on r.content_id = c.content_id
    left join fates f
        on f.table_name = r.table_name and f.content_id = r.content_id and f.row_no = r.row_no
    where c.row_parts > 1
    group by c.content_id, cast(floor(r.row_no / c.row_parts) as bigint)
),

-- A row is set aside or repeated where all its parts are one or the other.
rows_of as (
    select
        content_id,
        count(*) filter (where fated = parts and set_aside = 0) as repeated,
        count(*) filter (where set_aside = parts) as set_aside,
        count(*) filter (where fated = parts and set_aside between 1 and parts - 1) as mixed
    from several
    group by content_id
),

counted as (
    select
        table_name,
        content_id,
        count(*) filter (where fate = 'repeated') as repeated,
        count(*) filter (where fate = 'set_aside') as set_aside
    from fates
    group by table_name, content_id
),

ordered as (
    select
        f.*,
        row_number() over (partition by f.content_id order by f.path) as copy_no
    from raw.files f
),

told as (
    select
        o.path,
        o.table_name,
        o.sha256,
        o.loaded_at,
        o.content_id,
        o.copy_no,
        coalesce(o.problem, c.problem) as problem,
        coalesce(c.rows_read, 0) as rows_read,
        coalesce(c.parts_read, 0) as parts_read,
        coalesce(n.repeated, 0) as parts_repeated,
        coalesce(n.set_aside, 0) as parts_set_aside,
        case when c.row_parts > 1 then coalesce(r.repeated, 0) + coalesce(r.mixed, 0)
            else coalesce(n.repeated, 0) end as repeated,
        case when c.row_parts > 1 then coalesce(r.set_aside, 0) else coalesce(n.set_aside, 0) end
            as set_aside,
        concat_ws(
            '; ', 'loaded', 'headings that nothing reads: ' || c.unused_headings, c.notes
        ) as remark
    from ordered o
    left join raw.contents c on c.content_id = o.content_id
    left join counted n on n.content_id = o.content_id and n.table_name = o.table_name
    left join rows_of r on r.content_id = o.content_id
),

final as (
    select
        path,
        table_name,
        sha256,
        loaded_at,
        rows_read,
        case when copy_no > 1 then 0 else rows_read - repeated - set_aside end as accepted,
        case when copy_no > 1 then rows_read else repeated end as repeated,
        case when copy_no > 1 then 0 else set_aside end as set_aside,
        coalesce(
            problem,
            case when copy_no > 1 then 'same content as a file read before' end,
            remark
        ) as status,
        parts_read,
        case when copy_no > 1 then 0 else parts_read - parts_repeated - parts_set_aside end
            as parts_accepted,
        case when copy_no > 1 then parts_read else parts_repeated end as parts_repeated,
        case when copy_no > 1 then 0 else parts_set_aside end as parts_set_aside
    from told
)

select * from final
order by path
