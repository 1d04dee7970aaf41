"""Coverage and bias of the reline forecasts over simulated fleets with known truth.

Run ``python -m tests.bench.bench_reline [replicates]`` (200 unless said); it prints a table
per world and asserts nothing. Each replicate simulates a fleet of 60 units (360 wheel ends) for
three years of records and four years that the forecasts do not see, and fits everything from the
records alone: wear by REML, use, habit.
"""

import sys
import time
from dataclasses import dataclass

import numpy as np

from models.relines.forecast.minimum import minimum_forecast
from models.relines.forecast.relining import reline_forecast
from models.relines.simulation.counts import Calendar
from models.relines.simulation.simulate import FleetModel, simulate_relines
from tests.reline_world import (
    History,
    World,
    first_relines,
    known_fleet,
    lived,
    minimum_days,
    relines_between,
)

WORLDS = {
    "plain": World(),
    "30 % of units change duty mid-life": World(duty_changes=0.3),
    "half-millimetre steps, 10 % unread, 30 % starts unknown": World(
        step_mm=0.5, unread=0.1, unknown_starts=0.3
    ),
    "10 % of visits missed": World(skipped=0.10),
    "all of these": World(
        duty_changes=0.3, step_mm=0.5, unread=0.1, skipped=0.1, unknown_starts=0.3
    ),
    "30 % of units off the road for 200 days": World(off_road=0.3, years_before=4.0),
    "half of the time the whole unit is relined": World(unit_together=0.5),
    "12 units": World(units=12),
}
QUARTER_ENDS = 91.3125 * np.arange(1.0, 9.0)
DRAWS = 200


@dataclass(frozen=True)
class Replicate:
    """Shares that happened by p10, p50, p90; mean dates true and forecast; quarters' totals."""

    relined_by: np.ndarray
    worn_by: np.ndarray
    reline_months: tuple[float, float]
    minimum_months: tuple[float, float]
    inside: np.ndarray
    expected: np.ndarray
    observed: np.ndarray


def replicate(world: World, seed: int) -> Replicate:
    history = lived(world, seed)
    fleet = known_fleet(history)
    reline = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy).days
    minimum = minimum_forecast(fleet.lines, fleet.ends.minimum_mm, fleet.usage).days
    relined, worn = first_relines(history), minimum_days(history)
    total = quarters(fleet, seed)
    observed = observed_quarters(history)
    low, high = np.quantile(total, [0.1, 0.9], axis=0)
    return Replicate(
        relined_by=(relined <= reline).mean(axis=1),
        worn_by=(worn <= minimum).mean(axis=1),
        reline_months=mean_months(relined, reline[1]),
        minimum_months=mean_months(worn, minimum[1]),
        inside=(observed >= low) & (observed <= high),
        expected=total.mean(axis=0),
        observed=observed,
    )


def quarters(fleet: FleetModel, seed: int) -> np.ndarray:
    calendar = Calendar(QUARTER_ENDS, QUARTER_ENDS)
    (counts,) = simulate_relines(fleet, calendar, draws=DRAWS, seed=seed)
    return np.asarray(counts.relines.sum(axis=2))


def observed_quarters(history: History) -> np.ndarray:
    edges = [0.0, *QUARTER_ENDS]
    return np.array(
        [relines_between(history, a, b) for a, b in zip(edges, QUARTER_ENDS, strict=False)]
    )


def mean_months(true: np.ndarray, forecast: np.ndarray) -> tuple[float, float]:
    both = np.isfinite(true) & np.isfinite(forecast)
    return float(true[both].mean() / 30.4375), float(forecast[both].mean() / 30.4375)


def printed(name: str, found: list[Replicate], seconds: float) -> None:
    relined = np.mean([r.relined_by for r in found], axis=0)
    worn = np.mean([r.worn_by for r in found], axis=0)
    print(f"\n{name}: {len(found)} replicates, {seconds / len(found):.2f} s each")
    for label, by, months in (
        ("reline_on", relined, np.mean([r.reline_months for r in found], axis=0)),
        ("min_on", worn, np.mean([r.minimum_months for r in found], axis=0)),
    ):
        late = months[0] - months[1]
        print(
            f"  {label:10s} p10-p90 covers {100 * (by[2] - by[0]):5.1f} %   by p10, p50, p90: "
            f"{100 * by[0]:5.1f} {100 * by[1]:5.1f} {100 * by[2]:5.1f} %   bias {late:+.2f} of "
            f"{months[0]:.1f} months ({100 * late / months[0]:+.1f} %)"
        )
    expected, observed = (
        np.sum([getattr(r, n) for r in found], axis=0) for n in ("expected", "observed")
    )
    each = " ".join(f"{100 * (o / e - 1):+.0f}" for e, o in zip(expected, observed, strict=True))
    print(
        f"  quarters   p10-p90 covers {100 * np.mean([r.inside for r in found]):5.1f} %   bias "
        f"{100 * (observed.sum() / expected.sum() - 1):+.1f} %   by quarter: {each} %"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for name, world in WORLDS.items():
        began = time.perf_counter()
        found = [replicate(world, seed) for seed in range(count)]
        printed(name, found, time.perf_counter() - began)


if __name__ == "__main__":
    main()
