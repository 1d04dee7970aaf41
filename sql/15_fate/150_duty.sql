-- grain: one duty row that is not accepted
-- key: content_id, row_no
-- inputs: raw.duty, raw.contents, judge.wheel_ends
-- meaning: its fate, repeated or set_aside, and why
with units as (
    select distinct upper(unit_id) as unit_key from judge.wheel_ends
),

readable as (
    select
        d.content_id,
        d.row_no,
        d.unit_id,
        upper(d.unit_id) as unit_key,
        d.duty,
        d.from_on,
        d.to_on,
        row_number() over (
            partition by upper(d.unit_id), d.duty, d.from_on, d.to_on
            order by c.rank_no, d.row_no
        ) as copy_no
    from raw.duty d
    inner join raw.contents c on c.content_id = d.content_id
    where d.problem is null
),

disputed as (
    select unit_key, from_on, min(duty) || ' and ' || max(duty) as duties
    from readable
    group by unit_key, from_on
    having count(distinct duty) > 1
),

final as (
    select content_id, row_no, 'set_aside' as fate, problem_kind, problem
    from raw.duty
    where problem is not null
    union all
    select
        r.content_id,
        r.row_no,
        'set_aside' as fate,
        case when u.unit_key is null then 'unknown unit' else 'contradictory rows' end
            as problem_kind,
        case
            when u.unit_key is null
                then 'unit_id: found "' || r.unit_id || '"; accepted: a unit in the register'
            else r.unit_id || ' from ' || cast(r.from_on as varchar) || ': found duties '
                || d.duties || '; accepted: one duty at a time'
        end as problem
    from readable r
    left join units u on u.unit_key = r.unit_key
    left join disputed d on d.unit_key = r.unit_key and d.from_on = r.from_on
    where (u.unit_key is null or d.unit_key is not null) and r.copy_no = 1
    union all
    select content_id, row_no, 'repeated' as fate, null as problem_kind, null as problem
    from readable
    where copy_no > 1
)

select * from final
