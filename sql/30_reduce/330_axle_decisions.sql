-- grain: axle type × depot × readings and ages of an axle at a check visit × which ends were relined
-- key: axle_type, depot, every_days, days_ago, ends, low_mm, high_mm, other_mm, other_ends,
--      low_age_days, low_age_known, high_age_days, high_age_known, other_age_days, low_relined,
--      high_relined
-- inputs: reduce.reline_decisions, reduce.units_checked, run.parameters
-- meaning: how often it happened. low is the end with the thinner lining, mm above its minimum in
--          twentieths up to 8 mm, then halves (null: not read); other_mm the thinnest lining on the
--          unit's other axles at that visit, in halves up to 8 mm (8 also where none was read),
--          other_ends how many wheel ends were seen there; ages of the linings in whole weeks (at
--          least so old where not known), other_age_days of the oldest on the unit's other axles;
--          every_days: how often its unit is checked (null: not known yet); days_ago: back from
--          the as-of day, up to 1096 (three years) and all before
with decisions as (
    select *, round(above_mm, 3) as read_mm from reduce.reline_decisions
),

readings as (
    select axle_type, depot, read_mm, count(*) as times
    from decisions
    where read_mm is not null
    group by axle_type, depot, read_mm
),

-- Who reads in 32nds of an inch and writes hundredths writes 0.38 for all from 0.36 to 0.39: what
-- was decided at a reading was decided in the middle of what is written so. How far that reaches is
-- told by the readings next to it that are about as common.
beside as (
    select
        r.axle_type,
        r.depot,
        r.read_mm,
        max(case when o.read_mm < r.read_mm then o.read_mm end) as below_mm,
        min(case when o.read_mm > r.read_mm then o.read_mm end) as above_mm
    from readings r
    inner join readings o
        on o.axle_type = r.axle_type
        and coalesce(o.depot, '') = coalesce(r.depot, '')
        and o.read_mm >= r.read_mm - 2
        and o.read_mm <= r.read_mm + 2
        and o.times * 4 >= r.times
    where r.times >= 10 and r.read_mm > 0
    group by r.axle_type, r.depot, r.read_mm
),

centred as (
    select
        d.unit_id,
        d.axle_id,
        d.axle_type,
        d.depot,
        d.visit_on,
        d.relined,
        d.above_mm,
        -- Twice the age in weeks, odd where it is a bound.
        coalesce(
            cast(round(d.age_days / 7.0) as bigint) * 2 + case when d.age_known then 0 else 1 end, 1
        ) as age_code,
        coalesce((b.below_mm + 2 * b.read_mm + b.above_mm) / 4, d.read_mm) as middle_mm
    from decisions d
    left join beside b
        on b.axle_type = d.axle_type
        and coalesce(b.depot, '') = coalesce(d.depot, '')
        and b.read_mm = d.read_mm
),

binned as (
    select
        *,
        case
            when middle_mm < 8 then round(middle_mm * 20) / 20
            else round(middle_mm * 2) / 2
        end as bin_mm
    from centred
),

axles as (
    select
        unit_id,
        axle_id,
        visit_on,
        min(axle_type) as axle_type,
        min(depot) as depot,
        count(*) as ends,
        min(bin_mm) as low_mm,
        -- Where only one end was read, the other end's reading is missing, not equal.
        case when count(bin_mm) = 2 then max(bin_mm) end as high_mm,
        min(above_mm) as above_mm,
        sum(case when relined then 1 else 0 end) as relined,
        sum(age_code) as age_codes,
        max(floor(age_code / 2.0)) as oldest,
        -- Of two equal readings either could be the low one: the relined end is. Bins are whole
        -- twentieths: twice that, odd where the end was not relined; then its age.
        min(
            case
                when bin_mm is not null
                    then (
                        cast(round(bin_mm * 20) as bigint) * 2 + case when relined then 0 else 1 end
                    ) * 100000 + age_code
            end
        ) as low_code
    from binned
    group by unit_id, axle_id, visit_on
),

coded as (
    select
        *,
        -- Readings below the minimum are negative: what is left is made positive.
        ((low_code % 100000) + 100000) % 100000 as low_age,
        cast(floor(low_code / 100000.0) as bigint) % 2 = 0 as low_relined
    from axles
),

units as (
    select
        *,
        sum(ends) over visits - ends as other_ends,
        row_number() over thinnest as place,
        first_value(above_mm) over thinnest as thinnest_mm,
        lead(above_mm) over thinnest as next_mm,
        row_number() over eldest as age_place,
        first_value(oldest) over eldest as oldest_weeks,
        lead(oldest) over eldest as next_weeks
    from coded
    window
        visits as (partition by unit_id, visit_on),
        thinnest as (partition by unit_id, visit_on order by above_mm nulls last, axle_id),
        eldest as (partition by unit_id, visit_on order by oldest desc, axle_id)
),

dated as (
    select
        u.*,
        k.every_days,
        round(least(case when u.place = 1 then u.next_mm else u.thinnest_mm end, 8) * 2) / 2
            as other_mm,
        cast(least(date_diff('day', u.visit_on, p.as_of), 1096) as integer) as days_ago,
        cast(floor(u.low_age / 2.0) as bigint) * 7 as low_age_days,
        u.low_age % 2 = 0 as low_age_known,
        case when u.ends = 2 then cast(floor((u.age_codes - u.low_age) / 2.0) as bigint) * 7 end
            as high_age_days,
        case when u.ends = 2 then (u.age_codes - u.low_age) % 2 = 0 end as high_age_known,
        cast(
            coalesce(case when u.age_place = 1 then u.next_weeks else u.oldest_weeks end, 0) as bigint
        ) * 7 as other_age_days,
        u.relined - case when u.low_relined then 1 else 0 end > 0 as high_relined
    from units u
    left join reduce.units_checked k on k.unit_id = u.unit_id
    cross join run.parameters p
    where u.ends <= 2 and u.low_mm is not null
),

final as (
    select
        axle_type,
        depot,
        every_days,
        days_ago,
        ends,
        low_mm,
        high_mm,
        other_mm,
        other_ends,
        low_age_days,
        low_age_known,
        high_age_days,
        high_age_known,
        other_age_days,
        low_relined,
        high_relined,
        count(*) as visits
    from dated
    group by
        axle_type, depot, every_days, days_ago, ends, low_mm, high_mm, other_mm, other_ends,
        low_age_days, low_age_known, high_age_days, high_age_known, other_age_days, low_relined,
        high_relined
)

select * from final
