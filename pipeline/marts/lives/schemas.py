"""The ``mart`` tables on how long adjusters live, what shortens it, and what follows from it."""

import dataframely as dy
import polars as pl

from pipeline.marts import columns as col

DISTRIBUTIONS = ("weibull", "lognormal", "loglogistic")
TIME_SCALES = ("km", "weeks")
RATIOS = ("hazard_ratio", "life_ratio")
TESTS = ("term", "proportionality", "frailty", "clocks")


class AdjusterFits(dy.Schema):
    """One row per axle type, duty and distribution; null duty or axle type: pooled over it."""

    axle_type = col.text("Axle type", nullable=True)
    duty = col.text("Duty", nullable=True)
    distribution = dy.Enum(DISTRIBUTIONS, nullable=True, description="Null: too few failures")
    shape = col.number("Shape (log-normal: standard deviation of log age)")
    shape_ci_low = col.number("95 % profile interval, low end")
    shape_ci_high = col.number("High end")
    scale_km = col.number("Scale", "km")
    scale_km_ci_low = col.number("Low end", "km")
    scale_km_ci_high = col.number("High end", "km")
    b10_km = col.number("Age by which a tenth has failed", "km")
    b10_km_ci_low = col.number("Low end", "km")
    b10_km_ci_high = col.number("High end", "km")
    loglik = col.number("Log-likelihood")
    aic = col.number("AIC, corrected for few failures")
    adjusters = col.count("Adjusters behind it")
    failures = col.count("Failures behind it")
    chosen = dy.Bool(
        nullable=False,
        description="The distribution with the lowest AIC; none where the groups of a pool differ",
    )
    weight = col.share("Akaike weight among the distributions fitted")
    b10_averaged_km = col.number("B10 averaged over the distributions (chosen row)", "km")
    b10_averaged_km_ci_low = col.number("Low end, the choice of distribution counted", "km")
    b10_averaged_km_ci_high = col.number("High end", "km")
    note = col.text("Goodness of fit, or why there is no curve", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return (
            col.ordered("shape_ci_low", "shape", "shape_ci_high")
            & col.ordered("scale_km_ci_low", "scale_km", "scale_km_ci_high")
            & col.ordered("b10_km_ci_low", "b10_km", "b10_km_ci_high")
        )


class AdjusterCurves(dy.Schema):
    """One row per axle type, duty, km and method."""

    axle_type = col.text("Axle type", nullable=True)
    duty = col.text("Duty", nullable=True)
    km = col.number("Age", "km", low=0.0)
    survival = col.share("Share still good at that age")
    ci_low = col.share("95 % pointwise band, low end")
    ci_high = col.share("High end")
    method = col.text("npmle, or the distribution's name")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "survival", "ci_high")


class AdjusterScales(dy.Schema):
    """One row per axle type, duty, distribution and drop of the curve that assumes none.

    On a distribution's own scale its curve is a straight line against log km; where the drops bend
    away from it, the distribution does not fit.
    """

    axle_type = col.text("Axle type", nullable=True)
    duty = col.text("Duty", nullable=True)
    distribution = dy.Enum(DISTRIBUTIONS, nullable=False, description="Whose scale it is")
    km = col.number("Age at the end of the drop", "km", low=0.0)
    failed = col.share("Share failed by then, no distribution assumed")
    z = col.number("That share on the distribution's scale")
    z_low = col.number("95 % pointwise band on that scale, low end")
    z_high = col.number("High end")
    z_fit = col.number("The fitted straight line")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("z_low", "z", "z_high")


class AdjusterEffects(dy.Schema):
    """One row per ratio: what multiplies an adjuster's hazard, or its life, all else the same."""

    clock = dy.Enum(TIME_SCALES, nullable=False, description="What ages an adjuster")
    fleets_clock = dy.Bool(nullable=False, description="The clock the fleet chose")
    cause = col.text("Failures counted: null all, else those found so", nullable=True)
    measure = dy.Enum(RATIOS, nullable=False, description="Of hazards, or of lives")
    term = col.text(
        "duty, axle_type, depot, part (fitted); greasing_overdue (all the time between two looks "
        "against never), cap_open (grease cap found open or missing against seated), "
        "greased_late_share (every greasing so far late against none)"
    )
    level = col.text("The level compared; null for a share", nullable=True)
    reference = col.text("The level it is compared with: the one run most", nullable=True)
    ratio = col.number("The ratio; null: could not be estimated", low=0.0)
    ci_low = col.number("95 % profile limit, widened by inflation, low end", low=0.0)
    ci_high = col.number("High end; null: none was found", low=0.0)
    inflation = col.number(
        "Variance with units taken as they differ, over that without; never below 1"
    )
    p = col.share("Likelihood-ratio p, two-sided, with that inflation")
    p_adjusted = col.share("Holm-adjusted over the ratios of its clock, cause and measure")
    adjusters = col.count("Adjusters behind it")
    failures = col.count("Failures behind it")
    method = col.text("The model", nullable=True)
    note = col.text("Why there is no ratio, or what limits it", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "ratio", "ci_high")


class AdjusterEffectTests(dy.Schema):
    """One row per test of what is in adjuster_effects, or of what it takes for granted."""

    kind = dy.Enum(
        TESTS,
        nullable=False,
        description="term: no effect at all of a whole term; proportionality: its hazard ratio is "
        "the same at every age; frailty: units differ beyond duty and axle type; clocks: "
        "do km and weeks say the same",
    )
    clock = dy.Enum(TIME_SCALES, nullable=True, description="The clock tested on; null: both")
    cause = col.text("Failures counted: null all, else those found so", nullable=True)
    measure = dy.Enum(RATIOS, nullable=True, description="Of hazards, or of lives")
    term = col.text("The term tested", nullable=True)
    chi_square = col.number("Likelihood-ratio statistic", low=0.0)
    degrees = dy.Int64(nullable=True, min=1, description="Its degrees of freedom")
    p = col.share("Its p")
    p_adjusted = col.share("Holm-adjusted over the terms of its clock, cause and measure")
    estimate = col.number("frailty: variance over units of the factor on their hazard", low=0.0)
    ci_low = col.number("95 % profile interval, low end", low=0.0)
    ci_high = col.number("High end; null: none was found", low=0.0)
    sentence = col.text("What was found, in words")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "estimate", "ci_high")


class AdjusterCauses(dy.Schema):
    """One row per axle type, duty, way to end and age: the share ended so by then, others at work.

    Null axle type or duty: pooled over it. Planned replacement is one way to end, not a failure.
    """

    axle_type = col.text("Axle type", nullable=True)
    duty = col.text("Duty", nullable=True)
    cause = col.text(
        "stuck, over_adjusting, damaged, failed (not said how), planned; null: too few ended",
        nullable=True,
    )
    km = col.number("Age", "km", low=0.0)
    from_km = col.number("Among adjusters that reached this age", "km", low=0.0)
    incidence = col.share("Share ended in this way by that age")
    se = col.number("Its standard error", low=0.0)
    ci_low = col.share("95 % pointwise band, low end")
    ci_high = col.share("High end")
    ended = col.count("Adjusters seen to end in this way")
    adjusters = col.count("Adjusters watched")
    note = col.text("Why there is no curve, or what limits it", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "incidence", "ci_high")


class ReplacementCounts(dy.Schema):
    """One row per duty and age of the wheel end: mean number of adjusters replaced by then.

    Age is the unit's km by its odometer, carried across odometer replacements. Null duty: all.
    """

    duty = col.text("Duty run", nullable=True)
    km = col.number("Age of the wheel end", "km", low=0.0)
    from_km = col.number("Replacements are counted from this age on", "km", low=0.0)
    replacements = col.number("Mean number per wheel end between the two", low=0.0)
    se = col.number("Its standard error, wheel ends of a unit not taken as independent", low=0.0)
    ci_low = col.number("95 % interval, low end", low=0.0)
    ci_high = col.number("High end", low=0.0)
    watched = col.count("Wheel ends watched at that age")
    wheel_ends = col.count("Wheel ends behind the curve")
    events = col.count("Replacements behind it")
    pace = col.text("Whether replacements come faster with age, in words", nullable=True)
    note = col.text("Why there is no curve", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "replacements", "ci_high")


class ReplacementDifferences(dy.Schema):
    """One row per pair of duties: replacements per wheel end over the ages both were watched at."""

    duty_a = col.text("The duty compared", key=True)
    duty_b = col.text("The duty it is compared with", key=True)
    from_km = col.number("From this age", "km", low=0.0)
    km = col.number("To this age", "km", low=0.0)
    replacements_a = col.number("Mean number per wheel end under a", low=0.0)
    replacements_b = col.number("Under b", low=0.0)
    difference = col.number("a minus b")
    se = col.number("Its standard error, by unit", low=0.0)
    ci_low = col.number("95 % interval, low end")
    ci_high = col.number("High end")
    p = col.share("Two-sided p")
    p_adjusted = col.share("Holm-adjusted over the pairs")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "difference", "ci_high")


class ExpectedFailures(dy.Schema):
    """One row per month and depot (null: the fleet): failed adjusters that checks will find.

    Counted when found and replaced, those of replacements too; a wheel end whose adjuster was not
    found failed is taken to have carried a good one when it was last seen.
    """

    month = dy.Date(nullable=False, description="First day of the month; the first may be a part")
    depot = col.text("Depot", nullable=True)
    failures_mean = col.number(
        "Expected to be found; null: no life was fitted, and none was found failed of late", low=0.0
    )
    failures_p10 = col.number("The number itself: low (1 in 10 below)", low=0.0)
    failures_p50 = col.number("Even chance", low=0.0)
    failures_p90 = col.number("High (1 in 10 above)", low=0.0)
    failures_mean_least_law = col.number(
        "The expectation under whichever distribution left open has fewest", low=0.0
    )
    failures_mean_most_law = col.number("Under whichever has most", low=0.0)
    adjusters = col.number(
        "Wheel ends counted, each by its chance to be in the fleet still", low=0.0
    )
    basis = col.text("What it is told from; null: how long adjusters last", nullable=True)
    note = col.text("What limits the figures", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("failures_p10", "failures_p50", "failures_p90")


class FailureOutlook(dy.Schema):
    """One row per span of months after the as-of day: failed adjusters that checks will find."""

    from_on = dy.Date(nullable=False, primary_key=True, description="First day of the span")
    until_on = col.day("Last day")
    months = dy.Int64(nullable=False, primary_key=True, min=1, description="Whole months")
    failures_p10 = col.number("The number itself: low (1 in 10 below)", low=0.0)
    failures_p50 = col.number("Even chance", low=0.0)
    failures_p90 = col.number("High (1 in 10 above)", low=0.0)
    failures_mean = col.number("Expected", low=0.0)


class CheckIntervals(dy.Schema):
    """One row per axle type, duty and check interval; null: over all, weighted by wheel ends."""

    axle_type = col.text("Axle type", nullable=True)
    duty = col.text("Duty", nullable=True)
    weeks = col.number("Time between checks", "weeks", low=0.0)
    share_failed = col.share("Wheel ends that carry an unseen failed adjuster at a random moment")
    ci_low = col.share("95 % interval, low end")
    ci_high = col.share("High end")
    current = dy.Bool(nullable=False, description="The interval in use")
    note = col.text("Whose life was used where its own is not known, or why none", nullable=True)

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low", "share_failed", "ci_high")


class ReplacementAges(dy.Schema):
    """One row per axle type and duty with a fitted life; null: pooled over it."""

    axle_type = col.text("Axle type", nullable=True)
    duty = col.text("Duty", nullable=True)
    best_km = col.number(
        "Age at which planned replacement costs least; null: none pays", "km", low=0.0
    )
    ci_low_km = col.number(
        "Middle 8 in 10 of it over the fit's uncertainty, low end", "km", low=0.0
    )
    ci_high_km = col.number("High end; null: perhaps no age pays", "km", low=0.0)
    saving_share = col.share("What that saves of the cost of running to failure")
    failed_before = col.share("Share that fails before that age")
    no_age_pays = col.share("Chance, over the fit's uncertainty, that no age saves 1 % or more")
    cost_per_100000km = col.number("Cost of that policy; where none pays, of running to failure")
    planned_cost = col.number("One planned replacement: adjuster and labour", "currency", low=0.0)
    failed_cost = col.number("One failure: the same and what it costs on top", "currency", low=0.0)
    verdict = col.text("The decision in a sentence")

    @dy.rule()
    def in_order(cls) -> pl.Expr:
        return col.ordered("ci_low_km", "ci_high_km")


LIFE_SCHEMAS: dict[str, type[dy.Schema]] = {
    "adjuster_fits": AdjusterFits,
    "adjuster_curves": AdjusterCurves,
    "adjuster_scales": AdjusterScales,
    "adjuster_effects": AdjusterEffects,
    "adjuster_effect_tests": AdjusterEffectTests,
    "adjuster_causes": AdjusterCauses,
    "replacement_counts": ReplacementCounts,
    "replacement_differences": ReplacementDifferences,
    "expected_failures": ExpectedFailures,
    "failure_outlook": FailureOutlook,
    "check_intervals": CheckIntervals,
    "replacement_ages": ReplacementAges,
}
