"""How the reline forecasts' cost grows with the fleet.

Run ``python -m tests.bench.bench_reline_scale``; it prints processor seconds and peak memory,
and asserts nothing. Large fleets are copies of a simulated one laid end to end.
"""

import resource
import time
from collections.abc import Callable
from dataclasses import fields, replace

import numpy as np
import polars as pl

from models.relines.forecast.lines import WheelEndLines
from models.relines.forecast.minimum import minimum_forecast
from models.relines.forecast.relining import reline_forecast
from models.relines.forecast.wheel_ends import WheelEnds
from models.relines.policy.decisions import (
    AxleDecisions,
    axle_decisions,
    policy_groups,
    some_decisions,
)
from models.relines.policy.fit import fit_policy
from models.relines.simulation.counts import Calendar
from models.relines.simulation.scenario import AS_NOW, Scenario
from models.relines.simulation.simulate import FleetModel, fleet_model, simulate_relines
from models.usage.fit import UsageFit, fit_usage
from tests.reline_world import (
    ORIGIN,
    World,
    decision_rows,
    known_fleet,
    lived,
    units_frame,
    usage_rows,
)

BY_UNIT = {"unit_effect", "unit_var", "unit_gradient", "duty"}
WHOLE = {"theta", "theta_cov", "life_cov", "reading_sd", "duties"}


def many(fleet: FleetModel, copies: int) -> FleetModel:
    """The fleet laid end to end."""
    units, size = len(fleet.usage), len(fleet.ends)
    shift = np.repeat(np.arange(copies), size)
    lines = {
        f.name: getattr(fleet.lines, f.name)
        if f.name in WHOLE
        else np.concatenate([getattr(fleet.lines, f.name)] * copies)
        for f in fields(WheelEndLines)
    }
    lines["unit"] = lines["unit"] + shift * units
    axles = int(fleet.ends.axle.max()) + 1
    steps = {"unit": units, "axle": axles, "partner": size}
    ends = {}
    for f in fields(WheelEnds):
        value = getattr(fleet.ends, f.name)
        if isinstance(value, pl.Series):
            ends[f.name] = pl.concat([value] * copies)
        else:
            ends[f.name] = np.concatenate([value] * copies) + shift * steps.get(f.name, 0)
    return fleet_model(
        WheelEnds(**ends), WheelEndLines(**lines), many_units(fleet.usage, copies), fleet.policy
    )


def many_units(usage: UsageFit, copies: int) -> UsageFit:
    per_unit = {
        f.name: np.concatenate([getattr(usage, f.name)] * copies)
        for f in fields(UsageFit)
        if isinstance(getattr(usage, f.name), np.ndarray)
    }
    return replace(usage, unit_ids=usage.unit_ids * copies, **per_unit)


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


def spread_decisions(rows: int) -> tuple[AxleDecisions, object]:
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
    months = 30.4375 * np.arange(1, 25)
    calendar = Calendar(months, months)
    for wheel_ends in (10_000, 100_000, 1_000_000):
        fleet = many(base, wheel_ends // size)
        print(f"\n{len(fleet.ends):,} wheel ends")
        timed(
            "dates and km at the minimum, three quantiles",
            lambda f=fleet: minimum_forecast(f.lines, f.ends.minimum_mm, f.usage),
        )
        timed(
            "reline dates, three quantiles",
            lambda f=fleet: reline_forecast(f.lines, f.ends, f.usage, f.policy),
        )
        if wheel_ends <= 100_000:
            timed(
                "budget of 24 months, 200 draws",
                lambda f=fleet: simulate_relines(f, calendar, draws=200, seed=1),
            )
    guarded = Scenario("latest", reline="latest")
    ten = many(base, 10_000 // size)
    print(f"\n{len(ten.ends):,} wheel ends, 200 draws")
    timed(
        "as now and the latest safe visit, on common random numbers",
        lambda: simulate_relines(ten, calendar, draws=200, seed=1, scenarios=(AS_NOW, guarded)),
    )
    for units in (600, 6_000):
        tables = use_of(units // 60)
        timed(f"use of {units:,} units", lambda t=tables: fit_usage(*t, ORIGIN))
    for rows in (4_000, 100_000):
        data, groups = spread_decisions(rows)
        timed(f"habit from {rows:,} counts", lambda d=data, g=groups: fit_policy(d, g))


if __name__ == "__main__":
    main()
