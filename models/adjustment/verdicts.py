"""State, flag and priority of each wheel end, from its probabilities and plain findings.

A lining at its minimum, a return test that failed with no other adjuster since, and a stroke that
was far outside before it was set by hand, or outside before each of the last two settings, need no
model: they flag where nothing else is known. An automatic adjuster that has to be set by hand has
a fault that the setting hides.

Priority runs from 0 to 100 and only orders the list: linings at their minimum first, the thinnest
at the top; then by how sure it is that something is wrong, times how far out of band the stroke is
or will be by the next check; raised where the other end of the axle is flagged too and where the
last reading is old.
"""

from datetime import date

import numpy as np
import polars as pl

from models.adjustment.flags import FlagRules, both_sides
from models.adjustment.indicators import FOUND_DAMAGED, FOUND_OVER_ADJUSTING, FOUND_STUCK
from models.adjustment.states import STATES
from models.adjustment.strokes.parameters import Band
from models.common.units import KM_PER_UNIT

P_FAULTS = tuple(f"p_{state}" for state in STATES[1:])
LEAST_SURE = 0.5
# A unit that is less likely to be in the fleet still has left: nobody can look at it first. But
# where its records are missing it runs on: what was plainly found in the last year is looked at.
HAS_LEFT, A_YEAR_DAYS = 0.05, 365
FAR_OUT_HALF_WIDTHS = 2.0
# What a lining read twice some way apart may be thinner than its last reading and wear make it.
OLD_LINING_MM = 1.0
DAYS_PER_WEEK = 7.0
# A plain finding is as good as this probability in the priority.
FINDING_IS_SURE = 0.95
# Linings at their minimum come before all else; by how much they are below it, up to so many mm.
OTHERS_UP_TO, WORN_OUT_FROM, DEEPEST_MM = 95.0, 96.0, 5.0
# Readings are decimals: one at the minimum is at it whatever the last binary digit says.
SAME_MM = 1e-6
LEAST_WEIGHT, MATE_WEIGHT, AGE_WEIGHT = 0.4, 0.15, 0.10
FARTHEST_HALF_WIDTHS = 3.0


def with_verdicts(
    judged: pl.DataFrame, band: Band, rules: FlagRules, limit: float, as_of: date
) -> pl.DataFrame:
    """Add age, sides of the axle, drift, state, flag and priority to the figures."""
    judged = with_flags(judged, band, rules, limit, as_of)
    return _with_priority(_with_outlook(judged), band, rules)


def with_flags(
    judged: pl.DataFrame, band: Band, rules: FlagRules, limit: float, as_of: date
) -> pl.DataFrame:
    """Add age, sides of the axle, state and flag to the figures that tell them."""
    judged = _with_findings(_with_worn_out(_with_age(judged, rules, as_of)), band)
    return _with_state(_with_sides(judged, rules), band, limit, as_of)


def _with_age(judged: pl.DataFrame, rules: FlagRules, as_of: date) -> pl.DataFrame:
    def weeks_since(day: str) -> pl.Expr:
        return (pl.lit(as_of) - pl.col(day)).dt.total_days() / DAYS_PER_WEEK

    read, made = weeks_since("last_read_on"), weeks_since("set_on")
    # Set lately and judged by how settings turn out: its first check is not due yet.
    looked_after = pl.coalesce(read, pl.when(pl.col("p_trouble").is_not_null()).then(made))
    overdue = looked_after > rules.overdue_factor * pl.col("check_weeks")
    return judged.with_columns(
        weeks_since_read=read, weeks_since_set=made, not_seen=overdue.fill_null(value=True)
    )


def _with_worn_out(judged: pl.DataFrame) -> pl.DataFrame:
    """``worn_out_by``: ``reading`` or ``estimate`` that has the lining at or below its minimum, or
    a reading ``before`` one that grew without a word, of a lining that would be by the next check.

    The last reading of the lining in place counts; an estimate, from an even chance on.
    """
    minimum = pl.col("lining_min_mm") + SAME_MM
    by = (
        pl.when(pl.col("lining_read_mm") <= minimum)
        .then(pl.lit("reading"))
        .when(pl.col("lining_now_mm") <= minimum)
        .then(pl.lit("estimate"))
        .when(pl.col("lining_old_mm") <= minimum + OLD_LINING_MM)
        .then(pl.lit("before"))
    )
    return judged.with_columns(worn_out_by=by)


def _with_findings(judged: pl.DataFrame, band: Band) -> pl.DataFrame:
    """What flags whatever the strokes say, and the state it stands for if they say nothing."""
    low, high = _far_limits(band)
    left = pl.col("first_was_left").cast(pl.Int64).fill_null(0)
    hidden = pl.col("readings").fill_null(0).cast(pl.Int64) <= left
    # A return test that was passed since the setting says more than what was read before it.
    hidden &= ~(pl.col("found_return_test") == 0).fill_null(value=False)
    before, twice = (
        pl.when(hidden).then(pl.col(name)) for name in ("ratio_before", "ratio_before_that")
    )
    fault = pl.col("found_fault")
    finding = (
        pl.when(fault == FOUND_OVER_ADJUSTING)
        .then(pl.lit("tightening"))
        .when("test_failed")
        .then(pl.lit("stuck"))
        .when(fault.is_in([FOUND_STUCK, FOUND_DAMAGED]) | (pl.col("found_return_test") == 1))
        .then(pl.lit("stuck"))
        .when(pl.col("found_applied") == 1)
        .then(pl.lit("slackening"))
        .when((before > high) | ((before > band.high) & (twice > band.high)))
        .then(pl.lit("slackening"))
        .when((before < low) | ((before < band.low) & (twice < band.low)))
        .then(pl.lit("tightening"))
    )
    return judged.with_columns(finding=finding)


def _with_sides(judged: pl.DataFrame, rules: FlagRules) -> pl.DataFrame:
    axle = judged["axle_id"].rank("dense").fill_null(0).to_numpy().astype(np.int64)
    axle = np.where(axle > 0, axle, -np.arange(1, len(axle) + 1))
    ratio, sd = (
        judged[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in ("read_ratio", "read_ratio_sd")
    )
    apart, other = both_sides(axle, ratio, sd, rules.side_limit)
    return judged.with_columns(
        p_uneven=pl.Series(apart),
        other_ratio=pl.Series(np.where(other >= 0, ratio[other], np.nan)).fill_nan(None),
        other_row=pl.Series(other),
    )


def _with_state(judged: pl.DataFrame, band: Band, limit: float, as_of: date) -> pl.DataFrame:
    # What an adjuster brings along calls for a look at its first check, not for a flag: nothing has
    # been read since.
    read = pl.col("readings").fill_null(0) > 0
    sure = (read & (pl.col("p_trouble") >= limit)).fill_null(value=False)
    worn_out = pl.col("worn_out_by").is_not_null()
    found = pl.col("finding").is_not_null() | _far_out(band)
    judged = judged.with_columns(sure=sure, found=found, likeliest=_likeliest_fault())
    # A fault at one end explains the difference; the sound end is not flagged for it.
    explained = (pl.col("sure") | pl.col("found")).any().over("axle_id")
    uneven = (pl.col("p_uneven") >= max(limit, LEAST_SURE)) & ~explained
    judged = judged.with_columns(uneven=uneven.fill_null(value=False))
    named = pl.coalesce("finding", "likeliest")
    # An adjuster that fails its test, or was found at fault, was not set wrong, whatever its
    # strokes look like: setting it hides that.
    at_fault = (pl.col("found_fault") > 0) | (pl.col("found_return_test") == 1)
    at_fault = pl.any_horizontal("test_failed", at_fault).fill_null(value=False)
    failed = at_fault & (pl.col("likeliest") == "set_wrong")
    by_strokes_alone = pl.when("sure").then(pl.when(failed).then("finding").otherwise("likeliest"))
    fault = by_strokes_alone.when("found").then(named)
    by_strokes = (pl.col("p_by_strokes") >= limit).fill_null(value=False)
    by_finding = pl.col("finding").is_not_null() & ~by_strokes
    reason = pl.when(by_finding).then(pl.lit("finding")).when("sure").then(pl.lit("strokes"))
    reason = reason.when("found").then(pl.lit("reading")).when("uneven").then(pl.lit("sides"))
    left = pl.col("p_in_fleet") < HAS_LEFT
    here = ~left | _plainly_found_lately(as_of)
    why = pl.when(worn_out).then(pl.lit("lining")).otherwise(reason)
    return judged.with_columns(
        seems_left=left,
        flagged=(pl.any_horizontal("sure", "found", "uneven") | worn_out) & here,
        flag_reason=pl.when(here).then(why),
        fault=fault,
        state=pl.coalesce(
            pl.when(worn_out).then(pl.lit("worn_out")),
            fault,
            pl.when("uneven").then(pl.lit("uneven")),
            pl.when("not_seen").then(pl.lit("not_seen")),
            # What nobody has read since it was set has shown no trouble yet, whatever it brought.
            pl.when(pl.col("readings") == 0).then(pl.lit("in_band")),
            pl.when(pl.col("p_in_band") >= pl.max_horizontal(P_FAULTS)).then(pl.lit("in_band")),
            "likeliest",
        ),
    )


def _plainly_found_lately(as_of: date) -> pl.Expr:
    """A lining read at its minimum or a return test that failed, in the last year."""

    def lately(day: str) -> pl.Expr:
        return (pl.lit(as_of) - pl.col(day)).dt.total_days() <= A_YEAR_DAYS

    worn = (pl.col("worn_out_by") == "reading") & lately("lining_read_on")
    failed = pl.col("test_failed") & lately("tested_on")
    return (worn.fill_null(value=False)) | (failed.fill_null(value=False))


def _far_out(band: Band) -> pl.Expr:
    """A last reading so far outside that somebody must look, were it only a slip of the eye."""
    inside = pl.col("last_ratio").is_between(*_far_limits(band))
    return (~inside).fill_null(value=False)


def _far_limits(band: Band) -> tuple[float, float]:
    beyond = FAR_OUT_HALF_WIDTHS * band.half_width
    return band.low - beyond, band.high + beyond


def _likeliest_fault() -> pl.Expr:
    highest = pl.max_horizontal(P_FAULTS)
    named = [pl.when(pl.col(p) == highest).then(pl.lit(p[2:])) for p in P_FAULTS]
    return pl.coalesce(named)


def _with_outlook(judged: pl.DataFrame) -> pl.DataFrame:
    """Drift per distance."""
    per_km = pl.when(pl.col("km") > 0).then(
        KM_PER_UNIT * pl.col("wear_mm") * pl.col("ratio_per_mm") / pl.col("km")
    )
    return judged.with_columns(
        drift_per_10000km=pl.col("deficit") * per_km,
        drift_per_10000km_sd=pl.col("deficit_sd") * per_km,
    )


def _with_priority(judged: pl.DataFrame, band: Band, rules: FlagRules) -> pl.DataFrame:
    def beyond(name: str) -> pl.Expr:
        ratio = pl.col(name)
        return pl.max_horizontal(ratio - band.high, band.low - ratio, pl.lit(0.0)).fill_null(0.0)

    far = pl.max_horizontal(beyond("stroke_ratio"), beyond("next_ratio")) / band.half_width
    far = far.clip(0.0, FARTHEST_HALF_WIDTHS) / FARTHEST_HALF_WIDTHS
    found = pl.when("found").then(FINDING_IS_SURE).otherwise(0.0)
    uneven = pl.when(pl.col("state") == "uneven").then(pl.col("p_uneven")).otherwise(0.0)
    sure = pl.max_horizontal(
        pl.col("p_trouble").fill_null(0.0),
        found,
        uneven,
        pl.col("p_out_next_check").fill_null(0.0) / 2,
    )
    flagged = judged["flagged"].to_numpy()
    other = judged["other_row"].to_numpy()
    mate = np.where(other >= 0, flagged[other], False) & flagged
    age = pl.col("weeks_since_read") / (rules.overdue_factor * pl.col("check_weeks"))
    raised = (1 - MATE_WEIGHT * pl.Series(mate.astype(float))) * (
        1 - AGE_WEIGHT * age.fill_null(1.0).clip(0.0, 1.0)
    )
    urgency = sure * (LEAST_WEIGHT + (1 - LEAST_WEIGHT) * far)
    others = OTHERS_UP_TO * (1 - (1 - urgency) * raised)
    thinnest = pl.min_horizontal("lining_now_mm", "lining_read_mm")
    below = ((pl.col("lining_min_mm") - thinnest) / DEEPEST_MM).clip(0.0, 1.0)
    worn_out = WORN_OUT_FROM + (100 - WORN_OUT_FROM) * below
    # A lining that may be the old one comes after those that are at their minimum.
    by = pl.col("worn_out_by")
    least = pl.when(by == "before").then(OTHERS_UP_TO)
    priority = least.when(by.is_not_null()).then(worn_out).otherwise(others)
    return judged.with_columns(priority=priority.round(1))
