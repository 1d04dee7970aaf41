r"""How units leave a fleet for good: one by one, or many at once.

Units not seen again, each by its chance :math:`g_i` to have left, have their last visits at
:math:`t_i`. Where a part of the fleet is sold, closed or returned at once, these lie within little
more than one interval between visits. Of all stretches of that length the fullest, with
:math:`m = \sum g_i`, is held against a Poisson variable with the mean that the hazard of all other
days gives (a scan statistic; Naus 1965, *JASA* 60:532, with the bound of Bonferroni for the
stretches looked at).
"""

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy import special

from models.common.arrays import BoolArray, FloatArray
from models.usage.level import YEAR_DAYS

LEAVING_SHAPE, LEAVING_DAYS = 0.5, 3652.0
"""Prior of the hazard to leave the fleet for good: half a unit in ten unit-years."""
STRETCH = 1.5
"""Usual intervals within which units that left at once were last seen."""
FEWEST = 5.0
"""Units that make many."""
OF_THE_FLEET = 0.05
"""And so large a share of the units then there."""
CHANCE = 0.001
"""That units which leave by themselves do so, at most."""


@dataclass(frozen=True, slots=True)
class LeftAtOnce:
    """Units that left within a stretch, last seen from ``first`` to ``last`` days before as-of
    (``first`` the larger); ``units``, of which ``expected`` would have left anyhow; ``there``
    were so many about then."""

    first: float
    last: float
    units: float
    there: int

    def are_among(self, ago: FloatArray) -> BoolArray:
        """Whether units last seen so many days before as-of are of these."""
        return np.asarray((ago <= self.first) & (ago >= self.last))


@dataclass(frozen=True, slots=True)
class Leaving:
    """How units leave for good: the posterior Gamma(``shape``, ``days``) of the hazard per day,
    prior included, each unit's chance to be there still (U,), and those that left ``at_once``,
    which the hazard leaves out: what came once is not awaited again."""

    shape: float
    days: float
    present: FloatArray
    at_once: LeftAtOnce | None = None

    @property
    def per_day(self) -> float:
        return self.shape / self.days

    def at_once_among(
        self, begun: FloatArray, ago: FloatArray, unseen: FloatArray, usual_days: FloatArray
    ) -> LeftAtOnce | None:
        """Those who left at once; None where none did, or where that came twice, or may come every
        year for all that the records can tell: then it is how the fleet renews itself.

        ``begun``, ``ago`` (U,): days before as-of of each unit's first and last visit; ``unseen``
        (U,) days since that in which it may have left: the ``usual_days`` (U,) between two visits,
        and such in which nobody could be seen.
        """
        if not len(ago):
            return None
        width = STRETCH * float(np.median(usual_days))
        times = begun, ago, unseen - usual_days
        found = self._fullest(*times, width)
        if found is None:
            return None
        apart = (ago > found.first + width) | (ago < found.last - width)
        shape = max(self.shape - found.units, LEAVING_SHAPE)
        others = replace(self, shape=shape, present=np.where(apart, self.present, 1.0))
        a_year_without = max(begun.max() - found.first, found.last) >= YEAR_DAYS + width
        recurs = others._fullest(*times, width) is not None
        return found if a_year_without and not recurs else None

    def _fullest(
        self, begun: FloatArray, ago: FloatArray, longer: FloatArray, width: float
    ) -> LeftAtOnce | None:
        """Of all stretches the one in which most have left, if so many did hardly by chance."""
        order = np.argsort(-ago)
        day, gone = ago[order], (1.0 - self.present)[order]
        reached = np.concatenate([[0.0], np.cumsum(gone)])
        end = np.searchsorted(-day, width - day, side="right")
        units = reached[end] - reached[:-1]
        k = int(np.argmax(units)) if len(units) else 0
        if not len(units) or units[k] < FEWEST:
            return None
        first, last, left = float(day[k]), float(day[end[k] - 1]), float(units[k])
        there = int(((begun >= last) & (ago <= first)).sum())
        days = there * (width + float(longer[order][k : end[k]].max()))
        hazard = max(self.shape - left, LEAVING_SHAPE) / max(self.days - days, LEAVING_DAYS)
        chance = special.gammainc(left, hazard * days) * max(begun.max() / width, 1.0)
        if left < OF_THE_FLEET * there or chance > CHANCE:
            return None
        return LeftAtOnce(first, last, left, there)


def left_at_once_frame(leaving: Leaving, as_of: dt.date) -> pl.DataFrame:
    """One row, or none: from_on, until_on (last visits), units, units_there."""
    schema = {
        "from_on": pl.Date,
        "until_on": pl.Date,
        "units": pl.Int64,
        "units_there": pl.Int64,
    }
    found = leaving.at_once
    if found is None:
        return pl.DataFrame(schema=schema)
    day = [as_of - dt.timedelta(days=round(ago)) for ago in (found.first, found.last)]
    return pl.DataFrame([[*day, round(found.units), found.there]], schema=schema, orient="row")
