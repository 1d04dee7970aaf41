"""Parts to have by depot until the next delivery, so that they are enough as often as asked.

Demand is drawn over the lead time from what the budget and the failures to come are drawn from, and
carries the errors that earlier forecasts of both make likely: a stock that only knew of luck would
fall short whenever the forecast is low.
"""

from collections.abc import Iterator

import numpy as np

from models.common.arrays import FloatArray
from models.planning.stock import chance_short, stock_for
from models.relines.past_errors import PastErrors, calibrated_totals
from models.relines.simulation.counts import Calendar
from models.relines.simulation.simulate import FleetModel, simulate_relines
from pipeline.marts import budget_terms
from pipeline.marts.lives.failures import drawn_counts, error_factor
from pipeline.marts.lives.fits import Row
from pipeline.marts.results import FailuresAhead
from pipeline.settings import Settings

SEED = 51_000
DAYS_PER_WEEK = 7.0
MONTH_DAYS = 365.25 / 12.0


def lead_days(settings: Settings) -> float:
    """Days until the next delivery."""
    return settings.stock.lead_weeks * DAYS_PER_WEEK


def linings_stock(settings: Settings, fleet: FleetModel, past: PastErrors | None) -> Iterator[Row]:
    """Linings by depot and axle type, and drums by depot. ``past``: errors of the fleet's earlier
    totals (None: not even the prior's)."""
    lead = lead_days(settings)
    # In months, for errors differ from quarter to quarter.
    ends = np.append(np.arange(MONTH_DAYS, lead, MONTH_DAYS), lead)
    (events,) = simulate_relines(
        fleet, Calendar(ends, ends), draws=budget_terms.DRAWS, seed=budget_terms.SEED
    )
    if past is not None:
        events = calibrated_totals(events, past, budget_terms.SEED)
    by_cell = events.relines.sum(axis=1).astype(np.float64)
    rng = np.random.default_rng([SEED, 1])
    cells = fleet.cells.frame()
    for (depot, axle_type), part in cells.group_by("depot", "axle_type", maintain_order=True):
        demand = by_cell[:, part["cell"].to_numpy()].sum(axis=1)
        if demand.any():
            yield _stock_row(settings, depot, "linings", demand) | {"axle_type": axle_type}
    for (depot,), part in cells.group_by("depot", maintain_order=True):
        relines = by_cell[:, part["cell"].to_numpy()].sum(axis=1).astype(np.int64)
        drums = rng.binomial(relines, settings.costs.drum_share).astype(np.float64)
        if drums.any():
            yield _stock_row(settings, depot, "drum", drums)


def adjusters_stock(
    settings: Settings, ahead: FailuresAhead, past: PastErrors | None
) -> Iterator[Row]:
    """Failed adjusters by depot that checks within the lead time will find, those of replacements
    and of unknown age counted."""
    inside = ahead.edges <= lead_days(settings)
    counts = drawn_counts(ahead, error_factor(ahead, past))[:, :, inside].sum(axis=2)
    for depot, demand in zip((*ahead.depots, None), counts.T, strict=True):
        if demand.any():
            yield _stock_row(settings, depot, "adjuster", demand)


def _stock_row(settings: Settings, depot: object, item: str, demand: FloatArray) -> Row:
    level = settings.stock.service_level
    stock = stock_for(demand, level)
    return {
        "depot": depot,
        "item": item,
        "lead_weeks": settings.stock.lead_weeks,
        "service_level": level,
        "demand_mean": float(demand.mean()),
        "stock": stock,
        "p_short": chance_short(demand, stock),
    }
