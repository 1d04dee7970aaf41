"""The reline budget: months × depot × axle type × duty, and totals over longer spans.

Quantiles are over simulated fleets, each with its own use, wear, policies and luck; the parts'
means add up to the total's. Costs are at each month's prices.
"""

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.relines.simulation.counts import Calendar, Counts, EventCounts
from models.relines.simulation.scenario import RelineCosts
from models.relines.simulation.simulate import FleetModel

YEAR_DAYS = 365.25
QUANTILES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
SPANS_MONTHS = (3, 6, 12, 24, 36, 60, 120)


@dataclass(frozen=True, slots=True)
class Months:
    """Calendar months from the day after as-of on (``starts``, first days), the same number of
    whole months counted from as-of (``span_ends``), and both as a ``calendar`` of days."""

    as_of: dt.date
    starts: tuple[dt.date, ...]
    span_ends: tuple[dt.date, ...]
    calendar: Calendar

    @property
    def days_ahead(self) -> list[int]:
        """Days of each calendar month that lie after as-of."""
        ends = np.concatenate([[0.0], self.calendar.month_ends])
        return [int(d) for d in np.diff(ends)]


def budget_months(as_of: dt.date, horizon_months: int) -> Months:
    """The months of a budget; the first is the rest of a month where as-of is not its last day.

    Raises
    ------
    ValueError
        If the horizon is not at least one month.
    """
    if horizon_months < 1:
        raise ValueError(f"the horizon must be at least 1 month, got {horizon_months}")
    first = (as_of + dt.timedelta(days=1)).replace(day=1)
    starts = [_months_after(first, n) for n in range(horizon_months + 1)]
    spans = [_months_after(as_of, n) for n in range(1, horizon_months + 1)]
    # A day counts to the month it lies in: the last day of a month ends it.
    month_ends = np.array([(day - as_of).days - 0.5 for day in starts[1:]])
    span_ends = np.array([(day - as_of).days + 0.5 for day in spans])
    return Months(as_of, tuple(starts[:-1]), tuple(spans), Calendar(month_ends, span_ends))


def _months_after(day: dt.date, months: int) -> dt.date:
    year, month = divmod(day.month - 1 + months, 12)
    first = dt.date(day.year + year, month + 1, 1)
    last = (first + dt.timedelta(days=32)).replace(day=1) - dt.timedelta(days=1)
    return first.replace(day=min(day.day, last.day))


def inflation(costs: RelineCosts, ends: FloatArray) -> FloatArray:
    """Price level of each month (M,), at its middle, over that of the as-of day."""
    starts = np.concatenate([[0.0], ends[:-1]])
    years = (starts + ends) / 2.0 / YEAR_DAYS
    return np.asarray((1.0 + costs.inflation_per_year) ** years)


def money(
    relines: IntArray | Counts,
    visits: IntArray | Counts,
    price: FloatArray,
    costs: RelineCosts,
    seed: int,
) -> FloatArray:
    """Cost of relines and own visits at a price level that broadcasts with them.

    How many of the relines take a drum is drawn, so that its spread counts too.
    """
    drums = np.random.default_rng([seed, 7]).binomial(relines, costs.drum_share)
    each = costs.lining_kit + costs.reline_labour
    return np.asarray((relines * each + drums * costs.drum + visits * costs.downtime) * price)


def quantile_columns(name: str, draws: FloatArray) -> dict[str, FloatArray]:
    """``name``_p10, _p50, _p90 and _mean over the first axis; quantiles are values drawn."""
    columns = {
        f"{name}_{label}": np.quantile(draws, q, axis=0, method="inverted_cdf")
        for label, q in QUANTILES.items()
    }
    return columns | {f"{name}_mean": draws.mean(axis=0)}


def budget_frame(
    fleet: FleetModel, event_counts: EventCounts, months: Months, costs: RelineCosts, seed: int = 0
) -> pl.DataFrame:
    """Rows of the budget: one per month and cell that has wheel ends, and the month's total.

    Columns: month (first day), days (of it ahead), depot, axle_type, duty (all null: the fleet),
    relines_p10/_p50/_p90/_mean, cost_p10/_p50/_p90/_mean.
    """
    price = inflation(costs, months.calendar.month_ends)
    cost = money(event_counts.relines, event_counts.visits, price[:, None], costs, seed)
    relines = event_counts.relines.astype(np.float64)
    used = np.flatnonzero(_is_used(fleet, event_counts))
    parts = _rows(relines[:, :, used], cost[:, :, used], months)
    cells = pl.concat(
        [fleet.cells.frame()[used.tolist()].drop("cell")] * len(months.starts), how="vertical"
    )
    totals = _rows(relines.sum(axis=2)[:, :, None], cost.sum(axis=2)[:, :, None], months)
    fleet_row = pl.DataFrame(
        {name: [None] * totals.height for name in cells.columns}, schema=cells.schema
    )
    both = pl.concat(
        [
            pl.concat([cells, parts], how="horizontal"),
            pl.concat([fleet_row, totals], how="horizontal"),
        ]
    )
    first = ["month", "days", "depot", "axle_type", "duty"]
    return both.select(*first, pl.exclude(first)).sort(
        "month", "depot", "axle_type", "duty", nulls_last=True
    )


def _is_used(fleet: FleetModel, event_counts: EventCounts) -> np.ndarray:
    """Cells that hold a wheel end, or came to."""
    cell = fleet.cells.base + fleet.lines.duty[fleet.lines.unit]
    held = np.bincount(cell, minlength=fleet.cells.n_cells) > 0
    return np.asarray(held | (event_counts.relines.sum(axis=(0, 1)) > 0))


def _rows(relines: FloatArray, cost: FloatArray, months: Months) -> pl.DataFrame:
    """Quantiles of (D, M, C) draws, month by month."""
    cells = relines.shape[2]
    columns = quantile_columns("relines", relines) | quantile_columns("cost", cost)
    return pl.DataFrame(
        {
            "month": np.repeat(np.array(months.starts, dtype="datetime64[D]"), cells),
            "days": np.repeat(months.days_ahead, cells),
            **{name: values.ravel() for name, values in columns.items()},
        }
    ).with_columns(pl.col("month").cast(pl.Date))


def outlook_frame(
    event_counts: EventCounts, months: Months, costs: RelineCosts, seed: int = 0
) -> pl.DataFrame:
    """The fleet over whole months from as-of: every quarter ahead, and 3, 6, 12, … in all.

    Columns: from_on, until_on, months, relines_p10/_p50/_p90/_mean, cost_p10/_p50/_p90/_mean.
    """
    price = inflation(costs, months.calendar.span_ends)
    cost = money(event_counts.span_relines, event_counts.span_visits, price, costs, seed)
    horizon = len(months.span_ends)
    quarters = [(start, start + 3) for start in range(3, horizon - 2, 3)]
    totals = [(0, end) for end in sorted({s for s in SPANS_MONTHS if s <= horizon} | {horizon})]
    ends = (months.as_of, *months.span_ends)
    rows = [
        {
            "from_on": ends[start] + dt.timedelta(days=1),
            "until_on": ends[end],
            "months": end - start,
            **_span(event_counts.span_relines, "relines", start, end),
            **_span(cost, "cost", start, end),
        }
        for start, end in totals + quarters
    ]
    return pl.DataFrame(rows).sort("from_on", "months")


def _span(draws: FloatArray | IntArray, name: str, start: int, end: int) -> dict[str, float]:
    total = draws[:, start:end].sum(axis=1).astype(np.float64)
    return {key: float(value) for key, value in quantile_columns(name, total).items()}
