"""What a run and a check say on the terminal."""

import datetime as dt
import re
from dataclasses import dataclass

import duckdb

from dashboards.sentences.missing import missing
from dashboards.sentences.words import plain
from pipeline.commands.sheets import Made
from pipeline.places import Place
from pipeline.run import Run
from pipeline.warehouse import warehouse

EXAMPLES = 3
CAUTION = (
    "Figures are estimates from records, not an inspection; "
    "a wheel end without a flag is not thereby safe."
)


@dataclass(frozen=True, slots=True)
class Fates:
    """What became of the rows read; accepted + repeated + set_aside = rows_read.

    A row may be of several wheel ends, its parts; it is accepted where one of them was used.
    """

    rows_read: int
    accepted: int
    repeated: int
    set_aside: int
    files: int
    unreadable_files: int
    parts_read: int
    parts_set_aside: int

    @property
    def of_parts(self) -> str:
        """What rows of several wheel ends came to, where there are such."""
        if self.parts_read == self.rows_read:
            return ""
        records = f"of {self.parts_read:,} wheel ends' records in them"
        return f"; {records} {self.parts_set_aside:,} set aside"


@dataclass(frozen=True, slots=True)
class Summary:
    """The short summary at the end of a run."""

    as_of: dt.date
    fates: Fates
    wheel_ends: int
    flagged: int
    relines: tuple[float, float, float] | None
    plan: tuple[float, float, float, float] | None
    page: Place
    warnings: tuple[str, ...] = ()
    lining_readings: int = 0
    derived: tuple[str, ...] = ()


def fates(con: duckdb.DuckDBPyConnection) -> Fates:
    counts = warehouse.one_row(
        con,
        """select coalesce(sum(rows_read), 0), coalesce(sum(accepted), 0),
            coalesce(sum(repeated), 0), coalesce(sum(set_aside), 0), count(*),
            count(*) filter (where status like 'not read%'), coalesce(sum(parts_read), 0),
            coalesce(sum(parts_set_aside), 0) from mart.loads""",
    )
    return Fates(*(int(n) for n in counts))


def summary(run: Run, out: Place, as_of: dt.date) -> Summary:
    """Of a run to a day, whose pages go to ``out``."""
    wheel_ends, flagged = warehouse.one_row(
        run.con, "select count(*), count(*) filter (where flagged) from mart.wheel_end_status"
    )
    outlook = run.con.execute(
        """select relines_p10, relines_p50, relines_p90 from mart.reline_outlook
        where months = 12 order by from_on limit 1"""
    ).fetchall()
    plan = run.con.execute(
        """select risk, extra_relines_mean, extra_relines_p10, extra_relines_p90
        from mart.reline_plan where months = 12"""
    ).fetchall()
    return Summary(
        as_of=as_of,
        fates=fates(run.con),
        wheel_ends=wheel_ends,
        flagged=flagged,
        relines=outlook[0] if outlook else None,
        plan=plan[0] if plan else None,
        page=out / "published" / "index.html",
        warnings=warnings(run.con),
        lining_readings=_lining_readings(run.con),
        derived=tuple(_derived_lines(run.con)),
    )


def _lining_readings(con: duckdb.DuckDBPyConnection) -> int:
    (readings,) = warehouse.one_row(con, "select coalesce(sum(linings), 0) from mart.on_record")
    return int(readings)


def warnings(con: duckdb.DuckDBPyConnection) -> tuple[str, ...]:
    """What the run's figures leave out, a sentence a table; none where it does not matter."""
    loads = warehouse.fetch(con, "from mart.loads")
    reasons = warehouse.fetch(
        con,
        """select table_name, reason_kind, count(*) as n, min_by(path, (path, row_no)) as path,
            min_by(row_no, (path, row_no)) as row_no, min_by(reason, (path, row_no)) as reason
        from mart.set_aside group by all""",
        order="1, 2",
    )
    return tuple(map(plain, missing(loads, reasons)))


def summary_lines(s: Summary) -> list[str]:
    f = s.fates
    return [
        f"As of {s.as_of}: {f.rows_read:,} rows read from {f.files} files; "
        f"{f.accepted:,} accepted, {f.repeated:,} repeated, {f.set_aside:,} set aside{f.of_parts} "
        "(mart.set_aside says why)",
        *(f"Warning: {w}" for w in s.warnings),
        *(f"{line[0].upper()}{line[1:]}" for line in s.derived),
        f"{s.flagged} of {s.wheel_ends} wheel ends flagged",
        f"Relines expected in the next 12 months: {_relines(s)}",
        f"Page: {s.page}",
        CAUTION,
    ]


def _relines(s: Summary) -> str:
    if s.relines is None and not s.lining_readings:
        return "not known, since no lining reading is on record"
    if s.relines is None:
        return "not known, since the lining readings allow no wear fit (mart.wear_components)"
    low, middle, high = s.relines
    forecast = f"{middle:.0f} ({low:.0f} to {high:.0f} in 8 of 10 simulated futures)"
    if s.plan is None:
        return forecast
    risk, mean, low, high = s.plan
    if mean < 0.5:
        return f"{forecast}; keeping to a risk of {risk:.0%} takes none besides"
    extra = f"{mean:.0f} ({low:.0f} to {high:.0f})"
    return f"{forecast}; keeping to a risk of {risk:.0%} takes {extra} more"


def sheet_lines(made: Made) -> list[str]:
    if not made.units:
        return [
            f"No unit to make a sheet for as of {made.as_of}: none is flagged. Name some with "
            "--unit or --depot.",
            CAUTION,
        ]
    return [
        f"{made.units} unit{'s' if made.units != 1 else ''}, {made.wheel_ends} wheel "
        f"end{'s' if made.wheel_ends != 1 else ''}, as of {made.as_of}",
        f"To print: {made.folder / 'sheets.html'}",
        f"To fill in and put into the lake's inspections folder: {made.folder / 'inspections.xlsx'}"
        " (or .csv)",
        CAUTION,
    ]


def check_lines(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Counts, then a line for every reason with its first places, then files not read whole."""
    f = fates(con)
    lines = [
        f"{f.rows_read:,} rows in {f.files} files: {f.accepted:,} accepted, "
        f"{f.repeated:,} repeated, {f.set_aside:,} set aside{f.of_parts}"
    ]
    lines += [_reason_line(con, *reason) for reason in _reasons(con)]
    lines += _derived_lines(con)
    lines.extend(f"{path}: {status}" for path, status in _remarks(con))
    return lines


def _reason_line(con: duckdb.DuckDBPyConnection, table: str, kind: str, count: int) -> str:
    """A kind of reason: how often, where first, what was found there, and what would mend it."""
    examples = con.execute(
        """select path, row_no, reason from mart.set_aside
        where table_name = ? and reason_kind = ? order by path, row_no limit ?""",
        [table, kind, EXAMPLES],
    ).fetchall()
    places = ", ".join(f"{path} row {no}" for path, no, _ in examples)
    reason = examples[0][2]
    mend = line_that_mends(table, reason)
    rows = f"{count:,} row{'s' if count != 1 else ''}"
    told = f"; to mend, in fleet.toml: {mend}" if mend else ""
    return f"{table}, {kind}: {rows}; {places}: {reason}{told}"


# What a reason says, and the line of fleet.toml that would mend its kind.
_MENDING = (
    (r"accepted: (\w+ = \S+) or \S+ under \[answers\]", "[answers] {0}"),
    (r"accepted: (\w+ = \d+), or its number under \[answers\]", "[answers] {0}"),
    (r"near_side is not set under", '[answers] near_side = "L", or "R"'),
    (r"set decimal_comma under \[(\w+)\]", "[{0}] decimal_comma = true, or false"),
    (r"set day_first under \[(\w+)\]", "[{0}] day_first = true, or false"),
    (r"set (length|distance) under \[answers\]", '[answers] {0} = its unit, such as "mm" or "km"'),
    (
        r'found "([^"]*)"; accepted: (\w+).*?say what it means under (\[files\.values\..+?\])\)',
        '{2} "{0}" = "{1}", or what it means',
    ),
    (r"^lining_mm: found .* new lining plus", "[axle_types.NAME] lining_new_mm = the new lining"),
    (
        r"^(\w+): the file has no such column",
        '[columns.TABLE] "own heading" = "{0}", or drumline map',
    ),
)


def line_that_mends(table: str, reason: str) -> str:
    """What to write into ``fleet.toml`` against a reason; empty where no setting would help."""
    for pattern, line in _MENDING:
        found = re.search(pattern, reason)
        if found:
            return line.format(*found.groups()).replace("TABLE", table)
    return ""


def _derived_lines(con: duckdb.DuckDBPyConnection) -> list[str]:
    (derived, armless) = warehouse.one_row(
        con,
        """select count(*), count(*) filter (where arm_length_mm is null)
        from judge.wheel_ends where is_derived""",
    )
    if not derived:
        return []
    arms = (
        f"; {armless:,} without an arm length, so that their strokes go unjudged" if armless else ""
    )
    return [
        f"no register: {derived:,} wheel ends derived from inspections and [[wheel_ends]]{arms}"
    ]


def _reasons(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, int]]:
    return con.execute(
        """select table_name, reason_kind, count(*) from mart.set_aside
        group by all order by count(*) desc, table_name, reason_kind"""
    ).fetchall()


def _remarks(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    return con.execute(
        "select path, status from mart.loads where status <> 'loaded' order by path"
    ).fetchall()
