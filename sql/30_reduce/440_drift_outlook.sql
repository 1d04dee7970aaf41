-- grain: one wheel end of the register
-- key: wheel_end_id
-- inputs: judge.wheel_ends, stage.duty_spells, stage.setting_episodes, stage.stroke_readings,
--         stage.lining_lives, stage.lining_readings, stage.adjuster_fittings,
--         stage.adjuster_checks, stage.inspections, stage.jobs, stage.relines,
--         stage.relines_held, stage.unit_sightings, reduce.findings_set_aside, run.service,
--         run.parameters
-- meaning: the setting, lining (fitted_on null: before the records) and adjuster in place on the
--          as-of day and its check interval; the
--          unit's km when its stroke was last read (when it was set, where not since), when its
--          adjuster was fitted and last known good, and when it was last seen; what its lining
--          read last (by the pointer only where no gauge was ever put to it) and its minimum;
--          whether its last return test failed with no other adjuster since (null: never tested; one
--          on record with a doubted reline, or of a unit whose jobs are doubted, is no other),
--          findings of rows that were set aside since counted (then lining_unused, test_unused);
--          lining_before_mm, lining_before_on: the reading before, where the lining grew without a
--          word at its last reading alone, its axle's other did not, and the unit's others are not mostly
--          unwritten: it may be the old lining, read or typed wrong; or where it was relined by the
--          record and not read since, the axle's other was not, and that one was the thinner by then
--          (null: no such doubt)
with episodes as (
    select
        e.wheel_end_id,
        e.episode_id,
        e.set_on,
        e.set_source,
        e.set_km,
        max(r.inspected_on) as read_on
    from stage.setting_episodes e
    left join stage.stroke_readings r
        on r.episode_id = e.episode_id and r.stroke_ratio is not null
    where e.ended_on is null
    group by e.wheel_end_id, e.episode_id, e.set_on, e.set_source, e.set_km
),

lives as (
    select wheel_end_id, life_id, started_on from stage.lining_lives where ended_on is null
),

linings as (
    select
        l.wheel_end_id,
        l.life_id,
        l.started_on as fitted_on,
        coalesce(r.lining_mm, r.pointer_lining_mm) as lining_read_mm,
        r.inspected_on as lining_read_on,
        row_number() over (
            partition by l.wheel_end_id
            order by
                case when r.lining_mm is null then 1 else 0 end,
                r.inspected_on desc,
                case when r.as_left then 0 else 1 end
        ) as place
    from lives l
    left join stage.lining_readings r on r.life_id = l.life_id
),

-- Linings begun by a reading that grew, and read on no other day.
grown as (
    select l.wheel_end_id, l.axle_id, l.started_on, l.life_no
    from stage.lining_lives l
    inner join stage.lining_readings r on r.life_id = l.life_id and r.lining_mm is not null
    where l.ended_on is null and l.start_source = 'inferred'
    group by l.wheel_end_id, l.axle_id, l.started_on, l.life_no
    having max(r.inspected_on) = l.started_on
),

-- Both linings of an axle that grew at once were renewed.
grown_alone as (
    select min(wheel_end_id) as wheel_end_id, min(life_no) as life_no
    from grown
    group by axle_id, started_on
    having count(*) = 1
),

-- Where most of a unit's relines are not written down, one more of these is no doubt.
unwritten as (
    select unit_id
    from stage.relines
    group by unit_id
    having count(*) filter (where source = 'inferred') - 1 > count(*) filter (where source = 'job')
),

-- Of an axle's two the thicker was relined by the record: nobody does that.
thicker as (
    select h.wheel_end_id, h.before_mm, h.before_on
    from lives l
    inner join stage.relines_held h
        on h.wheel_end_id = l.wheel_end_id and h.done_on = l.started_on and not h.doubted
    inner join judge.wheel_ends o
        on o.axle_id = h.axle_id and o.wheel_end_id <> h.wheel_end_id
    inner join stage.inspections i
        on i.wheel_end_id = o.wheel_end_id and i.inspected_on = h.before_on and not i.as_left
    where h.alone and h.after_on is null and i.lining_mm < h.before_mm
),

doubted as (
    select
        g.wheel_end_id,
        max_by(r.lining_mm, (r.inspected_on, r.as_left)) as lining_before_mm,
        max(r.inspected_on) as lining_before_on
    from grown_alone g
    inner join stage.lining_lives l
        on l.wheel_end_id = g.wheel_end_id and l.life_no = g.life_no - 1
    inner join stage.lining_readings r on r.life_id = l.life_id and r.lining_mm is not null
    left join unwritten u on u.unit_id = l.unit_id
    where u.unit_id is null
    group by g.wheel_end_id
    union all
    select wheel_end_id, before_mm, before_on from thicker
),

adjusters as (
    select
        f.wheel_end_id,
        min(f.fitted_km) as fitted_km,
        max(c.km) as good_km
    from stage.adjuster_fittings f
    left join stage.adjuster_checks c
        on c.wheel_end_id = f.wheel_end_id
        and (f.fitted_on is null or c.inspected_on > f.fitted_on)
        and not c.failed
    where f.replaced_on is null
    group by f.wheel_end_id
),

looked as (
    select wheel_end_id, max(inspected_on) as last_inspected_on
    from stage.inspections
    group by wheel_end_id
),

tests as (
    select
        wheel_end_id,
        inspected_on,
        as_left,
        return_test,
        row_number() over (
            partition by wheel_end_id
            order by inspected_on desc, case when as_left then 0 else 1 end
        ) as place
    from stage.inspections
    where return_test is not null
),

replaced as (
    select j.wheel_end_id, max(j.done_on) as replaced_on
    from stage.jobs j
    left join (select distinct unit_id from stage.relines_held where unit_doubted) u
        on u.unit_id = j.unit_id
    left join stage.relines_held h
        on h.wheel_end_id = j.wheel_end_id and h.done_on = j.done_on and h.doubted
    where j.action = 'adjuster_replaced' and u.unit_id is null and h.wheel_end_id is null
    group by j.wheel_end_id
),

tested as (
    select
        t.wheel_end_id,
        t.inspected_on as tested_on,
        t.return_test = 'fail'
        and (
            r.replaced_on is null
            or r.replaced_on < t.inspected_on
            or (r.replaced_on = t.inspected_on and t.as_left)
        ) as test_failed
    from tests t
    left join replaced r on r.wheel_end_id = t.wheel_end_id
    where t.place = 1
),

-- Findings of rows that were set aside, of the adjuster and the lining in place.
unused as (
    select
        o.wheel_end_id,
        case when r.replaced_on is null or o.failed_on > r.replaced_on then o.failed_on end
            as failed_on,
        case when l.fitted_on is null or o.lining_read_on >= l.fitted_on then o.lining_mm end
            as lining_mm,
        case when l.fitted_on is null or o.lining_read_on >= l.fitted_on then o.lining_read_on end
            as lining_read_on
    from reduce.findings_set_aside o
    left join replaced r on r.wheel_end_id = o.wheel_end_id
    left join linings l on l.wheel_end_id = o.wheel_end_id and l.place = 1
),

seen as (
    select unit_id, max(on_date) as seen_on, max_by(km, on_date) as seen_km
    from stage.unit_sightings
    group by unit_id
),

final as (
    select
        w.wheel_end_id,
        w.unit_id,
        w.axle_id,
        w.axle_no,
        w.side,
        w.axle_type,
        w.depot,
        w.arm_length_mm,
        radians(w.cam_degrees) / (w.lining_new_mm - w.lining_min_mm) as ratio_per_mm,
        w.readjust_limit_mm,
        w.lining_min_mm,
        d.duty,
        e.episode_id,
        e.set_on,
        e.set_source,
        coalesce(i.km, e.set_km) as read_km,
        l.life_id,
        l.fitted_on,
        coalesce(u.lining_mm, l.lining_read_mm) as lining_read_mm,
        coalesce(u.lining_read_on, l.lining_read_on) as lining_read_on,
        u.lining_mm is not null as lining_unused,
        u.failed_on is not null as test_unused,
        b.lining_before_mm,
        b.lining_before_on,
        a.fitted_km as adjuster_fitted_km,
        a.good_km as adjuster_good_km,
        coalesce(u.failed_on, t.tested_on) as tested_on,
        case when u.failed_on is not null then true else t.test_failed end as test_failed,
        n.seen_on,
        n.seen_km,
        k.last_inspected_on,
        coalesce(s.check_weeks, p.check_weeks) as check_weeks
    from judge.wheel_ends w
    cross join run.parameters p
    inner join stage.duty_spells d
        on d.unit_id = w.unit_id and d.from_on <= p.as_of and p.as_of < d.until_on
    left join episodes e on e.wheel_end_id = w.wheel_end_id
    left join (
        select wheel_end_id, inspected_on, max(km) as km
        from stage.inspections
        group by wheel_end_id, inspected_on
    ) i on i.wheel_end_id = w.wheel_end_id and i.inspected_on = e.read_on
    left join linings l on l.wheel_end_id = w.wheel_end_id and l.place = 1
    left join unused u on u.wheel_end_id = w.wheel_end_id
    left join doubted b on b.wheel_end_id = w.wheel_end_id
    left join adjusters a on a.wheel_end_id = w.wheel_end_id
    left join tested t on t.wheel_end_id = w.wheel_end_id
    left join seen n on n.unit_id = w.unit_id
    left join looked k on k.wheel_end_id = w.wheel_end_id
    left join run.service s on s.duty = d.duty
)

select * from final
