"""What one stage of a run finds out and hands to the next."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.adjustment.judge import FleetDrift
from models.common.arrays import FloatArray, IntArray
from models.lives.decisions.failures import FailuresToCome
from models.lives.fits.distributions import LifeDistribution
from models.relines.budget import Months
from models.relines.past_errors import PastErrors
from models.relines.simulation.simulate import FleetModel
from models.usage.fit import UsageFit, usage_frame
from models.wear.generations.by_unit import UnitChange
from models.wear.pointers import PointerCalibration
from models.wear.predict import LiningLines
from models.wear.result import WearFit
from models.wear.shape.thinning import Thinning
from models.wear.sums import LiningLifeSums

# Axle type and duty; None pools over it.
Lives = dict[tuple[str | None, str | None], LifeDistribution]


@dataclass(frozen=True, slots=True)
class Fits:
    """``lines`` is None where the readings allow no wear fit; ``thinning`` where wear is even. Wear
    and lines are on the scale of ``models.wear.shape.scale`` else. ``apart``: units that wear their
    linings otherwise since a day of their own; what was before is another unit's in ``sums``."""

    wear: WearFit
    calibration: PointerCalibration
    sums: LiningLifeSums
    lines: LiningLines | None
    usage: UsageFit
    thinning: Thinning | None = None
    apart: tuple[UnitChange, ...] = ()

    @property
    def km_per_day(self) -> pl.DataFrame:
        """One row per unit: what it runs a day, with its uncertainty."""
        return usage_frame(self.usage)


@dataclass(frozen=True, slots=True)
class Forecasts:
    """``dates``: one row per wheel end; ``linings``: each lining on the day; ``fleet`` is what the
    budget is drawn from."""

    dates: pl.DataFrame
    linings: pl.DataFrame
    fleet: FleetModel


@dataclass(frozen=True, slots=True)
class Strokes:
    """Stroke readings with the wear since their setting; and for each wheel end, what lies between
    its last reading and its next check."""

    readings: pl.DataFrame
    ends: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Drift:
    """Every wheel end judged, and what the judgement rests on."""

    fleet: FleetDrift
    lives: Lives
    grabbing: float
    judged: pl.DataFrame


@dataclass(frozen=True, slots=True)
class FailuresAhead:
    """What was known on a day of failures to come.

    edges (G,): ends of the pieces of time that calendar months and whole months from as-of cut each
    other into, in days; to_come: by depot (the last place holds wheel ends without one) and piece;
    wheel_end_id: whose failures are counted; counted: how many by place, each by its chance to be
    there; usage: of their units, as known then; by_counts: in words, where failures are not
    told, or not all, by how long adjusters last.
    """

    months: Months
    depots: tuple[str, ...]
    wheel_end_id: pl.Series
    counted: FloatArray
    edges: FloatArray
    to_come: FailuresToCome
    usage: UsageFit
    by_counts: str | None = None

    @property
    def month(self) -> IntArray:
        """The calendar month of each piece."""
        return np.searchsorted(self.months.calendar.month_ends, self.edges)

    @property
    def span(self) -> IntArray:
        """Its whole month from as-of."""
        return np.searchsorted(self.months.calendar.span_ends, self.edges)


@dataclass(frozen=True, slots=True)
class Missed:
    """What earlier totals missed by, of relines and of failures found."""

    relines: PastErrors
    failures: PastErrors


@dataclass(frozen=True, slots=True)
class Origin:
    """What was known on ``as_of``: ``fleet`` is None where the readings allowed no wear fit then or
    it was not asked for, ``failures`` where none had been found, ``judged`` where no
    stroke had been read or nobody has judged yet."""

    as_of: dt.date
    fleet: FleetModel | None = None
    failures: FailuresAhead | None = None
    strokes: Strokes | None = None
    judged: pl.DataFrame | None = None
