r"""Units whose linings are thin, and are checked sooner than others: intervals by what is left.

For interval i of unit u, :math:`x` the thinnest lining that the visit before it left on, in mm
above its minimum,

.. math:: \log(\text{days})_{ui} = a_u + g(x_{ui}) + \varepsilon_{ui}

by least squares within units over bands of a millimetre, then made to rise with x by weighted
isotonic regression, each band the largest over all lower ones of the least mean up to any higher
one (Barlow, Bartholomew, Bremner & Brunk 1972, *Statistical Inference under Order Restrictions*,
ch. 1). It counts where the errors of its slope, clustered by unit, leave no doubt.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.usage.intervals import FEW_INTERVALS, of_some_units
from models.usage.level import PILOT_UNITS
from models.usage.year.season import within_units

BANDS = 13
"""Of a millimetre each from the minimum on, the last of all that is thicker."""
SOONER_SCORE = 30.0
"""Of the squared t of what was found: the bands were chosen by the same intervals."""
LEAST_SOONER = 0.25
"""Intervals of the thinnest band that are shorter by less, against the thickest's, are as they are
for all."""
FEWEST_OWN = 4
"""Intervals of a unit that tell how its own differ."""
WILD = float(np.log(4.0))
"""Logs of intervals are cut so far from their unit's middle one."""


@dataclass(frozen=True, slots=True)
class CheckedSooner:
    """``factor`` (BANDS,): days to the next check over those usual for the unit, by the thinnest
    lining; 1 on average over intervals on record."""

    factor: FloatArray

    def days_over_usual(self, thinnest_mm: FloatArray) -> FloatArray:
        """For thinnest linings so far above their minimum [mm]; 1 where that is not known (NaN)."""
        known = np.isfinite(thinnest_mm)
        return np.where(known, self.factor[_band(np.where(known, thinnest_mm, 0.0))], 1.0)


def checked_sooner(intervals: pl.DataFrame) -> CheckedSooner | None:
    """How intervals hang on the thinnest lining; None where they do not.

    ``intervals``: unit_id, days, to_visit, thinnest_mm (null: no lining read). Of a large fleet
    some thousands of units tell.
    """
    if "thinnest_mm" not in intervals.columns:
        return None
    rows = _rows(intervals)
    if rows.height < 2 * FEW_INTERVALS:
        return None
    unit, band = rows["unit"].to_numpy(), _band(rows["mm"].to_numpy())
    log_days = np.clip(rows["off"].to_numpy(), -WILD, WILD)
    times = np.bincount(band, minlength=BANDS).astype(np.float64)
    by_band = _by_band(unit, band, log_days, times)
    told = np.flatnonzero(times >= FEW_INTERVALS)
    is_large = len(told) > 1 and 1.0 - np.exp(by_band[told[0]] - by_band[told[-1]]) >= LEAST_SOONER
    if not is_large or _score(unit, by_band[band], log_days) < SOONER_SCORE:
        return None
    return CheckedSooner(np.exp(by_band - times @ by_band / times.sum()))


def _rows(intervals: pl.DataFrame) -> pl.DataFrame:
    """Of each interval: ``unit``, the thinnest lining ``mm``, and its log days less the unit's
    middle ones, ``off``."""
    return (
        of_some_units(intervals, PILOT_UNITS)
        .filter("to_visit", pl.col("days") > 0, pl.col("thinnest_mm").is_not_null())
        .filter(pl.len().over("unit_id") >= FEWEST_OWN)
        .select(
            unit=pl.col("unit_id").rank("dense").cast(pl.Int64) - 1,
            mm=pl.col("thinnest_mm").cast(pl.Float64),
            log_days=pl.col("days").cast(pl.Float64).log(),
        )
        .with_columns(off=pl.col("log_days") - pl.col("log_days").median().over("unit"))
    )


def _band(mm: FloatArray) -> IntArray:
    return np.clip(np.floor(mm), 0, BANDS - 1).astype(np.int64)


def _by_band(unit: IntArray, band: IntArray, log_days: FloatArray, times: FloatArray) -> FloatArray:
    """g of each band, rising; one that few intervals begin in is as the next that is told."""
    seen = np.flatnonzero(times > 0)
    dummies = (band[:, None] == seen).astype(np.float64)
    table = within_units(np.column_stack([dummies, log_days]), unit, np.ones(len(unit)))
    x, y = table[:, :-1], table[:, -1]
    # Only differences between bands are told: the smallest of all solutions.
    found = np.asarray(np.linalg.lstsq(x, y, rcond=None)[0], np.float64)
    rising = _rising(found, times[seen])
    enough = times[seen] >= FEW_INTERVALS
    if not enough.any():
        return np.zeros(BANDS)
    return np.asarray(np.interp(np.arange(BANDS), seen[enough], rising[enough]))


def _rising(values: FloatArray, weight: FloatArray) -> FloatArray:
    """The rising values (n,) that are nearest by weighted squares."""
    sums, weights = (np.concatenate([[0.0], np.cumsum(v)]) for v in (values * weight, weight))
    first, last = np.arange(len(values))[:, None], np.arange(1, len(values) + 1)
    mean = (sums[last] - sums[first]) / np.where(last > first, weights[last] - weights[first], 1.0)
    # Least mean of a stretch from each band (rows) that ends at each place or beyond.
    least = np.minimum.accumulate(np.where(last > first, mean, np.inf)[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(np.where(last > first, least, -np.inf).max(axis=0))


def _score(unit: IntArray, g: FloatArray, log_days: FloatArray) -> float:
    """Squared t of the slope of log days in ``g`` within units, its error clustered by them."""
    x, y = within_units(np.column_stack([g, log_days]), unit, np.ones(len(unit))).T
    square = float(x @ x)
    if square <= 0.0:
        return 0.0
    slope = float(x @ y) / square
    of_unit = np.bincount(unit, x * (y - slope * x))
    return slope**2 * square**2 / max(float(of_unit @ of_unit), 1e-12)
