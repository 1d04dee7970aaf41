"""What a run says on the terminal."""

import datetime as dt
from dataclasses import dataclass

import duckdb

from dashboards.sentences.missing import missing
from dashboards.sentences.uneven_past import returning_said, silence_said
from dashboards.sentences.words import plain
from pipeline.commands import CAUTION
from pipeline.commands.checking import Fates, derived_lines, fates, unmatched_lines
from pipeline.commands.doubts import doubt_lines
from pipeline.places import Place
from pipeline.run import Run
from pipeline.values import counted
from pipeline.warehouse import warehouse


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
        warnings=warnings(run.con, as_of),
        lining_readings=_lining_readings(run.con),
        derived=(
            *derived_lines(run.con),
            *doubt_lines(run.con, run.settings),
            *unmatched_lines(run.con, run.settings),
        ),
    )


def _lining_readings(con: duckdb.DuckDBPyConnection) -> int:
    (readings,) = warehouse.one_row(con, "select coalesce(sum(linings), 0) from mart.on_record")
    return int(readings)


def warnings(con: duckdb.DuckDBPyConnection, as_of: dt.date) -> tuple[str, ...]:
    """What the run's figures leave out, a sentence a table, and whether records end long before
    the as-of day; none where it does not matter."""
    loads = warehouse.fetch(con, "from mart.loads")
    reasons = warehouse.fetch(
        con,
        """select table_name, reason_kind, count(*) as n, min_by(path, (path, row_no)) as path,
            min_by(row_no, (path, row_no)) as row_no, min_by(reason, (path, row_no)) as reason
        from mart.set_aside group by all""",
        order="1, 2",
    )
    silent = silence_said(warehouse.fetch(con, "from mart.record_holes"), as_of)
    returning = returning_said(warehouse.fetch(con, "from mart.use_changes"))
    return tuple(map(plain, (*missing(loads, reasons), *silent, *returning)))


def summary_lines(s: Summary) -> list[str]:
    f = s.fates
    return [
        f"As of {s.as_of}: {counted(f.rows_read, 'row')} read from {counted(f.files, 'file')}; "
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
