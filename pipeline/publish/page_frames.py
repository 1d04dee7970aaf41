"""The month's frames, gathered from the marts for the page to draw."""

import dataclasses
import datetime as dt
from functools import partial

import duckdb
import polars as pl

from dashboards.notes import run_notes, this_month
from dashboards.page_data import PageData
from dashboards.sentences.due import probably_left, still_there
from dashboards.sentences.method import METHODS, told
from pipeline.publish import record_frames
from pipeline.publish.fleet import fleet_of
from pipeline.publish.provenance import made_from
from pipeline.settings import Settings
from pipeline.warehouse import warehouse
from pipeline.warehouse.standstill import STANDING

# Readings of flagged wheel ends are all shown; of the others, those of this many wheel ends.
OTHER_HISTORIES = 2_000
SORTED = {"set_aside": "path, row_no", "wheel_end_status": "wheel_end_id", "loads": "path"}


NO_DEPOT = "no depot on record"
# A lining read no later than so has worn little, at whatever rate.
FIRST_KM = 40_000

DEPOTS_SINCE = """
    select depot, count(*) as units, quantile_disc(first_on, 0.1) as since_on
    from (
        select w.unit_id, min(w.depot) as depot, min(i.inspected_on) as first_on
        from stage.inspections i
        inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
        group by w.unit_id
    )
    group by depot
"""


def page_data(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> PageData:
    """Everything the page shows, what the run says of itself included."""
    data = dataclasses.replace(
        _frames(con, settings, as_of),
        faults_told=_faults_told(con),
        linings_highest=_linings_highest(con),
        findings_by_depot=_findings_by_depot(con, settings),
        linings_lowest=_linings_lowest(con),
        first_readings=_first_readings(con, as_of),
        odometers_standing=warehouse.fetch(con, STANDING),
        depots_since=warehouse.fetch(con, DEPOTS_SINCE, order="depot"),
        relines_held=record_frames.relines_held(con),
        rising_units=record_frames.rising_units(con),
        numbers_reused=record_frames.numbers_reused(con),
        visits_apart=record_frames.visits_apart(con),
    )
    notes, methods = run_notes(data), told(METHODS, this_month(data))
    record = made_from(con, settings)
    return dataclasses.replace(data, notes=notes, methods=methods, made_from=record)


def _frames(con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date) -> PageData:
    """The marts, in an order of their own that does not change from run to run."""
    mart = partial(_mart, con)
    return PageData(
        fleet=fleet_of(settings),
        as_of=as_of,
        loads=mart("loads"),
        set_aside=mart("set_aside"),
        wheel_end_status=mart("wheel_end_status"),
        wear_rates=mart("wear_rates"),
        wear_components=mart("wear_components"),
        adjuster_fits=mart("adjuster_fits"),
        adjuster_curves=mart("adjuster_curves"),
        duty_comparisons=mart("duty_comparisons"),
        reline_budget=_budget(mart("reline_budget"), mart("reline_budget_parts")),
        reline_outlook=mart("reline_outlook"),
        outlook_by_depot=_outlook_by_depot(mart("reline_outlook_parts")),
        outlook_parts=_depots_named(mart("reline_outlook_parts")),
        backtest=mart("backtest"),
        histories=_histories(con),
        limits=_limits(con),
        setting_quality=mart("setting_quality"),
        scenarios=mart("scenarios"),
        reline_plan=mart("reline_plan"),
        reline_policy=mart("reline_policy"),
        reline_habits=mart("reline_habits"),
        changes=as_told(mart("flag_changes"), mart("flags_told"), mart("months")),
        flag_precision=mart("flag_precision"),
        overdue=still_there(overdue := _overdue(con)),
        overdue_if_there=probably_left(overdue),
        on_record=mart("on_record"),
        months=mart("months").filter(pl.col("as_of") <= as_of),
        wear_changes=mart("wear_changes"),
        record_holes=mart("record_holes"),
        use_changes=mart("use_changes"),
        units_left_at_once=mart("units_left_at_once"),
        use_over_the_year=mart("use_over_the_year"),
        wear_departures=mart("wear_departures"),
        gauge_steps=mart("gauge_steps"),
        pointers_not_reset=_pointers_to_reset(con),
        check_intervals=_told(mart("check_intervals"), "share_failed"),
        replacement_ages=_told(mart("replacement_ages"), "planned_cost"),
        adjuster_effects=mart("adjuster_effects"),
        adjuster_causes=mart("adjuster_causes"),
        adjuster_scales=mart("adjuster_scales"),
        replacement_counts=mart("replacement_counts"),
        replacement_differences=mart("replacement_differences"),
        expected_failures=_told(mart("expected_failures"), "failures_mean"),
        plan=mart("plan"),
        stock_needed=mart("stock_needed"),
        workshop_months=mart("workshop_months"),
        check_plan=mart("check_plan"),
        costs_per_km=mart("costs_per_km"),
        unit_costs=mart("unit_costs"),
        part_comparisons=mart("part_comparisons"),
        change_effects=mart("change_effects"),
        monthly_rates=mart("monthly_rates"),
        default_minima=_default_minima(con),
        strokes_read=_strokes_read(con, settings),
        checks_written=_checks_written(con, settings),
        relines_lately=_relines_lately(con, settings, as_of),
    )


def _mart(con: duckdb.DuckDBPyConnection, name: str) -> pl.DataFrame:
    return warehouse.fetch(con, f"from mart.{name}", order=SORTED.get(name, "all"))


def _overdue(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """With the chance that the unit is still there."""
    return warehouse.fetch(
        con,
        """select o.*, s.p_present from mart.overdue o
        left join mart.wheel_end_status s on s.wheel_end_id = o.wheel_end_id""",
        order="weeks_overdue desc, wheel_end_id, kind",
    )


def as_told(changes: pl.DataFrame, told: pl.DataFrame, months: pl.DataFrame) -> pl.DataFrame:
    """Changes of flags against what the page of the month compared with has said, where there is
    one: a flag that rows which came later raise on an earlier day is new to who reads the page."""
    compared = changes["compared_with"].drop_nulls().dt.strftime("%Y-%m").unique()
    page = months.filter(pl.col("month").is_in(compared.implode()))
    then = told.filter(pl.col("month").is_in(compared.implode()))["wheel_end_id"]
    if page.is_empty() or page["flagged"].sum() != then.len():
        return changes
    unsaid = (pl.col("change") == "still") & ~pl.col("wheel_end_id").is_in(then.implode())
    said = pl.when(unsaid).then(pl.lit("newly")).otherwise(pl.col("change").cast(pl.String))
    return changes.with_columns(change=said)


def _budget(cells: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Cells, parts and total in one; where null means over all, no depot needs a name."""
    is_cell = pl.col("axle_type").is_not_null()
    named = cells.with_columns(pl.when(is_cell).then(_depot_named()).otherwise("depot"))
    return pl.concat([named, _depots_named(parts).select(named.columns)])


def _depots_named(parts: pl.DataFrame) -> pl.DataFrame:
    of_depots = pl.col("part").str.contains("depot")
    return parts.with_columns(pl.when(of_depots).then(_depot_named()).otherwise("depot"))


def _depot_named() -> pl.Expr:
    return pl.col("depot").fill_null(NO_DEPOT).alias("depot")


def _outlook_by_depot(parts: pl.DataFrame) -> pl.DataFrame | None:
    depots = _depots_named(parts.filter(pl.col("part") == "depot"))
    return None if depots.is_empty() else depots


def _told(frame: pl.DataFrame, figure: str) -> pl.DataFrame | None:
    """The rows that hold a figure; None where words stand instead of all of them."""
    told = frame.filter(pl.col(figure).is_not_null())
    return None if told.is_empty() else told


def _strokes_read(con: duckdb.DuckDBPyConnection, settings: Settings) -> pl.DataFrame:
    """By depot: where the last reading of every wheel end lies against the band in force."""
    low, high = settings.adjustment.band_low, settings.adjustment.band_high
    return warehouse.fetch(
        con,
        f"""select w.depot, count(*) as wheel_ends, count(*) filter (ratio > {high}) as above,
            count(*) filter (ratio < {low}) as below
        from (
            select wheel_end_id, max_by(stroke_ratio, on_date) as ratio from mart.histories
            where stroke_ratio is not null group by wheel_end_id
        ) r
        inner join judge.wheel_ends w on w.wheel_end_id = r.wheel_end_id
        group by w.depot""",
        order="depot",
    )


def _checks_written(con: duckdb.DuckDBPyConnection, settings: Settings) -> pl.DataFrame:
    """How much of a unit is on record at a check, and at how much of that anything is wrong."""
    low, high = settings.adjustment.band_low, settings.adjustment.band_high
    return warehouse.fetch(
        con,
        f"""with read as (
            select w.unit_id, i.inspected_on, count(*) as readings,
                count(*) filter (
                    i.free_stroke_mm / w.arm_length_mm not between {low} and {high}
                    or i.lining_mm < 0.75 * w.lining_min_mm + 0.25 * w.lining_new_mm
                    or i.return_test = 'fail'
                    or i.fault is not null
                ) as wrong
            from stage.inspections i
            inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
            where not i.as_left
            group by w.unit_id, i.inspected_on
        ),
        units as (select unit_id, count(*) as wheel_ends from judge.wheel_ends group by unit_id)
        select count(*) as checks, coalesce(avg(r.readings / u.wheel_ends), 1) as part,
            coalesce(sum(r.readings), 0) as readings, coalesce(sum(r.wrong), 0) as wrong
        from read r inner join units u on u.unit_id = r.unit_id""",
        order="all",
    )


def _faults_told(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Faults of the last inspection of each wheel end, in whatever words."""
    return warehouse.fetch(
        con,
        """select wheel_end_id, inspected_on, fault from stage.inspections
        qualify row_number() over (
            partition by wheel_end_id order by inspected_on desc, as_left desc
        ) = 1 and fault is not null""",
        order="wheel_end_id",
    )


def _linings_highest(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """By axle type: the thickest lining read, how many of all readings are that, and of how many
    wheel ends; and how thick a new one is."""
    return warehouse.fetch(
        con,
        """with read as (
            select w.axle_type, w.wheel_end_id, w.lining_new_mm, i.lining_mm,
                max(i.lining_mm) over (partition by w.axle_type) as highest_mm
            from stage.inspections i
            inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
            where i.lining_mm is not null
        )
        select axle_type, max(highest_mm) as highest_mm, median(lining_new_mm) as new_mm,
            count(*) as readings, count(*) filter (lining_mm = highest_mm) as highest,
            count(distinct wheel_end_id) filter (lining_mm = highest_mm) as wheel_ends
        from read group by axle_type""",
        order="axle_type",
    )


def _linings_lowest(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """By depot and axle type: the thinnest lining that is read as found more than now and then, how
    many readings are that, and how many the next thicker value."""
    return warehouse.fetch(
        con,
        """with read as (
            select w.depot, w.axle_type, i.lining_mm, count(*) as many,
                any_value(w.lining_min_mm) as min_mm
            from stage.inspections i
            inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
            where i.lining_mm is not null and not i.as_left
            group by w.depot, w.axle_type, i.lining_mm
        ),
        ranked as (
            select *, sum(many) over whole as readings,
                sum(many) over up_to_it - many as thinner,
                coalesce(lead(many) over up_to_it, 0) as next_many
            from read
            window
                whole as (partition by depot, axle_type),
                up_to_it as (partition by depot, axle_type order by lining_mm)
        )
        select depot, axle_type, lining_mm as lowest_mm, min_mm, readings, many as at_lowest,
            next_many as near_lowest
        from ranked
        where thinner <= 0.1 * many and many >= 0.01 * readings
        qualify row_number() over (partition by depot, axle_type order by lining_mm) = 1""",
        order="depot, axle_type",
    )


def _first_readings(con: duckdb.DuckDBPyConnection, as_of: dt.date) -> pl.DataFrame:
    """By depot: what new linings read first, wear since their reline added, of the last year and
    before: how many, their mean and their SD."""
    return warehouse.fetch(
        con,
        f"""with rates as (
            select axle_type, avg(mm_per_10000km) as rate from mart.wear_rates group by axle_type
        ),
        read as (
            select l.life_id, l.depot, l.started_on > date '{as_of}' - 365 as late,
                min_by(r.lining_mm + r.km_since_reline / 1e4 * k.rate, r.inspected_on)
                    - any_value(w.lining_new_mm) as off_mm
            from stage.lining_lives l
            inner join stage.lining_readings r on r.life_id = l.life_id
            inner join judge.wheel_ends w on w.wheel_end_id = l.wheel_end_id
            inner join rates k on k.axle_type = l.axle_type
            where l.start_known and l.start_source = 'job' and r.lining_mm is not null
                and r.km_since_reline < {FIRST_KM}
            group by l.life_id, l.depot, late
        )
        select depot, count(*) filter (late) as n_late, avg(off_mm) filter (late) as mean_late,
            stddev_samp(off_mm) filter (late) as sd_late,
            count(*) filter (not late) as n_before,
            avg(off_mm) filter (not late) as mean_before,
            stddev_samp(off_mm) filter (not late) as sd_before
        from read group by depot""",
        order="depot",
    )


def _findings_by_depot(con: duckdb.DuckDBPyConnection, settings: Settings) -> pl.DataFrame:
    """Return tests and strokes as found, and those that something was found at."""
    low, high = settings.adjustment.band_low, settings.adjustment.band_high
    return warehouse.fetch(
        con,
        f"""select w.depot, count(i.return_test) as tests,
            count(*) filter (i.return_test = 'fail') as failed,
            count(i.free_stroke_mm / w.arm_length_mm) as strokes,
            count(*) filter (
                i.free_stroke_mm / w.arm_length_mm not between {low} and {high}
            ) as outside
        from stage.inspections i
        inner join judge.wheel_ends w on w.wheel_end_id = i.wheel_end_id
        where not i.as_left group by w.depot""",
        order="depot",
    )


def _relines_lately(
    con: duckdb.DuckDBPyConnection, settings: Settings, as_of: dt.date
) -> pl.DataFrame:
    reckoned = settings.costs.lining_kit + settings.costs.reline_labour
    return warehouse.fetch(
        con,
        f"""with found as (
            from stage.inspections where not as_left and inspected_on > date '{as_of}' - 365
        ),
        checks as (
            -- A wheel end without a row on a day of its unit's checks was not read either.
            select w.depot, count(i.lining_mm) as read, count(*) as checked
            from (select distinct unit_id, inspected_on from found) d
            inner join judge.wheel_ends w on w.unit_id = d.unit_id
            left join found i
                on i.wheel_end_id = w.wheel_end_id and i.inspected_on = d.inspected_on
            group by w.depot
        ),
        relines as (
            select r.*, j.cost, exists (
                from stage.inspections i
                where i.wheel_end_id = r.wheel_end_id and i.lining_mm is not null
                    and not i.as_left and i.inspected_on between r.on_date - 7 and r.on_date
            ) as measured,
            -- One row of a visit may hold what all of its relines cost, the others nought.
            max(j.cost) over (partition by r.unit_id, r.on_date) is not null as is_costed
            from stage.relines r
            left join stage.jobs j
                on j.wheel_end_id = r.wheel_end_id and j.done_on = r.on_date
                and j.action = 'reline' and r.source = 'job' and j.cost > 0
            where r.source in ('job', 'inferred') and r.on_date > date '{as_of}' - 365
        )
        select w.depot, count(*) as relines,
            count(*) filter (r.source = 'inferred') as unwritten,
            count(*) filter (r.source = 'job') as written,
            count(*) filter (r.source = 'job' and not r.measured) as unmeasured,
            coalesce(any_value(c.read / c.checked), 0) as read_share,
            count(*) filter (r.source = 'job' and r.is_costed) as costed,
            coalesce(sum(r.cost), 0) as cost, cast({reckoned} as double) as reckoned
        from relines r
        inner join judge.wheel_ends w on w.wheel_end_id = r.wheel_end_id
        left join checks c on c.depot is not distinct from w.depot
        group by w.depot""",
        order="depot",
    )


def _default_minima(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Axle types whose minimum neither the register nor fleet.toml states."""
    return warehouse.fetch(
        con,
        """select axle_type, count(*) as wheel_ends, any_value(lining_min_mm) as mm
        from judge.wheel_ends where minimum_by_default group by axle_type""",
        order="axle_type",
    )


SHOWN = f"""shown as (
    select wheel_end_id from (
        select wheel_end_id, flagged,
            row_number() over (order by flagged desc, priority desc nulls last, wheel_end_id) as n
        from mart.wheel_end_status
    ) where flagged or n <= {OTHER_HISTORIES}
)"""


def _histories(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    return warehouse.fetch(
        con,
        f"""with {SHOWN}
        select h.wheel_end_id, h.on_date as inspected_on, h.lining_mm, h.stroke_ratio, h.jobs
        from mart.histories h inner join shown s on s.wheel_end_id = h.wheel_end_id""",
        order="1, 2",
    )


def _pointers_to_reset(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Those of linings still in place: what a lining before it left behind nobody can mend."""
    return warehouse.fetch(
        con,
        """select p.wheel_end_id, p.gap_mm, p.probability
        from mart.pointers_not_reset p
        inner join stage.lining_lives l on l.life_id = p.life_id
        where l.ended_on is null""",
    )


def _limits(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    return warehouse.fetch(
        con,
        f"""with {SHOWN}
        select w.wheel_end_id, w.lining_new_mm, w.lining_min_mm, w.arm_length_mm
        from judge.wheel_ends w inner join shown s on s.wheel_end_id = w.wheel_end_id""",
        order="1",
    )
