-- grain: one inspection row that is not accepted
-- key: content_id, row_no
-- inputs: raw.inspections, raw.contents, judge.wheel_ends, judge.register_rows,
--         judge.inspection_candidates, judge.inspection_misfits, judge.inspection_copies,
--         judge.inspections_again, judge.inspection_exceptions, judge.odometer_verdicts,
--         fate.lining_outliers, run.parameters
-- meaning: its fate, repeated or set_aside, and why
with readable as (
    select
        r.content_id,
        r.row_no,
        r.unit_id,
        r.axle_no,
        r.side,
        r.inspected_on,
        upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side as wheel_end_key,
        greatest(c.loaded_on, p.given_as_of) as newest_on
    from raw.inspections r
    inner join raw.contents c on c.content_id = r.content_id
    cross join run.parameters p
    where r.problem is null
),

known_units as (
    select distinct upper(unit_id) as unit_key from judge.register_rows
),

disputed as (
    select distinct wheel_end_key from judge.register_rows where contradicts
),

strangers as (
    select
        r.content_id,
        r.row_no,
        'unknown wheel end' as problem_kind,
        case
            when d.wheel_end_key is not null
                then r.wheel_end_key || ': its rows in the register contradict each other'
            when u.unit_key is not null
                then 'axle_no, side: found ' || cast(r.axle_no as varchar) || r.side || ' of '
                    || r.unit_id || '; accepted: a wheel end of that unit in the register'
            else 'unit_id: found "' || r.unit_id || '"; accepted: a unit in the register'
        end as problem
    from readable r
    left join judge.wheel_ends w on w.wheel_end_key = r.wheel_end_key
    left join known_units u on u.unit_key = upper(r.unit_id)
    left join disputed d on d.wheel_end_key = r.wheel_end_key
    where w.wheel_end_id is null
),

early as (
    select
        content_id,
        row_no,
        'dated in the future' as problem_kind,
        'inspected_on: found ' || cast(inspected_on as varchar) || '; accepted: up to '
        || cast(newest_on as varchar) || ', the day the file was loaded' as problem
    from readable
    where inspected_on > newest_on
),

contradicting as (
    select
        content_id,
        row_no,
        'contradictory rows' as problem_kind,
        wheel_end_id || ' on ' || cast(inspected_on as varchar)
        || ': found rows that differ in ' || differs_in
        || '; accepted: one reading of each kind a day' as problem
    from judge.inspection_copies
    where differs_in is not null and copy_no = 1
),

corrected as (
    select
        content_id,
        row_no,
        'corrected by a newer file' as problem_kind,
        wheel_end_id || ' on ' || cast(inspected_on as varchar) || ': found ' || corrected
        || ', which counts' as problem
    from judge.inspection_copies
    where corrected is not null and copy_no = 1
),

mistyped_odometers as (
    select
        i.content_id,
        i.row_no,
        case when v.year_off then 'dated a year off' else 'odometer_km runs back or jumps' end
            as problem_kind,
        case when v.year_off then 'inspected_on: ' else '' end || v.reason as problem
    from judge.inspection_candidates i
    inner join judge.odometer_verdicts v
        on v.unit_id = i.unit_id and v.on_date = i.inspected_on and v.odometer_km = i.odometer_km
    left join judge.inspection_exceptions e
        on e.content_id = i.content_id and e.row_no = i.row_no
    where e.row_no is null and v.reason is not null
),

problems as (
    select 1 as turn, content_id, row_no, problem_kind, problem from raw.inspections
    where problem is not null
    union all
    select 2 as turn, * from early
    union all
    select 3 as turn, * from strangers
    union all
    select 4 as turn, content_id, row_no, problem_kind, problem from judge.inspection_misfits
    union all
    select 5 as turn, * from contradicting
    union all
    select 5 as turn, * from corrected
    union all
    select 6 as turn, * from mistyped_odometers
    union all
    select 7 as turn, * from fate.lining_outliers
),

first_problems as (
    select
        content_id,
        row_no,
        min_by(problem_kind, turn) as problem_kind,
        min_by(problem, turn) as problem
    from problems
    group by content_id, row_no
),

final as (
    select content_id, row_no, 'set_aside' as fate, problem_kind, problem from first_problems
    union all
    select i.content_id, i.row_no, 'repeated' as fate, null as problem_kind, null as problem
    from (
        select content_id, row_no from judge.inspection_copies where copy_no > 1
        union
        select content_id, row_no from judge.inspections_again
    ) i
    left join first_problems f on f.content_id = i.content_id and f.row_no = i.row_no
    where f.row_no is null
)

select * from final
