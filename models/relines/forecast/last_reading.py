r"""No lining stands far above what was read of it last.

A line is drawn through all readings of a lining, over the km that its unit ran between them. Where
these km are wrong (an odometer of another unit, in miles now and then), or a lining has begun to
wear otherwise, the line may stand far above the newest reading, which is what a mechanic saw. With
m the line where the unit was last seen, r its wear, and y that reading, x times 10,000 km before,
a line with

.. math:: d = m + r x - y > 2.5 \sigma

where :math:`\sigma` is the error of a reading, is moved down to the reading, :math:`m' = y - r x`,
and doubted by as much: :math:`\sigma^2 + (d/2)^2` is added to its variance, so that the old line
lies within about two standard deviations. A line below its newest reading stays: a lining told too
thin is looked at, one told too thick is not.
"""

from dataclasses import replace

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.common.units import KM_PER_UNIT
from models.relines.forecast.lines import WheelEndLines

ERRORS = 2.5
"""Errors of a reading that a line may stand above it: one reading in 160 lies so low by chance."""


def held_to_readings(lines: WheelEndLines, frame: pl.DataFrame) -> WheelEndLines:
    """The lines, none of them far above its newest reading.

    ``frame``: rows of ``reduce.wheel_ends_now``, of which ``last_mm`` [mm, null: not read by a
    gauge since it was fitted], ``last_km`` and ``seen_km`` are used.
    """
    read, last_km, seen_km = (
        frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for name in ("last_mm", "last_km", "seen_km")
    )
    even, error = _on_scale(lines, read)
    since = np.maximum(lines.rate, 0.0) * np.maximum(seen_km - last_km, 0.0) / KM_PER_UNIT
    above = lines.now_mm + since - even
    # Not read by a gauge: nothing is above it.
    high = np.nan_to_num(above, nan=0.0) > ERRORS * error
    return replace(
        lines,
        now_mm=np.where(high, even - since, lines.now_mm),
        var_now=np.where(high, lines.var_now + error**2 + (above / 2.0) ** 2, lines.var_now),
    )


def _on_scale(lines: WheelEndLines, read_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Readings, and the error of one, on the scale that the lines are on [mm]."""
    error = np.full(len(lines), lines.reading_sd)
    if lines.scale is None:
        return read_mm, error
    per_mm = lines.scale.even_per_mm(read_mm - lines.scale.minimum_mm)
    return lines.scale.even_lining_mm(read_mm), error * per_mm
