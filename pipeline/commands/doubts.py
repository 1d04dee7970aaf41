"""What was read otherwise than it was written, for somebody to contradict: a line of each kind."""

import datetime as dt
from collections.abc import Sequence

import duckdb

from pipeline.mapping.doubted.miles import COLUMNS, doubted_places
from pipeline.mapping.job_lines.reversals import TAKES_NOTHING_BACK
from pipeline.settings import Settings
from pipeline.values import counted
from pipeline.warehouse import warehouse
from pipeline.warehouse.misdated import exchanged
from pipeline.warehouse.odometer import SAME_DAY_KM
from pipeline.warehouse.standstill import STANDING

EXAMPLES = 3


def doubt_lines(con: duckdb.DuckDBPyConnection, settings: Settings) -> list[str]:
    """Of judged rows, as ``check`` and the run's summary say it."""
    return [
        *_stray_checks(con),
        *_names_alike(con, settings),
        *_odometers_in_miles(con, settings),
        *_replaced_odometers(con),
        *_full_odometers(con),
        *_standing_odometers(con),
        *_jobs_without_a_value(con),
        *_jobs_told_twice(con),
        *_taken_back_elsewhere(con),
        *_relines_not_found(con),
    ]


def _jobs_told_twice(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Jobs that stand on several days; a check does not stage them."""
    if not warehouse.is_table(con, "stage.jobs"):
        return []
    found = con.execute(
        """select wheel_end_id, action, done_on, again_on from stage.jobs
        where again_on is not null order by done_on, wheel_end_id, action"""
    ).fetchall()
    examples = [f"{end} {action} on {day} and {again}" for end, action, day, again in found]
    if not found:
        return []
    return [
        f"work: {counted(len(found), 'job')} on record again within two weeks, with no check in "
        f"between: counted once, on the first day: {_first(examples)}; all in stage.jobs"
    ]


def _relines_not_found(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Relines on record that the readings contradict; a check does not stage them."""
    if not warehouse.is_table(con, "stage.relines_held"):
        return []
    found = con.execute(
        """select wheel_end_id, done_on, before_mm, after_mm from stage.relines_held
        where doubted order by shown nulls last, done_on, wheel_end_id"""
    ).fetchall()
    examples = [
        f"{end} on {day}" + (f" ({was:.1f}, then {now:.1f} mm)" if was and now else "")
        for end, day, was, now in found
    ]
    if not found:
        return []
    return [
        f"work: {counted(len(found), 'reline')} not counted, for no thicker lining was read after, "
        f"or after most of the unit's: {_first(examples)}; all in stage.relines_held"
    ]


def _stray_checks(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Checks dated long after all others: what the as-of day is taken for instead."""
    rows = con.execute(
        "select path, row_no, unit_id, found_on, newest_on from run.doubted_checks order by all"
    ).fetchall()
    lines = [
        f"date doubted: {path} row {row_no}: inspected_on: found {found} for {unit}, "
        f"{(found - newest).days} days after the last check of every other unit"
        f"{_as_exchanged(found, newest)}; not used, and all is told as of {newest}; accepted: the "
        f"day of the check, or --as-of {found} to use it"
        for path, row_no, unit, found, newest in rows[:EXAMPLES]
    ]
    more = len(rows) - EXAMPLES
    return [*lines, *([f"{counted(more, 'more such check')}"] * (more > 0))]


def _as_exchanged(found: dt.date, newest: dt.date) -> str:
    meant = exchanged(found)
    if meant is None or meant > newest:
        return ""
    return f" (day and month exchanged, {meant}?)"


def _jobs_without_a_value(con: duckdb.DuckDBPyConnection) -> list[str]:
    lines = []
    for left_out, why in _LEFT_OUT.items():
        jobs = con.execute(
            """select wheel_end_id, action, done_on, found from fate.doubtful_jobs
            where left_out = ? order by done_on, wheel_end_id, action, found""",
            [left_out],
        ).fetchall()
        examples = [f"{end} {action} on {day} ({found})" for end, action, day, found in jobs]
        if jobs:
            number = counted(len(jobs), "job")
            lines.append(f"work: {number} counted, each {why}: {_first(examples)}")
    return lines


_LEFT_OUT = {
    "odometer_km": "without its odometer, which contradicts the checks around it; a job with the "
    "odometer of an earlier check was done at that check",
    "cost": "without a cost, for rows of one job differ in it (parts and labour apart?); one row "
    "of a job with its whole cost would count",
}


def _taken_back_elsewhere(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Jobs that count though a row of another file seems to take them back."""
    found = con.execute(
        """select j.unit_id || '/' || j.axle_no || j.side, j.action, max(j.done_on), r.done_on,
            any_value(b.path), r.row_no // b.row_parts
        from raw.work r
        inner join (
            select c.content_id, c.row_parts, min(f.path) as path from raw.contents c
            inner join raw.files f on f.content_id = c.content_id group by all
        ) b on b.content_id = r.content_id
        inner join raw.work j on upper(j.unit_id) = upper(r.unit_id) and j.axle_no = r.axle_no
            and j.side = r.side and j.action = r.action and j.done_on <= r.done_on
            and j.content_id <> r.content_id and j.problem is null
        where r.problem_kind = ?
        group by all order by all""",
        [TAKES_NOTHING_BACK],
    ).fetchall()
    if not found:
        return []
    examples = [
        f"{end} {action} on {day} (by {path} row {row} of {back})"
        for end, action, day, back, path, row in found
    ]
    return [
        f"work: {counted(len(found), 'job')} counted, though a row of another file may take it "
        f"back: {_first(examples)}; to have it not count, put both rows into one file"
    ]


def _names_alike(con: duckdb.DuckDBPyConnection, settings: Settings) -> list[str]:
    """Units that may be one, spelled in two ways; at two odometers on one day they are two."""
    pairs = con.execute(
        f"""with units as (
            select unit_id, upper(unit_id) as unit_key, {_PLAIN_NAME} as plain
            from judge.wheel_ends group by unit_id
        ),
        seen as (
            select unit_id, sum(sightings) as times from judge.odometer_verdicts group by unit_id
        ),
        pairs as (
            select a.unit_id as a, b.unit_id as b, coalesce(s.times, 0) < coalesce(t.times, 0)
                as turned
            from units a
            inner join units b on b.plain = a.plain and a.unit_key < b.unit_key
            left join seen s on s.unit_id = a.unit_id
            left join seen t on t.unit_id = b.unit_id
        )
        select case when turned then b else a end, case when turned then a else b end
        from pairs p
        where not exists (
            select 1
            from judge.odometer_verdicts v
            inner join judge.odometer_verdicts w on w.on_date = v.on_date
            where v.unit_id = p.a and w.unit_id = p.b
                and abs(v.odometer_km - w.odometer_km) > {SAME_DAY_KM}
        )
        order by all"""
    ).fetchall()
    if not pairs:
        return []
    named, as_named = pairs[0]
    heading = _unit_heading(settings)
    alike = "" if heading else "write both alike"
    where = f'under [files.values."{heading}"]: "{as_named}" = "{named}"'
    return [
        "units whose names differ only in blanks, hyphens, leading zeros or marks of thousands, "
        "read as different: "
        f"{_first([f'{a} and {b}' for a, b in pairs])}; if they are one, "
        f"{alike or f'say so in fleet.toml, {where}'}"
    ]


# Without marks of thousands, then zeros that lead a number, then without blanks and hyphens.
_THOUSANDS = r"regexp_replace(upper(unit_id), '^([0-9]{1,3})[.,’]([0-9]{3})$', '\1\2')"
_PLAIN_NAME = (
    rf"regexp_replace(regexp_replace({_THOUSANDS}, '(^|[^0-9])0+([0-9])', '\1\2', 'g'), "
    r"'[\s\-\x{2010}-\x{2015}]', '', 'g')"
)


def _unit_heading(settings: Settings) -> str:
    """What a fleet's own files call a unit's name, where it has files of its own form."""
    headings = [h for f in settings.files for h, what in f.columns.items() if what == "unit_id"]
    return headings[0] if headings else ""


def _odometers_in_miles(con: duckdb.DuckDBPyConnection, settings: Settings) -> list[str]:
    """Files whose odometers may be in miles, where the headings of some state no unit."""
    if not any("odometer" in own.columns.values() for own in settings.files):
        return []
    checks = con.sql(
        """select b.path as place, i.* from raw.inspections i
        inner join (
            select content_id, min(path) as path from raw.files group by all
        ) b on b.content_id = i.content_id
        where i.problem is null"""
    ).pl()
    mend = 'say so in [[files]] of its own: files = "its name", distance = "mi"'
    return list(doubted_places(checks.select(COLUMNS), mend))


def _replaced_odometers(con: duckdb.DuckDBPyConnection) -> list[str]:
    replaced = con.execute(
        """with belonging as (
            select unit_id, on_date, odometer_km, replaced, lag(odometer_km) over (
                partition by unit_id order by on_date, odometer_km) as before_km
            from judge.odometer_verdicts where reason is null
        )
        select unit_id, on_date, before_km, odometer_km from belonging
        where replaced order by unit_id, on_date"""
    ).fetchall()
    if not replaced:
        return []
    examples = [
        f"{unit} on {day} ({was:.0f}, then {now:.0f} km)" for unit, day, was, now in replaced
    ]
    return [
        f"{counted(len(replaced), 'odometer')} taken as replaced: {_first(examples)}; where one "
        "was not, a day or an odometer is mistyped"
    ]


def _full_odometers(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Clocks of five or six digits that start again at 0 when they are full."""
    full = con.execute(
        """with belonging as (
            select unit_id, on_date, odometer_km, replaced, lag(odometer_km) over (
                partition by unit_id order by on_date, km, odometer_km) as before_km
            from judge.odometer_verdicts where reason is null
        )
        select unit_id, count(*) from belonging
        where odometer_km < before_km and not replaced group by unit_id order by unit_id"""
    ).fetchall()
    if not full:
        return []
    examples = [f"{unit} ({counted(times, 'time')})" for unit, times in full]
    return [
        f"{counted(len(full), 'odometer')} taken to start again at 0 when full: {_first(examples)}"
    ]


def _standing_odometers(con: duckdb.DuckDBPyConnection) -> list[str]:
    standing = con.execute(f"{STANDING} order by unit_id, from_on").fetchall()
    if not standing:
        return []
    examples = [
        f"{unit} from {since} to {until} ({km:.0f} km)" for unit, km, since, until, _ in standing
    ]
    return [
        f"{counted(len(standing), 'odometer')} stood still, or was copied, while linings wore: "
        f"{_first(examples)}; the km between are worked out"
    ]


def _first(examples: Sequence[str]) -> str:
    return ", ".join(examples[:EXAMPLES]) + ", …" * (len(examples) > EXAMPLES)
