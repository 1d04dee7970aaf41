"""Adjustment drift: stroke readings and wear → how each wheel end keeps its adjustment.

Wear since a setting is the wear fit's: the rate of the lining life in place, its own deviation
included, times the km run in each duty since the setting.
"""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import replace

import duckdb
import numpy as np
import polars as pl

from models.adjustment.flags import FlagRules
from models.adjustment.judge import judge_wheel_ends, learn_fleet, prepare_readings
from models.adjustment.strokes.parameters import Band
from models.lives.fits.distributions import life_distribution
from models.wear.predict import LiningLines
from models.wear.result import WearFit
from pipeline.results import Drift, Fits, Lives, Strokes
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

KM = 10_000.0
# Where the wear fit says nothing, drift_readings falls back on a usual rate of its own.
SEED = 0

# Wheel ends whose readings are held in memory together, and that a larger fleet is learned from.
ENDS_AT_ONCE = 30_000
# What the models read of a stroke reading.
STROKE_COLUMNS = """
    r.episode_id, r.wheel_end_id, e.unit_id, e.axle_id, e.axle_type, i.duty, e.set_source,
    r.inspected_on, r.as_left, r.km_since_set, r.weeks_since_set, r.stroke_ratio, w.arm_length_mm,
    radians(w.cam_degrees) / (w.lining_new_mm - w.lining_min_mm) as ratio_per_mm,
    w.readjust_limit_mm, i.applied_stroke_mm, i.marks_aligned, i.return_test, i.cap_state,
    i.fault"""
KEYS = ["episode_id", "inspected_on", "as_left"]


def judge_drift(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    fits: Fits,
    as_of: dt.date,
) -> Drift | None:
    """Judge every wheel end by its stroke readings; None where no stroke was ever read.

    A large fleet is learned from some tens of thousands of its wheel ends, taken at random, and
    judged as many at a time.
    """
    blocks = unit_blocks(con)
    strokes = strokes_of(con, fits, block=0)
    if strokes.readings.is_empty():
        return None
    adjustment = settings.adjustment
    band = Band(adjustment.band_low, adjustment.band_high, adjustment.target)
    rules = FlagRules(side_limit=adjustment.side_to_side_limit)
    prepared = prepare_readings(strokes.readings, band)
    fleet = learn_fleet(prepared, band, rules, seed=SEED)
    lives = chosen_lives(con)
    outlook = with_failures(strokes.ends, lives)
    first = judge_wheel_ends(prepared, outlook, fleet, as_of)
    del strokes, prepared
    drift = Drift(fleet, lives, first)
    rest = [_judged_block(con, drift, fits, block, as_of) for block in range(1, blocks)]
    return replace(drift, judged=by_urgency([first, *rest]))


def unit_blocks(con: duckdb.DuckDBPyConnection, some: str = "") -> int:
    """Deal units out at random (the same way every time); returns the number of blocks.

    ``some``: a join that keeps some of ``reduce.drift_outlook``.
    """
    con.execute(
        f"""create or replace table run.unit_blocks as
        select unit_id, cast(floor((sum(ends) over (order by md5(unit_id), unit_id) - ends)
            / {ENDS_AT_ONCE}) as integer) as block_no
        from (select unit_id, count(*) as ends from reduce.drift_outlook {some} group by unit_id)"""
    )
    (blocks,) = warehouse.one_row(con, "select coalesce(max(block_no) + 1, 0) from run.unit_blocks")
    return int(blocks)


def by_urgency(judged: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Frames of judged wheel ends as one, the most urgent first."""
    return pl.concat(judged).sort("priority", "wheel_end_id", descending=[True, False])


def rejudged(
    con: duckdb.DuckDBPyConnection, drift: Drift, fits: Fits, as_of: dt.date, some: str = ""
) -> list[pl.DataFrame]:
    """Wheel ends as judged by the readings in ``con`` and by what the fleet has taught since."""
    blocks = unit_blocks(con, some)
    return [_judged_block(con, drift, fits, block, as_of) for block in range(blocks)]


def _judged_block(
    con: duckdb.DuckDBPyConnection, drift: Drift, fits: Fits, block: int, as_of: dt.date
) -> pl.DataFrame:
    return judged_strokes(drift, strokes_of(con, fits, block), as_of)


def judged_strokes(drift: Drift, strokes: Strokes, as_of: dt.date) -> pl.DataFrame:
    """Some wheel ends, judged by what their fleet has taught."""
    prepared = prepare_readings(strokes.readings, drift.fleet.band, drift.fleet.groups)
    outlook = with_failures(strokes.ends, drift.lives)
    return judge_wheel_ends(prepared, outlook, drift.fleet, as_of)


def strokes_of(con: duckdb.DuckDBPyConnection, fits: Fits, block: int | None = None) -> Strokes:
    """Readings and outlook of all wheel ends, or of one of :func:`unit_blocks`."""
    units = f"semi join (from run.unit_blocks where block_no = {block}) using (unit_id)"
    some = units if block is not None else ""
    return Strokes(stroke_readings(con, fits, some), drift_outlook(con, fits, some))


def stroke_readings(con: duckdb.DuckDBPyConnection, fits: Fits, some: str) -> pl.DataFrame:
    """Stroke readings with the wear since their setting."""
    readings = warehouse.fetch(
        con,
        f"""select {STROKE_COLUMNS}, coalesce(g.due_on < r.inspected_on, false) as greasing_overdue
        from (from stage.setting_episodes {some}) e
        inner join stage.stroke_readings r on r.episode_id = e.episode_id
        inner join judge.wheel_ends w on w.wheel_end_id = r.wheel_end_id
        inner join stage.inspections i
            on i.wheel_end_id = r.wheel_end_id and i.inspected_on = r.inspected_on
            and i.as_left = r.as_left
        left join reduce.greasing_due g
            on g.wheel_end_id = r.wheel_end_id and g.inspected_on = r.inspected_on
        where r.stroke_ratio is not null""",
        order="r.wheel_end_id, r.inspected_on, r.as_left",
    )
    wear = wear_since_setting(con, fits, some)
    return readings.join(wear, on=KEYS, how="left", maintain_order="left")


def wear_since_setting(con: duckdb.DuckDBPyConnection, fits: Fits, some: str) -> pl.DataFrame:
    """``wear_mm`` and its ``wear_sd_mm`` since the setting, one row per stroke reading."""
    km = warehouse.fetch(
        con,
        f"""select k.*, e.axle_type, r.life_id from reduce.stroke_reading_km k
        inner join (from stage.setting_episodes {some}) e on e.episode_id = k.episode_id
        inner join stage.stroke_readings r
            on r.episode_id = k.episode_id and r.inspected_on = k.inspected_on
            and r.as_left = k.as_left""",
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
    weight = lines.latest_weight
    slope, variance = weight * lines.slope_mm, weight**2 * lines.var_slope
    return pl.DataFrame({"life_id": lines.life_id, "slope": slope, "slope_var": variance})


def _spread_of_rates(wear: WearFit) -> float:
    """How much a life's rate differs from its group's, where the life itself says nothing."""
    parts = wear.components
    return math.hypot(parts.between_unit_sd or 0.0, parts.between_life_sd or 0.0)


def drift_outlook(con: duckdb.DuckDBPyConnection, fits: Fits, some: str) -> pl.DataFrame:
    """One row per wheel end: what lies between its last stroke reading and its next check."""
    ends = warehouse.fetch(con, f"from reduce.drift_outlook {some}", order="wheel_end_id")
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
