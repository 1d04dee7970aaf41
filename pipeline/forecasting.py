"""When linings reach their minimum, and when this fleet will reline them."""

import datetime as dt
from dataclasses import dataclass

import duckdb
import polars as pl

from models.reline_dates import minimum_forecast, minimum_frame
from models.reline_ends import wheel_ends
from models.reline_from_wear import wheel_end_lines
from models.reline_habit import HabitFit, fit_habit, reline_timing
from models.reline_habit_data import axle_decisions, habit_groups
from models.reline_simulation import FleetModel, fleet_model
from models.reline_visits import reline_forecast, reline_frame
from pipeline import warehouse
from pipeline.fitting import Fits


@dataclass(frozen=True, slots=True)
class Forecasts:
    """``dates``: one row per wheel end; ``fleet`` is what the budget is drawn from."""

    dates: pl.DataFrame
    fleet: FleetModel

    @property
    def habit(self) -> HabitFit:
        return self.fleet.habit


def forecast_relines(
    con: duckdb.DuckDBPyConnection, fits: Fits, as_of: dt.date
) -> Forecasts | None:
    """Both forecasts of every wheel end; None where the readings allow no wear fit."""
    if fits.wear.mixed is None:
        return None
    now = warehouse.fetch(con, "from reduce.wheel_ends_now order by wheel_end_id")
    decisions = warehouse.fetch(con, "from reduce.axle_decisions order by all")
    events = warehouse.fetch(con, "from reduce.reline_events order by all")
    groups = habit_groups(now, decisions)
    habit = fit_habit(axle_decisions(decisions, groups), groups, reline_timing(events))
    lines = wheel_end_lines(fits.wear, fits.sums, now, fits.usage)
    ends = wheel_ends(now, fits.usage.unit_ids, groups)
    minimum = minimum_forecast(lines, ends.minimum_mm, fits.usage)
    seen_km = now["seen_km"].fill_null(0.0).to_numpy()
    dates = minimum_frame(ends.wheel_end_id, seen_km, minimum, as_of).join(
        reline_frame(ends.wheel_end_id, reline_forecast(lines, ends, fits.usage, habit), as_of),
        on="wheel_end_id",
        how="left",
        maintain_order="left",
    )
    return Forecasts(dates, fleet_model(ends, lines, fits.usage, habit))
