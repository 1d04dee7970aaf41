"""A fleet's forecasts put together from reduced tables, and held against what happened."""

import datetime as dt

import numpy as np
import polars as pl
from scipy import special

from models.common.arrays import FloatArray
from models.relines.backtest import (
    MONTH_DAYS,
    Happened,
    ReadingsSeen,
    date_rows,
    low_readings_row,
    reading_row,
    readings_nearest,
    relined_days,
    totals_row,
)
from models.relines.budget import budget_months
from models.relines.forecast.from_wear import wheel_end_lines
from models.relines.forecast.minimum import lining_ahead, minimum_forecast
from models.relines.forecast.relining import reline_forecast
from models.relines.forecast.wheel_ends import wheel_ends
from models.relines.policy.decisions import axle_decisions, habit_groups
from models.relines.policy.habit import fit_habit, mean_habit, reline_timing
from models.relines.simulation.simulate import FleetModel, fleet_model, simulate_relines
from models.usage.fit import UsageFit
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums

MONTHS_A_QUARTER = 3


def fleet_from_tables(
    wear: WearFit,
    sums: LiningLifeSums,
    usage: UsageFit,
    ends_now: pl.DataFrame,
    decisions: pl.DataFrame,
    events: pl.DataFrame,
    reading_sd_mm: float | None = None,
) -> FleetModel:
    """All that is known of a fleet.

    Parameters
    ----------
    wear, sums, usage : the fits, as of one day.
    ends_now : rows of ``reduce.wheel_ends_now``, in the order that results are wanted in.
    decisions : rows of ``reduce.axle_decisions``.
    events : rows of ``reduce.reline_events``.
    reading_sd_mm : from ``reduce.reading_noise``; None takes the wear fit's residual.

    Raises
    ------
    ValueError
        If the wear fit has no rates, or a wheel end's unit has no use fitted.
    """
    groups = habit_groups(decisions, ends_now)
    habit = fit_habit(axle_decisions(decisions, groups), groups, reline_timing(events))
    ends = wheel_ends(ends_now, usage.unit_ids, groups)
    lines = wheel_end_lines(wear, sums, ends_now, usage, reading_sd_mm)
    return fleet_model(ends, lines, usage, habit)


def backtest_rows(
    fleet: FleetModel,
    until: dt.date,
    relines: pl.DataFrame,
    readings: pl.DataFrame,
    *,
    draws: int = 200,
    seed: int = 0,
) -> list[dict[str, object]]:
    """Forecasts as of the fleet's own day against the records up to ``until``.

    Parameters
    ----------
    fleet : everything known at the origin, which is the as-of day of its use.
    relines : wheel_end_id, relined_on; readings : wheel_end_id, inspected_on, above_mm. Both may
        reach further back and further on; rows outside the window are not used.

    Returns
    -------
    Rows for :func:`models.relines.backtest.backtest_frame`.
    """
    origin, ends = fleet.usage.as_of, fleet.ends
    there = pl.DataFrame({"wheel_end_id": ends.wheel_end_id})
    relines = relines.join(there, on="wheel_end_id", how="semi")
    relined = relined_days(ends.wheel_end_id, relines, origin, until)
    reline = reline_forecast(fleet.lines, ends, fleet.usage, fleet.habit)
    rows = date_rows("reline_on", origin, reline.days, relined)
    rows += _thickness_rows(fleet, until, relined, readings)
    return rows + _quarters(fleet, until, relines, draws, seed)


def unhidden_limit_mm(fleet: FleetModel) -> float:
    """Thickness above the minimum that a lining passes well before anyone relines it."""
    habit = mean_habit(fleet.habit)
    spread = float(np.hypot(habit.spread_mm, fleet.lines.reading_sd))
    return float(habit.threshold_mm.max()) + 3.0 * spread


def _thickness_rows(
    fleet: FleetModel, until: dt.date, relined: Happened, readings: pl.DataFrame
) -> list[dict[str, object]]:
    """What was read next, and what was read about when a lining was to pass a limit."""
    origin, ends = fleet.usage.as_of, fleet.ends
    limit = ends.minimum_mm + unhidden_limit_mm(fleet)
    first, middle = minimum_forecast(fleet.lines, limit, fleet.usage, (0.1, 0.5)).days
    coming = (first > 0.0) & (middle <= relined.watched)
    when = np.where(coming, middle, 0.0)
    about = readings_nearest(ends.wheel_end_id, readings, relined, origin, until, when)
    near = coming & (np.abs(about.day - when) <= fleet.usage.usual_days[ends.unit] / 2.0)
    mean, sd, month_mm = _expected_readings(fleet, about)
    then = np.where(near, about.above_mm, np.nan)
    following = readings_nearest(
        ends.wheel_end_id, readings, relined, origin, until, np.zeros(len(ends))
    )
    next_mean, next_sd, _ = _expected_readings(fleet, following)
    return [
        reading_row(origin, mean, sd, then, "min_on", month_mm),
        reading_row(origin, next_mean, next_sd, following.above_mm),
        low_readings_row(origin, special.ndtr(-next_mean / next_sd), following.above_mm),
    ]


def _expected_readings(
    fleet: FleetModel, seen: ReadingsSeen
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and SD of readings on given days, above the minimum, and the wear of a month [mm]."""
    lines, month = fleet.lines, 30.0
    mean, sd = lining_ahead(lines, fleet.usage, seen.day)
    later, _ = lining_ahead(lines, fleet.usage, seen.day + month)
    above = np.where(lines.is_known, mean - fleet.ends.minimum_mm, np.nan)
    wear = np.maximum((mean - later) * MONTH_DAYS / month, 1e-3)
    return above, np.hypot(sd, lines.reading_sd), wear


def _quarters(
    fleet: FleetModel, until: dt.date, relines: pl.DataFrame, draws: int, seed: int
) -> list[dict[str, object]]:
    """The fleet's total in each whole quarter that was watched."""
    origin = fleet.usage.as_of
    months = (until.year - origin.year) * 12 + until.month - origin.month
    if budget_months(origin, max(months, 1)).span_ends[-1] > until:
        months -= 1
    quarters = months // MONTHS_A_QUARTER
    if quarters < 1:
        return []
    ahead = budget_months(origin, quarters * MONTHS_A_QUARTER)
    (tally,) = simulate_relines(fleet, ahead.calendar, draws=draws, seed=seed)
    by_quarter = tally.span_relines.reshape(draws, quarters, MONTHS_A_QUARTER).sum(axis=2)
    days = relines.select((pl.col("relined_on") - pl.lit(origin)).dt.total_days()).to_series()
    edges = np.concatenate([[0.5], ahead.calendar.span_ends[MONTHS_A_QUARTER - 1 :: 3]])
    observed = np.histogram(days.to_numpy(), edges)[0]
    return [totals_row(origin, by_quarter.astype(float), observed.astype(float))]
