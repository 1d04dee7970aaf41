"""What can be said with too few failures for a curve: bounds, and the assumption they rest on.

With r failures a Weibull life whose shape is assumed, not estimated, has T = sum of age^shape run
under observation (entries subtracted, failures counted to their last good age), and

    scale >= (2 T / chi2(level; 2 r + 2))^(1 / shape)   with confidence `level`,

exact when watching ends at a fixed amount of exposure and a little cautious otherwise (Nelson 1985,
*J. Quality Technology* 17:140, from memory; Meeker & Escobar 1998, section 7.7). With no failure it
is the zero-failure bound. Shape 1 is the constant failure rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.common.distributions import chi2_quantile
from models.lives.fits.data import LifeCounts
from models.lives.fits.distributions import ASSUMED_SHAPE

FEWEST_FAILURES = 5  # below it no curve is drawn and no shape estimated


@dataclass(frozen=True, slots=True)
class ScarceLife:
    """Bounds from few failures, in the unit of age; each holds with confidence `level`, one-sided.

    scale: the estimate under the assumed shape, inf without failures; scale_low and b10_low: lower
    bounds; rate_high: upper bound on failures per unit of age, were the rate constant.
    """

    adjusters: float
    failures: float
    exposure: float
    level: float
    shape: float
    scale: float
    scale_low: float
    b10_low: float
    rate_high: float
    words: str


@dataclass(frozen=True, slots=True)
class Beside:
    """What is on record of a group's adjusters whether or not their age is known: those that
    ``failed``, and those replaced for a reason that nobody wrote down (``unstated``)."""

    failed: int = 0
    unstated: int = 0


NOTHING_BESIDE = Beside()


def enough_failures(counts: LifeCounts, fewest: int = FEWEST_FAILURES) -> bool:
    """Whether a curve may be drawn."""
    return counts.failures >= fewest


def scarce_life(
    counts: LifeCounts,
    *,
    shape: float = ASSUMED_SHAPE,
    level: float = 0.95,
    fewest: int = FEWEST_FAILURES,
    unit: str = "km",
    beside: Beside = NOTHING_BESIDE,
) -> ScarceLife:
    """Bounds under an assumed shape (> 0), and what is said of them and of what is on record
    ``beside``. Raises ValueError when nothing was watched at all."""
    if shape <= 0.0:
        raise ValueError(f"the assumed shape must be positive, found {shape}")
    run = _run(counts, shape)
    if run <= 0.0:
        raise ValueError("no adjuster was watched for any distance or time: nothing can be bounded")
    failures = counts.failures
    quantile = float(chi2_quantile(level, 2.0 * failures + 2.0))
    scale_low = (2.0 * run / quantile) ** (1.0 / shape)
    b10_low = scale_low * float(-np.log(0.9)) ** (1.0 / shape)
    return ScarceLife(
        adjusters=counts.adjusters,
        failures=failures,
        exposure=counts.exposure,
        level=level,
        shape=shape,
        scale=(run / failures) ** (1.0 / shape) if failures else np.inf,
        scale_low=scale_low,
        b10_low=b10_low,
        rate_high=quantile / (2.0 * _run(counts, 1.0)),
        words=_counted(counts, fewest, unit)
        # Of those replaced without a reason any number may have failed: no bound holds then.
        + ("" if beside.unstated else _bound(shape, level, b10_low, unit))
        + _beside_words(counts, beside),
    )


def _run(counts: LifeCounts, shape: float) -> float:
    """Sum of age^shape run, failures to their last good age (to the age itself when seen)."""
    run = counts.failed @ counts.left**shape + counts.censored @ counts.censored_at**shape
    return float(run - counts.entered @ counts.entry**shape)


def _bound(shape: float, level: float, b10_low: float, unit: str) -> str:
    return (
        f" Assuming a Weibull life of shape {shape:g} (assumed, not estimated), 90 % last at least "
        f"{b10_low:,.0f} {unit}, with {level:.0%} confidence."
    )


def _counted(counts: LifeCounts, fewest: int, unit: str) -> str:
    failures = "No failure" if not counts.failures else f"{counts.failures:g} failures"
    if counts.failures == 1:
        failures = "1 failure"
    adjusters = "adjuster" if round(counts.adjusters) == 1 else "adjusters"
    return (
        f"{failures} among {counts.adjusters:,.0f} {adjusters} of known age over "
        f"{counts.exposure:,.0f} {unit}: fewer than {fewest}, so no curve is drawn."
    )


def _beside_words(counts: LifeCounts, beside: Beside) -> str:
    said, unaged = "", beside.failed - round(counts.failures)
    if unaged > 0:
        said += (
            f" Of all adjusters {beside.failed:,} failures are on record, {unaged:,} of them of"
            " adjusters that nobody knows the age of: when one was fitted, a job or the register"
            " says."
        )
    if beside.unstated:
        were = "adjuster was" if beside.unstated == 1 else "adjusters were"
        said += (
            f" {beside.unstated:,} {were} replaced with no reason on record: how many of them had"
            " failed is not known, so nothing is said of how long adjusters last"
            " ([checks] unstated_replacement in fleet.toml says how they count)."
        )
    return said
