"""How the reline forecasts' cost grows with the fleet.

Run ``python -m tests.bench.bench_reline_scale``; it prints processor seconds and peak memory,
and asserts nothing. Large fleets are copies of a simulated one laid end to end.
"""

import resource
import time
from collections.abc import Callable
from dataclasses import fields, replace
from functools import partial
from typing import Any

import numpy as np
import polars as pl

from models.relines.forecast.minimum import minimum_forecast
from models.relines.forecast.relining import reline_forecast
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.decisions import (
    AxleDecisions,
    PolicyGroups,
    axle_decisions,
    policy_groups,
    some_decisions,
)
from models.relines.policy.fit import fit_policy
from models.relines.simulation.counts import Calendar
from models.relines.simulation.draws import tiled
from models.relines.simulation.sampling import some_lines, some_use
from models.relines.simulation.scenario import AS_NOW, Scenario
from models.relines.simulation.simulate import FleetModel, fleet_model, simulate_relines
from models.usage.fit import fit_usage
from tests.reline_world import (
    ORIGIN,
    World,
    decision_rows,
    known_fleet,
    lived,
    units_frame,
    usage_rows,
)


def many(fleet: FleetModel, copies: int) -> FleetModel:
    """The fleet laid end to end."""
    ends, lines, units = fleet.ends, fleet.lines, len(fleet.usage)
    rows, every = (np.tile(np.arange(size), copies) for size in (len(ends), units))
    laid: dict[str, Any] = {f.name: getattr(ends, f.name)[rows] for f in fields(ends)}
    sizes = {"unit": units, "axle": int(ends.axle.max()) + 1, "partner": len(ends)}
    laid |= {name: tiled(getattr(ends, name), copies, size) for name, size in sizes.items()}
    return fleet_model(
        WheelEnds(**laid),
        some_lines(lines, rows, every, tiled(lines.unit, copies, units)),
        some_use(fleet.usage, every),
        fleet.policy,
    )


def timed(label: str, call: Callable[[], object]) -> None:
    began = time.process_time()
    call()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"  {label:60s} {time.process_time() - began:8.2f} s   peak {peak:5.2f} GiB", flush=True)


def use_of(copies: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    history = lived(World(units=60, years_after=0.5), 1)
    units, rows = units_frame(history), usage_rows(history)

    def renamed(frame: pl.DataFrame, copy: int) -> pl.DataFrame:
        return frame.with_columns(pl.format("{}-{}", "unit_id", pl.lit(copy)).alias("unit_id"))

    frames = [[renamed(f, c) for c in range(copies)] for f in (units, rows)]
    return pl.concat(frames[0]), pl.concat(frames[1])


def spread_decisions(rows: int) -> tuple[AxleDecisions, PolicyGroups]:
    """Counts as a very large fleet has them: many distinct readings."""
    history = lived(World(units=60, years_after=0.5), 1)
    frame = decision_rows(history)
    groups = policy_groups(frame)
    data = axle_decisions(frame, groups)
    rng = np.random.default_rng(1)
    every = np.tile(np.arange(len(data.low)), rows // len(data.low) + 1)
    wide = some_decisions(data, every)
    return replace(wide, low=wide.low + rng.normal(0, 0.02, len(every))), groups


def main() -> None:
    base = known_fleet(lived(World(units=60, years_after=0.5), 1))
    size = len(base.ends)
    months = 30.4375 * np.arange(1.0, 25.0)
    calendar = Calendar(months, months)
    for wheel_ends in (10_000, 100_000, 1_000_000):
        fleet = many(base, wheel_ends // size)
        print(f"\n{len(fleet.ends):,} wheel ends")
        timed(
            "dates and km at the minimum, three quantiles",
            partial(minimum_forecast, fleet.lines, fleet.ends.minimum_mm, fleet.usage),
        )
        timed(
            "reline dates, three quantiles",
            partial(reline_forecast, fleet.lines, fleet.ends, fleet.usage, fleet.policy),
        )
        if wheel_ends <= 100_000:
            timed(
                "budget of 24 months, 200 draws",
                partial(simulate_relines, fleet, calendar, draws=200, seed=1),
            )
    guarded = Scenario("latest", reline="latest")
    ten = many(base, 10_000 // size)
    print(f"\n{len(ten.ends):,} wheel ends, 200 draws")
    timed(
        "as now and the latest safe visit, on common random numbers",
        partial(simulate_relines, ten, calendar, draws=200, seed=1, scenarios=(AS_NOW, guarded)),
    )
    for units in (600, 6_000):
        timed(f"use of {units:,} units", partial(fit_usage, *use_of(units // 60), ORIGIN))
    for rows in (4_000, 100_000):
        timed(f"habit from {rows:,} counts", partial(fit_policy, *spread_decisions(rows)))


if __name__ == "__main__":
    main()
