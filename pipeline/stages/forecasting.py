"""When linings reach their minimum, and when this fleet will reline them."""

import datetime as dt

import duckdb

from models.relines.fleet import fleet_from_tables
from models.relines.forecast.from_wear import reading_sd_of
from models.relines.forecast.minimum import minimum_forecast, minimum_frame
from models.relines.forecast.relining import reline_forecast, reline_frame
from models.relines.simulation.simulate import FleetModel
from pipeline.results import Fits, Forecasts
from pipeline.warehouse import warehouse


def known_fleet(con: duckdb.DuckDBPyConnection, fits: Fits) -> FleetModel | None:
    """All that is known of the fleet's linings, use and habit; None without a wear fit."""
    if fits.wear.mixed is None:
        return None
    return fleet_from_tables(
        fits.wear,
        fits.sums,
        fits.usage,
        warehouse.fetch(con, "from reduce.wheel_ends_now", order="wheel_end_id"),
        warehouse.fetch(con, "from reduce.axle_decisions"),
        warehouse.fetch(con, "from reduce.reline_events"),
        reading_sd_mm=reading_sd_of(warehouse.fetch(con, "from reduce.reading_noise")),
    )


def forecast_relines(
    con: duckdb.DuckDBPyConnection, fits: Fits, as_of: dt.date
) -> Forecasts | None:
    """Both forecasts of every wheel end; None where the readings allow no wear fit."""
    fleet = known_fleet(con, fits)
    if fleet is None:
        return None
    lines, ends, usage = fleet.lines, fleet.ends, fleet.usage
    seen = warehouse.fetch(
        con, "select coalesce(seen_km, 0) as km from reduce.wheel_ends_now", order="wheel_end_id"
    )
    minimum = minimum_forecast(lines, ends.minimum_mm, usage)
    reline = reline_forecast(lines, ends, usage, fleet.habit)
    dates = minimum_frame(ends.wheel_end_id, seen["km"].to_numpy(), minimum, as_of).join(
        reline_frame(ends.wheel_end_id, reline, as_of),
        on="wheel_end_id",
        how="left",
        maintain_order="left",
    )
    return Forecasts(dates, fleet)
