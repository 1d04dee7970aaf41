"""Adjustment drift: stroke readings and wear → how each wheel end keeps its adjustment.

Wear since a setting is the wear fit's: the rate of the lining life in place, its own deviation
included, times the km run in each duty since the setting.
"""

import datetime as dt
import math
from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from models.drift import FleetDrift, judge_wheel_ends, learn_fleet, prepare_readings
from models.drift_flags import FlagRules
from models.drift_parameters import Band
from models.life_distributions import LifeDistribution, life_distribution
from models.wear_predict import LiningLines
from models.wear_result import WearFit
from pipeline import warehouse
from pipeline.fitting import Fits
from pipeline.settings import Settings

KM = 10_000.0
# Where the wear fit says nothing, drift_readings falls back on a usual rate of its own.
SEED = 0

KEYS = ["episode_id", "inspected_on", "as_left"]
# Axle type and duty; None pools over it.
Lives = dict[tuple[str | None, str | None], LifeDistribution]


@dataclass(frozen=True, slots=True)
class Drift:
    """Every wheel end judged, and what the judgement rests on."""

    fleet: FleetDrift
    lives: Lives
    judged: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Strokes:
    """Stroke readings with the wear since their setting; and for each wheel end, what lies between
    its last reading and its next check."""

    readings: pl.DataFrame
    ends: pl.DataFrame


def judge_drift(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    fits: Fits,
    as_of: dt.date,
) -> Drift | None:
    """Judge every wheel end by its stroke readings; None where no stroke was ever read."""
    strokes = strokes_of(con, fits)
    if strokes.readings.is_empty():
        return None
    adjustment = settings.adjustment
    band = Band(adjustment.band_low, adjustment.band_high, adjustment.target)
    rules = FlagRules(side_limit=adjustment.side_to_side_limit)
    prepared = prepare_readings(strokes.readings, band)
    fleet = learn_fleet(prepared, band, rules, seed=SEED)
    lives = chosen_lives(con)
    outlook = with_failures(strokes.ends, lives)
    return Drift(fleet, lives, judge_wheel_ends(prepared, outlook, fleet, as_of))


def strokes_of(con: duckdb.DuckDBPyConnection, fits: Fits) -> Strokes:
    return Strokes(stroke_readings(con, fits), drift_outlook(con, fits))


def rejudged(drift: Drift, strokes: Strokes, as_of: dt.date) -> pl.DataFrame | None:
    """Wheel ends as judged on an earlier day, by what the fleet has taught since."""
    if strokes.readings.is_empty():
        return None
    prepared = prepare_readings(strokes.readings, drift.fleet.band, drift.fleet.groups)
    outlook = with_failures(strokes.ends, drift.lives)
    return judge_wheel_ends(prepared, outlook, drift.fleet, as_of)


def stroke_readings(con: duckdb.DuckDBPyConnection, fits: Fits) -> pl.DataFrame:
    """Stroke readings with the wear since their setting."""
    readings = warehouse.fetch(
        con,
        """select r.*, coalesce(g.due_on < r.inspected_on, false) as greasing_overdue
        from stage.stroke_readings r
        left join reduce.greasing_due g
            on g.wheel_end_id = r.wheel_end_id and g.inspected_on = r.inspected_on
        where r.stroke_ratio is not null""",
        order="r.wheel_end_id, r.inspected_on, r.as_left",
    )
    return readings.join(wear_since_setting(con, fits), on=KEYS, how="left", maintain_order="left")


def wear_since_setting(con: duckdb.DuckDBPyConnection, fits: Fits) -> pl.DataFrame:
    """``wear_mm`` and its ``wear_sd_mm`` since the setting, one row per stroke reading."""
    km = warehouse.fetch(
        con,
        """select k.*, e.axle_type, l.life_id from reduce.stroke_reading_km k
        inner join stage.setting_episodes e on e.episode_id = k.episode_id
        left join reduce.stroke_reading_lives l
            on l.episode_id = k.episode_id and l.inspected_on = k.inspected_on
            and l.as_left = k.as_left""",
    )
    priced = km.join(
        rate_frame(fits.wear), on=["axle_type", "duty"], how="inner", maintain_order="left"
    )
    x = pl.col("km") / KM
    since = priced.group_by(KEYS, maintain_order=True).agg(
        pl.col("life_id").first(),
        by_rate=(x * pl.col("rate")).sum(),
        by_rate_var=(x * pl.col("rate_se")).sum() ** 2,
        x=x.sum(),
    )
    with_life = since.join(life_slopes(fits.lines), on="life_id", how="left", maintain_order="left")
    own = pl.col("slope").fill_null(0.0)
    own_var = pl.col("slope_var").fill_null(_spread_of_rates(fits.wear) ** 2)
    return with_life.select(
        *KEYS,
        wear_mm=(pl.col("by_rate") - own * pl.col("x")).clip(0.0),
        wear_sd_mm=(pl.col("by_rate_var") + own_var * pl.col("x") ** 2).sqrt(),
    )


def rate_frame(wear: WearFit) -> pl.DataFrame:
    """The fit's rates and their standard errors, mm per 10,000 km."""
    rows = [(r.axle_type, r.duty, r.mm_per_10000km, r.se) for r in wear.rates]
    schema = {"axle_type": pl.String, "duty": pl.String, "rate": pl.Float64, "rate_se": pl.Float64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def life_slopes(lines: LiningLines | None) -> pl.DataFrame:
    """Each life's own deviation of lining per 10,000 km (negative: wears faster), its variance."""
    if lines is None:
        schema = {"life_id": pl.String, "slope": pl.Float64, "slope_var": pl.Float64}
        return pl.DataFrame(schema=schema)
    return pl.DataFrame(
        {"life_id": lines.life_id, "slope": lines.slope_mm, "slope_var": lines.var_slope}
    )


def _spread_of_rates(wear: WearFit) -> float:
    """How much a life's rate differs from its group's, where the life itself says nothing."""
    parts = wear.components
    return math.hypot(parts.between_unit_sd or 0.0, parts.between_life_sd or 0.0)


def drift_outlook(con: duckdb.DuckDBPyConnection, fits: Fits) -> pl.DataFrame:
    """One row per wheel end: what lies between its last stroke reading and its next check."""
    ends = warehouse.fetch(con, "from reduce.drift_outlook", order="wheel_end_id")
    ends = (
        ends.join(fits.km_per_day.select("unit_id", "km_per_day"), on="unit_id", how="left")
        .join(rate_frame(fits.wear), on=["axle_type", "duty"], how="left")
        .join(life_slopes(fits.lines), on="life_id", how="left")
    )
    x = pl.col("km_per_day") * 7 * pl.col("check_weeks") / KM
    rate = (pl.col("rate") - pl.col("slope").fill_null(0.0)).clip(0.0)
    spread = _spread_of_rates(fits.wear)
    rate_sd = (pl.col("rate_se") ** 2 + pl.col("slope_var").fill_null(spread**2)).sqrt()
    own_spread = max(spread, 1e-9)
    return ends.with_columns(
        wear_to_next_mm=rate * x,
        wear_to_next_sd_mm=rate_sd * x,
        wear_z=(-pl.col("slope") / own_spread),
        km_to_next=x * KM,
    )


def with_failures(ends: pl.DataFrame, lives: Lives) -> pl.DataFrame:
    """The same wheel ends with the chance that their adjuster fails by the next check."""
    chance = failure_by_next_check(lives, ends, pl.col("km_to_next"))
    return ends.with_columns(p_fail_next=chance)


def failure_by_next_check(lives: Lives, ends: pl.DataFrame, km: pl.Expr) -> pl.Series:
    """Chance that an adjuster good at its last check fails within one check interval's km.

    Its group's chosen life, else the fleet's; an adjuster of unknown age takes the fleet's rate
    at the age by which half have failed.
    """
    frame = ends.with_columns(ahead=km.fill_null(0.0))
    chances = np.zeros(frame.height)
    keys = frame.select("axle_type", "duty").rows()
    for group in set(keys):
        life = lives.get(group) or lives.get((group[0], None)) or lives.get((None, None))
        if life is None:
            continue
        at = np.array([key == group for key in keys])
        age = frame.filter(at)["adjuster_km"].fill_null(float(life.quantile(0.5))).to_numpy()
        ahead = frame.filter(at)["ahead"].to_numpy()
        chances[at] = -np.expm1(life.log_survival(age + ahead) - life.log_survival(age))
    return pl.Series("p_fail_next", np.clip(chances, 0.0, 1.0))


def chosen_lives(con: duckdb.DuckDBPyConnection) -> Lives:
    """The chosen adjuster life of every axle type and duty, and of the pools over them."""
    rows = con.execute(
        """select axle_type, duty, distribution, shape, scale_km
        from mart.adjuster_fits where chosen"""
    ).fetchall()
    return {(a, d): life_distribution(name, shape, scale) for a, d, name, shape, scale in rows}
