"""The workshop's job book: jobs at visits and greasings, with odometer, reason and cost."""

import numpy as np
import polars as pl

from sample_lake.fleet.frames import Names, labels, numbers
from sample_lake.fleet.ledger import Columns, Ledger
from sample_lake.fleet.roster import NEVER
from sample_lake.fleet.timeline import Fleet
from sample_lake.fleet.workshop import ACTIONS, GREASED, REASONS
from sample_lake.parameters import Costs, FleetParameters, FloatArray, IntArray


def work_frame(
    names: Names, fleet: Fleet, ledger: Ledger, rng: np.random.Generator
) -> pl.DataFrame:
    """All jobs that were written down, in order of date."""
    jobs = _dated_jobs(fleet, ledger.columns("job"), rng)
    greasings = _greasings(fleet, rng)
    rows = {name: np.concatenate([jobs[name], greasings[name]]) for name in greasings}
    order = np.lexsort((rows["action"], rows["end"], rows["day"]))
    rows = {name: column[order] for name, column in rows.items()}
    unit = fleet.ends.unit[rows["end"]]
    odometer = fleet.timeline.odometer_km(
        fleet.units, np.asarray(rows["km"], dtype=np.float64), rows["day"], unit
    )
    return pl.DataFrame(
        {
            **names.keys(rows["end"]),
            "done_on": names.dates(rows["day"]),
            "odometer_km": odometer,
            "action": labels(rows["action"], ACTIONS),
            "reason": labels(rows["reason"], REASONS),
            "cost": numbers(_costs(fleet.parameters, rows["action"], rows["day"], rng), 2),
        }
    )


def _dated_jobs(fleet: Fleet, jobs: Columns, rng: np.random.Generator) -> Columns:
    """Jobs with the day and km written down: those of some visits are entered days later."""
    parameters = fleet.parameters
    visits = fleet.timeline.day.shape
    days_late = rng.integers(1, parameters.job_late_days + 1, visits)
    days_late = np.where(rng.random(visits) < parameters.job_late_share, days_late, 0)
    unit, step = fleet.ends.unit[jobs["end"]], jobs["step"]
    length = fleet.timeline.day[step + 1, unit] - fleet.timeline.day[step, unit]
    late = np.minimum(days_late[step, unit], length)
    return {
        "end": np.asarray(jobs["end"]),
        "day": fleet.timeline.day[step, unit] + late,
        "km": fleet.timeline.km_after(step, unit, late),
        "action": np.asarray(jobs["action"]),
        "reason": np.asarray(jobs["reason"]),
    }


def _greasings(fleet: Fleet, rng: np.random.Generator) -> Columns:
    """One job per wheel end for every greasing of a unit that was written down."""
    timeline = fleet.timeline
    step, unit, nth = np.nonzero(timeline.greased_days < NEVER)
    kept = rng.random(len(step)) < fleet.parameters.greasings_recorded
    step, unit, nth = step[kept], unit[kept], nth[kept]
    day = timeline.greased_days[step, unit, nth]
    km = timeline.km_after(step, unit, day - timeline.day[step, unit])
    per_unit = np.bincount(fleet.ends.unit, minlength=len(fleet.units))
    first = np.cumsum(per_unit) - per_unit
    repeats = per_unit[unit]
    within = np.arange(repeats.sum()) - np.repeat(np.cumsum(repeats) - repeats, repeats)
    return {
        "end": np.repeat(first[unit], repeats) + within,
        "day": np.repeat(day, repeats),
        "km": np.repeat(km, repeats),
        "action": np.full(len(within), GREASED),
        "reason": np.full(len(within), -1),
    }


def _prices(costs: Costs) -> FloatArray:
    """Price per action, in the order of ACTIONS."""
    return np.array(
        [
            costs.lining_kit + costs.reline_labour,
            costs.adjuster + costs.adjuster_labour,
            costs.adjuster_set,
            costs.greased,
            costs.drum,
            costs.other,
        ]
    )


def _costs(
    parameters: FleetParameters, action: IntArray, day: IntArray, rng: np.random.Generator
) -> FloatArray:
    """Invoiced cost of each job; NaN where nobody entered it."""
    costs = parameters.costs
    years_before_end = (day.max(initial=0) - day) / 365.25
    price = _prices(costs)[action] / (1.0 + costs.inflation_per_year) ** years_before_end
    invoiced = price * np.exp(rng.normal(0.0, costs.spread, len(action)))
    return np.where(rng.random(len(action)) < parameters.costs_filled, invoiced, np.nan)
