"""What a batch of drawn fleets came to: events counted by draw, month and cell."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.common.arrays import FloatArray, IntArray

Counts = NDArray[np.int32]


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
class Tally:
    """Counts over D draws of ``wheel_ends`` each, M months and C cells.

    relines, visits (axles relined in a visit of their own), crossings : (D, M, C).
    relines_by_span, visits_by_span, crossings_by_span : (D, M, C), by whole months from as-of.
    second : (D,) relines of a lining fitted after as-of. scrapped_mm, scrapped_share : (D,) lining
    left above the minimum, in mm and as a share of what can be worn, over the relines of the
    calendar months.
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

    @property
    def n_draws(self) -> int:
        return len(self.relines)

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


def empty_tally(calendar: Calendar, wheel_ends: int, n_draws: int, n_cells: int) -> Tally:
    """A tally with nothing in it."""
    months = len(calendar.month_ends)
    shape = (n_draws, months, n_cells)
    return Tally(
        calendar=calendar,
        wheel_ends=wheel_ends,
        relines=np.zeros(shape, np.int32),
        visits=np.zeros(shape, np.int32),
        crossings=np.zeros(shape, np.int32),
        relines_by_span=np.zeros(shape, np.int32),
        visits_by_span=np.zeros(shape, np.int32),
        crossings_by_span=np.zeros(shape, np.int32),
        second=np.zeros(n_draws, np.int64),
        scrapped_mm=np.zeros(n_draws),
        scrapped_share=np.zeros(n_draws),
    )


def add_relines(
    tally: Tally,
    copy: IntArray,
    cell: IntArray,
    day: FloatArray,
    life: IntArray,
    above_mm: FloatArray,
    usable_mm: FloatArray,
) -> None:
    """Enter relines of wheel ends; events past the last month fall out."""
    _count(tally.relines, tally.calendar.month_ends, copy, day, cell)
    _count(tally.relines_by_span, tally.calendar.span_ends, copy, day, cell)
    inside = day < tally.calendar.month_ends[-1]
    left = np.maximum(above_mm, 0.0) * inside
    draws = tally.n_draws
    tally.second += np.bincount(copy[inside & (life > 0)], minlength=draws)
    tally.scrapped_mm += np.bincount(copy, left, minlength=draws)
    tally.scrapped_share += np.bincount(copy, np.minimum(left / usable_mm, 1.0), minlength=draws)


def add_visits(tally: Tally, copy: IntArray, cell: IntArray, day: FloatArray) -> None:
    """Enter axles relined in a visit made for that alone."""
    _count(tally.visits, tally.calendar.month_ends, copy, day, cell)
    _count(tally.visits_by_span, tally.calendar.span_ends, copy, day, cell)


def add_crossings(tally: Tally, copy: IntArray, cell: IntArray, day: FloatArray) -> None:
    """Enter linings that fell to their minimum in service."""
    _count(tally.crossings, tally.calendar.month_ends, copy, day, cell)
    _count(tally.crossings_by_span, tally.calendar.span_ends, copy, day, cell)


def _count(
    into: Counts, month_ends: FloatArray, copy: IntArray, day: FloatArray, cell: IntArray
) -> None:
    """Add one to (draw, month, cell) per event."""
    month = np.searchsorted(month_ends, day, side="right")
    inside = month < len(month_ends)
    place = (copy * len(month_ends) + month) * into.shape[2] + cell
    into += np.bincount(place[inside], minlength=into.size).reshape(into.shape)


def joined_tallies(parts: list[Tally]) -> Tally:
    """Batches of draws put together."""
    names = [name for name in Tally.__slots__ if name not in ("calendar", "wheel_ends")]
    arrays = {name: np.concatenate([getattr(p, name) for p in parts]) for name in names}
    return Tally(calendar=parts[0].calendar, wheel_ends=parts[0].wheel_ends, **arrays)
