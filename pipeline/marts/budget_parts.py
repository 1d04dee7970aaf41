"""The budget over parts of the fleet: by depot, by axle type, by duty, and by two of them.

A part's band is drawn from the same simulated futures as the fleet's: cells are added up within a
future before any quantile is taken, so that what they share stays shared.
"""

import itertools
from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.relines.budget import Months, inflation, money, quantile_columns
from models.relines.simulation.counts import Counts, EventCounts
from models.relines.simulation.layout import BudgetCells
from models.relines.simulation.scenario import RelineCosts

DIMENSIONS = ("depot", "axle_type", "duty")
PARTS = (*itertools.combinations(DIMENSIONS, 1), *itertools.combinations(DIMENSIONS, 2))
SPANS_MONTHS = (12, 24)
# First month, the one after the last, and the columns that name the span.
Span = tuple[int, int, dict[str, object]]


def months_frame(
    cells: BudgetCells, event_counts: EventCounts, months: Months, costs: RelineCosts, seed: int
) -> pl.DataFrame:
    """Every part of the fleet, month by month.

    Columns: ``month``, ``part`` (the dimensions that it is one of), ``depot``, ``axle_type``,
    ``duty`` (null: over all), ``relines_…`` and ``cost_…`` as in the budget.
    """
    ends = months.calendar.month_ends
    cost = _cost(event_counts.relines, event_counts.visits, ends, costs, seed)
    spans: list[Span] = [(i, i + 1, {"month": first}) for i, first in enumerate(months.starts)]
    return _frame(cells, event_counts.relines, cost, spans)


def spans_frame(
    cells: BudgetCells, event_counts: EventCounts, months: Months, costs: RelineCosts, seed: int
) -> pl.DataFrame:
    """Every part of the fleet over the next 12 and 24 months, and the whole horizon.

    ``months`` and ``until_on`` instead of ``month``: whole months are counted from as-of, so that
    a part's year ends when the fleet's does.
    """
    relines, ends = event_counts.relines_by_span, months.calendar.span_ends
    cost = _cost(relines, event_counts.visits_by_span, ends, costs, seed)
    horizon = len(months.span_ends)
    spans: list[Span] = [
        (0, n, {"months": n, "until_on": months.span_ends[n - 1]})
        for n in sorted({*SPANS_MONTHS, horizon})
        if n <= horizon
    ]
    return _frame(cells, relines, cost, spans)


def _cost(
    relines: Counts, visits: Counts, ends: FloatArray, costs: RelineCosts, seed: int
) -> FloatArray:
    return money(relines, visits, inflation(costs, ends)[:, None], costs, seed)


def _frame(
    cells: BudgetCells, relines: Counts, cost: FloatArray, spans: Sequence[Span]
) -> pl.DataFrame:
    draws = relines.astype(np.float64), cost
    frames = [
        _of_part(members, draws, span)
        for part in PARTS
        for members in [_members(cells, part)]
        for span in spans
    ]
    return pl.concat(frames, how="diagonal_relaxed").sort(
        *spans[0][2], "part", *DIMENSIONS, nulls_last=True
    )


def _members(cells: BudgetCells, part: tuple[str, ...]) -> pl.DataFrame:
    """One row per value of the part, with the numbers of its cells."""
    named = cells.frame().group_by(*part, maintain_order=True).agg("cell")
    missing = [pl.lit(None, dtype=pl.String).alias(d) for d in DIMENSIONS if d not in part]
    return named.with_columns(*missing, part=pl.lit(", ".join(part)))


def _of_part(
    members: pl.DataFrame, draws: tuple[FloatArray, FloatArray], span: Span
) -> pl.DataFrame:
    start, end, columns = span
    numbers: list[IntArray] = [np.array(c) for c in members["cell"].to_list()]
    totals = (_summed(each[:, start:end], numbers) for each in draws)
    quantiles: Iterator[tuple[str, FloatArray]] = itertools.chain.from_iterable(
        quantile_columns(name, total).items()
        for name, total in zip(("relines", "cost"), totals, strict=True)
    )
    return members.select(
        *(pl.lit(value).alias(name) for name, value in columns.items()), "part", *DIMENSIONS
    ).with_columns(pl.Series(name, values) for name, values in quantiles)


def _summed(draws: FloatArray, numbers: Sequence[IntArray]) -> FloatArray:
    """(D, months, C) draws → (D, parts): added up within each future."""
    by_cell = draws.sum(axis=1)
    return np.stack([by_cell[:, cells].sum(axis=1) for cells in numbers], axis=1)
