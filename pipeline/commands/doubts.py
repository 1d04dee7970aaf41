"""What was read otherwise than it was written, for somebody to contradict: a line of each kind."""

from collections.abc import Sequence

import duckdb

from pipeline.values import counted

EXAMPLES = 3


def doubt_lines(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Of judged rows, as ``check`` and the run's summary say it."""
    return [*_replaced_odometers(con), *_jobs_without_odometer(con)]


def _jobs_without_odometer(con: duckdb.DuckDBPyConnection) -> list[str]:
    jobs = con.execute(
        """select wheel_end_id, action, done_on, found from fate.doubtful_jobs
        where left_out = 'odometer_km' order by done_on, wheel_end_id, action"""
    ).fetchall()
    if not jobs:
        return []
    examples = [f"{end} {action} on {day} ({found})" for end, action, day, found in jobs]
    return [
        f"work: {counted(len(jobs), 'job')} counted without their odometer, which contradicts the "
        "checks around it; a job with the odometer of an earlier check was done at that check: "
        f"{_first(examples)}"
    ]


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


def _first(examples: Sequence[str]) -> str:
    return ", ".join(examples[:EXAMPLES]) + ", …" * (len(examples) > EXAMPLES)
