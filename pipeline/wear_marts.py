"""Lining wear: per-life sums → ``mart.wear_rates`` and ``mart.wear_components``."""

import duckdb
import polars as pl

from models.wear_fit import fit_wear
from models.wear_result import WearFit, components_frame, rates_frame
from models.wear_sums import LiningLifeSums, lining_life_sums
from pipeline import marts, warehouse


def fleet_sums(con: duckdb.DuckDBPyConnection) -> LiningLifeSums:
    """What SQL left of the fleet's lining readings."""
    tables = ("lining_life_sums", "lining_life_duty_sums", "lining_life_duty_pairs")
    return lining_life_sums(*(warehouse.fetch(con, f"select * from reduce.{t}") for t in tables))


def write_wear_marts(con: duckdb.DuckDBPyConnection) -> WearFit:
    """Fit the fleet's wear and write what it says."""
    fit = fit_wear(fleet_sums(con))
    marts.write(con, "wear_rates", _rates(fit))
    marts.write(con, "wear_components", _components(fit))
    return fit


def _rates(fit: WearFit) -> pl.DataFrame:
    return rates_frame(fit).with_columns(
        own_mm_per_10000km=pl.col("raw_mm_per_10000km"),
        note=pl.when("shrunk").then(
            pl.lit("few units: drawn toward the other duties of its axle type")
        ),
    )


def _components(fit: WearFit) -> pl.DataFrame:
    return components_frame(fit).with_columns(note=pl.lit("; ".join(fit.notes) or None))
