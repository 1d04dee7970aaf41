"""The fleet's own tables, in contract columns."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import date

import numpy as np
import polars as pl

from sample_lake.fleet.brakes import CAP_STATES
from sample_lake.fleet.frames import Names, flags, labels, masked, names_of, numbers
from sample_lake.fleet.ledger import Columns, Ledger, some_rows
from sample_lake.fleet.roster import NEVER
from sample_lake.fleet.timeline import Fleet
from sample_lake.fleet.truth import Truth, true_history
from sample_lake.fleet.work import work_frame
from sample_lake.fleet.workshop import FAULTS
from sample_lake.parameters import FleetParameters, IntArray


@dataclass(frozen=True, slots=True)
class SimulatedFleet:
    """A fleet's records in contract columns (mm, km), and the truth behind them."""

    parameters: FleetParameters
    seed: int
    block: int
    """Number of this block of units; 0 when it is the whole fleet."""
    records_begin: date
    register: pl.DataFrame
    inspections: pl.DataFrame
    work: pl.DataFrame
    duty: pl.DataFrame
    truth: Truth


@dataclass(frozen=True, slots=True)
class Block:
    """Which units of which fleet are simulated together."""

    seed: int
    number: int
    days: int
    fleet_size: int


def joined(fleets: Sequence[SimulatedFleet]) -> SimulatedFleet:
    """Blocks of units put together in one fleet."""
    tables = {
        name: pl.concat([getattr(fleet, name) for fleet in fleets])
        for name in ("register", "inspections", "work", "duty")
    }
    truth = {
        field.name: pl.concat([getattr(fleet.truth, field.name) for fleet in fleets])
        for field in fields(Truth)
    }
    return replace(fleets[0], **tables, truth=Truth(**truth))


def fleet_frames(
    fleet: Fleet,
    ledger: Ledger,
    ends: Columns,
    block: Block,
    rng: np.random.Generator,
) -> SimulatedFleet:
    """All frames of a block of units; `ends` is the state of its wheel ends on the last day."""
    names = names_of(fleet, block.days, block.fleet_size)
    found = ledger.columns("reading")
    order = _visit_order(fleet, found)
    behind = some_rows(ledger.columns("true_reading"), order)
    return SimulatedFleet(
        parameters=fleet.parameters,
        seed=block.seed,
        block=block.number,
        records_begin=names.records_begin,
        register=_register(names, fleet, ends),
        inspections=_inspections(names, fleet, some_rows(found, order), ledger.columns("as_left")),
        work=work_frame(names, fleet, ledger, rng),
        duty=_duty(names, fleet),
        truth=true_history(names, fleet, ledger, ends, behind),
    )


def _visit_order(fleet: Fleet, rows: Columns) -> IntArray:
    """By date, then wheel end."""
    day = fleet.timeline.day[rows["step"], fleet.ends.unit[rows["end"]]]
    return np.lexsort((rows["end"], day))


def _register(names: Names, fleet: Fleet, ends: Columns) -> pl.DataFrame:
    """One row per wheel end; a unit new in the records has its first lining as last reline."""
    units, wheels, parameters = fleet.units, fleet.ends, fleet.parameters
    unit, kinds = wheels.unit, parameters.axle_types
    reline_known = units.reline_known[unit] | (units.in_service_day >= 0)[unit]
    fitting_known, service_known = units.fitting_known[unit], units.service_known[unit]
    delivery_km = np.where(units.in_service_day >= 0, units.km_at_start, 0.0)[unit]
    return pl.DataFrame(
        {
            **names.keys(np.arange(len(wheels))),
            "axle_type": labels(wheels.axle_type, [kind.name for kind in kinds]),
            "arm_length_mm": wheels.arm_length_mm,
            "depot": labels(fleet.depot, [depot.name for depot in parameters.depots]),
            "chamber_size": labels(wheels.axle_type, [kind.chamber_size for kind in kinds]),
            "lining_new_mm": wheels.lining_new_mm,
            "lining_min_mm": wheels.lining_min_mm,
            "relined_on": names.dates(ends["relined_day"], reline_known),
            "relined_km": masked(ends["relined_km"], reline_known),
            "in_service_on": names.dates(units.in_service_day[unit], service_known),
            "in_service_km": masked(delivery_km, service_known),
            "adjuster_fitted_on": names.dates(ends["fitted_day"], fitting_known),
            "adjuster_fitted_km": masked(ends["fitted_km"], fitting_known),
        }
    )


def _inspections(names: Names, fleet: Fleet, found: Columns, left: Columns) -> pl.DataFrame:
    """As-found rows by date, then the as-left rows where a depot writes them."""
    writes = np.array([depot.as_left_share > 0 for depot in fleet.parameters.depots])
    as_found = np.where(writes[fleet.depot[found["end"]]], 0, -1)
    frame = _reading_frame(names, fleet, found, as_found)
    if not left:
        return frame
    order = _visit_order(fleet, left)
    again = _reading_frame(names, fleet, some_rows(left, order), np.ones_like(order))
    return pl.concat([frame, again])


def _reading_frame(names: Names, fleet: Fleet, rows: Columns, as_left: IntArray) -> pl.DataFrame:
    end, step = rows["end"], rows["step"]
    unit = fleet.ends.unit[end]
    day, km = fleet.timeline.day[step, unit], fleet.timeline.km[step, unit]
    return pl.DataFrame(
        {
            **names.keys(end),
            "inspected_on": names.dates(day),
            "odometer_km": fleet.timeline.odometer_km(fleet.units, km, day, unit),
            "lining_mm": numbers(rows["lining_mm"]),
            "wear_indicator_deg": numbers(rows["wear_indicator_deg"]),
            "free_stroke_mm": numbers(rows["free_stroke_mm"]),
            "applied_stroke_mm": numbers(rows["applied_stroke_mm"]),
            "marks_aligned": flags(rows["marks_aligned"]),
            "return_test": labels(rows["return_failed"], ("pass", "fail")),
            "cap_state": labels(rows["cap"], CAP_STATES),
            "fault": labels(rows["fault"], FAULTS),
            "inspector": _inspectors(fleet, end, rows["inspector"]),
            "as_left": flags(as_left),
        }
    )


def _inspectors(fleet: Fleet, end: IntArray, nth: IntArray) -> pl.Series:
    """Names of inspectors, by depot and number."""
    depots = fleet.parameters.depots
    most = max(len(depot.inspectors) for depot in depots)
    table = [d.inspectors[i % len(d.inspectors)] for d in depots for i in range(most)]
    return labels(np.where(nth < 0, -1, fleet.depot[end] * most + nth), table)


def _duty(names: Names, fleet: Fleet) -> pl.DataFrame:
    """Duties of each unit; `to_on` is the last day under a duty, empty while it lasts."""
    units = fleet.units
    duties = [duty.name for duty in fleet.parameters.duties]
    every = np.arange(len(units))
    last = np.minimum(units.last_day, fleet.timeline.day[-1])
    changed = (units.change_day < last) & (units.change_day > units.in_service_day)
    only = np.where(units.change_day <= units.in_service_day, units.second_duty, units.first_duty)
    unit = np.concatenate([every, every[changed]])
    frame = pl.DataFrame(
        {
            "unit_id": names.units(unit),
            "duty": labels(np.concatenate([only, units.second_duty[changed]]), duties),
            "from_on": names.dates(
                np.concatenate([units.in_service_day, units.change_day[changed]])
            ),
            "to_on": names.dates(
                np.concatenate([units.change_day - 1, np.full(changed.sum(), NEVER)]),
                np.concatenate([changed, np.zeros(changed.sum(), dtype=bool)]),
            ),
        }
    )
    return frame.sort("unit_id", "from_on")
