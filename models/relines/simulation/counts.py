"""What a batch of drawn fleets came to: events counted by draw, month and cell."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.common.arrays import BoolArray, FloatArray, IntArray

Counts = NDArray[np.int32]
Agreed = dict[str, dict[int, float]]
"""Of a fleet of which a part is simulated, twice over: the share of what both move by that they
agree on, by count and level (``models.relines.simulation.sampling``)."""


@dataclass(frozen=True, slots=True)
class Events:
    """Draw and cell of each of n events; a ``weight``, if any, is counted beside them."""

    copy: IntArray
    cell: IntArray
    weight: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Calendar:
    """Ends of the budget's months, in days after as-of: ``month_ends`` (M,) calendar months,
    ``span_ends`` (M,) whole months counted from as-of."""

    month_ends: FloatArray
    span_ends: FloatArray

    @property
    def horizon(self) -> float:
        return float(max(self.month_ends[-1], self.span_ends[-1]))


@dataclass(slots=True)
class EventCounts:
    """Counts over D draws of ``wheel_ends`` each, M months and C cells.

    relines, visits (axles relined in a visit of their own), crossings : (D, M, C).
    relines_by_span, visits_by_span, crossings_by_span : (D, M, C), by whole months from as-of.
    second : (D,) relines of a lining fitted after as-of. scrapped_mm, scrapped_share : (D,) lining
    left above the minimum, in mm and as a share of what can be worn, over the relines of the
    calendar months. batch_means : (K, M, C) mean of ``relines_by_span`` by each of K batches of
    units, and agreed, where not all were simulated.
    """

    calendar: Calendar
    wheel_ends: int
    relines: Counts
    visits: Counts
    crossings: Counts
    relines_by_span: Counts
    visits_by_span: Counts
    crossings_by_span: Counts
    second: IntArray
    scrapped_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    scrapped_share: FloatArray = field(default_factory=lambda: np.zeros(0))
    batch_means: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 0)))
    agreed: Agreed = field(default_factory=dict)

    @property
    def n_draws(self) -> int:
        return len(self.relines)

    def mean_error(self, first: int, last: int, cells: IntArray) -> float:
        """Monte Carlo standard error, from the units simulated, of the mean of relines from month
        ``first`` up to ``last`` in ``cells``: nought where all units were."""
        if len(self.batch_means) < 2:
            return 0.0
        totals = self.batch_means[:, first:last, cells].sum(axis=(1, 2))
        return float(totals.std(ddof=1) / np.sqrt(len(totals)))

    @property
    def span_relines(self) -> IntArray:
        """The fleet's relines by whole months from as-of, (D, M)."""
        return np.asarray(self.relines_by_span.sum(axis=2), np.int64)

    @property
    def span_visits(self) -> IntArray:
        """Its visits made for a reline alone, (D, M)."""
        return np.asarray(self.visits_by_span.sum(axis=2), np.int64)

    @property
    def span_crossings(self) -> IntArray:
        """Linings that fell to their minimum in service, (D, M)."""
        return np.asarray(self.crossings_by_span.sum(axis=2), np.int64)


def no_event_counts(
    calendar: Calendar, wheel_ends: int, n_draws: int, n_cells: int, *, weighted: bool = False
) -> EventCounts:
    """A tally with nothing in it; of whole numbers, unless events are ``weighted``: then of twice
    as many draws, counts before sums of weights."""
    n_draws *= 1 + weighted
    months = len(calendar.month_ends)
    shape, kind = (n_draws, months, n_cells), np.float64 if weighted else np.int32
    return EventCounts(
        calendar=calendar,
        wheel_ends=wheel_ends,
        relines=np.zeros(shape, kind),
        visits=np.zeros(shape, kind),
        crossings=np.zeros(shape, kind),
        relines_by_span=np.zeros(shape, kind),
        visits_by_span=np.zeros(shape, kind),
        crossings_by_span=np.zeros(shape, kind),
        second=np.zeros(n_draws, np.float64 if weighted else np.int64),
        scrapped_mm=np.zeros(n_draws),
        scrapped_share=np.zeros(n_draws),
    )


@dataclass(frozen=True, slots=True)
class EventLog:
    """What befalls the wheel ends of so many draws, as it comes. A tally is large and a step's
    events are few: they are counted once, at the end."""

    calendar: Calendar
    wheel_ends: int
    n_draws: int
    n_cells: int
    weighted: bool = False
    relines: list[tuple[Events, FloatArray]] = field(default_factory=list)
    taken_out: list[tuple[BoolArray, FloatArray, FloatArray]] = field(default_factory=list)
    visits: list[tuple[Events, FloatArray]] = field(default_factory=list)
    crossings: list[tuple[Events, FloatArray]] = field(default_factory=list)

    def add_relines(
        self,
        events: Events,
        day: FloatArray,
        life: IntArray,
        above_mm: FloatArray,
        usable_mm: FloatArray,
    ) -> None:
        """Enter relines of wheel ends; events past the last month fall out."""
        inside = day < self.calendar.month_ends[-1]
        left = np.maximum(above_mm, 0.0) * inside
        self.relines.append((events, day))
        self.taken_out.append((inside & (life > 0), left, np.minimum(left / usable_mm, 1.0)))

    def add_visits(self, events: Events, day: FloatArray) -> None:
        """Enter axles relined in a visit made for that alone."""
        self.visits.append((events, day))

    def add_crossings(self, events: Events, day: FloatArray) -> None:
        """Enter linings that fell to their minimum in service."""
        self.crossings.append((events, day))

    def counted(self) -> EventCounts:
        """The tally of all of it."""
        tally = no_event_counts(
            self.calendar, self.wheel_ends, self.n_draws, self.n_cells, weighted=self.weighted
        )
        for entries, by_month, by_span in (
            (self.relines, tally.relines, tally.relines_by_span),
            (self.visits, tally.visits, tally.visits_by_span),
            (self.crossings, tally.crossings, tally.crossings_by_span),
        ):
            if entries:
                events, day = _together(entries)
                _count(by_month, self.calendar.month_ends, events, day)
                _count(by_span, self.calendar.span_ends, events, day)
        if self.relines:
            events, _ = _together(self.relines)
            second, left, share = (np.concatenate(c) for c in zip(*self.taken_out, strict=True))
            tally.second += _by_draw(tally, events, second).astype(tally.second.dtype)
            tally.scrapped_mm += _by_draw(tally, events, left)
            tally.scrapped_share += _by_draw(tally, events, share)
        return tally


def _together(entries: list[tuple[Events, FloatArray]]) -> tuple[Events, FloatArray]:
    copy, cell = (np.concatenate([getattr(e, n) for e, _ in entries]) for n in ("copy", "cell"))
    weights = [e.weight for e, _ in entries if e.weight is not None]
    weight = np.concatenate(weights) if weights else None
    return Events(copy, cell, weight), np.concatenate([day for _, day in entries])


def _by_draw(event_counts: EventCounts, events: Events, what: FloatArray | BoolArray) -> FloatArray:
    """Sum over the events of each draw (D,)."""
    one, size = np.asarray(what, np.float64), event_counts.n_draws
    if events.weight is None:
        return np.asarray(np.bincount(events.copy, one, minlength=size))
    both = (np.bincount(events.copy, each, size // 2) for each in (one, one * events.weight))
    return np.concatenate(list(both))


def _count(
    into: Counts | FloatArray, month_ends: FloatArray, events: Events, day: FloatArray
) -> None:
    """Add one to (draw, month, cell) per event; its weight, if any, to the draw of the second half
    of draws."""
    month = np.searchsorted(month_ends, day, side="right")
    inside = month < len(month_ends)
    place = ((events.copy * len(month_ends) + month) * into.shape[2] + events.cell)[inside]
    if events.weight is None:
        into += np.bincount(place, minlength=into.size).reshape(into.shape)
        return
    half = len(into) // 2
    for part, weight in ((into[:half], None), (into[half:], events.weight[inside])):
        part += np.bincount(place, weight, minlength=part.size).reshape(part.shape)


def joined_event_counts(parts: list[EventCounts]) -> EventCounts:
    """Batches of draws put together."""
    names = [
        name
        for name in EventCounts.__slots__
        if name not in ("calendar", "wheel_ends", "batch_means", "agreed")
    ]
    arrays: dict[str, Any] = {n: np.concatenate([getattr(p, n) for p in parts]) for n in names}
    return EventCounts(calendar=parts[0].calendar, wheel_ends=parts[0].wheel_ends, **arrays)


def whole_counts(values: FloatArray, rng: np.random.Generator) -> Counts:
    """Whole numbers (D, M, C) whose running sums follow those of ``values``."""
    run_up = values.reshape(len(values), -1).cumsum(axis=1) + rng.random((len(values), 1))
    return np.diff(np.floor(run_up), axis=1, prepend=0.0).reshape(values.shape).astype(np.int32)
