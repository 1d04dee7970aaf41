"""What workshops did at check visits, as arrays; and the groups whose policies may differ."""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray

NOWHERE = ""
QUARTER_DAYS = 91
OLDEST_QUARTER = 12
"""The last that is told apart: this one and all before it."""
OLDEST_DAY = 1096
"""As ``reduce.axle_decisions`` counts days back: so many, and all before."""


FEWEST_UNITS, OF_THE_UNITS = 5, 0.1
"""Units at each of two intervals between checks, at least, and as a share of all."""
MOST_WITHIN = 0.15
"""Of intervals that lie evenly between two, a quarter of the variance is within halves; of normal
ones more."""
LEAST_APART = 1.5
"""Times that the longer of two intervals is as long."""


@dataclass(frozen=True, slots=True)
class PolicyGroups:
    """Kinds of axles and depots, each with an effect of its own on the policy. A kind is an axle
    type, or where units are checked at intervals of two lengths (``every_days``, (2,)), the type on
    units of one of them: all types on those that are checked sooner, then the others."""

    axle_types: tuple[str, ...]
    depots: tuple[str, ...]
    every_days: tuple[float, ...] = ()

    @property
    def kinds(self) -> tuple[tuple[str, float | None], ...]:
        """Axle types, and how often their units are checked (None: all alike)."""
        return tuple(
            (name, days) for days in self.every_days or (None,) for name in self.axle_types
        )

    @property
    def n_groups(self) -> int:
        return len(self.kinds) * len(self.depots)

    def group(
        self, axle_type: pl.Series, depot: pl.Series, every_days: pl.Series | None = None
    ) -> IntArray:
        """Number of each kind × depot, kind by kind; ``every_days`` between checks of the unit
        (null: not known, counted as those of most).

        Raises
        ------
        ValueError
            If a value is not among the groups.
        """
        types = pl.Enum(self.axle_types)
        depots = pl.Enum(self.depots)
        try:
            row = axle_type.cast(pl.String).cast(types).to_physical().cast(pl.Int64)
            column = depot.cast(pl.String).fill_null(NOWHERE).cast(depots).to_physical()
        except pl.exceptions.InvalidOperationError as error:
            raise ValueError(f"an axle type or depot is not among the groups: {error}") from None
        kind = row.to_numpy() + len(self.axle_types) * self._checked_later(every_days)
        return np.asarray(kind * len(self.depots) + column.cast(pl.Int64).to_numpy())

    def _checked_later(self, every_days: pl.Series | None) -> IntArray | int:
        if not self.every_days or every_days is None:
            return 0
        days = every_days.cast(pl.Float64).fill_null(np.nan).to_numpy()
        later, known = days > np.sqrt(np.prod(self.every_days)), np.isfinite(days)
        most = bool(later[known].mean() > 0.5) if known.any() else False
        return np.where(known, later, most).astype(np.int64)

    def design(self) -> FloatArray:
        """Rows (groups) of [1, kind, depot] that add a group's threshold up."""
        types, depots = np.eye(len(self.kinds)), np.eye(len(self.depots))
        return np.column_stack(
            [
                np.ones(self.n_groups),
                np.repeat(types, len(self.depots), axis=0),
                np.tile(depots, (len(self.kinds), 1)),
            ]
        )


def policy_groups(*frames: pl.DataFrame) -> PolicyGroups:
    """Every axle type and depot that occurs in the frames (a depot may be null)."""
    types, depots = set[str](), set[str]()
    for frame in frames:
        types |= set(frame["axle_type"].cast(pl.String).drop_nulls())
        depots |= set(frame["depot"].cast(pl.String).fill_null(NOWHERE))
    return PolicyGroups(tuple(sorted(types)), tuple(sorted(depots)) or (NOWHERE,))


def two_intervals(every_days: FloatArray) -> tuple[float, float] | None:
    """The intervals between checks (median of each, shorter first) where units are checked at two
    lengths, by units' own (N,); None where they are not: the split by which logarithms differ least
    within leaves more than :data:`MOST_WITHIN` of their variance, or hardly any units to one."""
    logs = np.sort(np.log(np.maximum(every_days, 1.0)))
    n, fewest = len(logs), max(FEWEST_UNITS, OF_THE_UNITS * len(every_days))
    cut = np.arange(1, n)
    cut = cut[(cut >= fewest) & (n - cut >= fewest)]
    if len(cut) == 0 or logs[0] == logs[-1]:
        return None
    every = float(logs.var()) * n
    upto = np.cumsum(logs)
    between = n * (upto[cut - 1] - cut * upto[-1] / n) ** 2 / (cut * (n - cut))
    best = int(cut[between.argmax()])
    own = np.sort(every_days)
    short, long = (float(np.median(part)) for part in (own[:best], own[best:]))
    if 1.0 - between.max() / every > MOST_WITHIN or long < LEAST_APART * short:
        return None
    return short, long


@dataclass(frozen=True, slots=True)
class LiningAges:
    """Days since the linings of R rows were fitted, of the axle's low and high end and of the
    oldest on the unit's other axles; at least so many where not ``known``."""

    low_days: FloatArray
    low_known: BoolArray
    high_days: FloatArray
    high_known: BoolArray
    other_days: FloatArray

    def some(self, rows: IntArray | slice) -> "LiningAges":
        return LiningAges(*(getattr(self, name)[rows] for name in LiningAges.__slots__))


@dataclass(frozen=True, slots=True)
class AxleDecisions:
    """Counted decisions, (R,): readings in mm above the minimum (NaN: not read).

    ``low`` is the end with the thinner lining; ``has_high`` is false for an axle with one end on
    record; ``other`` is the thinnest lining on the unit's other axles at that visit, ``other_ends``
    how many wheel ends they have; ``days_ago``: when it was, counted back from the as-of day;
    ``ages`` of the linings found there.
    """

    group: IntArray
    low: FloatArray
    high: FloatArray
    has_high: BoolArray
    other: FloatArray
    other_ends: FloatArray
    low_relined: BoolArray
    high_relined: BoolArray
    visits: FloatArray
    days_ago: IntArray
    ages: LiningAges

    @property
    def quarters_ago(self) -> IntArray:
        """When it was, counted back in 91 days."""
        return np.minimum(self.days_ago // QUARTER_DAYS, OLDEST_QUARTER)

    @property
    def relines(self) -> float:
        """Relines of wheel ends."""
        return float((self.visits * (1.0 * self.low_relined + self.high_relined)).sum())

    @property
    def read_share(self) -> float:
        """Chance that a wheel end is read at a visit.

        Axles with no end read are not counted: of those with two ends, a share f = 2q/(1 + q) has
        one end unread when each end is unread with chance q.
        """
        pairs = self.has_high
        seen = float(self.visits[pairs].sum())
        if seen == 0.0:
            return 1.0
        one = float(self.visits[pairs & np.isnan(self.high)].sum()) / seen
        return 1.0 - one / (2.0 - one)


def axle_decisions(frame: pl.DataFrame, groups: PolicyGroups) -> AxleDecisions:
    """Rows of ``reduce.axle_decisions`` as arrays."""

    def floats(name: str) -> FloatArray:
        return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()

    def ages(name: str) -> FloatArray:
        return np.nan_to_num(floats(name))

    def flags(name: str) -> BoolArray:
        return np.asarray(frame[name].cast(pl.Boolean).fill_null(False).to_numpy(), bool)

    return AxleDecisions(
        group=groups.group(frame["axle_type"], frame["depot"], frame["every_days"]),
        low=floats("low_mm"),
        high=floats("high_mm"),
        has_high=np.asarray(frame["ends"].to_numpy() == 2),
        other=floats("other_mm"),
        other_ends=floats("other_ends"),
        low_relined=flags("low_relined"),
        high_relined=flags("high_relined"),
        visits=floats("visits"),
        days_ago=frame["days_ago"].cast(pl.Int64).to_numpy(),
        ages=LiningAges(
            low_days=ages("low_age_days"),
            low_known=flags("low_age_known"),
            high_days=ages("high_age_days"),
            high_known=flags("high_age_known"),
            other_days=ages("other_age_days"),
        ),
    )


def some_decisions(decisions: AxleDecisions, rows: IntArray | slice) -> AxleDecisions:
    """Some of the rows."""
    *names, _ = AxleDecisions.__slots__
    taken = {name: getattr(decisions, name)[rows] for name in names}
    return AxleDecisions(**taken, ages=decisions.ages.some(rows))


def with_known_ages(decisions: AxleDecisions) -> AxleDecisions:
    """The rows about linings whose day of fitting is on record."""
    known = decisions.ages.low_known & (decisions.ages.high_known | ~decisions.has_high)
    return some_decisions(decisions, np.flatnonzero(known))


def thinned(decisions: AxleDecisions, every: int) -> AxleDecisions:
    """Every so-many-th row, its visits counted as many times: an unbiased part of the whole."""
    if every == 1:
        return decisions
    some = some_decisions(decisions, slice(None, None, every))
    return replace(some, visits=some.visits * every)
