"""The ``mart`` tables a run fills: every column's type, unit and meaning, stated once.

A frame is checked against its schema before it is written, so a table never holds a NaN, a missing
column or a quantile out of order. MARTS.md is made from these classes.
"""

import dataframely as dy
import duckdb
import polars as pl

from models.adjustment.advice import ADVICE
from pipeline.marts import columns as col
from pipeline.marts.lives.schemas import LIFE_SCHEMAS
from pipeline.marts.planning.schemas import PLANNING_SCHEMAS
from pipeline.warehouse import warehouse

STATES = {
    "worn_out": "lining read, or estimated with an even chance, at or below its minimum",
    "in_band": "its stroke holds inside the band, or nothing was read since it was set",
    "set_wrong": "outside from the setting on, and holding there",
    "slackening": "not keeping up with the wear",
    "stuck": "no take-up at all, or a return test that failed",
    "tightening": "taking up too much",
    "uneven": "left and right of its axle apart",
    "not_seen": "stroke overdue to be read, or never read",
}


class WearRates(dy.Schema):
    """One row per axle type and duty: of linings as they are fitted now (``wear_changes``)."""

    axle_type = col.text("Axle type", key=True)
    duty = col.text("Duty", key=True)
    units = col.count("Units behind the figure")
    lives = col.count("Lining lives behind it")
    readings = col.count("Readings behind it")
    mm_per_10000km = col.number("Lining wear", "mm per 10,000 km")
    se = col.number("Its standard error", "mm per 10,000 km", low=0.0)
    ci_low = col.number("95 % interval, low end", "mm per 10,000 km")
    ci_high = col.number("95 % interval, high end", "mm per 10,000 km")
    shrunk = dy.Bool(nullable=False, description="True: leans on other duties and axle types")
    own_mm_per_10000km = col.number("The group's own estimate, before that", "mm per 10,000 km")
    note = col.text("What limits the figure", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "mm_per_10000km", "ci_high")


class WearChanges(dy.Schema):
    """One row per axle type, change and duty: wear since a day against that before."""

    counted = col.text(
        "``fitted``: of linings fitted since; ``run``: of all linings, on km run since"
    )
    axle_type = col.text("Axle type")
    duty = col.text("Duty; null: over its duties", nullable=True)
    since_on = dy.Date(nullable=False, description="About when, to a quarter, wear changed")
    ratio = col.number("Wear since over that before", low=0.0)
    ci_low = col.number("95 % interval, low end", low=0.0)
    ci_high = col.number("High end", low=0.0)
    units_before = col.count("Units with such linings or km before that say something of wear")
    lives_before = col.count("Such lining lives")
    units_since = col.count("Units with such linings or km since")
    lives_since = col.count("Such lining lives")
    before_mm_per_10000km = col.number("Wear before; null: over its duties", "mm per 10,000 km")
    before_ci_low = col.number("95 % interval, low end", "mm per 10,000 km")
    before_ci_high = col.number("High end", "mm per 10,000 km")


class RecordHoles(dy.Schema):
    """One row per time in which no check is on record though units ran on; forecasts take it for
    missing records, not for a habit."""

    depot = col.text("Depot; null: the whole fleet", nullable=True)
    from_on = dy.Date(nullable=False, description="The last check before")
    until_on = col.day("The first check after; empty: none yet")
    units = col.count(
        "Units that ran on from a check before to one after; where there is none yet, those that "
        "were checked in the year before"
    )


class UseChanges(dy.Schema):
    """One row where all units run more or less than before, one where they did for a while, or
    none: forecasts go on from now, and leave out what was run in such a while."""

    since_on = dy.Date(nullable=False, description="About when, to a month or two, use changed")
    until_on = col.day("About when it was again as before; empty: it goes on")
    ratio = col.number("Use of a unit then over that else, season apart", low=0.0)
    ci_low = col.number("95 % interval, low end", low=0.0)
    ci_high = col.number("High end", low=0.0)
    units = col.count("Units seen on both sides of the change")
    units_same = col.count("Of these, units whose own use moved the same way")
    p_returns = dy.Float64(
        nullable=True,
        min=0.0,
        max=1.0,
        description="Chance taken that the former use comes back; empty: it lasts, or is over",
    )
    relines_12m = dy.Float64(
        nullable=True, min=0.0, description="Mean relines of 12 months by that, errors not learned"
    )
    relines_12m_if_returned = dy.Float64(
        nullable=True, min=0.0, description="The same, were the former use back on the as-of day"
    )

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "ratio", "ci_high")


class UnitsLeftAtOnce(dy.Schema):
    """One row where a part of the fleet left at about the same time, once, or none; forecasts do
    not await it again."""

    from_on = dy.Date(nullable=False, description="The first of their last visits")
    until_on = dy.Date(nullable=False, description="The last of them")
    units = col.count("Units not seen since, by their chances to have left")
    units_there = col.count("Units that were in the fleet about then")


class UseOverTheYear(dy.Schema):
    """One row where use swings over the year or nobody is checked in a part of it, or none; and one
    for each depot or duty with a season of its own, which the first row then leaves out."""

    depot = col.text("Depot that has its own; null: all, or those of a duty", nullable=True)
    duty = col.text("Duty that has its own; null: all, or those of a depot", nullable=True)
    most_on = col.day("About when in the year to come units run most; null: no swing is found")
    most_ratio = col.number("Use then over the year's mean", low=0.0)
    least_on = col.day("About when they run least")
    least_ratio = col.number("Use then over the year's mean", low=0.0)
    p = col.share("p of no swing")
    closed_from_on = col.day(
        "First day of the time in which nobody is checked in any year on record, the present or "
        "next one; null: checks come all the year round"
    )
    closed_until_on = col.day("Its last day")


class WearComponents(dy.Schema):
    """One row: the spread that the wear fit found."""

    between_unit_sd = col.number("Rate, unit to unit", "mm per 10,000 km", low=0.0)
    between_unit_sd_ci_low = col.number("95 % interval, low end", low=0.0)
    between_unit_sd_ci_high = col.number("High end; null: the readings set none", low=0.0)
    between_life_sd = col.number("Rate, life to life", "mm per 10,000 km", low=0.0)
    between_life_sd_ci_low = col.number("95 % interval, low end", low=0.0)
    between_life_sd_ci_high = col.number("High end; null: the readings set none", low=0.0)
    intercept_sd = col.number("Starting lining, life to life", "mm", low=0.0)
    intercept_sd_ci_low = col.number("95 % interval, low end", low=0.0)
    intercept_sd_ci_high = col.number("High end; null: the readings set none", low=0.0)
    residual_sd = col.number("Reading error", "mm", low=0.0)
    residual_sd_ci_low = col.number("95 % interval, low end", low=0.0)
    residual_sd_ci_high = col.number("High end; null: the readings set none", low=0.0)
    reml_loglik = col.number("REML log-likelihood")
    converged = dy.Bool(nullable=False, description="The optimum was found and certified")
    note = col.text("What the fit says of itself", nullable=True)


class WearSpreads(dy.Schema):
    """One row per way in which spread between units and linings may grow with the wear rate.

    A law's weights are the rates' powers, 1 at the fleet's typical rate; ``wear_components`` holds
    the spread there. REML likelihoods of a large fleet are those of some of its units.
    """

    name = col.text(
        "even, proportional, power, … and 'by duty' where units differ in every duty", key=True
    )
    unit_power = col.number("Spread between units grows with this power of the rate", low=0.0)
    life_power = col.number("Spread between linings grows with this power of it", low=0.0)
    duty_share = col.share("Share of the units' variance that is a unit's own in each duty")
    parameters = col.count("Numbers sought for it")
    reml_loglik = col.number("REML log-likelihood")
    aic = col.number("Twice the numbers sought less the log-likelihood")
    chosen = dy.Bool(nullable=False, description="The one that rates and forecasts follow")


class WearDepartures(dy.Schema):
    """One row per way in which wear may depart from a straight line in km."""

    kind = col.text("bedding-in, curvature, season; thinning where fits allow for it", key=True)
    estimate = col.number(
        "Its size: mm; curvature: mm per (10,000 km)²; thinning: wear at the minimum over new"
    )
    se = col.number("Its standard error", low=0.0)
    ci_low = col.number("95 % interval, low end")
    ci_high = col.number("High end")
    p = col.share("Two-sided p")
    p_adjusted = col.share("Holm-adjusted")
    steady = dy.Bool(
        nullable=True,
        description="Curvature: shown to change the rate by less than a tenth over 100,000 km",
    )
    sentence = col.text("What was found, in words")


class GaugeSteps(dy.Schema):
    """One row per depot whose lining readings stepped up or down at once: another gauge?"""

    depot = col.text("Depot; null: of units without one", nullable=True)
    since_on = col.day("About when, to a month")
    step_mm = col.number(
        "By how much readings since are above what the linings' own lines let expect; below 0: "
        "under it",
        "mm",
    )
    ci_low = col.number("95 % interval, low end", "mm")
    ci_high = col.number("High end", "mm")
    lives = col.count("Linings read before and since")
    units = col.count("Of so many units")


class PointerChecks(dy.Schema):
    """One row per axle type: wear pointers against the lining gauge, read together."""

    axle_type = col.text("Axle type", key=True)
    lives = col.count("Lining lives with both")
    pairs = col.count("Readings of both on one day")
    bias_mm = col.number("Pointer minus gauge", "mm")
    bias_se = col.number("Its standard error", "mm", low=0.0)
    scale = col.number("Change of that per mm of lining")
    scale_se = col.number("Its standard error", low=0.0)
    reading_sd_mm = col.number("Error of one pointer reading", "mm", low=0.0)
    setting_sd_mm = col.number("How differently pointers are set at relines", "mm", low=0.0)
    weight = col.number("Worth of a pointer reading beside a gauge's; null: left out", low=0.0)
    note = col.text("What the comparison says", nullable=True)


class PointersNotReset(dy.Schema):
    """One row per lining life whose wear pointer nobody seems to have reset at its reline."""

    life_id = col.text("Lining life", key=True)
    wheel_end_id = col.text("Wheel end")
    gap_mm = col.number("Pointer minus gauge", "mm")
    probability = col.share("Chance that it was not reset")


class DutyComparisons(dy.Schema):
    """One row per pair of duties within an axle type, and measure."""

    axle_type = col.text("Axle type; null: over all, adjusted for it", nullable=True)
    measure = col.text("wear_rate_ratio, hazard_ratio, …")
    duty_a = col.text("The duty compared")
    duty_b = col.text("The duty it is compared with")
    ratio = col.number("a over b", low=0.0)
    ci_low = col.number("95 % interval, low end", low=0.0)
    ci_high = col.number("High end", low=0.0)
    p = col.share("Two-sided p")
    p_adjusted = col.share("Holm-adjusted over the comparisons of its measure")
    method = col.text("How interval and p were made")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "ratio", "ci_high")


class WheelEndStatus(dy.Schema):
    """One row per wheel end of the register."""

    wheel_end_id = col.text("UNIT/AXLE+SIDE", key=True)
    unit_id = col.text("Unit")
    axle_no = dy.Int64(nullable=False, description="Axle, counted from the front")
    side = col.text("L or R")
    axle_type = col.text("Axle type")
    duty = col.text("Duty on the as-of day")
    depot = col.text("Depot", nullable=True)
    as_of = dy.Date(nullable=False, description="The day everything is as of")
    last_inspected_on = col.day("Last inspection")
    p_present = col.share(
        "Chance that the unit is still in the fleet, by how long it has not been seen; null: none "
        "was worked out"
    )
    lining_mm = col.number(
        "Lining on the as-of day, estimated: wear since the last check counts", "mm"
    )
    lining_sd = col.number("Its standard deviation", "mm", low=0.0)
    lining_read_mm = col.number("Last reading of the lining in place", "mm")
    lining_read_on = col.day("When that was read")
    lining_min_mm = col.number("Minimum lining", "mm")
    min_on_p10 = col.day(
        "Lining on record reaches its minimum if its unit stays in service: early date (1 in 10 "
        "earlier)"
    )
    min_on_p50 = col.day("Even chance; a reline that nobody wrote down counts by its chance")
    min_on_p90 = col.day("Late date (1 in 10 later), likewise")
    min_km_p10 = col.number("The unit's accumulated km then: early", "km")
    min_km_p50 = col.number("Even chance", "km")
    min_km_p90 = col.number("Late", "km")
    reline_on_p10 = col.day(
        "The visit at which this fleet will reline it if its unit stays in service: early"
    )
    reline_on_p50 = col.day("Even chance")
    reline_on_p90 = col.day("Late")
    p_relined = col.share(
        "Chance that what its last check read led to a reline that nobody wrote down: the dates of "
        "relines are then those of the new lining"
    )
    set_on = col.day("Last setting on record")
    last_read_on = col.day("Last stroke reading since that setting; empty: not read since")
    stroke_ratio = col.number(
        "Free stroke / arm length on the as-of day, estimated: drift and failures since the last "
        "check count, of a unit that may have left the fleet by its chance to be there"
    )
    stroke_ratio_sd = col.number("Its standard deviation", low=0.0)
    stroke_ratio_p10 = col.number("Low end of the middle 8 in 10: no bell curve, for some fail")
    stroke_ratio_p90 = col.number("High end")
    drift_per_10000km = col.number("Change of the ratio", "per 10,000 km")
    take_up = col.number("Share of wear the adjuster takes up; 1 keeps pace")
    p_out_now = col.share("Chance that the stroke is outside its band now")
    p_out_next_check = col.share("Chance that it will be by the next check, where there is one")
    state = dy.Enum(
        list(STATES),
        nullable=False,
        description="What the history says: " + "; ".join(f"`{s}` {m}" for s, m in STATES.items()),
    )
    flagged = dy.Bool(nullable=False, description="Look at it first")
    priority = col.number("Higher first")
    flag_reason = col.text(
        "What flags it: lining, strokes, finding, reading (far off) or sides", nullable=True
    )
    advice = dy.Enum(ADVICE, nullable=False, description="What to do, as a code")
    evidence = col.text("Why and what to do, in a few sentences", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return (
            col.ordered("min_on_p10", "min_on_p50", "min_on_p90")
            & col.ordered("stroke_ratio_p10", "stroke_ratio_p90")
            & col.ordered("min_km_p10", "min_km_p50", "min_km_p90")
            & col.ordered("reline_on_p10", "reline_on_p50", "reline_on_p90")
        )


class _BudgetMonth(dy.Schema):
    month = dy.Date(nullable=False, description="First day of the month")


class _OutlookSpan(dy.Schema):
    months = dy.Int64(nullable=False, min=1, description="Whole months from the as-of day")
    until_on = dy.Date(nullable=False, description="Last day")


class _FleetPart(dy.Schema):
    part = col.text("What it is one of: depot; axle_type; …; depot, axle_type; …")
    depot = col.text("Depot; null: over all, or none in the register", nullable=True)
    axle_type = col.text("Axle type; null: over all", nullable=True)
    duty = col.text("Duty; null: over all", nullable=True)


class _FleetCell(dy.Schema):
    depot = col.text("Depot", nullable=True)
    axle_type = col.text("Axle type", nullable=True)
    duty = col.text("Duty", nullable=True)


class _SpanOfDays(dy.Schema):
    from_on = dy.Date(nullable=False, primary_key=True, description="First day of the span")
    until_on = col.day("Last day")
    months = dy.Int64(nullable=False, primary_key=True, min=1, description="Whole months")


class _RelinesAndCost(dy.Schema):
    relines_p10 = col.number("Relines of wheel ends: low", low=0.0)
    relines_p50 = col.number("Middle", low=0.0)
    relines_p90 = col.number("High", low=0.0)
    relines_mean = col.number("Mean: these add up", low=0.0)
    cost_p10 = col.number("Cost: low", "currency", low=0.0)
    cost_p50 = col.number("Middle", "currency", low=0.0)
    cost_p90 = col.number("High", "currency", low=0.0)
    cost_mean = col.number("Mean: these add up", "currency", low=0.0)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("relines_p10", "relines_p50", "relines_p90") & col.ordered(
            "cost_p10", "cost_p50", "cost_p90"
        )


class RelineBudget(_BudgetMonth, _FleetCell, _RelinesAndCost):
    """One row per month, depot, axle type and duty; all three null: the fleet's total."""


class RelineBudgetParts(_BudgetMonth, _FleetPart, _RelinesAndCost):
    """One row per month and part of the fleet: a depot, an axle type, a duty, or two of them."""


class RelineOutlook(_SpanOfDays, _RelinesAndCost):
    """One row per span of months after the as-of day: the fleet's total in it."""


class RelineHabits(dy.Schema):
    """One row per habit at checks and depot: how often, which forecasts follow."""

    habit = col.text(
        "relined for another reason than the reading (of a wheel end's checks); due and left on, "
        "at the minimum and left on (of wheel ends read so); other end goes along (of an axle's "
        "relines, unless nearly new); other axles go along (of a unit's); all renewed when a unit "
        "leaves (of units that left; no row where that is no habit)"
    )
    depot = col.text("Depot; null: none in the register", nullable=True)
    share = col.share(
        "How often, of the whole fleet unless it has changed at some depots; what goes along by "
        "depot, where that differs"
    )
    share_ci_low = col.share("95 % interval, low end")
    share_ci_high = col.share("High end")
    changed_on = col.day(
        "About when, to a quarter, it changed at this depot; null: no change found"
    )
    share_before = col.share("How often it was before then")
    share_before_ci_low = col.share("95 % interval, low end")
    share_before_ci_high = col.share("High end")


class RelinePolicy(dy.Schema):
    """One row per axle type, depot and, where it tells, interval of checks: at what it relines."""

    axle_type = col.text("Axle type")
    depot = col.text("Depot; null: none in the register", nullable=True)
    every_days = col.number(
        "Of units that are checked about so often alone, where those that are checked more or less "
        "often are relined at other readings; null: they are not",
        "days",
        low=0.0,
    )
    threshold_mm = col.number(
        "Reading above the minimum at which a lining is as likely thought due as not, drawn toward "
        "the fleet's",
        "mm",
    )
    threshold_sd = col.number("Its standard error", "mm", low=0.0)
    spread_mm = col.number("How that varies from case to case: standard deviation", "mm", low=0.0)
    visits = col.count("Visits of axles behind it")
    relines = col.count("Relines of wheel ends in the whole fleet; below 10 it is a guess")
    changed_on = col.day(
        "About when, to a quarter, this depot's readings at relines changed; forecasts follow what "
        "is done since; null: no change found"
    )
    raised_mm = col.number("By how much they were raised then; below 0: lowered", "mm")
    raised_ci_low = col.number("95 % interval, low end", "mm")
    raised_ci_high = col.number("High end", "mm")
    age_days = col.number(
        "Age from which on a lining is relined at a visit whatever its thickness, drawn toward the "
        "fleet's; null: no such rule found",
        "days",
        low=0.0,
    )
    age_ci_low = col.number("95 % interval, low end", "days", low=0.0)
    age_ci_high = col.number("High end", "days", low=0.0)
    age_kept = col.share("Chance that a visit keeps that rule, of the whole fleet")
    age_share = col.share(
        "Share of its relines, of linings of known age, that were made for their age and would not "
        "have been by the reading"
    )
    yearly_from_on = col.day(
        "Where linings are relined at higher readings at one time of every year, the first day of "
        "the next such time, as near as decisions tell; null: none found"
    )
    yearly_until_on = col.day("Its last day")
    yearly_mm = col.number("By how much readings are higher then than those above", "mm", low=0.0)
    yearly_ci_low = col.number("95 % interval, low end", "mm")
    yearly_ci_high = col.number("High end", "mm")
    campaigns = col.count(
        "Times of one or more quarters in which far more was relined than the readings explain, "
        "and before and since not, or far less for less than a year until now, due linings left "
        "on; left out of all of the above; 0: none found"
    )
    campaign_from_on = col.day(
        "The latest of them lay, to a quarter, between this day; null: none, or three years ago "
        "and more"
    )
    campaign_until_on = col.day("And this day")
    campaign_relines = dy.Int64(nullable=True, min=0, description="Relines of wheel ends in it")
    campaign_usual = col.number(
        "Relines there would have been at as many visits, at the rate of all other times", low=0.0
    )
    campaign_chance = col.share("Chance that it is over, and not the habit since")


class RelineOutlookParts(_OutlookSpan, _FleetPart, _RelinesAndCost):
    """One row per span of months after the as-of day, and part of the fleet."""


class RelinePlan(_OutlookSpan):
    """One row per span of months: what keeping the accepted risk takes beyond the forecast."""

    risk = col.share("Accepted chance that a lining falls to its minimum between visits")
    extra_relines_p10 = col.number("Relines more than forecast, future by future: low")
    extra_relines_p50 = col.number("Middle")
    extra_relines_p90 = col.number("High")
    extra_relines_mean = col.number("Mean")
    extra_cost_p10 = col.number("Cost more than forecast: low", "currency")
    extra_cost_p50 = col.number("Middle", "currency")
    extra_cost_p90 = col.number("High", "currency")
    extra_cost_mean = col.number("Mean", "currency")
    crossings_avoided_p10 = col.number("Linings kept from falling to their minimum in service: low")
    crossings_avoided_p50 = col.number("Middle")
    crossings_avoided_p90 = col.number("High")
    crossings_avoided_mean = col.number("Mean")


class Scenarios(dy.Schema):
    """One row per scenario over the budget's months, in the same simulated futures."""

    name = col.text(
        "The scenario; as_now: the forecast itself, the fleet working as it works now",
        key=True,
    )
    description = dy.String(nullable=False, description="In the fleet's words")
    base = dy.Bool(nullable=False, description="The one the others are set against")
    relines_mean = col.number("Relines of wheel ends", low=0.0)
    relines_p10 = col.number("Low", low=0.0)
    relines_p90 = col.number("High", low=0.0)
    cost_mean = col.number("Cost", "currency", low=0.0)
    cost_p10 = col.number("Low", "currency", low=0.0)
    cost_p90 = col.number("High", "currency", low=0.0)
    extra_relines_mean = col.number("Relines more than as_now, future by future")
    extra_relines_p10 = col.number("Low")
    extra_relines_p90 = col.number("High")
    extra_cost_mean = col.number("Cost more than as_now, future by future", "currency")
    extra_cost_p10 = col.number("Low", "currency")
    extra_cost_p90 = col.number("High", "currency")
    early_scrapped_mm = col.number("Lining above its minimum when relined, summed", "mm", low=0.0)
    early_scrapped_cost = col.number("What that lining cost", "currency", low=0.0)
    p_crossing = col.share("Chance that a lining falls to its minimum in service")


class Futures(dy.Schema):
    """One row per scenario and simulated future; futures of one number are the same in each."""

    name = col.text("The scenario, as in mart.scenarios", key=True)
    future = dy.Int64(nullable=False, primary_key=True, min=1, description="Number of the future")
    relines = col.number("Relines of wheel ends over the budget's months", low=0.0)
    cost = col.number("Their cost", "currency", low=0.0)
    own_visits = col.number("Axles relined at a visit made for that alone", low=0.0)
    crossings = col.number("Linings that fall to their minimum in service", low=0.0)
    scrapped_mm = col.number("Lining above its minimum when relined, summed", "mm", low=0.0)
    scrapped_cost = col.number("What that lining cost", "currency", low=0.0)


class SettingQuality(dy.Schema):
    """One row per depot and month; null depot: the fleet; null month: all months."""

    depot = col.text("Depot; empty: none in the register", nullable=True)
    month = col.day("Month of the setting, its first day")
    settings = col.count(
        "Settings that a check followed, the adjuster not out at its first check before"
    )
    out_of_band = col.count("Of these, found outside the band at that check")
    share = col.share("Their share")
    ci_low = col.share("95 % interval (Wilson), low end")
    ci_high = col.share("High end")
    limit_998 = col.share("Upper funnel limit for so many settings (depots only)")
    outlier = dy.Bool(nullable=True, description="Beyond its limit, however many are compared")


class FlagChanges(dy.Schema):
    """One row per wheel end flagged now, or at the origin a month before."""

    wheel_end_id = col.text("Wheel end", key=True)
    change = dy.Enum(["newly", "still", "cleared"], nullable=False, description="What changed")
    state = col.text("State that it is in, or was")
    compared_with = col.day("The origin it is compared with")
    weeks_flagged = col.number("Weeks since it was flagged, at least", "weeks", low=0.0)
    weeks_flagged_most = col.number(
        "At most; empty: no earlier day is known on which it was not", "weeks", low=0.0
    )
    job = col.text("Job that cleared it; empty: cleared without work", nullable=True)
    cleared_on = col.day("Day of that job")
    outcome = col.text("confirmed, false_alarm, other_work or open", nullable=True)


class FlagPrecision(dy.Schema):
    """One row per origin: what the flags standing then turned out to be by now."""

    month = dy.Date(nullable=False, primary_key=True, description="The origin")
    flags = col.count("Flags standing then")
    confirmed = col.count("Followed by a found fault, or by a setting that cured a wrong one")
    false_alarms = col.count("Gone without any work")
    open = col.count("Still standing, or ended by work that tells neither")
    precision = col.share("Confirmed among those decided")
    ci_low = col.share("95 % interval (Wilson), low end")
    ci_high = col.share("High end")


class FlagAccuracy(dy.Schema):
    """One row per origin: flags still open counted both ways, and faults found without a flag."""

    month = dy.Date(nullable=False, primary_key=True, description="The origin")
    precision_least = col.share("Share of flags that were right, if no open one is")
    precision_most = col.share("If every open one is")
    bounds_low = col.share("95 % limit (Wilson) of the least")
    bounds_high = col.share("Of the most")
    unflagged = col.count("Wheel ends without a flag then")
    looked_at = col.count("Of these, adjusters checked or replaced since")
    missed = col.count("Of these, found with a fault")
    recall = col.share("Share of faults that had a flag, corrected for who was looked at")
    recall_ci_low = col.share("95 % interval (Begg and Greenes), low end")
    recall_ci_high = col.share("High end")


class FlagsTold(dy.Schema):
    """One row per published month and wheel end flagged then, as it was said then."""

    month = col.text("The month, as in 2025-03", key=True)
    wheel_end_id = col.text("Wheel end", key=True)


class Months(dy.Schema):
    """One row per published month, as it was said then; a month made again replaces its row."""

    month = col.text("The month, as in 2025-03", key=True)
    as_of = dy.Date(nullable=False, description="The day it was as of")
    wheel_ends = col.count("Wheel ends")
    flagged = col.count("Of these, flagged")
    relines_p10 = col.number("Relines forecast for the next 12 months: low", low=0.0)
    relines_p50 = col.number("Middle", low=0.0)
    relines_p90 = col.number("High", low=0.0)
    cost_p10 = col.number("Cost forecast for them: low", "currency", low=0.0)
    cost_p50 = col.number("Middle", "currency", low=0.0)
    cost_p90 = col.number("High", "currency", low=0.0)


class Backtest(dy.Schema):
    """One row per forecast measure and origin: what would have been forecast, and what happened."""

    measure = col.text("What was forecast")
    origin = dy.Date(nullable=False, description="The day the forecast is made as of")
    nominal = col.share("Share of outcomes the interval should hold")
    observed = col.share("Share it held, its ends included")
    strictly_inside = col.share("Share strictly between its ends: less where days fall on them")
    below = col.share("Share below the interval: early, thinner, fewer")
    above = col.share("Share above it")
    n = col.count("Forecasts judged")
    bias = col.number(
        "Observed less forecast: months for dates, mm for linings, a share for totals"
    )
    crps = col.number("Mean CRPS, smaller is better: days, mm, or relines", low=0.0)
    crps_last_year = col.number("That of last year's relines again", low=0.0)
    crps_straight_line = col.number("That of a straight line through each lining", low=0.0)


class BacktestPit(dy.Schema):
    """One row per forecast measure, origin and bin: its histogram of the probability integral
    transform, not randomised; flat where forecasts are calibrated."""

    measure = col.text("What was forecast")
    origin = dy.Date(nullable=False, description="The day the forecast is made as of")
    bin = dy.Int64(nullable=False, min=1, description="Which tenth of the forecast's probability")
    share = col.share("Share of what happened that lay there")
    n = col.count("Forecasts judged")


SCHEMAS: dict[str, type[dy.Schema]] = {
    "wear_rates": WearRates,
    "wear_changes": WearChanges,
    "record_holes": RecordHoles,
    "use_changes": UseChanges,
    "units_left_at_once": UnitsLeftAtOnce,
    "use_over_the_year": UseOverTheYear,
    "wear_components": WearComponents,
    "wear_spreads": WearSpreads,
    "wear_departures": WearDepartures,
    "gauge_steps": GaugeSteps,
    "pointer_checks": PointerChecks,
    "pointers_not_reset": PointersNotReset,
    **LIFE_SCHEMAS,
    **PLANNING_SCHEMAS,
    "duty_comparisons": DutyComparisons,
    "wheel_end_status": WheelEndStatus,
    "reline_budget": RelineBudget,
    "reline_budget_parts": RelineBudgetParts,
    "reline_outlook": RelineOutlook,
    "reline_outlook_parts": RelineOutlookParts,
    "reline_plan": RelinePlan,
    "reline_policy": RelinePolicy,
    "reline_habits": RelineHabits,
    "scenarios": Scenarios,
    "futures": Futures,
    "months": Months,
    "flags_told": FlagsTold,
    "setting_quality": SettingQuality,
    "flag_changes": FlagChanges,
    "flag_precision": FlagPrecision,
    "flag_accuracy": FlagAccuracy,
    "backtest": Backtest,
    "backtest_pit": BacktestPit,
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
