"""Lining wear: per-life sums → rates, spread, departures, comparisons and pointer checks."""

from dataclasses import asdict, replace

import duckdb
import polars as pl

from models.wear.duty_ratios import compare_duties, comparisons_frame
from models.wear.generations.names import fitted_since, newest, plain, rates_now, run_since
from models.wear.generations.told import changes_frame, wear_changes
from models.wear.linearity import Departure, wear_departures
from models.wear.pointers import PointerCalibration
from models.wear.result import WearFit, components_frame, rates_frame
from models.wear.sums import LiningLifeSums, lining_life_sums
from pipeline.marts import marts
from pipeline.warehouse import warehouse

# The straight line is tested on no more units than this: more would sharpen a clear answer.
UNITS_TESTED = 4_000


def fleet_sums(con: duckdb.DuckDBPyConnection) -> LiningLifeSums:
    """What SQL left of the fleet's lining readings."""
    tables = ("lining_life_sums", "lining_life_duty_sums", "lining_life_duty_pairs")
    return lining_life_sums(*(warehouse.fetch(con, f"from reduce.{t}") for t in tables))


def write_wear_marts(
    con: duckdb.DuckDBPyConnection,
    fit: WearFit,
    calibration: PointerCalibration,
    sums: LiningLifeSums,
) -> None:
    """Write what the wear fit of some sums says, and test what it takes for granted."""
    marts.write(con, "wear_rates", _rates(fit))
    marts.write(con, "wear_changes", changes_frame(wear_changes(fit, sums)))
    marts.write(con, "wear_components", _components(fit))
    marts.write(con, "wear_spreads", _spreads(fit))
    marts.write(con, "wear_departures", _departures(wear_departures(*_tested_readings(con))))
    marts.write(con, "pointer_checks", _pointer_checks(calibration))
    marts.write(con, "pointers_not_reset", calibration.not_reset)


def wear_comparisons(fit: WearFit) -> pl.DataFrame:
    """Ratios of wear between duties, of linings as fitted now, for ``mart.duty_comparisons``."""
    now = {name: axle_type for axle_type, name in newest(fit.axle_types).items()}
    run = {name: duty for duty, name in newest(fit.duties).items()}
    pair = ("duty_a", "duty_b")
    return (
        comparisons_frame(compare_duties(fit))
        .filter(
            pl.col("ratio").is_not_null(),
            pl.col("axle_type").is_in(list(now)),
            *(pl.col(duty).is_in(list(run)) for duty in pair),
        )
        .with_columns(pl.col("axle_type").replace(now), pl.col(pair).replace(run))
    )


def _tested_readings(con: duckdb.DuckDBPyConnection) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings, and km by duty, of the units that the straight line is tested on."""
    tested = f"""(select unit_id from reduce.units_now order by hash(unit_id), unit_id
        limit {UNITS_TESTED})"""
    readings = warehouse.fetch(
        con,
        f"""select l.unit_id, l.axle_type, l.start_known, r.*
        from stage.lining_readings r
        inner join stage.lining_lives l on l.life_id = r.life_id
        where l.unit_id in {tested}""",
        order="life_id, inspected_on, as_left",
    )
    km = warehouse.fetch(
        con,
        f"""select k.* from stage.lining_reading_km k
        inner join (from stage.lining_lives where unit_id in {tested}) l
            on l.life_id = k.life_id""",
    )
    return readings, km


def _rates(fit: WearFit) -> pl.DataFrame:
    """Of linings as they are fitted now."""
    since = {axle_type: fitted_since(name) for axle_type, name in newest(fit.axle_types).items()}
    later = {axle_type: f"of linings fitted since {day}" for axle_type, day in since.items() if day}
    eras = {duty: run_since(name) for duty, name in newest(fit.duties).items()}
    run = {duty: f"on km run since {day}" for duty, day in eras.items() if day}
    leans = pl.lit("leans by a quarter or more on other duties and axle types")
    said = pl.concat_str(
        pl.col("axle_type").replace_strict(later, default=None, return_dtype=pl.String),
        pl.col("duty").replace_strict(run, default=None, return_dtype=pl.String),
        pl.when("shrunk").then(leans),
        separator="; ",
        ignore_nulls=True,
    )
    return rates_frame(replace(fit, rates=rates_now(fit))).with_columns(
        own_mm_per_10000km=pl.col("raw_mm_per_10000km"),
        note=pl.when(said != "").then(said),
    )


def _components(fit: WearFit) -> pl.DataFrame:
    return components_frame(fit).with_columns(note=pl.lit(plain(" ".join(fit.notes)) or None))


def _spreads(fit: WearFit) -> pl.DataFrame:
    rows = [{**asdict(law), "aic": law.aic} for law in fit.laws]
    return pl.DataFrame(rows, schema={n: c.dtype for n, c in marts.WearSpreads.columns().items()})


def _departures(departures: tuple[Departure, ...]) -> pl.DataFrame:
    columns = {n: c.dtype for n, c in marts.WearDepartures.columns().items()}
    return pl.DataFrame([asdict(d) for d in departures], schema=columns)


def _pointer_checks(calibration: PointerCalibration) -> pl.DataFrame:
    rows = [
        {
            **asdict(bias),
            "axle_type": plain(bias.axle_type),
            "reading_sd_mm": calibration.reading_sd_mm,
            "setting_sd_mm": calibration.setting_sd_mm,
            "weight": calibration.weight.reading if calibration.weight else None,
            "note": plain(" ".join(calibration.notes)) or None,
        }
        for bias in calibration.biases
    ]
    return pl.DataFrame(rows, schema={n: c.dtype for n, c in marts.PointerChecks.columns().items()})
