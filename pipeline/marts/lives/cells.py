"""Wheel ends whose adjusters are alike, and the life that stands for them."""

from dataclasses import dataclass

import duckdb
import polars as pl

from models.lives.fits.data import GroupKey
from models.lives.fits.parametric import LifeFit
from pipeline.marts.lives.fits import GroupLives
from pipeline.warehouse import warehouse

DAYS_PER_WEEK = 7.0
NO_LIFE = "too few adjusters have failed for a life to be fitted: see the notes of adjuster_fits"


@dataclass(frozen=True, slots=True)
class Cell:
    """Wheel ends of one axle type and duty, and the life that stands for their adjusters.

    wheel_ends: rows of :func:`wheel_ends_now`; whose: the group the life was fitted to; left_open:
    its fits of every distribution that the records leave open, and their weights.
    """

    axle_type: str
    duty: str
    wheel_ends: pl.DataFrame
    whose: GroupKey
    life: LifeFit
    left_open: tuple[tuple[LifeFit, float], ...] = ()

    @property
    def weight(self) -> float:
        return float(self.wheel_ends["present"].sum())

    @property
    def km_per_week(self) -> float:
        run = (self.wheel_ends["present"] * self.wheel_ends["km_per_day"]).sum()
        return DAYS_PER_WEEK * float(run) / self.weight

    @property
    def borrowed(self) -> str | None:
        """Whose life was used where its own is not known."""
        if self.whose == (self.axle_type, self.duty):
            return None
        of = "all adjusters" if self.whose[0] is None else f"all adjusters of {self.axle_type}"
        return f"by the life of {of}: its own cannot be known yet"


def wheel_ends_now(con: duckdb.DuckDBPyConnection, km_per_day: pl.DataFrame) -> pl.DataFrame:
    """Every wheel end that may still be in the fleet and runs, ``age_km`` as when it was last seen.

    A unit whose use is not on record is taken to run what its duty's others do.
    """
    ends = warehouse.fetch(con, "from reduce.adjusters_now", order="wheel_end_id")
    joined = ends.join(
        km_per_day.select("unit_id", "km_per_day", "present"), on="unit_id", how="inner"
    )
    usual = pl.col("km_per_day").mean().over("duty")
    known = joined.with_columns(km_per_day=pl.col("km_per_day").fill_null(usual))
    return known.filter(pl.col("present") > 0.0, pl.col("km_per_day") > 0.0)


def fleet_cells(wheel_ends: pl.DataFrame, lives: GroupLives) -> list[Cell]:
    """Cells with a life of their own or a borrowed one; none where nothing could be fitted."""
    parts = wheel_ends.partition_by("axle_type", "duty", as_dict=True)
    cells = []
    for (axle_type, duty), part in sorted(parts.items()):
        found = lives.life_of(str(axle_type), str(duty))
        if found is not None:
            left_open = tuple(lives.left_open(found[0]))
            cells.append(Cell(str(axle_type), str(duty), part, *found, left_open))
    return cells
