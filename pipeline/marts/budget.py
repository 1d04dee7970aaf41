"""The reline forecast, the plan and the scenarios beside it, in the same simulated futures."""

import datetime as dt
from dataclasses import dataclass

import duckdb
import numpy as np
import polars as pl

from models.relines.budget import Months, budget_frame, outlook_frame
from models.relines.past_errors import PastErrors, calibrated_totals
from models.relines.policy.frame import chances_frame, policy_frame
from models.relines.scenario_table import by_future, plan_frame, scenario_frame
from models.relines.simulation.counts import EventCounts
from models.relines.simulation.layout import BudgetCells
from models.relines.simulation.scenario import (
    AS_NOW,
    RelineCosts,
    Scenario,
    UnusableScenarioError,
)
from models.relines.simulation.simulate import FleetModel, simulate_relines
from pipeline.errors import UserError
from pipeline.marts import marts
from pipeline.marts.budget_parts import months_frame, spans_frame
from pipeline.marts.budget_terms import DRAWS, SEED, months_of, plan, reline_costs, scenarios
from pipeline.settings import Settings

DEPOT_FUTURES = "depot_futures"  # no mart: what workshop hours are made from
TABLES = (
    "reline_budget",
    "reline_budget_parts",
    "reline_outlook",
    "reline_outlook_parts",
    "reline_plan",
    "reline_policy",
    "reline_habits",
    "scenarios",
    "futures",
)


def write_budget_marts(
    con: duckdb.DuckDBPyConnection, frames: dict[str, pl.DataFrame] | None
) -> None:
    """Write the forecast, the plan and the scenarios; empty where there is no forecast."""
    for table in TABLES:
        marts.write(con, table, marts.empty(table) if frames is None else frames[table])


@dataclass(frozen=True, slots=True)
class Futures:
    """Simulated futures of a fleet: one tally per scenario, the forecast first, then the plan."""

    fleet: FleetModel
    months: Months
    scenarios: tuple[Scenario, ...]
    all_event_counts: tuple[EventCounts, ...]


def simulated_futures(fleet: FleetModel, settings: Settings, as_of: dt.date) -> Futures:
    """The fleet working as it works, the plan, and the scenarios, on common random numbers.

    Raises
    ------
    UserError
        A scenario names a duty or an axle type that the fleet has not.
    """
    months = months_of(settings, as_of)
    every = (AS_NOW, plan(settings), *scenarios(settings))
    try:
        all_event_counts = simulate_relines(
            fleet, months.calendar, draws=DRAWS, seed=SEED, scenarios=every
        )
    except UnusableScenarioError as error:
        raise UserError(f"fleet.toml: scenarios.{error}") from None
    return Futures(fleet, months, every, all_event_counts)


def budget_frames(
    futures: Futures, settings: Settings, past: PastErrors | None
) -> dict[str, pl.DataFrame]:
    """``TABLES`` by name, all from the same simulated futures.

    Budget and outlook are the forecast: the fleet working as it works, as earlier origins are
    judged, with the errors that its own past makes likely (None: none of its own, nor the prior's).
    The plan and the scenarios are set against it.
    """
    fleet, months, every = futures.fleet, futures.months, futures.scenarios
    costs, all_event_counts = reline_costs(settings), futures.all_event_counts
    if past is not None:
        all_event_counts = tuple(
            calibrated_totals(event_counts, past, SEED) for event_counts in all_event_counts
        )
    compared = scenario_frame(every, all_event_counts, months, costs, SEED)
    named = zip(every, all_event_counts, strict=True)
    return {
        "reline_budget": budget_frame(fleet, all_event_counts[0], months, costs, SEED),
        "reline_budget_parts": months_frame(fleet.cells, all_event_counts[0], months, costs, SEED),
        "reline_outlook": outlook_frame(all_event_counts[0], months, costs, SEED),
        "reline_outlook_parts": spans_frame(fleet.cells, all_event_counts[0], months, costs, SEED),
        "reline_plan": plan_frame(
            all_event_counts[0], all_event_counts[1], months, costs, SEED
        ).with_columns(risk=pl.lit(settings.budget.risk)),
        "reline_policy": policy_frame(fleet.policy, fleet.usage.as_of, fleet.campaigns),
        "reline_habits": chances_frame(fleet.policy, fleet.usage.as_of),
        "scenarios": _scenarios(compared, settings),
        DEPOT_FUTURES: depot_futures(fleet.cells, all_event_counts[0], months),
        "futures": pl.concat(futures_frame(s.name, t, months, costs) for s, t in named),
    }


def depot_futures(cells: BudgetCells, event_counts: EventCounts, months: Months) -> pl.DataFrame:
    """Relines of each depot, month and simulated future of the budget itself."""
    depots = cells.frame().group_by("depot", maintain_order=True).agg("cell")
    parts = [
        pl.DataFrame(
            {
                "month": months.starts,
                "relines": event_counts.relines[:, :, numbers].sum(axis=2).T.astype(np.float64),
            }
        ).with_columns(depot=pl.lit(depot, dtype=pl.String))
        for depot, numbers in depots.iter_rows()
    ]
    return pl.concat(parts)


def futures_frame(
    name: str, event_counts: EventCounts, months: Months, costs: RelineCosts
) -> pl.DataFrame:
    """What a scenario came to in each simulated future."""
    found = by_future(event_counts, months, costs, SEED)
    frame = pl.DataFrame(found).with_row_index("future", offset=1)
    return frame.with_columns(pl.col("future").cast(pl.Int64), name=pl.lit(name))


def _scenarios(compared: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    described = {name: s.description for name, s in settings.scenarios.items()}
    base = pl.col("scenario") == AS_NOW.name

    def extra(name: str) -> list[pl.Expr]:
        """The difference from how the fleet does it now; none for that itself."""
        return [
            pl.when(~base).then(f"{name}_change_{q}").alias(f"extra_{name}_{q}")
            for q in ("mean", "p10", "p90")
        ]

    return compared.with_columns(
        *extra("relines"),
        *extra("cost"),
        name="scenario",
        description=pl.col("scenario").replace_strict(described, default=""),
        base=base,
        early_scrapped_mm="scrapped_mm_mean",
        early_scrapped_cost="scrapped_cost_mean",
        p_crossing=pl.col("crossing_chance").clip(0.0, 1.0),
    )
