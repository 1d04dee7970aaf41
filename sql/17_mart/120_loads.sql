-- grain: one file of the lake
-- key: path
-- inputs: raw.files, raw.contents, fate.inspections, fate.work, fate.register, fate.duty
-- meaning: what became of its rows; accepted + repeated + set_aside = rows_read; a file whose
--          content another file already brought is all repeated
with fates as (
    select 'inspections' as table_name, content_id, fate from fate.inspections
    union all
    select 'work' as table_name, content_id, fate from fate.work
    union all
    select 'register' as table_name, content_id, fate from fate.register
    union all
    select 'duty' as table_name, content_id, fate from fate.duty
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
    select *, row_number() over (partition by content_id order by path) as copy_no
    from raw.files
),

final as (
    select
        f.path,
        f.table_name,
        f.sha256,
        f.loaded_at,
        coalesce(c.rows_read, 0) as rows_read,
        case
            when f.content_id is null or f.copy_no > 1 then 0
            else c.rows_read - coalesce(n.repeated, 0) - coalesce(n.set_aside, 0)
        end as accepted,
        case
            when f.content_id is null then 0
            when f.copy_no > 1 then c.rows_read
            else coalesce(n.repeated, 0)
        end as repeated,
        case when f.content_id is null or f.copy_no > 1 then 0 else coalesce(n.set_aside, 0) end
            as set_aside,
        coalesce(
            f.problem,
            c.problem,
            case when f.copy_no > 1 then 'same content as a file read before' end,
            case when c.unused_headings is not null
                then 'loaded; headings that nothing reads: ' || c.unused_headings end,
            'loaded'
        ) as status
    from ordered f
    left join raw.contents c on c.content_id = f.content_id
    left join counted n on n.content_id = f.content_id and n.table_name = f.table_name
)

select * from final
order by path
