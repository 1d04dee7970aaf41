-- grain: one odometer value of a unit on a day
-- key: unit_id, on_date, odometer_km
-- inputs: judge.inspection_candidates, judge.inspection_exceptions, judge.work_rows
-- meaning: every odometer value that inspections and jobs wrote down, how many rows wrote it, and how
--          many of these were inspections
with seen as (
    select c.unit_id, c.inspected_on as on_date, c.odometer_km, 1 as of_check
    from judge.inspection_candidates c
    left join judge.inspection_exceptions e
        on e.content_id = c.content_id and e.row_no = c.row_no
    where e.row_no is null
    union all
    select unit_id, done_on as on_date, odometer_km, null as of_check
    from judge.work_rows
    where copy_no = 1 and differs_in is null and corrected is null
),

final as (
    select unit_id, on_date, odometer_km, count(*) as sightings,
        count(of_check) as checks
    from seen
    group by unit_id, on_date, odometer_km
)

select * from final
