r"""Km per day of each depot × duty, shrunk toward its duty.

The mean log km per day of a group's units is pulled toward its duty's mean by
:math:`n_g b^2/(n_g b^2 + s^2)`, with :math:`s^2` the variance between units of one group and
:math:`b^2` that between groups of one duty, both by the moments of a one-way layout (Searle,
Casella, McCulloch 1992, *Variance Components*, ch. 3). Geometric means: use varies by factors.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray
from models.usage.intervals import UsageGroups, UsageIntervals

STANDING_SHARE = 0.2
"""A unit that ran less than this share of what it usually runs was off the road."""
FULL_DAYS = 180.0
"""A unit seen for this many days counts half as much as one seen for ever."""


@dataclass(frozen=True, slots=True)
class GroupRates:
    """Log km per day of each group (G,), units behind it, and whether its duty has any."""

    log_km_per_day: FloatArray
    units: FloatArray
    is_known: BoolArray


def group_rates(
    intervals: UsageIntervals, groups: UsageGroups, log_season: FloatArray | float = 0.0
) -> GroupRates:
    """Mean log km per day by group, ``log_season`` (U, T) taken out of every interval; a duty
    without a record takes the fleet's mean."""
    means = _unit_means(intervals, groups, np.broadcast_to(log_season, intervals.days.shape))
    if means.height == 0:
        none = np.zeros(len(groups))
        return GroupRates(none, none.copy(), np.zeros(len(groups), dtype=bool))
    by_group = _group_means(means, groups)
    shrink = _shrinkage(means, by_group)
    log_rate = by_group["duty_mean"] + shrink * (by_group["mean"] - by_group["duty_mean"])
    fleet = float(np.average(means["mean"].to_numpy(), weights=means["weight"].to_numpy()))
    return GroupRates(
        log_km_per_day=log_rate.fill_null(by_group["duty_mean"]).fill_null(fleet).to_numpy(),
        units=by_group["units"].fill_null(0.0).to_numpy(),
        is_known=by_group["duty_mean"].is_not_null().to_numpy(),
    )


def _unit_means(
    intervals: UsageIntervals, groups: UsageGroups, log_season: FloatArray
) -> pl.DataFrame:
    """Mean log km per day of each unit in each group, while it was on the road."""
    unit, column = np.nonzero(intervals.is_informative & (intervals.km > 0))
    group = intervals.group[unit, column]
    rows = pl.DataFrame(
        {
            "unit": unit,
            "group": group,
            "duty": np.array(groups.duty, dtype=object)[group].astype(str),
            "days": intervals.days[unit, column],
            "log_rate": np.log(intervals.km_per_day[unit, column]) - log_season[unit, column],
        },
        schema_overrides={"duty": pl.String},
    )
    usual = pl.col("log_rate").median().over("duty")
    return (
        rows.filter(pl.col("log_rate") > usual + np.log(STANDING_SHARE))
        .group_by("unit", "group", "duty", maintain_order=True)
        .agg(
            mean=(pl.col("log_rate") * pl.col("days")).sum() / pl.col("days").sum(),
            weight=pl.col("days").sum() / (pl.col("days").sum() + FULL_DAYS),
        )
    )


def _group_means(means: pl.DataFrame, groups: UsageGroups) -> pl.DataFrame:
    """One row per group, in order: its mean and weight, and its duty's mean (null: no units)."""
    weighted = (pl.col("mean") * pl.col("weight")).sum() / pl.col("weight").sum()
    by_duty = means.group_by("duty", maintain_order=True).agg(duty_mean=weighted)
    by_group = means.group_by("group", maintain_order=True).agg(
        mean=weighted, weight=pl.col("weight").sum(), units=pl.len().cast(pl.Float64)
    )
    return (
        pl.DataFrame({"duty": groups.duty}, schema={"duty": pl.String})
        .with_row_index("group")
        .with_columns(pl.col("group").cast(pl.Int64))
        .join(by_group, on="group", how="left", maintain_order="left")
        .join(by_duty, on="duty", how="left", maintain_order="left")
    )


def _shrinkage(means: pl.DataFrame, by_group: pl.DataFrame) -> pl.Series:
    """How far each group's own mean is believed, against its duty's."""
    joined = means.join(
        by_group.select("group", group_mean="mean"), on="group", maintain_order="left"
    )
    seen = by_group.drop_nulls("mean")
    within = float((joined["weight"] * (joined["mean"] - joined["group_mean"]) ** 2).sum())
    spare = means.height - seen.height
    unit_variance = within / spare if spare > 0 else 0.1
    between = float((seen["weight"] * (seen["mean"] - seen["duty_mean"]) ** 2).sum())
    contrasts = seen.height - seen["duty"].n_unique()
    weight = seen["weight"].to_numpy()
    size = float(weight.sum() - (weight**2).sum() / weight.sum())
    excess = between - contrasts * unit_variance
    group_variance = max(excess / size, 0.0) if contrasts > 0 and size > 0 else 0.0
    return (
        by_group["weight"]
        * group_variance
        / (by_group["weight"] * group_variance + max(unit_variance, 1e-12))
    )
