"""Fleets of known truth on the as-of day, and what the status says of them that day.

Drawn by the demo fleet's simulator with other habits than its own; the records end on the as-of
day, and the truth of that day is kept beside them.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import polars as pl

from pipeline import run as stages
from pipeline.marts.status import write_status
from pipeline.places import place
from pipeline.stages.forecasting import forecast_relines, linings_now
from pipeline.warehouse import warehouse
from sample_lake import FleetParameters, LakeOptions, simulate_chunks, write_lake

Z80 = 1.2815515655446004


def half_yearly(p: FleetParameters) -> FleetParameters:
    """Checked twice a year, units often away for long, no greasing on record, no bedding-in."""
    return replace(
        p,
        check_weeks=26,
        visits_missed=0.15,
        bedding_in_mm=0.0,
        units_off_road_share=0.3,
        greasings_recorded=0.0,
    )


def careful(p: FleetParameters) -> FleetParameters:
    """Checked every eight weeks, hardly anything set wrong, every failure found and replaced."""
    return replace(
        p.with_depots(wrong_setting_share=0.01),
        check_weeks=8,
        slack_share=0.0,
        tight_share=0.0,
        return_test_misses=0.0,
        replaced_after_failed_test=1.0,
    )


def careless(p: FleetParameters) -> FleetParameters:
    """One setting in seven wrong, short-lived adjusters, coarse readings; use that changes much,
    and wear that differs from unit to unit in proportion to its rate."""
    return replace(
        p.with_depots(wrong_setting_share=0.15).with_duties(
            adjuster_scale_km=300_000.0, damage_per_million_km=1.0
        ),
        wear_variation="proportional",
        wear_unit_sd=0.15,
        wear_life_sd=0.15,
        use_interval_sd=0.25,
        use_unit_sd=0.3,
        lining_error_mm=0.8,
        stroke_error_mm=2.0,
    )


def forgetful(p: FleetParameters) -> FleetParameters:
    """Three relines in ten nobody writes down, readings to the half millimetre, none as left."""
    return replace(
        p.with_depots(lining_step_mm=0.5, as_left_share=0.0),
        relines_not_recorded=0.3,
        coarse_inspectors=(),
    )


def shifting(p: FleetParameters) -> FleetParameters:
    """Three units in five change duty, and wear differs in proportion to its rate."""
    return replace(
        p,
        duty_change_share=0.6,
        wear_variation="proportional",
        wear_unit_sd=0.15,
        wear_life_sd=0.10,
    )


HABITS: dict[str, Callable[[FleetParameters], FleetParameters]] = {
    "as the demo's": lambda p: p,
    "half-yearly": half_yearly,
    "careful": careful,
    "careless": careless,
    "forgetful": forgetful,
    "shifting": shifting,
}


@dataclass(frozen=True, slots=True)
class Out:
    """Wheel ends out of band: said, true, and the SD of the difference that luck alone makes."""

    said: float
    true: int
    luck: float

    @property
    def is_luck(self) -> bool:
        return abs(self.said - self.true) < 3 * self.luck


@dataclass(frozen=True, slots=True)
class OnTheDay:
    """Calibration of one fleet's status. Shares are of wheel ends whose figure is known."""

    wheel_ends: int
    lining_bias_mm: float
    lining_held: float
    stroke_bias: float
    stroke_held: float
    out: Out

    def lines(self) -> str:
        return (
            f"{self.wheel_ends} wheel ends: lining {self.lining_bias_mm:+.3f} mm on average, "
            f"{self.lining_held:.1%} in 8 of 10; stroke / arm {self.stroke_bias:+.4f}, "
            f"{self.stroke_held:.1%}; out of band {self.out.said:.0f} said, {self.out.true} true "
            f"(luck: ± {self.out.luck:.0f})"
        )


def status_and_truth(
    folder: Path, parameters: FleetParameters, *, wheel_ends: int, seed: int
) -> pl.DataFrame:
    """``mart.wheel_end_status`` on the last day with ``true_…`` columns beside it.

    Without units that had left by then. ``recorded``: the reline of the lining in place was written
    down; nobody can know of the others.
    """
    fleets = simulate_chunks(parameters, wheel_ends=wheel_ends, years=5.0, seed=seed)
    write_lake(fleets, folder, LakeOptions(clean=True, file_format="parquet"))
    con = warehouse.in_memory()
    status = written_status(con, folder, parameters.records_end)
    con.close()
    truth = folder / "truth"
    ends = pl.read_parquet(truth / "wheel_ends.parquet").filter(
        pl.col("last_on") == parameters.records_end
    )
    lives = pl.read_parquet(truth / "lives.parquet").filter(pl.col("ended_on").is_null())
    return status.join(
        ends.select(
            "wheel_end_id",
            true_lining_mm="lining_mm",
            true_ratio=pl.col("free_stroke_mm") / pl.col("arm_length_mm"),
            true_cause="cause",
        ),
        on="wheel_end_id",
    ).join(
        lives.select(
            "wheel_end_id", recorded=pl.col("start_recorded") | ~pl.col("started_in_records")
        ),
        on="wheel_end_id",
    )


def written_status(con: duckdb.DuckDBPyConnection, folder: Path, as_of: dt.date) -> pl.DataFrame:
    """The stages of a run as far as the status needs them."""
    lake = place(str(folder / "lake"))
    started = dt.datetime.combine(as_of, dt.time(12))
    run = stages.Run(con, lake, folder / "out", stages.settings_of(lake), started, as_of)
    stages.load(run)
    judged = stages.judge(run)
    stages.reduce(run)
    fitted = stages.fit(run, judged)
    forecasts = forecast_relines(con, fitted.fits, as_of)
    linings = forecasts.linings if forecasts else linings_now(con, None)
    drift = stages.drift(run, fitted, linings, as_of)
    write_status(con, run.settings, drift, forecasts, as_of)
    return warehouse.fetch(con, "from mart.wheel_end_status")


def on_the_day(found: pl.DataFrame) -> OnTheDay:
    """How what was said of a fleet compares with its truth."""
    linings = found.filter(pl.col("recorded") & pl.col("lining_mm").is_not_null())
    off = linings["lining_mm"] - linings["true_lining_mm"]
    strokes = found.filter(pl.col("stroke_ratio").is_not_null())
    held = strokes["true_ratio"].is_between(
        strokes["stroke_ratio_p10"], strokes["stroke_ratio_p90"]
    )
    return OnTheDay(
        wheel_ends=found.height,
        lining_bias_mm=float(off.mean()),  # type: ignore[arg-type]
        lining_held=float((off.abs() < Z80 * linings["lining_sd"]).mean()),  # type: ignore[arg-type]
        stroke_bias=float((strokes["stroke_ratio"] - strokes["true_ratio"]).mean()),  # type: ignore[arg-type]
        stroke_held=float(held.mean()),  # type: ignore[arg-type]
        out=out_of_band(found),
    )


def out_of_band(found: pl.DataFrame) -> Out:
    """Wheel ends outside the default band now: by the sum of their chances, and in truth."""
    p = found["p_out_now"].fill_null(0.0)
    outside = ~found["true_ratio"].is_between(0.10, 0.15)
    return Out(float(p.sum()), int(outside.sum()), float((p * (1 - p)).sum() ** 0.5))
