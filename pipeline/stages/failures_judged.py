"""Failures forecast at earlier origins, against those that checks have found since."""

import datetime as dt
from collections.abc import Sequence

import duckdb
import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.relines.backtest import Row, totals_row
from models.relines.look_back import QUARTERS_A_YEAR, quarters_between
from models.relines.past_errors import MONTHS_A_QUARTER, PastErrors, past_errors
from models.relines.rivals import PlainTotals, last_years_totals
from models.usage.fit import YearKnown
from models.usage.holes import Hole, watched_until
from models.usage.since import is_soon_after, log_units_missed, log_use_missed
from pipeline.marts.lives.failures import error_factor, quarters_drawn
from pipeline.marts.results import FailuresAhead
from pipeline.warehouse import warehouse

Told = tuple[FailuresAhead, FloatArray, int, FloatArray, FloatArray]
"""A forecast, what came in its quarters that are over, how many quarters ago it was made, and logs
of km run over km forecast, and of units there over those forecast, in those quarters."""


def failures_found(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """wheel_end_id, found_on: the day each failure showed, by a check or a job's reason."""
    return warehouse.fetch(
        con,
        """select wheel_end_id, ended_on as found_on from stage.adjuster_lives
        where cause not in ('in_service', 'planned', 'unstated')""",
        order="wheel_end_id, found_on",
    )


def failure_rows(
    ahead: Sequence[FailuresAhead],
    found: pl.DataFrame,
    ran: pl.DataFrame,
    missing: Sequence[Hole],
    seen: pl.DataFrame | None,
    until: dt.date,
    year_known: YearKnown = frozenset(),
) -> tuple[list[Row], PastErrors]:
    """Totals as they would have been published, each by the errors known at its origin; and those
    errors as of ``until``. ``ran``: what units ran, as ``reduce.unit_usage`` has it; ``missing``:
    holes of the records; ``seen``: when each unit was last (``models.usage.since``; None: all as
    was forecast); ``year_known``: what is known by then of how the year goes."""
    records = found, ran, missing, seen
    told = [t for each in ahead if (t := _told(each, *records, until)) is not None]
    # What was known when a hole of the records had hardly ended says nothing of today's forecast.
    like = [t for t in told if not is_soon_after(missing, t[0].usage)]
    errors = {
        known: _errors([t for t in like if t[0].usage.year_known >= known])
        for known in {year_known, *(t[0].usage.year_known for t in told)}
    }
    rows = [row for t in told for row in _judged(t, found, errors[t[0].usage.year_known])]
    return rows, errors[year_known]


def _errors(told: Sequence[Told]) -> PastErrors:
    plain = [quarters_drawn(a, error_factor(a, None), len(came)) for a, came, *_ in told]
    _, came, ago, use, units = zip(*told, strict=True) if told else ((),) * 5
    return past_errors(plain, came, ago, use=use, units=units)


def _told(
    ahead: FailuresAhead,
    found: pl.DataFrame,
    ran: pl.DataFrame,
    missing: Sequence[Hole],
    seen: pl.DataFrame | None,
    until: dt.date,
) -> Told | None:
    origin = ahead.months.as_of
    ago = quarters_between(origin, until)
    watched = watched_until(missing, origin, until)
    quarters = min(quarters_between(origin, watched), QUARTERS_A_YEAR)
    if quarters < 1:
        return None
    days = found.filter(pl.col("wheel_end_id").is_in(ahead.wheel_end_id.implode())).select(
        (pl.col("found_on") - pl.lit(origin)).dt.total_days()
    )
    edges = _edges(ahead, quarters)
    came = np.histogram(days.to_series().to_numpy(), edges)[0].astype(np.float64)
    use = log_use_missed(ahead.usage, ran, edges)
    units = np.zeros(quarters) if seen is None else log_units_missed(ahead.usage, seen, edges)
    return ahead, came, ago, use, units


def _edges(ahead: FailuresAhead, quarters: int) -> FloatArray:
    ends = ahead.months.calendar.span_ends[MONTHS_A_QUARTER - 1 :: MONTHS_A_QUARTER]
    return np.concatenate([[0.5], ends[:quarters]])


def _judged(told: Told, found: pl.DataFrame, errors: PastErrors) -> list[Row]:
    """The quarters of the year ahead, and the year."""
    ahead, came, ago, *_ = told
    origin, edges = ahead.months.as_of, _edges(ahead, len(came))
    draws = quarters_drawn(ahead, error_factor(ahead, errors.known_at(ago)), len(came))
    own = found.filter(pl.col("wheel_end_id").is_in(ahead.wheel_end_id.implode()))
    done = own.rename({"found_on": "relined_on"})

    def rival(spans: FloatArray) -> dict[str, PlainTotals]:
        return {"last_year": last_years_totals(done, origin, spans, together=1.0)}

    rows = [totals_row("failures_quarter", origin, draws, came, rival(edges))]
    if len(came) == QUARTERS_A_YEAR:
        year, sums = draws.sum(axis=1, keepdims=True), came.sum(keepdims=True)
        rows.append(totals_row("failures_year", origin, year, sums, rival(edges[[0, -1]])))
    return rows
