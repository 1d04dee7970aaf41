-- grain: one inspection of a wheel end: a day, as found or as left
-- key: wheel_end_id, inspected_on, as_left
-- inputs: judge.inspection_candidates, judge.inspection_copies, judge.odometer_verdicts,
--         judge.rising_units, fate.inspections, stage.jobs, stage.unit_days, run.parameters
-- meaning: accepted readings, the unit's accumulated km and the duty it ran in from that day on;
--          rows of one day that complete each other are one inspection; a lining that grew,
--          read on the day of its reline, was read as left, apart, and one that did not as found;
--          no lining of units whose readings rise
with days as (
    select v.unit_id, v.on_date, v.odometer_km, v.km, d.duty
    from judge.odometer_verdicts v
    inner join stage.unit_days d on d.unit_id = v.unit_id and d.on_date = v.on_date
),

shared as (
    select c.content_id, c.row_no
    from judge.inspection_copies c
    left join fate.inspections f on f.content_id = c.content_id and f.row_no = c.row_no
    where f.row_no is null
),

-- Most days have one row, and it is accepted.
others as (
    select content_id, row_no from fate.inspections
    union all
    select content_id, row_no from shared
),

made as (
    select
        i.wheel_end_id,
        i.unit_id,
        i.inspected_on,
        i.as_left,
        d.km,
        d.duty,
        case when r.unit_id is null then i.lining_mm end as lining_mm,
        i.wear_indicator_deg,
        i.free_stroke_mm,
        i.applied_stroke_mm,
        i.marks_aligned,
        i.return_test,
        i.cap_state,
        i.fault
    from judge.inspection_candidates i
    inner join days d
        on d.unit_id = i.unit_id and d.on_date = i.inspected_on and d.odometer_km = i.odometer_km
    left join judge.rising_units r on r.unit_id = i.unit_id
    left join others o on o.content_id = i.content_id and o.row_no = i.row_no
    where o.row_no is null
    union all
    select
        i.wheel_end_id,
        min(i.unit_id) as unit_id,
        i.inspected_on,
        i.as_left,
        max(d.km) as km,
        min(d.duty) as duty,
        min(case when r.unit_id is null then i.lining_mm end) as lining_mm,
        min(i.wear_indicator_deg) as wear_indicator_deg,
        min(i.free_stroke_mm) as free_stroke_mm,
        min(i.applied_stroke_mm) as applied_stroke_mm,
        min(i.marks_aligned) as marks_aligned,
        min(i.return_test) as return_test,
        min(i.cap_state) as cap_state,
        min(i.fault) as fault
    from shared s
    inner join judge.inspection_candidates i
        on i.content_id = s.content_id and i.row_no = s.row_no
    inner join days d
        on d.unit_id = i.unit_id and d.on_date = i.inspected_on and d.odometer_km = i.odometer_km
    left join judge.rising_units r on r.unit_id = i.unit_id
    group by i.wheel_end_id, i.inspected_on, i.as_left
),

readings as (
    select
        wheel_end_id,
        inspected_on,
        as_left,
        lining_mm,
        wear_indicator_deg,
        lag(lining_mm) over checks as before_mm,
        lag(inspected_on) over checks as before_on
    from made
    where lining_mm is not null
    window checks as (partition by wheel_end_id order by inspected_on, as_left)
),

-- On the day of its reline a new lining is what was left, though nobody said so, and one no thicker
-- than before is what was found, though a form says "as left" of the whole check.
moved as (
    select
        r.wheel_end_id,
        r.inspected_on,
        not r.as_left as as_left,
        r.lining_mm,
        r.wear_indicator_deg
    from readings r
    cross join run.parameters p
    inner join stage.jobs j
        on j.wheel_end_id = r.wheel_end_id
        and j.action = 'reline'
        and j.done_on = r.inspected_on
    left join stage.jobs e
        on e.wheel_end_id = r.wheel_end_id
        and e.action = 'reline'
        and e.done_on >= r.before_on
        and e.done_on < r.inspected_on
    left join readings o
        on o.wheel_end_id = r.wheel_end_id
        and o.inspected_on = r.inspected_on
        and o.as_left <> r.as_left
    where (r.lining_mm - r.before_mm > p.reline_rise_mm) <> r.as_left
        and e.wheel_end_id is null
        and o.wheel_end_id is null
),

final as (
    select
        m.wheel_end_id,
        m.unit_id,
        m.inspected_on,
        m.as_left,
        m.km,
        m.duty,
        case when n.wheel_end_id is null then m.lining_mm
            when m.as_left = n.as_left then n.lining_mm end as lining_mm,
        case when n.wheel_end_id is null then m.wear_indicator_deg
            when m.as_left = n.as_left then coalesce(m.wear_indicator_deg, n.wear_indicator_deg)
        end as wear_indicator_deg,
        m.free_stroke_mm,
        m.applied_stroke_mm,
        m.marks_aligned,
        m.return_test,
        m.cap_state,
        m.fault
    from made m
    left join moved n
        on n.wheel_end_id = m.wheel_end_id and n.inspected_on = m.inspected_on
    union all
    select
        m.wheel_end_id,
        m.unit_id,
        m.inspected_on,
        n.as_left,
        m.km,
        m.duty,
        n.lining_mm,
        n.wear_indicator_deg,
        cast(null as double) as free_stroke_mm,
        cast(null as double) as applied_stroke_mm,
        cast(null as boolean) as marks_aligned,
        cast(null as varchar) as return_test,
        cast(null as varchar) as cap_state,
        cast(null as varchar) as fault
    from made m
    inner join moved n
        on n.wheel_end_id = m.wheel_end_id and n.inspected_on = m.inspected_on
    left join made a
        on a.wheel_end_id = m.wheel_end_id
        and a.inspected_on = m.inspected_on
        and a.as_left = n.as_left
    where m.as_left <> n.as_left and a.wheel_end_id is null
)

select * from final
