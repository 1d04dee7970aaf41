"""A fleet's use as arrays: units × intervals, the newest interval in the last column.

Rows come from the reduction of odometer sightings: one per interval between two check visits of a
unit, and one for the stretch from its last visit to the day it was last seen.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray

NOWHERE = ""
"""Stands for the depot of a unit that has none on record."""
FEW_INTERVALS = 20
"""A pool, a duty or a calendar with fewer intervals than this does not speak for itself."""
THINNEST = "thinnest_mm"
SHORTEST_DAYS = 14
"""A shorter interval says little of km per day: dates in records are days off."""


@dataclass(frozen=True, slots=True)
class UsageGroups:
    """The depot × duty groups that occur, in order."""

    depot: tuple[str, ...]
    duty: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.duty)

    def index(self, depot: pl.Series, duty: pl.Series) -> IntArray:
        """Group of each (depot, duty) pair, -1 where there is none."""
        names = pl.DataFrame({"depot": self.depot, "duty": self.duty}, schema=_TEXT).with_row_index(
            "group"
        )
        wanted = pl.DataFrame({"depot": depot.fill_null(NOWHERE), "duty": duty}, schema=_TEXT)
        joined = wanted.join(names, on=["depot", "duty"], how="left", maintain_order="left")
        return joined["group"].cast(pl.Int64).fill_null(-1).to_numpy()


_TEXT = {"depot": pl.String, "duty": pl.String}


@dataclass(frozen=True, slots=True)
class UsageIntervals:
    """Intervals of U units, padded on the left to T columns.

    ``days``, ``km``, ``middle_day`` (days before as-of, negative) and ``group`` have shape (U, T),
    like the flags: ``is_there`` (not padding), ``one_duty``, ``to_visit``; and ``thinnest_mm``, of
    the linings left on where it begins, above the minimum (NaN: none was read).
    """

    days: FloatArray
    km: FloatArray
    middle_day: FloatArray
    group: IntArray
    is_there: BoolArray
    one_duty: BoolArray
    to_visit: BoolArray
    thinnest_mm: FloatArray

    @property
    def is_informative(self) -> BoolArray:
        """Long enough, and run in one duty, so that its km per day is that duty's."""
        return self.is_there & self.one_duty & (self.days >= SHORTEST_DAYS)

    @property
    def seen_at_visits(self) -> BoolArray:
        return self.is_there & self.to_visit

    @property
    def begins(self) -> FloatArray:
        return self.middle_day - self.days / 2.0

    @property
    def ends(self) -> FloatArray:
        return self.middle_day + self.days / 2.0

    @property
    def km_per_day(self) -> FloatArray:
        return np.asarray(self.km / np.maximum(self.days, 1.0))


def of_some_units(intervals: pl.DataFrame, most: int) -> pl.DataFrame:
    """The rows of every k-th unit, about ``most`` of them; of all where they are hardly more."""
    units = intervals.select(pl.col("unit_id").unique().sort())
    some = units.gather_every(max(units.height // most, 1))
    return intervals.join(some, on="unit_id", how="semi")


def usage_groups(units: pl.DataFrame, intervals: pl.DataFrame) -> UsageGroups:
    """Every depot × duty that a unit is in now or ran in."""
    both = pl.concat([frame.select(pl.col(*_TEXT).cast(pl.String)) for frame in (units, intervals)])
    found = both.with_columns(pl.col("depot").fill_null(NOWHERE)).unique().sort("depot", "duty")
    return UsageGroups(tuple(found["depot"]), tuple(found["duty"]))


def usage_intervals(
    units: pl.DataFrame, intervals: pl.DataFrame, groups: UsageGroups, as_of: object
) -> UsageIntervals:
    """Lay the rows of ``intervals`` out by unit, in the order of ``units``.

    ``intervals`` has unit_id, depot, duty, one_duty, from_on, days, km, to_visit, and may have
    thinnest_mm; rows of units that are not in ``units`` are left out.
    """
    order = units.select("unit_id").with_row_index("unit")
    rows = (
        intervals.filter(pl.col("days") > 0)
        .join(order, on="unit_id", how="inner")
        .sort("unit", "from_on")
        .with_columns(
            column=pl.len().over("unit") - pl.int_range(pl.len()).over("unit"),
            start=(pl.col("from_on") - pl.lit(as_of, dtype=pl.Date)).dt.total_days(),
        )
    )
    width = int(rows["column"].max() or 0)  # type: ignore[arg-type]
    place = (rows["unit"].to_numpy(), width - rows["column"].cast(pl.Int64).to_numpy())
    shape = (units.height, width)

    def laid_out(values: pl.Series, empty: float) -> FloatArray:
        table = np.full(shape, empty)
        table[place] = values.cast(pl.Float64).to_numpy()
        return table

    days = laid_out(rows["days"], 0.0)
    read = THINNEST in rows.columns
    thinnest = rows[THINNEST] if read else pl.repeat(None, rows.height, eager=True)
    return UsageIntervals(
        days=days,
        km=np.maximum(laid_out(rows["km"], 0.0), 0.0),
        middle_day=laid_out(rows["start"], 0.0) + days / 2.0,
        group=_laid_out_groups(groups, rows, place, shape),
        is_there=days > 0,
        one_duty=laid_out(rows["one_duty"], 0.0) > 0,
        to_visit=laid_out(rows["to_visit"], 0.0) > 0,
        thinnest_mm=laid_out(thinnest, np.nan),
    )


def _laid_out_groups(
    groups: UsageGroups,
    rows: pl.DataFrame,
    place: tuple[IntArray, IntArray],
    shape: tuple[int, int],
) -> IntArray:
    table = np.zeros(shape, np.int64)
    table[place] = groups.index(rows["depot"], rows["duty"])
    return table
