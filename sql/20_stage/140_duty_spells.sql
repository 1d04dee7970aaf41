-- grain: one stretch of days of a unit in one duty
-- key: unit_id, from_on
-- inputs: raw.duty, fate.duty, judge.wheel_ends, run.parameters
-- meaning: spells that cover every day: the first reaches back to before the records, days
--          between and after closed spells are 'unassigned'; until_on is the first day after; a
--          spell that begins after the as-of day, or an end that lies there, was not known then
with units as (
    select upper(unit_id) as unit_key, min(unit_id) as unit_id
    from judge.wheel_ends
    group by upper(unit_id)
),

stated as (
    select distinct
        u.unit_id,
        d.duty,
        d.from_on,
        case when d.to_on <= p.as_of then d.to_on end as to_on
    from raw.duty d
    cross join run.parameters p
    inner join units u on u.unit_key = upper(d.unit_id)
    left join fate.duty f on f.content_id = d.content_id and f.row_no = d.row_no
    where f.row_no is null and d.from_on <= p.as_of
),

followed as (
    select
        unit_id,
        duty,
        from_on,
        lead(from_on) over (partition by unit_id order by from_on) as next_on,
        row_number() over (partition by unit_id order by from_on) as spell_no,
        max(to_on) as to_on
    from stated
    group by unit_id, duty, from_on
),

closed as (
    select
        unit_id,
        duty,
        case when spell_no = 1 then date '1900-01-01' else from_on end as from_on,
        least(
            coalesce(cast(date_add(to_on, interval 1 day) as date), date '9999-01-01'),
            coalesce(next_on, date '9999-01-01')
        ) as until_on,
        coalesce(next_on, date '9999-01-01') as next_on
    from followed
),

final as (
    select unit_id, duty, from_on, until_on from closed
    union all
    select unit_id, 'unassigned' as duty, until_on as from_on, next_on as until_on
    from closed
    where until_on < next_on
    union all
    select u.unit_id, 'unassigned' as duty, date '1900-01-01' as from_on,
        date '9999-01-01' as until_on
    from units u
    left join closed c on c.unit_id = u.unit_id
    where c.unit_id is null
)

select * from final
