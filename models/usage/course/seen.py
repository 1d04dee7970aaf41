"""What units ran from check to check, as arrays: the rows that changes of all use are sought in."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.intervals import SHORTEST_DAYS, of_some_units
from models.usage.level import PILOT_UNITS
from models.usage.year.season import mean_waves


@dataclass(frozen=True, slots=True)
class RoadUse:
    """Intervals on the road (n,): ``log_km`` a day, ``waves`` (n, 4) of the year; a ``spell`` is a
    unit's duty."""

    begins: FloatArray
    ends: FloatArray
    log_km: FloatArray
    waves: FloatArray
    unit: IntArray
    spell: IntArray

    @property
    def days(self) -> FloatArray:
        return self.ends - self.begins

    def after(self, day: float) -> FloatArray:
        """Share of each interval's days after that day."""
        return np.clip((self.ends - np.maximum(self.begins, day)) / self.days, 0.0, 1.0)

    def within(self, first: float, last: float) -> FloatArray:
        """Share of each interval's days between two days."""
        return np.asarray(self.after(first) - self.after(last))

    def some(self, which: BoolArray) -> "RoadUse":
        floats = (self.begins, self.ends, self.log_km, self.waves)
        begins, ends, log_km, waves = (each[which] for each in floats)
        return RoadUse(begins, ends, log_km, waves, self.unit[which], self.spell[which])


def road_use(
    intervals: pl.DataFrame, as_of: dt.date, standing: float, most_units: int = PILOT_UNITS
) -> RoadUse:
    """The intervals of one duty in which a unit ran more than ``standing`` of what it usually runs
    in it; of very many units every k-th.

    ``intervals``: unit_id, duty, one_duty, from_on, days, km.
    """
    begins = (pl.col("from_on") - pl.lit(as_of, dtype=pl.Date)).dt.total_days()
    rows = (
        of_some_units(intervals, most_units)
        .filter(pl.col("days") >= SHORTEST_DAYS, pl.col("km") > 0, "one_duty")
        .select(
            "days",
            begins=begins,
            log_km=(pl.col("km") / pl.col("days")).log(),
            unit=pl.col("unit_id").rank("dense"),
            spell=pl.struct("unit_id", "duty").rank("dense"),
        )
        .filter(pl.col("log_km") > pl.col("log_km").median().over("spell") + np.log(standing))
        .sort("unit", "begins")
    )
    start, days, log_km = (
        rows[n].cast(pl.Float64).to_numpy() for n in ("begins", "days", "log_km")
    )
    unit, spell = (rows[name].cast(pl.Int64).to_numpy() for name in ("unit", "spell"))
    ends, day = start + days, float(as_of.timetuple().tm_yday)
    waves = np.column_stack(mean_waves(start, ends, day, 2))
    return RoadUse(start, ends, log_km, waves, unit, spell)
