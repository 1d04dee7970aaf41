"""Whether two parts were fitted at random: what else differs between where they were fitted.

A ratio between parts is the parts' own only where nothing else went with them. Whether something
did is asked of the fittings: parts dealt out by chance would, as often as not, be as uneven over
depots (dealt to whole units, for a unit's fittings are not independent) and as far apart in time
(dealt to whole visits, for both ends of an axle get one part) as they are. Both are permutation
tests within axle type and duty (Good 2005, *Permutation, Parametric and Bootstrap Tests*).
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray

Values = TypeVar("Values", FloatArray, IntArray)
PERMUTATIONS = 999
DOUBT = 0.0075
"""A p below this speaks against chance; two questions are asked of every pair, so that parts dealt
by chance are doubted 3 times in 200 at most."""


@dataclass(frozen=True, slots=True)
class Assignment:
    """How part a and part b were fitted, in the groups (axle type and duty) that hold both.

    units_both : share of units that were fitted with both. depots_both, depots : depots that fitted
    both, and that fitted either. p_depot, p_time : chance that parts dealt at random would be as
    uneven over depots, or as far apart in time. days_apart : mean day of b less that of a.
    """

    units_both: float
    depots_both: int
    depots: int
    p_depot: float
    p_time: float
    days_apart: float

    @property
    def by_depot(self) -> bool:
        return self.p_depot < DOUBT

    @property
    def by_time(self) -> bool:
        return self.p_time < DOUBT

    @property
    def at_random(self) -> bool:
        return not (self.by_depot or self.by_time)


def assignment(fittings: pl.DataFrame, part_a: str, part_b: str, *, seed: int) -> Assignment | None:
    """How two parts were fitted; None where no group holds both.

    fittings : one row each: ``unit_id``, ``depot``, ``group``, ``day`` (a number), ``part``.
    """
    pair = fittings.filter(pl.col("part").is_in([part_a, part_b]))
    shared = pair.filter(pl.col("part").n_unique().over("group") == 2).with_columns(
        is_b=(pl.col("part") == part_b).cast(pl.Float64), depot=pl.col("depot").fill_null("")
    )
    if shared.is_empty():
        return None
    rng = np.random.default_rng(seed)
    by_unit = shared.group_by("unit_id", "depot", "group", maintain_order=True).agg(
        b=pl.col("is_b").sum(), n=pl.len().cast(pl.Float64)
    )
    by_visit = shared.group_by("unit_id", "day", "group", maintain_order=True).agg(
        b=pl.col("is_b").mean()
    )
    depots = shared.group_by("depot", maintain_order=True).agg(both=pl.col("part").n_unique() == 2)
    units = shared.group_by("unit_id", maintain_order=True).agg(both=pl.col("part").n_unique() == 2)
    day = shared.group_by("is_b", maintain_order=True).agg(pl.col("day").mean()).sort("is_b")["day"]
    return Assignment(
        units_both=float(units["both"].mean()),  # type: ignore[arg-type]
        depots_both=int(depots["both"].sum()),
        depots=depots.height,
        p_depot=_p_uneven(by_unit, rng),
        p_time=_p_apart(by_visit, rng),
        days_apart=float(day[1] - day[0]),
    )


def _p_uneven(units: pl.DataFrame, rng: np.random.Generator) -> float:
    """Whole units dealt to depots anew, within groups: how often are depots as uneven?"""
    if units["depot"].n_unique() < 2:
        return 1.0
    depot = units["depot"].rank("dense").cast(pl.Int64).to_numpy() - 1
    group = units["group"].rank("dense").cast(pl.Int64).to_numpy() - 1
    b, n = units["b"].to_numpy(), units["n"].to_numpy()

    def unevenness(where: IntArray) -> float:
        size, found = np.bincount(where, n), np.bincount(where, b)
        share = b.sum() / n.sum()
        return float(np.sum((found - share * size) ** 2 / np.maximum(size, 1.0)))

    seen = unevenness(depot)
    return _p(sum(unevenness(_dealt(depot, group, rng)) >= seen * NEARLY for _ in _RANGE))


def _p_apart(visits: pl.DataFrame, rng: np.random.Generator) -> float:
    """Parts dealt to visits anew, within groups: how often are they as far apart in time?"""
    group = visits["group"].rank("dense").cast(pl.Int64).to_numpy() - 1
    day, b = visits["day"].cast(pl.Float64).to_numpy(), visits["b"].to_numpy()
    middle = np.bincount(group, day) / np.bincount(group)
    centred = day - middle[group]
    seen = abs(float(centred @ b))
    return _p(sum(abs(float(centred @ _dealt(b, group, rng))) >= seen * NEARLY for _ in _RANGE))


_RANGE = range(PERMUTATIONS)
NEARLY = 1.0 - 1e-9  # the same sum in another order is the same


def _dealt(values: Values, group: IntArray, rng: np.random.Generator) -> Values:
    """Values shuffled within groups."""
    order = np.lexsort((rng.random(len(values)), group))
    dealt = np.empty_like(values)
    dealt[np.argsort(group, kind="stable")] = values[order]
    return dealt


def _p(as_far: int) -> float:
    return (as_far + 1.0) / (PERMUTATIONS + 1.0)
