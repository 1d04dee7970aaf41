"""Scenarios side by side, each against the fleet as it is now in the same simulated futures."""

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.relines.budget import Months, inflation, money, quantile_columns
from models.relines.simulation.counts import EventCounts
from models.relines.simulation.scenario import RelineCosts, Scenario


def scenario_frame(
    scenarios: tuple[Scenario, ...],
    all_event_counts: tuple[EventCounts, ...],
    months: Months,
    costs: RelineCosts,
    seed: int = 0,
) -> pl.DataFrame:
    """One row per scenario, over all the budget's months; the first is what others are set against.

    Columns: scenario, months, draws; for each of relines, cost, own_visits, crossings (linings that
    fall to their minimum in service), scrapped_mm (lining above the minimum when relined),
    scrapped_cost (its share of kit and labour, at as-of prices): ``_p10``, ``_p50``, ``_p90``,
    ``_mean``, and the same of ``…_change``, the difference from the first in each simulated future;
    crossing_chance (crossings per lining in service), scrapped_mm_per_reline,
    second_relines_mean.
    """
    measured = [by_future(event_counts, months, costs, seed) for event_counts in all_event_counts]
    rows = []
    for scenario, event_counts, found in zip(scenarios, all_event_counts, measured, strict=True):
        row: dict[str, object] = {
            "scenario": scenario.name,
            "months": len(months.starts),
            "draws": event_counts.n_draws,
        }
        for name, draws in found.items():
            row |= _columns(name, draws)
            row |= _columns(f"{name}_change", draws - measured[0][name])
        rows.append(row | _ratios(found, event_counts))
    return pl.DataFrame(rows)


def by_future(
    event_counts: EventCounts, months: Months, costs: RelineCosts, seed: int
) -> dict[str, FloatArray]:
    """What a scenario came to in each simulated future, (D,) each."""
    price = inflation(costs, months.calendar.month_ends)
    cost = money(event_counts.relines, event_counts.visits, price[:, None], costs, seed)
    each = costs.lining_kit + costs.reline_labour
    return {
        "relines": event_counts.relines.sum(axis=(1, 2)).astype(np.float64),
        "cost": cost.sum(axis=(1, 2)),
        "own_visits": event_counts.visits.sum(axis=(1, 2)).astype(np.float64),
        "crossings": event_counts.crossings.sum(axis=(1, 2)).astype(np.float64),
        "scrapped_mm": event_counts.scrapped_mm,
        "scrapped_cost": event_counts.scrapped_share * each,
    }


def _columns(name: str, draws: FloatArray) -> dict[str, float]:
    return {key: float(value) for key, value in quantile_columns(name, draws).items()}


def _ratios(found: dict[str, FloatArray], event_counts: EventCounts) -> dict[str, float]:
    relines = float(found["relines"].mean())
    linings = float(event_counts.wheel_ends) + relines
    return {
        "crossing_chance": float(found["crossings"].mean()) / max(linings, 1.0),
        "scrapped_mm_per_reline": float(found["scrapped_mm"].mean()) / max(relines, 1e-9),
        "second_relines_mean": float(event_counts.second.mean()),
    }


PLAN_MONTHS = (12, 24)


def plan_frame(
    forecast: EventCounts, plan: EventCounts, months: Months, costs: RelineCosts, seed: int = 0
) -> pl.DataFrame:
    """What a plan takes over the forecast, future by future: rows of 12 and 24 months and all.

    Columns: months, until_on; ``_p10``, ``_p50``, ``_p90``, ``_mean`` of extra_relines, extra_cost
    and crossings_avoided (linings kept from falling to their minimum in service).
    """
    price = inflation(costs, months.calendar.span_ends)
    cost = [money(t.span_relines, t.span_visits, price, costs, seed) for t in (forecast, plan)]
    change = {
        "extra_relines": plan.span_relines - forecast.span_relines,
        "extra_cost": cost[1] - cost[0],
        "crossings_avoided": forecast.span_crossings - plan.span_crossings,
    }
    horizon = len(months.span_ends)
    rows = []
    for end in sorted({*(n for n in PLAN_MONTHS if n <= horizon), horizon}):
        row: dict[str, object] = {"months": end, "until_on": months.span_ends[end - 1]}
        for name, draws in change.items():
            row |= _columns(name, draws[:, :end].sum(axis=1).astype(np.float64))
        rows.append(row)
    return pl.DataFrame(rows)
