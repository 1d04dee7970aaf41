"""Stroke readings since a setting as padded arrays, the form the drift model works on."""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Wear since the setting is never known better than this, nor trusted less, as a fraction.
LEAST_WEAR_CV, MOST_WEAR_CV = 0.03, 0.6


@dataclass(frozen=True, slots=True)
class StrokeHistories:
    """One row per setting episode, its readings left-aligned; past the last, values repeat.

    Attributes
    ----------
    ratio : (n, j) free stroke / arm length
    growth : (n, j) growth of the ratio since the setting had nothing been taken up
    weeks : (n, j) since the setting
    arm_mm : (n, j) arm length
    rounding_var_mm2 : (n, j) extra reading variance from coarse rounding
    used : (n, j) whether there is a reading
    wear_cv : (n,) relative SD of the wear since the setting, shared by its readings
    stop_ratio : (n,) ratio at the chamber's own travel; inf where unknown
    group, source : (n,) codes
    next_growth, next_growth_sd : (n,) growth from the last reading to the next check
    """

    ratio: Floats
    growth: Floats
    weeks: Floats
    arm_mm: Floats
    rounding_var_mm2: Floats
    used: Bools
    wear_cv: Floats
    stop_ratio: Floats
    group: Ints
    source: Ints
    next_growth: Floats
    next_growth_sd: Floats

    def __len__(self) -> int:
        return len(self.group)

    @property
    def readings(self) -> Ints:
        """(n,) number of readings."""
        return np.asarray(self.used.sum(axis=1), np.int64)

    def rows(self, index: slice | Ints | Bools) -> "StrokeHistories":
        """The same for some of the episodes, without columns that none of them uses."""
        picked = {f.name: getattr(self, f.name)[index] for f in fields(self)}
        width = max(int(picked["used"].sum(axis=1).max(initial=0)), 1)
        return StrokeHistories(
            **{name: v[:, :width] if v.ndim == 2 else v for name, v in picked.items()}
        )

    def pieces(self, size: int) -> list[Ints]:
        """Row numbers in pieces of at most ``size`` episodes of similar length.

        A piece that is half full ends with its length: each is worked on as long as its longest.
        """
        readings = self.readings
        order = np.argsort(readings, kind="stable")
        longer = np.flatnonzero(np.diff(readings[order])) + 1
        pieces, start = [], 0
        while start < len(order):
            end = start + size
            changes = longer[(longer >= start + size // 2) & (longer < end)]
            end = int(changes[-1]) if len(changes) else end
            pieces.append(order[start:end])
            start = end
        return pieces

    def chunks(self, size: int) -> Iterator[tuple[Ints, "StrokeHistories"]]:
        """The pieces one by one, with their histories."""
        for index in self.pieces(size):
            yield index, self.rows(index)


def up_to(histories: StrokeHistories, reading: int) -> StrokeHistories:
    """Histories as they stood at the given reading (0 is the first); next growth is kept."""
    width = reading + 1
    cut = {
        f.name: getattr(histories, f.name)[:, :width]
        for f in fields(histories)
        if getattr(histories, f.name).ndim == 2
    }
    rest = {f.name: getattr(histories, f.name) for f in fields(histories) if f.name not in cut}
    return StrokeHistories(**cut, **rest)


# Readings after the first outside this range add nothing: the stroke is unmistakably out, and
# ends sooner or later at the chamber's own travel, or where the shoes touch.
FARTHEST_LOW, FARTHEST_HIGH = 0.03, 0.30


def without_saturated(histories: StrokeHistories) -> StrokeHistories:
    """Leave out readings after the first that is unmistakably out of band."""
    ratio = np.where(histories.used, histories.ratio, (FARTHEST_LOW + FARTHEST_HIGH) / 2)
    extreme = (ratio < FARTHEST_LOW) | (ratio > FARTHEST_HIGH)
    earlier: Ints = np.cumsum(extreme, axis=1) - extreme
    used = histories.used & (earlier == 0)
    last = np.maximum(used.sum(axis=1) - 1, 0)[:, None]
    kept = np.minimum(np.arange(used.shape[1]), last)
    return replace(
        histories,
        used=used,
        growth=np.take_along_axis(histories.growth, kept, axis=1),
        weeks=np.take_along_axis(histories.weeks, kept, axis=1),
    )
