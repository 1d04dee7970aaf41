"""What was really the case: frames that no fleet ever has."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from sample_lake.fleet.books import OCCASIONS, STILL_IN_PLACE
from sample_lake.fleet.brakes import CAUSES, PACES
from sample_lake.fleet.frames import Names, labels, masked, numbers
from sample_lake.fleet.ledger import Columns, Ledger
from sample_lake.fleet.roster import NEVER
from sample_lake.fleet.timeline import Fleet
from sample_lake.fleet.workshop import REASONS
from sample_lake.parameters import FleetParameters


@dataclass(frozen=True, slots=True)
class Truth:
    """True history and state; the package's docstring lists the columns."""

    units: pl.DataFrame
    wheel_ends: pl.DataFrame
    lives: pl.DataFrame
    adjusters: pl.DataFrame
    settings: pl.DataFrame
    readings: pl.DataFrame


def true_history(
    names: Names, fleet: Fleet, ledger: Ledger, ends: Columns, readings: Columns
) -> Truth:
    """Frames of everything drawn for a block of units; `readings` are in the records' order."""
    return Truth(
        units=_units(names, fleet),
        wheel_ends=_wheel_ends(names, fleet, ends),
        lives=_lives(names, ledger.columns("life")),
        adjusters=_adjusters(names, ledger.columns("adjuster")),
        settings=_settings(names, ledger.columns("setting")),
        readings=_readings(names, fleet, readings),
    )


def strata(parameters: FleetParameters) -> pl.DataFrame:
    """Mean wear rate and Weibull life of every axle type × duty."""
    rates, scales = parameters.wear_rates() * 1e4, parameters.adjuster_scales_km()
    return pl.DataFrame(
        [
            {
                "axle_type": axle.name,
                "duty": duty.name,
                "mm_per_10000km": float(rates[row, column]),
                "adjuster_shape": duty.adjuster_shape,
                "adjuster_scale_km": float(scales[row, column]),
                "damage_per_million_km": duty.damage_per_million_km,
            }
            for row, axle in enumerate(parameters.axle_types)
            for column, duty in enumerate(parameters.duties)
        ]
    )


def _units(names: Names, fleet: Fleet) -> pl.DataFrame:
    units, parameters = fleet.units, fleet.parameters
    duties = [duty.name for duty in parameters.duties]
    changed, off = units.change_day < NEVER, units.off_from_day < NEVER
    replaced = units.odometer_replaced_day < NEVER
    return pl.DataFrame(
        {
            "unit_id": names.unit_ids,
            "depot": labels(units.depot, [depot.name for depot in parameters.depots]),
            "first_duty": labels(units.first_duty, duties),
            "second_duty": labels(np.where(changed, units.second_duty, -1), duties),
            "duty_changed_on": names.dates(units.change_day, changed),
            "use_factor": units.use_factor,
            "wear_deviation": units.wear_deviation,
            "in_service_on": names.dates(units.in_service_day),
            "km_at_start": units.km_at_start,
            "off_road_from": names.dates(units.off_from_day, off),
            "off_road_to": names.dates(units.off_to_day, off),
            "last_on": names.dates(units.last_day),
            "odometer_replaced_on": names.dates(units.odometer_replaced_day, replaced),
            "odometer_new_start_km": masked(units.odometer_new_start_km, replaced),
            "skipped_greasing": units.skipped_greasing,
        }
    )


def _wheel_ends(names: Names, fleet: Fleet, ends: Columns) -> pl.DataFrame:
    """Geometry and state on the last day."""
    wheels, last = fleet.ends, fleet.timeline.steps - 1
    everyone = np.arange(len(wheels))
    return pl.DataFrame(
        {
            "wheel_end_id": names.wheel_ends(everyone),
            **names.keys(everyone),
            "axle_type": labels(wheels.axle_type, [a.name for a in fleet.parameters.axle_types]),
            "arm_length_mm": wheels.arm_length_mm,
            "growth_per_mm": wheels.growth_per_mm,
            "travel_mm": wheels.travel_mm,
            "last_on": names.dates(fleet.timeline.day[last][wheels.unit]),
            "last_km": fleet.timeline.km[last][wheels.unit],
            "lining_mm": ends["lining_mm"],
            "free_stroke_mm": ends["stroke_mm"],
            "take_up": ends["take_up"],
            "cause": labels(np.asarray(ends["cause"]) - 1, CAUSES),
            "drum_wear_mm": ends["drum_wear_mm"],
        }
    )


def _lives(names: Names, lives: Columns) -> pl.DataFrame:
    lives = _in_order(lives)
    return pl.DataFrame(
        {
            "wheel_end_id": names.wheel_ends(lives["end"]),
            "started_on": names.dates(lives["day"]),
            "started_km": lives["km"],
            "start_mm": lives["start_mm"],
            "wear_deviation": lives["deviation"],
            "pointer_bias_deg": lives["pointer_bias_deg"],
            "started_in_records": lives["in_records"],
            "start_recorded": lives["recorded"],
            "ended_on": names.dates(lives["end_day"], np.asarray(lives["ended"])),
            "last_seen_km": lives["end_km"],
            "last_mm": lives["end_mm"],
        }
    )


def _adjusters(names: Names, adjusters: Columns) -> pl.DataFrame:
    adjusters = _in_order(adjusters)
    removed = adjusters["reason"] != STILL_IN_PLACE
    return pl.DataFrame(
        {
            "wheel_end_id": names.wheel_ends(adjusters["end"]),
            "fitted_on": names.dates(adjusters["day"]),
            "fitted_km": adjusters["km"],
            "entry_age_km": adjusters["entry_km"],
            "fitted_in_records": adjusters["in_records"],
            "take_up": adjusters["fitted_take_up"],
            "pace": labels(np.asarray(adjusters["pace"]), PACES),
            "failed_age_km": numbers(np.asarray(adjusters["failed_age_km"], dtype=np.float64), 1),
            "cause": labels(np.asarray(adjusters["cause"]) - 1, CAUSES),
            "removed_on": names.dates(adjusters["end_day"], removed),
            "last_age_km": adjusters["end_age_km"],
            "removal_reason": labels(np.where(removed, adjusters["reason"], -1), REASONS),
        }
    )


def _settings(names: Names, settings: Columns) -> pl.DataFrame:
    settings = _in_order(settings)
    return pl.DataFrame(
        {
            "wheel_end_id": names.wheel_ends(settings["end"]),
            "set_on": names.dates(settings["day"]),
            "set_km": settings["km"],
            "set_ratio": settings["set_ratio"],
            "set_wrongly": settings["wrong"],
            "occasion": labels(np.asarray(settings["occasion"]), OCCASIONS),
        }
    )


def _readings(names: Names, fleet: Fleet, readings: Columns) -> pl.DataFrame:
    """True state behind every reading, as found."""
    end, step = readings["end"], readings["step"]
    unit = fleet.ends.unit[end]
    return pl.DataFrame(
        {
            "wheel_end_id": names.wheel_ends(end),
            "inspected_on": names.dates(fleet.timeline.day[step, unit]),
            "km": fleet.timeline.km[step, unit],
            "life_km": readings["life_km"],
            "adjuster_km": readings["adjuster_km"],
            "lining_mm": readings["lining_mm"],
            "free_stroke_mm": readings["stroke_mm"],
            "take_up": readings["take_up"],
            "cause": labels(np.asarray(readings["cause"]) - 1, CAUSES),
        }
    )


def _in_order(columns: Columns) -> Columns:
    """By wheel end, then day."""
    order = np.lexsort((columns["day"], columns["end"]))
    return {name: column[order] for name, column in columns.items()}
