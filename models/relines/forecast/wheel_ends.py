"""The wheel ends of a fleet as they stand: which belong together, and what was last read."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.relines.policy.decisions import PolicyGroups


@dataclass(frozen=True, slots=True)
class WheelEnds:
    """L wheel ends, in the order they were given.

    unit : (L,) place of the unit in the usage fit's units.
    axle : (L,) number of the axle, 0 … A-1; partner : (L,) the axle's other end, or itself.
    policy_group : (L,) group of the policy.
    minimum_mm, new_mm : (L,) lining at its minimum, and new.
    above_mm : (L,) read at the unit's last check visit, above the minimum (NaN: not read, or
        relined since).
    just_relined : (L,) whether its reline was written down at or after the axle's last reading.
    axle_type, depot : (L,) names; a depot may be null.
    age_days : (L,) of the lining on record, on the as-of day; at least so many where age_known (L,)
        is false; age_at_visit (L,): that at the unit's last check visit (below 0: fitted since).
    unread_visits : (L,) of the unit, since a lining of the axle was last read.
    """

    wheel_end_id: pl.Series
    unit: IntArray
    axle: IntArray
    partner: IntArray
    policy_group: IntArray
    minimum_mm: FloatArray
    new_mm: FloatArray
    above_mm: FloatArray
    just_relined: BoolArray
    axle_type: pl.Series
    depot: pl.Series
    age_days: FloatArray
    age_known: BoolArray
    age_at_visit: FloatArray
    unread_visits: IntArray

    def __len__(self) -> int:
        return len(self.unit)

    @property
    def has_partner(self) -> BoolArray:
        return np.asarray(self.partner != np.arange(len(self)))


def wheel_ends(
    frame: pl.DataFrame, unit_ids: tuple[str, ...], groups: PolicyGroups, as_of: dt.date
) -> WheelEnds:
    """Rows of ``reduce.wheel_ends_now`` as arrays.

    Raises
    ------
    ValueError
        If a wheel end's unit is not among ``unit_ids``.
    """
    units = pl.DataFrame({"unit_id": unit_ids}, schema={"unit_id": pl.String}).with_row_index("u")
    rows = (
        frame.with_row_index("row")
        .join(units, on="unit_id", how="left", maintain_order="left")
        .with_columns(
            axle=pl.col("axle_id").rank("dense") - 1,
            first=pl.col("row").min().over("axle_id"),
            last=pl.col("row").max().over("axle_id"),
        )
    )
    if rows["u"].null_count():
        raise ValueError("a wheel end's unit is not among the units whose use was estimated")
    partner = pl.col("first") + pl.col("last") - pl.col("row")
    rows = rows.with_columns(partner=partner)

    def floats(name: str) -> FloatArray:
        return rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy()

    def integers(name: str) -> IntArray:
        return rows[name].cast(pl.Int64).to_numpy()

    start, line = floats("start_km"), floats("line_km")
    then, now = pl.col("visit_on"), pl.lit(as_of, dtype=pl.Date)
    rows = rows.with_columns(
        age_days=(now - pl.col("aged_from_on")).dt.total_days().clip(0).fill_null(0),
        age_at_visit=(then - pl.col("aged_from_on")).dt.total_days().fill_null(0),
    )
    return WheelEnds(
        wheel_end_id=rows["wheel_end_id"],
        unit=integers("u"),
        axle=integers("axle"),
        partner=integers("partner"),
        policy_group=groups.group(rows["axle_type"], rows["depot"], rows["every_days"]),
        minimum_mm=floats("lining_min_mm"),
        new_mm=floats("lining_new_mm"),
        above_mm=floats("above_mm"),
        just_relined=(start == line) & (start >= line[integers("partner")]),
        axle_type=rows["axle_type"].cast(pl.String),
        depot=rows["depot"].cast(pl.String),
        age_days=floats("age_days"),
        age_known=np.asarray(rows["age_known"].fill_null(False).to_numpy(), bool),
        age_at_visit=floats("age_at_visit"),
        unread_visits=integers("unread_visits"),
    )
