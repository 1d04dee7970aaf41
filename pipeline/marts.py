"""The ``mart`` tables a run fills: every column's type, unit and meaning, stated once.

A frame is checked against its schema before it is written, so a table never holds a NaN, a missing
column or a quantile out of order. The README's table of outputs is made from these classes.
"""

import itertools

import dataframely as dy
import duckdb
import polars as pl

from pipeline import warehouse

STATES = (
    "in_band",
    "set_wrong",
    "slackening",
    "stuck",
    "tightening",
    "uneven",
    "not_seen",
)
DISTRIBUTIONS = ("weibull", "lognormal", "loglogistic")


def _text(description: str, *, nullable: bool = False, key: bool = False) -> dy.String:
    return dy.String(nullable=nullable and not key, primary_key=key, description=description)


def _number(description: str, unit: str | None = None, *, low: float | None = None) -> dy.Float64:
    return dy.Float64(
        nullable=True, min=low, description=description, metadata={"unit": unit} if unit else None
    )


def _share(description: str) -> dy.Float64:
    return dy.Float64(nullable=True, min=0.0, max=1.0, description=description)


def _count(description: str) -> dy.Int64:
    return dy.Int64(nullable=False, min=0, description=description)


def _day(description: str) -> dy.Date:
    return dy.Date(nullable=True, description=description)


def _ordered(*names: str) -> pl.Expr:
    """Quantiles that do not cross; nulls say nothing."""
    pairs = itertools.pairwise(names)
    return pl.all_horizontal(
        (pl.col(low) <= pl.col(high)).fill_null(value=True) for low, high in pairs
    )


class WearRates(dy.Schema):
    """One row per axle type and duty."""

    axle_type = _text("Axle type", key=True)
    duty = _text("Duty", key=True)
    units = _count("Units behind the figure")
    lives = _count("Lining lives behind it")
    readings = _count("Readings behind it")
    mm_per_10000km = _number("Lining wear", "mm per 10,000 km")
    se = _number("Its standard error", "mm per 10,000 km", low=0.0)
    ci_low = _number("95 % interval, low end", "mm per 10,000 km")
    ci_high = _number("95 % interval, high end", "mm per 10,000 km")
    shrunk = dy.Bool(nullable=False, description="True: too few units, drawn to its axle type")
    own_mm_per_10000km = _number("The group's own estimate, before that", "mm per 10,000 km")
    note = _text("What limits the figure", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return _ordered("ci_low", "mm_per_10000km", "ci_high")


class WearComponents(dy.Schema):
    """One row: the spread that the wear fit found."""

    between_unit_sd = _number("Rate, unit to unit", "mm per 10,000 km", low=0.0)
    between_life_sd = _number("Rate, life to life", "mm per 10,000 km", low=0.0)
    intercept_sd = _number("Starting lining, life to life", "mm", low=0.0)
    residual_sd = _number("Reading error", "mm", low=0.0)
    reml_loglik = _number("REML log-likelihood")
    converged = dy.Bool(nullable=False, description="The optimum was found and certified")
    note = _text("What the fit says of itself", nullable=True)


class WearDepartures(dy.Schema):
    """One row per way in which wear may depart from a straight line in km."""

    kind = _text("bedding-in, curvature, season", key=True)
    estimate = _number("Its size: mm; for curvature mm per (10,000 km)²")
    se = _number("Its standard error", low=0.0)
    ci_low = _number("95 % interval, low end")
    ci_high = _number("High end")
    p = _share("Two-sided p")
    p_adjusted = _share("Holm-adjusted")
    sentence = _text("What was found, in words")


class PointerChecks(dy.Schema):
    """One row per axle type: wear pointers against the lining gauge, read together."""

    axle_type = _text("Axle type", key=True)
    lives = _count("Lining lives with both")
    pairs = _count("Readings of both on one day")
    bias_mm = _number("Pointer minus gauge", "mm")
    bias_se = _number("Its standard error", "mm", low=0.0)
    scale = _number("Change of that per mm of lining")
    scale_se = _number("Its standard error", low=0.0)
    reading_sd_mm = _number("Error of one pointer reading", "mm", low=0.0)
    setting_sd_mm = _number("How differently pointers are set at relines", "mm", low=0.0)
    weight = _number("Worth of a pointer reading beside a gauge's; null: left out", low=0.0)
    note = _text("What the comparison says", nullable=True)


class PointersNotReset(dy.Schema):
    """One row per lining life whose wear pointer nobody seems to have reset at its reline."""

    life_id = _text("Lining life", key=True)
    wheel_end_id = _text("Wheel end")
    gap_mm = _number("Pointer minus gauge", "mm")
    probability = _share("Chance that it was not reset")


class AdjusterFits(dy.Schema):
    """One row per axle type, duty and distribution; null duty or axle type: pooled over it."""

    axle_type = _text("Axle type", nullable=True)
    duty = _text("Duty", nullable=True)
    distribution = dy.Enum(DISTRIBUTIONS, nullable=True, description="Null: too few failures")
    shape = _number("Shape (log-normal: standard deviation of log age)")
    shape_ci_low = _number("95 % profile interval, low end")
    shape_ci_high = _number("High end")
    scale_km = _number("Scale", "km")
    scale_km_ci_low = _number("Low end", "km")
    scale_km_ci_high = _number("High end", "km")
    b10_km = _number("Age by which a tenth has failed", "km")
    b10_km_ci_low = _number("Low end", "km")
    b10_km_ci_high = _number("High end", "km")
    loglik = _number("Log-likelihood")
    aic = _number("AIC, corrected for few failures")
    adjusters = _count("Adjusters behind it")
    failures = _count("Failures behind it")
    chosen = dy.Bool(nullable=False, description="The distribution with the lowest AIC")
    note = _text("Goodness of fit, or why there is no curve", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return (
            _ordered("shape_ci_low", "shape", "shape_ci_high")
            & _ordered("scale_km_ci_low", "scale_km", "scale_km_ci_high")
            & _ordered("b10_km_ci_low", "b10_km", "b10_km_ci_high")
        )


class AdjusterCurves(dy.Schema):
    """One row per axle type, duty, km and method."""

    axle_type = _text("Axle type", nullable=True)
    duty = _text("Duty", nullable=True)
    km = _number("Age", "km", low=0.0)
    survival = _share("Share still good at that age")
    ci_low = _share("95 % pointwise band, low end")
    ci_high = _share("High end")
    method = _text("npmle, or the distribution's name")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return _ordered("ci_low", "survival", "ci_high")


class DutyComparisons(dy.Schema):
    """One row per pair of duties within an axle type, and measure."""

    axle_type = _text("Axle type; null: over all, adjusted for it", nullable=True)
    measure = _text("wear_rate_ratio, hazard_ratio, …")
    duty_a = _text("The duty compared")
    duty_b = _text("The duty it is compared with")
    ratio = _number("a over b", low=0.0)
    ci_low = _number("95 % interval, low end", low=0.0)
    ci_high = _number("High end", low=0.0)
    p = _share("Two-sided p")
    p_adjusted = _share("Holm-adjusted over the comparisons of its measure")
    method = _text("How interval and p were made")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return _ordered("ci_low", "ratio", "ci_high")


class WheelEndStatus(dy.Schema):
    """One row per wheel end of the register."""

    wheel_end_id = _text("UNIT/AXLE+SIDE", key=True)
    unit_id = _text("Unit")
    axle_no = dy.Int64(nullable=False, description="Axle, counted from the front")
    side = _text("L or R")
    axle_type = _text("Axle type")
    duty = _text("Duty on the as-of day")
    depot = _text("Depot", nullable=True)
    as_of = dy.Date(nullable=False, description="The day everything is as of")
    last_inspected_on = _day("Last inspection")
    lining_mm = _number("Lining now, estimated", "mm")
    lining_sd = _number("Its standard deviation", "mm", low=0.0)
    min_on_p10 = _day("Lining reaches its minimum: early date (1 in 10 earlier)")
    min_on_p50 = _day("Even chance")
    min_on_p90 = _day("Late date (1 in 10 later)")
    min_km_p10 = _number("The unit's accumulated km then: early", "km")
    min_km_p50 = _number("Even chance", "km")
    min_km_p90 = _number("Late", "km")
    reline_on_p10 = _day("The visit at which this fleet will reline it: early")
    reline_on_p50 = _day("Even chance")
    reline_on_p90 = _day("Late")
    stroke_ratio = _number("Free stroke / arm length now, estimated")
    stroke_ratio_sd = _number("Its standard deviation", low=0.0)
    drift_per_10000km = _number("Change of the ratio", "per 10,000 km")
    take_up = _number("Share of wear the adjuster takes up; 1 keeps pace")
    p_out_now = _share("Chance that the stroke is outside its band now")
    p_out_next_check = _share("Chance that it will be by the next check")
    state = dy.Enum(STATES, nullable=False, description="What the history says")
    flagged = dy.Bool(nullable=False, description="Look at it first")
    priority = _number("Higher first")
    evidence = _text("Why, in a sentence or two", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return (
            _ordered("min_on_p10", "min_on_p50", "min_on_p90")
            & _ordered("min_km_p10", "min_km_p50", "min_km_p90")
            & _ordered("reline_on_p10", "reline_on_p50", "reline_on_p90")
        )


class RelineBudget(dy.Schema):
    """One row per month, depot, axle type and duty; all three null: the fleet's total."""

    month = dy.Date(nullable=False, description="First day of the month")
    depot = _text("Depot", nullable=True)
    axle_type = _text("Axle type", nullable=True)
    duty = _text("Duty", nullable=True)
    relines_p10 = _number("Relines of wheel ends: low", low=0.0)
    relines_p50 = _number("Middle", low=0.0)
    relines_p90 = _number("High", low=0.0)
    relines_mean = _number("Mean: these add up", low=0.0)
    cost_p10 = _number("Cost: low", "currency", low=0.0)
    cost_p50 = _number("Middle", "currency", low=0.0)
    cost_p90 = _number("High", "currency", low=0.0)
    cost_mean = _number("Mean: these add up", "currency", low=0.0)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return _ordered("relines_p10", "relines_p50", "relines_p90") & _ordered(
            "cost_p10", "cost_p50", "cost_p90"
        )


class RelineOutlook(dy.Schema):
    """One row per span of months after the as-of day: the fleet's total in it."""

    from_on = dy.Date(nullable=False, primary_key=True, description="First day of the span")
    until_on = _day("Last day")
    months = dy.Int64(nullable=False, primary_key=True, min=1, description="Whole months")
    relines_p10 = _number("Relines of wheel ends: low", low=0.0)
    relines_p50 = _number("Middle", low=0.0)
    relines_p90 = _number("High", low=0.0)
    relines_mean = _number("Mean", low=0.0)
    cost_p10 = _number("Cost: low", "currency", low=0.0)
    cost_p50 = _number("Middle", "currency", low=0.0)
    cost_p90 = _number("High", "currency", low=0.0)
    cost_mean = _number("Mean", "currency", low=0.0)


class Scenarios(dy.Schema):
    """One row per scenario over the budget's months, in the same simulated futures."""

    name = _text("The scenario; as_now: how the fleet does it", key=True)
    description = dy.String(nullable=False, description="In the fleet's words")
    base = dy.Bool(nullable=False, description="The one the others are set against")
    relines_mean = _number("Relines of wheel ends", low=0.0)
    relines_p10 = _number("Low", low=0.0)
    relines_p90 = _number("High", low=0.0)
    cost_mean = _number("Cost", "currency", low=0.0)
    cost_p10 = _number("Low", "currency", low=0.0)
    cost_p90 = _number("High", "currency", low=0.0)
    extra_relines_mean = _number("Relines more than as_now, future by future")
    extra_relines_p10 = _number("Low")
    extra_relines_p90 = _number("High")
    extra_cost_mean = _number("Cost more than as_now, future by future", "currency")
    extra_cost_p10 = _number("Low", "currency")
    extra_cost_p90 = _number("High", "currency")
    early_scrapped_mm = _number("Lining above its minimum when relined, summed", "mm", low=0.0)
    early_scrapped_cost = _number("What that lining cost", "currency", low=0.0)
    p_crossing = _share("Chance that a lining falls to its minimum in service")


class SettingQuality(dy.Schema):
    """One row per depot and month; null depot: the fleet; null month: all months."""

    depot = _text("Depot; empty: none in the register", nullable=True)
    month = _day("Month of the setting, its first day")
    settings = _count("Settings that a check followed")
    out_of_band = _count("Of these, found outside the band at that check")
    share = _share("Their share")
    ci_low = _share("95 % interval (Wilson), low end")
    ci_high = _share("High end")
    limit_998 = _share("Upper funnel limit for so many settings (depots only)")
    outlier = dy.Bool(nullable=True, description="Beyond its limit, however many are compared")


class FlagChanges(dy.Schema):
    """One row per wheel end flagged now, or at the origin a month before."""

    wheel_end_id = _text("Wheel end", key=True)
    change = dy.Enum(["newly", "still", "cleared"], nullable=False, description="What changed")
    state = _text("State that it is in, or was")
    compared_with = _day("The origin it is compared with")
    weeks_flagged = _number("Weeks since it was flagged, at least", "weeks", low=0.0)
    job = _text("Job that cleared it; empty: cleared without work", nullable=True)
    cleared_on = _day("Day of that job")
    outcome = _text("confirmed, false_alarm, other_work or open", nullable=True)


class FlagPrecision(dy.Schema):
    """One row per origin: what the flags standing then turned out to be by now."""

    month = dy.Date(nullable=False, primary_key=True, description="The origin")
    flags = _count("Flags standing then")
    confirmed = _count("Followed by a found fault, or by a setting that cured a wrong one")
    false_alarms = _count("Gone without any work")
    open = _count("Still standing, or ended by work that tells neither")
    precision = _share("Confirmed among those decided")
    ci_low = _share("95 % interval (Wilson), low end")
    ci_high = _share("High end")


class Backtest(dy.Schema):
    """One row per forecast measure and origin: what would have been forecast, and what happened."""

    measure = _text("What was forecast")
    origin = dy.Date(nullable=False, description="The day the forecast is made as of")
    nominal = _share("Share of outcomes the interval should hold")
    observed = _share("Share it held")
    n = _count("Forecasts judged")
    bias = _number("Observed less forecast: months for dates, mm for linings, a share for totals")


SCHEMAS: dict[str, type[dy.Schema]] = {
    "wear_rates": WearRates,
    "wear_components": WearComponents,
    "wear_departures": WearDepartures,
    "pointer_checks": PointerChecks,
    "pointers_not_reset": PointersNotReset,
    "adjuster_fits": AdjusterFits,
    "adjuster_curves": AdjusterCurves,
    "duty_comparisons": DutyComparisons,
    "wheel_end_status": WheelEndStatus,
    "reline_budget": RelineBudget,
    "reline_outlook": RelineOutlook,
    "scenarios": Scenarios,
    "setting_quality": SettingQuality,
    "flag_changes": FlagChanges,
    "flag_precision": FlagPrecision,
    "backtest": Backtest,
}


def empty(table: str) -> pl.DataFrame:
    """A mart without rows."""
    return pl.DataFrame(schema={n: c.dtype for n, c in SCHEMAS[table].columns().items()})


def write(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Check a frame against its mart schema and put it in place; missing columns become null.

    Raises ``dataframely.exc.ValidationError`` where a value breaks the schema: that is a fault of
    this program, never of the fleet's data.
    """
    schema = SCHEMAS[table]
    columns = schema.columns()
    complete = frame.select(
        (pl.col(n) if n in frame.columns else pl.lit(None, dtype=c.dtype)).cast(c.dtype).alias(n)
        for n, c in columns.items()
    )
    warehouse.put(con, f"mart.{table}", schema.validate(complete))
