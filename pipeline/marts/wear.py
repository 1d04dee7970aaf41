"""Lining wear: per-life sums → rates, spread, departures, comparisons and pointer checks."""

from collections.abc import Mapping
from dataclasses import asdict, replace

import duckdb
import polars as pl

from models.wear.duty_ratios import compare_duties, comparisons_frame
from models.wear.generations.by_unit import units_said
from models.wear.generations.names import fitted_since, newest, plain, rates_now, run_since
from models.wear.generations.told import changes_frame, wear_changes
from models.wear.pointers import PointerCalibration
from models.wear.result import WearFit, components_frame, rates_frame
from models.wear.shape.gauge_steps import gauge_step_frame, gauge_steps
from models.wear.shape.linearity import wear_departures
from models.wear.shape.thinning import Thinning, departures_beside
from models.wear.sums import LiningLifeSums, lining_life_sums
from pipeline.marts import marts
from pipeline.marts.results import Fits
from pipeline.warehouse import warehouse

# The course of wear is tested on no more units than this: more would sharpen a clear answer.
UNITS_TESTED = 4_000
UNITS_A_DEPOT = 200
TESTED = f"""(select unit_id from reduce.units_now order by hash(unit_id), unit_id
    limit {UNITS_TESTED})"""


def fleet_sums(
    con: duckdb.DuckDBPyConnection, names: Mapping[str, str] | None = None
) -> LiningLifeSums:
    """What SQL left of the fleet's lining readings; ``names``: of tables, in the place of some."""
    tables = ("lining_life_sums", "lining_life_duty_sums", "lining_life_duty_pairs")
    return lining_life_sums(
        *(warehouse.fetch(con, warehouse.renamed(f"from reduce.{t}", names or {})) for t in tables)
    )


def write_wear_marts(con: duckdb.DuckDBPyConnection, fits: Fits) -> None:
    """Write what the wear fit says, and test what it takes for granted by some units' readings."""
    marts.write(con, "wear_rates", _rates(fits.wear))
    marts.write(con, "wear_changes", changes_frame(wear_changes(fits.wear, fits.sums)))
    marts.write(con, "wear_components", _components(fits))
    marts.write(con, "wear_spreads", _spreads(fits.wear))
    marts.write(con, "wear_departures", _departures(*tested_readings(con), fits.thinning))
    marts.write(
        con, "gauge_steps", gauge_step_frame(gauge_steps(depot_readings(con), fits.usage.as_of))
    )
    marts.write(con, "pointer_checks", _pointer_checks(fits.calibration))
    marts.write(con, "pointers_not_reset", fits.calibration.not_reset)


def depot_readings(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Lining readings as found, of some units of each depot."""
    return warehouse.fetch(
        con,
        f"""with asked as (
            select unit_id from judge.wheel_ends group by unit_id, depot
            qualify row_number() over (partition by depot order by hash(unit_id), unit_id)
                <= {UNITS_A_DEPOT}
        )
        select w.depot, l.unit_id, r.life_id, r.duty, r.inspected_on, r.km, r.lining_mm
        from stage.lining_readings r
        inner join stage.lining_lives l on l.life_id = r.life_id
        inner join judge.wheel_ends w on w.wheel_end_id = l.wheel_end_id
        where r.lining_mm is not null and not r.as_left
            and l.unit_id in (select unit_id from asked)""",
        order="depot, life_id, inspected_on, km",
    )


def tested_readings(con: duckdb.DuckDBPyConnection) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings, and km by duty, of the units that the course of wear is tested on."""
    readings = warehouse.fetch(
        con,
        f"""select l.unit_id, l.axle_type, l.start_known, l.started_on, w.depot, w.lining_new_mm,
            w.lining_min_mm, r.*
        from stage.lining_readings r
        inner join stage.lining_lives l on l.life_id = r.life_id
        inner join judge.wheel_ends w on w.wheel_end_id = l.wheel_end_id
        where l.unit_id in {TESTED}""",
        order="life_id, inspected_on, as_left",
    )
    km = warehouse.fetch(
        con,
        f"""select k.* from stage.lining_reading_km k
        inner join (from stage.lining_lives where unit_id in {TESTED}) l
            on l.life_id = k.life_id""",
    )
    return readings, km


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


def _components(fits: Fits) -> pl.DataFrame:
    said = " ".join(filter(None, (*fits.wear.notes, units_said(fits.apart))))
    return components_frame(fits.wear).with_columns(note=pl.lit(plain(said) or None))


def _spreads(fit: WearFit) -> pl.DataFrame:
    rows = [{**asdict(law), "aic": law.aic} for law in fit.laws]
    return pl.DataFrame(rows, schema={n: c.dtype for n, c in marts.WearSpreads.columns().items()})


def _departures(
    readings: pl.DataFrame, km: pl.DataFrame, thinning: Thinning | None
) -> pl.DataFrame:
    if thinning is None:
        found = wear_departures(readings, km)
    else:
        found = departures_beside(readings, km, thinning)
    columns = {n: c.dtype for n, c in marts.WearDepartures.columns().items()}
    return pl.DataFrame([asdict(d) for d in found], schema=columns)


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
