"""This month's flags against last month's, and what became of flags raised at earlier origins."""

import datetime as dt
from collections.abc import Sequence

import duckdb
import polars as pl

from models.adjustment.flag_outcomes import changes, flag_ages, precision
from pipeline.marts import marts
from pipeline.marts.flag_accuracy import flag_accuracy
from pipeline.marts.results import Drift, Origin
from pipeline.warehouse import warehouse

# What the page calls the change of a wheel end's flag; one that is not flagged has none.
CHANGES = {"newly_flagged": "newly", "still_flagged": "still", "cleared": "cleared"}


def write_flag_marts(
    con: duckdb.DuckDBPyConnection, drift: Drift | None, origins: Sequence[Origin], as_of: dt.date
) -> pl.DataFrame:
    """Write ``mart.flag_changes`` and ``mart.flag_precision``; returns the latter."""
    judged = [o for o in origins if o.judged is not None]
    compared = [_compared(con, drift, o, as_of) for o in judged] if drift else []
    latest = compared[0] if compared else marts.empty("flag_changes")
    ages = _ages(con, drift, judged, as_of)
    marts.write(con, "flag_changes", _changes(latest, judged[0].as_of if compared else None, ages))
    worth = [_worth(frame, o.as_of) for frame, o in zip(compared, judged, strict=False)]
    table = pl.concat([marts.empty("flag_precision"), *worth]).sort("month")
    marts.write(con, "flag_precision", table)
    marts.write(con, "flag_accuracy", flag_accuracy(con, table, judged))
    return table


# A reline that nobody wrote down and the readings show is work done all the same.
JOBS = """select wheel_end_id, done_on, action, reason from stage.jobs
    union all select wheel_end_id, on_date, 'reline', 'worn' from stage.relines
    where source = 'inferred'"""


def _compared(
    con: duckdb.DuckDBPyConnection, drift: Drift | None, origin: Origin, as_of: dt.date
) -> pl.DataFrame:
    assert drift is not None
    assert origin.judged is not None
    jobs = warehouse.fetch(con, JOBS)
    faults = warehouse.fetch(
        con,
        f"""select distinct wheel_end_id, true as found_fault from stage.adjuster_checks
        where failed and inspected_on > date '{origin.as_of}'""",
    )
    flags = drift.judged.select("wheel_end_id", "flagged", "state")
    current = flags.join(faults, on="wheel_end_id", how="left")
    return changes(origin.judged, current, jobs, previous_as_of=origin.as_of, as_of=as_of)


def _ages(
    con: duckdb.DuckDBPyConnection, drift: Drift | None, origins: Sequence[Origin], as_of: dt.date
) -> pl.DataFrame:
    """How long each flag has stood, by every earlier day on which it was judged."""
    now = drift.judged if drift else pl.DataFrame(schema={"wheel_end_id": pl.String})
    if now.is_empty():
        return pl.DataFrame(schema=AGES)
    jobs = warehouse.fetch(con, JOBS)
    earlier = [(o.as_of, o.judged) for o in origins if o.judged is not None]
    return flag_ages(now, earlier, jobs, as_of)


AGES = {"wheel_end_id": pl.String, "weeks_flagged": pl.Float64, "weeks_flagged_most": pl.Float64}


def _changes(compared: pl.DataFrame, since: dt.date | None, ages: pl.DataFrame) -> pl.DataFrame:
    if compared.is_empty():
        return marts.empty("flag_changes")
    changed = compared.filter(pl.col("change").is_in(CHANGES.keys())).drop("weeks_flagged")
    return changed.join(ages, on="wheel_end_id", how="left").select(
        "wheel_end_id",
        pl.col("change").replace(CHANGES),
        state=pl.coalesce("state", "was_state"),
        compared_with=pl.lit(since),
        weeks_flagged="weeks_flagged",
        weeks_flagged_most="weeks_flagged_most",
        job="cleared_by",
        cleared_on="cleared_on",
        outcome="outcome",
    )


def _worth(compared: pl.DataFrame, raised_by: dt.date) -> pl.DataFrame:
    """What the flags standing at an origin turned out to be by now."""
    outcomes = compared.filter(pl.col("outcome").is_not_null())
    found = precision(outcomes.select("outcome", month=pl.lit(raised_by)))
    return found.select(
        month="month",
        flags=pl.col("confirmed") + pl.col("false_alarm") + pl.col("undecided"),
        confirmed="confirmed",
        false_alarms="false_alarm",
        open="undecided",
        precision="precision",
        ci_low="ci_low",
        ci_high="ci_high",
    ).cast({n: c.dtype for n, c in marts.FlagPrecision.columns().items()})
