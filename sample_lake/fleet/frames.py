"""From codes and day numbers to names and dates."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from sample_lake.fleet.timeline import Fleet
from sample_lake.parameters import BoolArray, FloatArray, IntArray

SIDES = ("L", "R")
EPOCH = date(1970, 1, 1)


def labels(codes: IntArray, names: Sequence[str]) -> pl.Series:
    """Names of codes; -1 is null."""
    table = pl.Series([*names, None], dtype=pl.String)
    return table.gather(pl.Series(np.where(codes < 0, len(names), codes)))


def flags(codes: IntArray) -> pl.Series:
    """Booleans of codes 0 and 1; -1 is null."""
    return pl.Series([False, True, None], dtype=pl.Boolean).gather(
        pl.Series(np.where(codes < 0, 2, codes))
    )


def numbers(values: FloatArray, decimals: int = 4) -> pl.Series:
    """Numbers with NaN as null."""
    return pl.Series(np.round(values, decimals), nan_to_null=True)


@dataclass(frozen=True, slots=True)
class Names:
    """Names of a block of units and its wheel ends, and the date of day 0."""

    fleet: Fleet
    records_begin: date
    unit_ids: pl.Series

    def dates(self, day: IntArray, known: BoolArray | None = None) -> pl.Series:
        """Dates of day numbers, null where not known."""
        shifted = (day + (self.records_begin - EPOCH).days).astype(np.int32)
        series = pl.Series(shifted).cast(pl.Date)
        if known is None:
            return series
        return series.zip_with(pl.Series(known), pl.Series([None], dtype=pl.Date))

    def keys(self, end: IntArray) -> dict[str, pl.Series]:
        """The contract's key columns of these wheel ends."""
        ends = self.fleet.ends
        return {
            "unit_id": self.units(ends.unit[end]),
            "axle_no": pl.Series(ends.axle_no[end]),
            "side": labels(ends.side[end], SIDES),
        }

    def units(self, unit: IntArray) -> pl.Series:
        """Unit ids."""
        return self.unit_ids.gather(pl.Series(unit))

    def wheel_ends(self, end: IntArray) -> pl.Series:
        """Wheel-end ids, as in `K0012/2L`."""
        frame = pl.DataFrame(self.keys(np.arange(len(self.fleet.ends))))
        ids = frame.select(pl.format("{}/{}{}", "unit_id", "axle_no", "side")).to_series()
        return ids.gather(pl.Series(end))


def names_of(fleet: Fleet, days: int, fleet_size: int) -> Names:
    """Names for a block of a fleet of `fleet_size` units with `days` of records."""
    width = max(4, len(str(fleet_size)))
    kinds = fleet.parameters.unit_kinds
    letters = labels(fleet.units.kind, [kind.letter for kind in kinds])
    numbers_ = pl.Series(fleet.units.number).cast(pl.String).str.zfill(width)
    begin = fleet.parameters.records_end - timedelta(days=days)
    return Names(fleet, begin, letters + numbers_)


def masked(values: npt.NDArray[np.generic], known: BoolArray) -> pl.Series:
    """Whole numbers, null where not known."""
    series = pl.Series(np.round(np.asarray(values, dtype=np.float64)).astype(np.int64))
    return series.zip_with(pl.Series(known), pl.Series([None], dtype=pl.Int64))
