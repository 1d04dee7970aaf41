"""Marts that plan from: parts, costs per km, changes, visits, stock, hours, check intervals."""

import dataframely as dy
import polars as pl

from pipeline.marts import columns as col

KINDS = ("lining", "adjuster")


class PartFigures(dy.Schema):
    """One row per part fitted, axle type and duty; both null: over all. None where no part is on
    record."""

    kind = dy.Enum(KINDS, nullable=False, description="Lining or adjuster")
    part = col.text("The part, in the fleet's words")
    axle_type = col.text("Axle type; null: over all", nullable=True)
    duty = col.text("Duty; null: over all", nullable=True)
    fitted = col.count("Of it on record")
    units = col.count("Units it was fitted to")
    failures = dy.Int64(nullable=True, min=0, description="Adjusters of it that failed")
    mm_per_10000km = col.number("Linings: wear", "mm per 10,000 km")
    mean_life_km = col.number("Expected life; linings: as worn as this fleet relines", "km", low=0)
    life_ci_low = col.number("95 % interval, low end", "km", low=0.0)
    life_ci_high = col.number("High end", "km", low=0.0)
    price = col.number("What one costs", "currency", low=0.0)
    cost_per_100000km = col.number("Part, fitting and failures per wheel end", "currency", low=0.0)
    cost_ci_low = col.number("95 % interval, low end", "currency", low=0.0)
    cost_ci_high = col.number("High end", "currency", low=0.0)
    note = col.text("What limits the figures", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("life_ci_low", "mean_life_km", "life_ci_high") & col.ordered(
            "cost_ci_low", "cost_per_100000km", "cost_ci_high"
        )


class PartComparisons(dy.Schema):
    """One row per pair of parts within axle type and duty; both null: over all that hold both."""

    kind = dy.Enum(KINDS, nullable=False, description="Lining or adjuster")
    axle_type = col.text("Axle type; null: over all", nullable=True)
    duty = col.text("Duty; null: over all", nullable=True)
    measure = col.text("wear_rate_ratio or hazard_ratio")
    part_a = col.text("The part compared")
    part_b = col.text("The part it is compared with")
    ratio = col.number("a over b: above 1, a wears faster or fails more", low=0.0)
    ci_low = col.number("95 % interval, low end", low=0.0)
    ci_high = col.number("High end", low=0.0)
    p = col.share("Two-sided p")
    p_adjusted = col.share("Holm-adjusted over the pairs of its kind, groups apart from the whole")
    needed = dy.Int64(
        nullable=True,
        min=0,
        description="Linings of each, or failures in all, that tell 10 % (failures: a third) apart",
    )
    at_random = dy.Bool(nullable=True, description="Nothing speaks against chance in who got which")
    note = col.text("How the parts were dealt out, and what would be needed", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "ratio", "ci_high")


PERIODS = ("past", "ahead")
ITEMS = ("linings", "drums", "adjusters", "labour", "downtime", "failures", "upkeep", "all")


class CostsPerKm(dy.Schema):
    """One row per period, axle type, duty and item; axle type and duty null: the fleet."""

    period = dy.Enum(PERIODS, nullable=False, description="past: on record; ahead: long run")
    axle_type = col.text("Axle type; null: over all", nullable=True)
    duty = col.text("Duty; null: over all", nullable=True)
    item = dy.Enum(ITEMS, nullable=False, description="upkeep: setting, greasing, other jobs")
    cost_per_100000km = col.number("Per wheel end and 100,000 km", "currency", low=0.0)
    ci_low = col.number("95 % interval, low end", "currency", low=0.0)
    ci_high = col.number("High end", "currency", low=0.0)
    units = col.count("Units behind it")
    wheel_end_km = col.number("Km times wheel ends behind it", "km", low=0.0)
    note = col.text("What it stands on", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "cost_per_100000km", "ci_high")


class UnitCosts(dy.Schema):
    """One row per unit: what it cost on record, over what its axle types, duties and km explain."""

    unit_id = col.text("Unit", key=True)
    depot = col.text("Depot", nullable=True)
    wheel_end_km = col.number("Km times wheel ends on record", "km", low=0.0)
    cost = col.number("What its jobs cost", "currency", low=0.0)
    expected_cost = col.number("What others' jobs would cost over as much", "currency", low=0.0)
    factor = col.number("The first over the second", low=0.0)
    pooled_factor = col.number("The same, drawn toward 1 by as much as it is unsure", low=0.0)
    ci_low = col.number("95 % interval of that, low end", low=0.0)
    ci_high = col.number("High end", low=0.0)
    funnel_low = col.number("Factors of 998 in 1,000 such units lie above", low=0.0)
    funnel_high = col.number("And below", low=0.0)
    stands_out = dy.Bool(
        nullable=False, description="Beyond what units differ anyway, however many are looked at"
    )

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "pooled_factor", "ci_high") & col.ordered(
            "funnel_low", "funnel_high"
        )


MEASURES = ("set_wrong", "wear", "failures", "cost")


class ChangeEffects(dy.Schema):
    """One row per change and measure: units that changed beside those that did not."""

    name = col.text("The change, as in fleet.toml", key=True)
    measure = dy.Enum(MEASURES, nullable=False, primary_key=True, description="What it is seen in")
    what = dy.String(nullable=False, description="In the fleet's words")
    changed_on = dy.Date(nullable=False, description="The day of the change")
    months = col.count("Whole months looked at, before and after it each")
    before = col.number("Rate of what changed, before", low=0.0)
    after = col.number("After", low=0.0)
    unit = dy.String(nullable=False, description="Of these two rates")
    ratio = col.number("What the change multiplied the rate by", low=0.0)
    ci_low = col.number("95 % interval, low end", low=0.0)
    ci_high = col.number("High end", low=0.0)
    p = col.share("Two-sided p")
    p_adjusted = col.share("Holm-adjusted over the change's measures")
    units_changed = col.count("Units (by axle type) that changed, seen before and after")
    units_unchanged = col.count("That did not")
    apart_before = col.number("The same ratio between the halves of the time before: should be 1")
    apart_before_p = col.share("Its p")
    note = col.text("What cannot be told", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "ratio", "ci_high")


class MonthlyRates(dy.Schema):
    """One row per measure and whole month: the fleet's rate under a chart for slow worsening."""

    measure = dy.Enum(MEASURES, nullable=False, primary_key=True, description="What is watched")
    month = dy.Date(nullable=False, primary_key=True, description="First day of the month")
    amount = col.number("What was counted: wrong settings, mm, failures, money")
    expected = col.number("At the rates of all months, for what ran under which duty")
    ratio = col.number("The first over the second")
    standardised = col.number("Against the months before it, in standard deviations")
    rise = col.number("Cumulative sum of that, upward", low=0.0)
    rise_limit = col.number(
        "Beyond it the chart signals: by chance one of all measures once in 20 years", low=0.0
    )
    signal = dy.Bool(
        nullable=False, description="The first month beyond it, and those until the rise ended"
    )
    began = col.day("Month in which the latest rise began by then that led to a signal")
    ended = col.day("First month after that rise; null: it lasts")


class Plan(dy.Schema):
    """One row per visit to come and wheel end with something likely to be done at it."""

    depot = col.text("Depot", nullable=True)
    month = dy.Date(nullable=False, description="Month of the visit, its first day")
    visit_on = dy.Date(nullable=False, primary_key=True, description="About when: its usual day")
    unit_id = col.text("Unit")
    wheel_end_id = col.text("Wheel end", key=True)
    axle_type = col.text("Axle type")
    p_reline = col.share("Chance that it is relined at this visit")
    p_adjuster = col.share("Chance that its adjuster is found failed at it")
    check_first = dy.Bool(nullable=False, description="Flagged: look at it first")


class WorkshopMonths(dy.Schema):
    """One row per depot and month: visits, jobs and hours, against the hours there are."""

    depot = col.text("Depot", nullable=True)
    month = dy.Date(nullable=False, description="First day of the month")
    visits = col.number("Visits of units expected", low=0.0)
    checks = col.number("Wheel ends checked at them", low=0.0)
    relines_mean = col.number("Relines of wheel ends expected", low=0.0)
    adjusters_mean = col.number("Failed adjusters expected", low=0.0)
    hours_mean = col.number("Hours of work", "h", low=0.0)
    hours_p10 = col.number("Low", "h", low=0.0)
    hours_p90 = col.number("High", "h", low=0.0)
    hours_there = col.number("Hours the depot has; null: not stated", "h", low=0.0)
    p_over = col.share("Chance that the work takes more")
    hours_to_move = col.number("Hours over, on average of futures", "h", low=0.0)
    moving_cost = col.number("Lining lost by doing them one visit earlier", "currency", low=0.0)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("hours_p10", "hours_p90")


class StockNeeded(dy.Schema):
    """One row per depot and part: what to have, so that it is enough until the next delivery."""

    depot = col.text("Depot; null: none on record", nullable=True)
    item = dy.Enum(["linings", "drum", "adjuster"], nullable=False, description="The part")
    axle_type = col.text("Linings: of which axle type", nullable=True)
    lead_weeks = col.number("Until the next delivery", "weeks", low=0.0)
    service_level = col.share("Chance asked for that it is enough")
    demand_mean = col.number("Demand until then", low=0.0)
    stock = col.count("What to have")
    p_short = col.share("Chance that this is not enough")


class CheckPlan(dy.Schema):
    """One row per axle type and duty: how often to check, and what one more check buys."""

    axle_type = col.text("Axle type", key=True)
    duty = col.text("Duty", key=True)
    wheel_ends = col.number("Wheel ends", low=0.0)
    weeks_now = col.number("Time between checks now", "weeks", low=0.0)
    share_now = col.share("Wheel ends that carry a failure nobody has seen")
    share_ci_low = col.share("95 % interval, low end")
    share_ci_high = col.share("High end")
    most_unseen = col.share("The share that is accepted")
    weeks_within = col.number("Longest interval that keeps it, at the fitted life", "weeks")
    weeks_surely = col.number("Longest whose share's upper limit keeps it", "weeks")
    checks_now = col.number("Checks of wheel ends a year now", low=0.0)
    checks_within = col.number("At that interval", low=0.0)
    cost_now = col.number("Cost of checks a year now; null: no hours or rate set", "currency")
    cost_within = col.number("At that interval", "currency")
    saved_per_check = col.number("Weeks with an unseen failure that one more check saves", "weeks")
    saved_per_money = col.number("The same per unit of money", "weeks per currency")
    place = dy.Int64(nullable=True, min=1, description="Where one more check buys most: 1 is first")
    note = col.text("What limits the figures", nullable=True)


PLANNING_SCHEMAS: dict[str, type[dy.Schema]] = {
    "part_figures": PartFigures,
    "part_comparisons": PartComparisons,
    "costs_per_km": CostsPerKm,
    "unit_costs": UnitCosts,
    "change_effects": ChangeEffects,
    "monthly_rates": MonthlyRates,
    "plan": Plan,
    "workshop_months": WorkshopMonths,
    "stock_needed": StockNeeded,
    "check_plan": CheckPlan,
}
