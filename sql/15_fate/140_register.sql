-- grain: one register row that is not accepted
-- key: content_id, row_no
-- inputs: raw.register, judge.register_rows
-- meaning: its fate, repeated or set_aside, and why
with final as (
    select content_id, row_no, 'set_aside' as fate, problem_kind, problem
    from raw.register
    where problem is not null
    union all
    select
        content_id,
        row_no,
        'set_aside' as fate,
        'contradictory rows' as problem_kind,
        wheel_end_key || ': found rows that differ in ' || differs_in
        || '; accepted: one description of a wheel end' as problem
    from judge.register_rows
    where contradicts and copy_no = 1
    union all
    select content_id, row_no, 'repeated' as fate, null as problem_kind, null as problem
    from judge.register_rows
    where copy_no > 1
)

select * from final
