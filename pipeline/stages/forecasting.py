"""When linings reach their minimum, and when this fleet will reline them."""

import datetime as dt

import duckdb
import numpy as np
import polars as pl

from models.relines.fleet import fleet_from_tables
from models.relines.forecast.from_wear import reading_sd_of
from models.relines.forecast.minimum import (
    PROBABLY_HERE,
    lining_ahead,
    minimum_forecast,
    minimum_frame,
)
from models.relines.forecast.relining import chance_done_unwritten, reline_forecast, reline_frame
from models.relines.simulation.simulate import FleetModel
from pipeline.marts.results import Fits, Forecasts
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
        axles_read=warehouse.fetch(con, "from reduce.axles_read"),
        axle_looks=warehouse.fetch(con, "from reduce.axle_looks", order="waited, near"),
        reading_sd_mm=reading_sd_of(warehouse.fetch(con, "from reduce.reading_noise")),
        linings=fits.lines,
        thinning=fits.thinning,
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
    renewed = chance_done_unwritten(ends, fleet.policy)
    minimum = minimum_forecast(lines, ends.minimum_mm, usage, renewed=renewed)
    reline = reline_forecast(lines, ends, usage, fleet.policy)
    dates = minimum_frame(ends.wheel_end_id, seen["km"].to_numpy(), minimum, as_of).join(
        reline_frame(ends.wheel_end_id, reline, as_of),
        on="wheel_end_id",
        how="left",
        maintain_order="left",
    )
    dates = dates.with_columns(p_relined=pl.Series(renewed)).filter(_ever_read(con))
    return Forecasts(dates, linings_now(con, fleet), fleet)


def _ever_read(con: duckdb.DuckDBPyConnection) -> pl.Expr:
    """Wheel ends whose lining was read once at least, this one or one before.

    Of others no date is told: that one side of an axle is never measured says nothing of how it
    wears beside the side that is.
    """
    read = warehouse.fetch(
        con,
        """select distinct l.wheel_end_id from stage.lining_lives l
        inner join stage.lining_readings r on r.life_id = l.life_id""",
    )
    return pl.col("wheel_end_id").is_in(read["wheel_end_id"].implode())


LININGS = {
    "wheel_end_id": pl.String,
    "life_id": pl.String,
    "lining_mm": pl.Float64,
    "lining_sd": pl.Float64,
    "wear_a_day_mm": pl.Float64,
}


def linings_now(con: duckdb.DuckDBPyConnection, fleet: FleetModel | None) -> pl.DataFrame:
    """Each lining estimated on the as-of day of the fleet's use, wear since its last check counted.

    Linings of which nothing is known, of wheel ends that were never read, and of units that have
    probably left, have no row.
    """
    if fleet is None:
        return pl.DataFrame(schema=LININGS)
    lines, usage = fleet.lines, fleet.usage
    lives = warehouse.fetch(
        con, "select wheel_end_id, life_id from reduce.wheel_ends_now", order="wheel_end_id"
    )
    mean, sd = lining_ahead(lines, usage, np.zeros(len(lines)))
    a_day = lining_ahead(lines, usage, np.ones(len(lines)))[0]
    known = lines.is_known & (usage.present[lines.unit] >= PROBABLY_HERE) & np.isfinite(mean)
    # A line may run below nothing left; a lining cannot.
    figures = np.maximum(mean, 0.0), sd, mean - a_day
    names = list(LININGS)[2:]
    return lives.with_columns(
        pl.Series(name, values) for name, values in zip(names, figures, strict=True)
    ).filter(pl.Series(known), _ever_read(con))


def linings_before(linings: pl.DataFrame, days: int) -> pl.DataFrame:
    """The same linings some days earlier, as they wear now."""
    return linings.with_columns(lining_mm=pl.col("lining_mm") + days * pl.col("wear_a_day_mm"))
