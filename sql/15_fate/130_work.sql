-- grain: one work row that is not accepted
-- key: content_id, row_no
-- inputs: raw.work, raw.contents, judge.wheel_ends, judge.work_rows, judge.odometer_verdicts,
--         run.parameters
-- meaning: its fate, repeated or set_aside, and why; an odometer that cannot be is left out, and its
--          job stays
with readable as (
    select
        r.content_id,
        r.row_no,
        r.unit_id,
        r.axle_no,
        r.side,
        r.done_on,
        upper(r.unit_id) || '/' || cast(r.axle_no as varchar) || r.side as wheel_end_key,
        greatest(c.loaded_on, p.given_as_of) as newest_on
    from raw.work r
    inner join raw.contents c on c.content_id = r.content_id
    cross join run.parameters p
    where r.problem is null
),

problems as (
    select 1 as turn, content_id, row_no, problem_kind, problem from raw.work
    where problem is not null
    union all
    select
        2 as turn,
        content_id,
        row_no,
        'dated in the future' as problem_kind,
        'done_on: found ' || cast(done_on as varchar) || '; accepted: up to '
        || cast(newest_on as varchar) || ', the day the file was loaded' as problem
    from readable
    where done_on > newest_on
    union all
    select
        3 as turn,
        r.content_id,
        r.row_no,
        'unknown wheel end' as problem_kind,
        'unit_id, axle_no, side: found ' || r.unit_id || '/' || cast(r.axle_no as varchar) || r.side
        || '; accepted: a wheel end of the register' as problem
    from readable r
    left join judge.wheel_ends w on w.wheel_end_key = r.wheel_end_key
    where w.wheel_end_id is null
    union all
    select
        4 as turn,
        content_id,
        row_no,
        'contradictory rows' as problem_kind,
        wheel_end_id || ', ' || action || ' on ' || cast(done_on as varchar)
        || ': found rows that differ in ' || differs_in
        || '; accepted: one job of each kind a day' as problem
    from judge.work_rows
    where differs_in is not null and copy_no = 1
    union all
    select
        4 as turn,
        content_id,
        row_no,
        'corrected by a newer file' as problem_kind,
        wheel_end_id || ', ' || action || ' on ' || cast(done_on as varchar) || ': found '
        || corrected || ', which counts' as problem
    from judge.work_rows
    where corrected is not null and copy_no = 1
    union all
    -- Any other odometer that cannot be is left out, and its job stays.
    select
        5 as turn, w.content_id, w.row_no, 'dated a year off' as problem_kind,
        'done_on: ' || v.reason as problem
    from judge.work_rows w
    inner join judge.odometer_verdicts v
        on v.unit_id = w.unit_id and v.on_date = w.done_on and v.odometer_km = w.odometer_km
    where w.copy_no = 1 and w.differs_in is null and w.corrected is null and v.year_off
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
    select w.content_id, w.row_no, 'repeated' as fate, null as problem_kind, null as problem
    from judge.work_rows w
    left join first_problems f on f.content_id = w.content_id and f.row_no = w.row_no
    where w.copy_no > 1 and f.row_no is null
)

select * from final
