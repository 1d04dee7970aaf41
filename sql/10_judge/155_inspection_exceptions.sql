-- grain: one candidate inspection row that its wheel end or its neighbours speak against
-- key: content_id, row_no
-- inputs: judge.inspection_misfits, judge.inspection_copies
-- meaning: a misfit, a copy, a row that a newer file corrects, or one of the rows of a day that contradict each other
with final as (
    select content_id, row_no from judge.inspection_misfits
    union all
    select content_id, row_no
    from judge.inspection_copies
    where copy_no > 1 or differs_in is not null or corrected is not null
)

select * from final
