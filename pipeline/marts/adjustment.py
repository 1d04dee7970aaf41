"""Adjustment drift: stroke readings and wear → how each wheel end keeps its adjustment.

Wear since a setting is the wear fit's: the rate of the lining life in place, its own deviation
included, times the km run in each duty since the setting.
"""

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import duckdb
import numpy as np
import polars as pl

from models.adjustment.flags import SIMULATED, FlagRules
from models.adjustment.judge import (
    flag_wheel_ends,
    judge_wheel_ends,
    learn_fleet,
    prepare_readings,
)
from models.adjustment.strokes.parameters import Band
from models.adjustment.strokes.readings import PreparedReadings
from models.adjustment.today import USUAL_GRABBING
from models.common.arrays import FloatArray
from models.common.units import KM_PER_UNIT
from models.lives.fits.distributions import LifeDistribution
from models.usage.ahead import away_now, days_run_before_leaving, km_ahead
from models.usage.fit import UsageFit
from models.wear.generations.names import generation_of
from models.wear.predict import LiningLines
from models.wear.result import WearFit
from models.wear.shape.thinning import Thinning
from pipeline.marts.results import Drift, Fits, Lives, Strokes
from pipeline.settings import Settings
from pipeline.warehouse import warehouse

# The readjustment limit of a chamber is about this share of its full travel (common practice, no
# source); the stroke goes no further.
LIMIT_OF_TRAVEL = 0.8
# Where an adjuster's age is unknown, those of the known ones stand in, at these quantiles.
AGES = (0.1, 0.3, 0.5, 0.7, 0.9)
NAMED_WORTH = 20.0
NONE_SIMULATED = 1
DAYS_PER_WEEK = 7.0
# Where the wear fit says nothing, drift_readings falls back on a usual rate of its own.
SEED = 0

# Wheel ends whose readings are held in memory together, and that a larger fleet is learned from.
ENDS_AT_ONCE = 30_000
# What the models read of a stroke reading.
STROKE_COLUMNS = """
    r.episode_id, r.wheel_end_id, e.unit_id, e.axle_id, e.axle_type, i.duty, w.depot, e.set_source,
    r.inspected_on, r.as_left, r.km_since_set, r.weeks_since_set, r.stroke_ratio, w.arm_length_mm,
    radians(w.cam_degrees) / (w.lining_new_mm - w.lining_min_mm) as ratio_per_mm,
    w.readjust_limit_mm, i.applied_stroke_mm, i.marks_aligned, i.return_test, i.cap_state,
    i.fault"""
KEYS = ["episode_id", "inspected_on", "as_left"]


def judge_drift(
    con: duckdb.DuckDBPyConnection,
    settings: Settings,
    fits: Fits,
    lives: Lives,
    linings: pl.DataFrame,
    as_of: dt.date,
    simulated: int = SIMULATED,
) -> Drift:
    """Judge every wheel end by its stroke readings and by what needs none.

    A large fleet is learned from some tens of thousands of its wheel ends, taken at random, and
    judged as many at a time. ``linings``: as :func:`pipeline.stages.forecasting.linings_now`;
    ``simulated``: healthy wheel ends that flags' limit is found on.
    """
    blocks = unit_blocks(con)
    strokes = strokes_of(con, fits, linings, as_of, blocks[0] if blocks else None)
    adjustment = settings.adjustment
    band = Band(adjustment.band_low, adjustment.band_high, adjustment.target)
    rules = FlagRules(side_limit=adjustment.side_to_side_limit)
    prepared = prepare_readings(strokes.readings, band)
    # Without any reading there is nothing to flag by strokes, and no limit to find.
    simulated = NONE_SIMULATED if strokes.readings.is_empty() else simulated
    fleet = learn_fleet(prepared, band, rules, seed=SEED, simulated=simulated)
    drift = Drift(fleet, lives, over_adjusting_share(con), pl.DataFrame())
    judged = [judge_wheel_ends(prepared, _outlook(drift, strokes), fleet, as_of)]
    del strokes, prepared
    for units in blocks[1:]:
        strokes = strokes_of(con, fits, linings, as_of, units)
        judged.append(judged_strokes(drift, strokes, as_of))
    return replace(drift, judged=by_urgency(judged))


def unit_blocks(
    con: duckdb.DuckDBPyConnection, without: pl.DataFrame | None = None
) -> list[pl.DataFrame]:
    """``unit_id`` of the units with brakes to judge, dealt out at random, the same way every time.

    ``without``: ``unit_key`` of units that are left out.
    """
    ends = warehouse.fetch(
        con,
        """select unit_id, upper(unit_id) as unit_key, count(*) as ends
        from reduce.drift_outlook group by unit_id""",
        order="md5(unit_id), unit_id",
    )
    if without is not None:
        ends = ends.join(without, on="unit_key", how="anti", maintain_order="left")
    before = pl.col("ends").cum_sum() - pl.col("ends")
    blocks = ends.with_columns(block=before // ENDS_AT_ONCE).partition_by("block")
    return [part.select("unit_id") for part in blocks]


def by_urgency(judged: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Frames of judged wheel ends as one, the most urgent first."""
    return pl.concat(judged).sort("priority", "wheel_end_id", descending=[True, False])


def flagged_then(
    con: duckdb.DuckDBPyConnection,
    drift: Drift,
    fits: Fits,
    linings: pl.DataFrame,
    as_of: dt.date,
    without: pl.DataFrame | None = None,
) -> list[pl.DataFrame]:
    """Flags by the readings in ``con`` and by what the fleet has taught since."""
    return [
        flagged_strokes(drift, strokes_of(con, fits, linings, as_of, units), as_of)
        for units in unit_blocks(con, without)
    ]


def judged_strokes(drift: Drift, strokes: Strokes, as_of: dt.date) -> pl.DataFrame:
    """Some wheel ends, judged by what their fleet has taught."""
    return judge_wheel_ends(_prepared(drift, strokes), _outlook(drift, strokes), drift.fleet, as_of)


def flagged_strokes(drift: Drift, strokes: Strokes, as_of: dt.date) -> pl.DataFrame:
    """Whether some wheel ends are flagged by what their fleet has taught, and their state."""
    return flag_wheel_ends(_prepared(drift, strokes), strokes.ends, drift.fleet, as_of)


def _prepared(drift: Drift, strokes: Strokes) -> PreparedReadings:
    return prepare_readings(strokes.readings, drift.fleet.band, drift.fleet.groups)


def _outlook(drift: Drift, strokes: Strokes) -> pl.DataFrame:
    return with_failures(strokes.ends, drift.lives, drift.grabbing)


def strokes_of(
    con: duckdb.DuckDBPyConnection,
    fits: Fits,
    linings: pl.DataFrame,
    as_of: dt.date,
    units: pl.DataFrame | None = None,
) -> Strokes:
    """Readings and outlook of all wheel ends, or of those of some units (``unit_id``)."""
    if units is None:
        return Strokes(stroke_readings(con, fits), drift_outlook(con, fits, as_of, linings))
    con.register("some_units", units)
    try:
        some = "semi join some_units using (unit_id)"
        readings = stroke_readings(con, fits, some)
        return Strokes(readings, drift_outlook(con, fits, as_of, linings, some))
    finally:
        con.unregister("some_units")


def stroke_readings(con: duckdb.DuckDBPyConnection, fits: Fits, some: str = "") -> pl.DataFrame:
    """Stroke readings with the wear since their setting; ``some``: a join that keeps some units."""
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


def wear_since_setting(con: duckdb.DuckDBPyConnection, fits: Fits, some: str = "") -> pl.DataFrame:
    """``wear_mm`` and its ``wear_sd_mm`` since the setting, one row per stroke reading."""
    km = warehouse.fetch(
        con,
        f"""select k.*, e.axle_type, r.life_id, l.started_on as fitted_on, k.inspected_on as run_on
        from reduce.stroke_reading_km k
        inner join (from stage.setting_episodes {some}) e on e.episode_id = k.episode_id
        inner join stage.stroke_readings r
            on r.episode_id = k.episode_id and r.inspected_on = k.inspected_on
            and r.as_left = k.as_left
        left join stage.lining_lives l on l.life_id = r.life_id""",
    )
    priced = _with_rates(km, fits.wear, "inner")
    x = pl.col("km") / KM_PER_UNIT
    since = priced.group_by(KEYS, maintain_order=True).agg(
        pl.col("life_id").first(),
        by_rate=(x * pl.col("rate")).sum(),
        by_rate_var=(x * pl.col("rate_se")).sum() ** 2,
        x=x.sum(),
    )
    with_life = since.join(life_slopes(fits.lines), on="life_id", how="left", maintain_order="left")
    own = pl.col("slope").fill_null(0.0)
    own_var = pl.col("slope_var").fill_null(_spread_of_rates(fits.wear) ** 2)
    wear = with_life.select(
        *KEYS,
        "life_id",
        wear_mm=(pl.col("by_rate") - own * pl.col("x")).clip(0.0),
        wear_sd_mm=(pl.col("by_rate_var") + own_var * pl.col("x") ** 2).sqrt(),
    )
    if fits.thinning is not None:
        wear = _where_they_stood(con, wear, fits.thinning, some)
    return wear.drop("life_id")


def _where_they_stood(
    con: duckdb.DuckDBPyConnection, wear: pl.DataFrame, thinning: Thinning, some: str
) -> pl.DataFrame:
    """Wear by a gauge of wear on the scale, up to a lining as thick as was read with the stroke; a
    mean lining's where none was."""
    read = warehouse.fetch(
        con,
        f"""select r.life_id, r.inspected_on, r.as_left, r.lining_mm, w.lining_new_mm,
            w.lining_min_mm
        from stage.lining_readings r
        inner join (from stage.lining_lives {some}) l on l.life_id = r.life_id
        inner join judge.wheel_ends w on w.wheel_end_id = l.wheel_end_id
        where r.lining_mm is not null""",
    )
    keys = ["life_id", "inspected_on", "as_left"]
    wear = wear.join(read, on=keys, how="left", maintain_order="left")
    columns = ("lining_mm", "lining_new_mm", "lining_min_mm", "wear_mm")
    lining, new, minimum, even = (wear[c].fill_null(np.nan).to_numpy() for c in columns)
    scale, left = thinning.scale(new, minimum), lining - minimum
    by_gauge = scale.above_mm(scale.even_mm(left) + even) - left
    share = np.divide(by_gauge, even, out=np.ones(len(left)), where=even > 0.0)
    share = np.where(np.isfinite(share), share, 1.0)
    return wear.with_columns(pl.col("wear_mm", "wear_sd_mm") * pl.Series(share))


def _with_rates(
    linings: pl.DataFrame, wear: WearFit, how: Literal["inner", "left"]
) -> pl.DataFrame:
    """Rows of linings (``axle_type``, ``fitted_on``, ``duty``, ``run_on``) with the ``rate`` of
    their generation in the era of that day, and its standard error ``rate_se``, mm per 10,000 km.
    """
    rows = [(r.axle_type, r.duty, r.mm_per_10000km, r.se) for r in wear.rates]
    schema = {"generation": pl.String, "era": pl.String, "rate": pl.Float64, "rate_se": pl.Float64}
    rates = pl.DataFrame(rows, schema=schema, orient="row")
    generation = generation_of(linings["axle_type"], linings["fitted_on"], wear.axle_types)
    era = generation_of(linings["duty"], linings["run_on"], wear.duties).alias("era")
    return (
        linings.with_columns(generation, era)
        .join(rates, on=["generation", "era"], how=how, maintain_order="left")
        .drop("generation", "era", "fitted_on", "run_on")
    )


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


def drift_outlook(
    con: duckdb.DuckDBPyConnection,
    fits: Fits,
    as_of: dt.date,
    linings: pl.DataFrame,
    some: str = "",
) -> pl.DataFrame:
    """One row per wheel end: what lies between its last stroke reading and its next check."""
    ends = warehouse.fetch(con, f"from reduce.drift_outlook {some}", order="wheel_end_id")
    ends = (
        _with_rates(ends.with_columns(run_on=pl.lit(as_of)), fits.wear, "left")
        .join(fits.km_per_day.select("unit_id", "km_per_day"), on="unit_id", how="left")
        .join(life_slopes(fits.lines), on="life_id", how="left")
        .join(linings.select("life_id", lining_now_mm="lining_mm"), on="life_id", how="left")
    )
    # Who had left by another day than the use's is not known of it.
    if fits.usage.as_of == as_of:
        ends = ends.join(_leaving(fits.usage), on="unit_id", how="left")
    if fits.thinning is not None:
        ends = _at_their_thickness(con, ends, fits.thinning, some)
    ahead = _with_wear_ahead(_with_km_ahead(ends, fits.usage, as_of), fits.wear)
    return ahead.with_columns(lining_old_mm=_old_lining(as_of))


def _old_lining(as_of: dt.date) -> pl.Expr:
    """Where a lining grew without a word: what the one before would be at the next check, were it
    there still."""
    since = (pl.lit(as_of) - pl.col("lining_before_on")).dt.total_days() + pl.col("days_ahead")
    worn = pl.col("rate") * pl.col("km_per_day") * since / KM_PER_UNIT
    return pl.col("lining_before_mm") - worn.clip(0.0)


def _at_their_thickness(
    con: duckdb.DuckDBPyConnection, ends: pl.DataFrame, thinning: Thinning, some: str
) -> pl.DataFrame:
    """Rates, and how a lining's own parts from them, where its lining stands now."""
    new = warehouse.fetch(con, f"select wheel_end_id, lining_new_mm from judge.wheel_ends {some}")
    ends = ends.join(new, on="wheel_end_id", how="left", maintain_order="left")
    columns = ("lining_new_mm", "lining_min_mm", "lining_now_mm")
    thick, least, now = (ends[c].fill_null(np.nan).to_numpy() for c in columns)
    here = 1.0 / thinning.scale(thick, least).even_per_mm(now - least)
    faster = pl.Series(np.where(np.isfinite(here), here, 1.0))
    return ends.drop("lining_new_mm").with_columns(
        pl.col("rate", "rate_se", "slope") * faster, pl.col("slope_var") * faster**2
    )


def _leaving(usage: UsageFit) -> pl.DataFrame:
    """The chance of each unit to be in the fleet, and how long it ran on if it is not."""
    weeks = days_run_before_leaving(usage) / DAYS_PER_WEEK
    columns = {"p_in_fleet": usage.present, "weeks_if_left": weeks, "unit_id": usage.unit_ids}
    return pl.DataFrame(columns, schema_overrides={"unit_id": pl.String})


def _with_km_ahead(ends: pl.DataFrame, usage: UsageFit, as_of: dt.date) -> pl.DataFrame:
    """Km since the last stroke reading, or the setting, to the as-of day and to the next check.

    A check that is overdue may come any day: the next one is then taken to be now.
    """
    day, looked = pl.lit(as_of), pl.max_horizontal("last_inspected_on", "set_on")
    due = looked + pl.duration(weeks=pl.col("check_weeks"))
    ends = ends.with_columns(days_ahead=(due - day).dt.total_days().clip(0).fill_null(0))
    driven = (pl.col("seen_km") - pl.col("read_km")).clip(0.0)
    if usage.as_of == as_of:
        days = ends["days_ahead"].cast(pl.Float64).to_numpy()
        km = [_km_since_seen(ends, usage, d) for d in (np.zeros(len(days)), days)]
        return ends.with_columns(
            km_since=driven + km[0][0],
            km_to_next=driven + km[1][0],
            km_to_next_sd=km[1][1],
        )
    since_seen = (day - pl.col("seen_on")).dt.total_days().clip(0)
    return ends.with_columns(
        km_since=driven + pl.col("km_per_day") * since_seen,
        km_to_next=driven + pl.col("km_per_day") * (since_seen + pl.col("days_ahead")),
        km_to_next_sd=pl.lit(0.0),
    )


def _km_since_seen(
    ends: pl.DataFrame, usage: UsageFit, days: FloatArray
) -> tuple[pl.Series, pl.Series]:
    """Km of each wheel end's unit from when it was last seen to ``days`` after as-of; its SD."""
    places = pl.DataFrame({"unit_id": usage.unit_ids}, schema={"unit_id": pl.String})
    found = ends.select("unit_id").join(
        places.with_row_index("place"), on="unit_id", how="left", maintain_order="left"
    )["place"]
    unit = found.fill_null(0).cast(pl.Int64).to_numpy()
    if not len(usage):
        return pl.Series(np.full(ends.height, np.nan)).fill_nan(None), pl.Series(days)
    ahead = km_ahead(usage, away_now(usage), unit, days)
    known = usage.is_known[unit] & found.is_not_null().to_numpy()
    km = np.where(known, ahead.mean_km, np.nan)
    return (
        pl.Series(km).fill_nan(None),
        pl.Series(km * np.sqrt(np.expm1(ahead.log_variance))).fill_nan(None),
    )


def _with_wear_ahead(ends: pl.DataFrame, wear: WearFit) -> pl.DataFrame:
    """Wear over those km by the life's own rate, and how much faster than its group's that is."""
    rate = (pl.col("rate") - pl.col("slope").fill_null(0.0)).clip(0.0)
    spread = _spread_of_rates(wear)
    rate_sd = (pl.col("rate_se") ** 2 + pl.col("slope_var").fill_null(spread**2)).sqrt()
    to_next, own_spread = pl.col("km_to_next") / KM_PER_UNIT, max(spread, 1e-9)
    return ends.with_columns(
        wear_since_mm=rate * pl.col("km_since") / KM_PER_UNIT,
        wear_to_next_mm=rate * to_next,
        wear_to_next_sd_mm=(
            (rate_sd * to_next) ** 2 + (rate * pl.col("km_to_next_sd") / KM_PER_UNIT) ** 2
        ).sqrt(),
        wear_z=(-pl.col("slope") / own_spread),
        stop_ratio=pl.col("readjust_limit_mm") / LIMIT_OF_TRAVEL / pl.col("arm_length_mm"),
    )


def with_failures(ends: pl.DataFrame, lives: Lives, grabbing: float) -> pl.DataFrame:
    """The same wheel ends with the chance that their adjuster has failed by now, by the next check.

    From when it was last known to work: by a stroke read, which says itself whether it had failed,
    or by a check passed since. Null where no life could be fitted.
    """
    good = pl.max_horizontal("read_km", "adjuster_good_km")
    since_read = pl.col("km_since")
    since_good = (since_read - (good - pl.col("read_km"))).clip(0.0)
    ends = ends.with_columns(
        worked_km=good - pl.col("adjuster_fitted_km"),
        km_since_good=since_good,
        km_good_to_next=since_good + pl.col("km_to_next") - since_read,
        may_fail=(since_good / since_read).fill_nan(None).clip(0.0, 1.0),
        grabbing_share=pl.lit(grabbing),
    )
    return ends.with_columns(
        p_failed_since=failure_within(lives, ends, "km_since_good"),
        p_fail_next=failure_within(lives, ends, "km_good_to_next"),
    )


def failure_within(lives: Lives, ends: pl.DataFrame, ahead: str) -> pl.Series:
    """Chance that an adjuster good at ``worked_km`` fails within the km of the column ``ahead``.

    Its group's chosen life, else the fleet's. An adjuster of unknown age takes the mean over those
    of its group whose age is known. Null where no life could be fitted.
    """
    chances = np.full(ends.height, np.nan)
    keys = ends.select("axle_type", "duty").rows()
    for group in set(keys):
        life = lives.get(group) or lives.get((group[0], None)) or lives.get((None, None))
        if life is None:
            continue
        at = np.array([key == group for key in keys])
        some = ends.filter(at)
        chances[at] = _failing(life, some["worked_km"], some[ahead])
    return pl.Series(chances).fill_nan(None)


def _failing(life: LifeDistribution, worked_km: pl.Series, ahead_km: pl.Series) -> FloatArray:
    age = worked_km.cast(pl.Float64).to_numpy()
    km = ahead_km.cast(pl.Float64).clip(0.0).fill_nan(None).to_numpy()
    run = np.nan_to_num(km)[:, None]
    known = np.isfinite(age)
    ages = np.quantile(age[known], AGES) if known.any() else life.quantile(np.array(AGES) / 2)
    table = np.where(known, age, 0.0)[:, None] + np.where(known[:, None], 0.0, ages)
    table = np.maximum(table, 0.0)
    chance = -np.expm1(life.log_survival(table + run) - life.log_survival(table))
    return np.where(np.isfinite(km), np.clip(chance, 0.0, 1.0).mean(axis=1), np.nan)


def over_adjusting_share(con: duckdb.DuckDBPyConnection) -> float:
    """Share of adjuster failures of named cause that over-adjust; the priors' where few are named.

    As many named failures as ``NAMED_WORTH`` weigh as much as the prior.
    """
    over, named = warehouse.one_row(
        con,
        """select count(*) filter (where cause = 'over_adjusting'), count(*)
        from stage.adjuster_lives where cause in ('stuck', 'over_adjusting', 'damaged')""",
    )
    return float((over + NAMED_WORTH * USUAL_GRABBING) / (named + NAMED_WORTH))
