"""The fleet on the first day of its records: some units new, most somewhere in their lives."""

import numpy as np

from sample_lake.fleet.brakes import (
    SEATED,
    WORKING,
    Brakes,
    bedding_in_mm,
    draw_adjusters,
    draw_settings,
    life_rates,
)
from sample_lake.fleet.ledger import Columns
from sample_lake.fleet.timeline import Fleet
from sample_lake.parameters import FleetParameters, FloatArray


def first_brakes(fleet: Fleet, rng: np.random.Generator) -> tuple[Brakes, Columns, Columns]:
    """State of the brakes on each unit's first day, and the lining lives and settings under way.

    An adjuster already in service is one that survived to its age: the hazard at which it jams
    is the hazard of its age plus a unit exponential, which is exactly left truncation.
    """
    parameters, ends = fleet.parameters, fleet.ends
    duty = fleet.units.first_duty[ends.unit]
    old = fleet.units.in_service_day[ends.unit] < 0
    km_run = np.where(old, fleet.timeline.km[0][ends.unit], 0.0)
    scale = parameters.adjuster_scales_km()[ends.axle_type, duty]
    adjuster_km = np.minimum(km_run, rng.uniform(0.0, 1.2, len(ends)) * scale)
    exposure = (adjuster_km / scale) ** parameters.adjuster_shapes()[duty]
    life, lining = _first_lives(fleet, km_run, rng)
    worn = np.asarray(life["start_mm"] - lining)
    brakes = _brakes(fleet, adjuster_km, exposure, rng)
    brakes.lining_mm = lining
    brakes.life_km = np.array(life["km_run"], dtype=np.float64)
    brakes.life_deviation = np.array(life["deviation"], dtype=np.float64)
    brakes.pointer_bias_deg = brakes.pointer_bias_deg * old
    brakes.worn_since_reline_mm = worn
    earlier_drum_wear = rng.uniform(0.0, 1.0, len(ends)) * old
    brakes.drum_wear_mm = parameters.drum_wear_share * worn + earlier_drum_wear
    setting = _first_settings(fleet, brakes, rng)
    return brakes, life, setting


def _brakes(
    fleet: Fleet, adjuster_km: FloatArray, exposure: FloatArray, rng: np.random.Generator
) -> Brakes:
    """Brakes with adjusters of these ages, and nothing yet worn."""
    count = len(fleet.ends)
    fresh = draw_adjusters(fleet.parameters, count, rng)
    return Brakes(
        lining_mm=np.zeros(count),
        life_km=np.zeros(count),
        life_deviation=np.zeros(count),
        pointer_bias_deg=pointer_bias(fleet.parameters, count, rng),
        worn_since_reline_mm=np.zeros(count),
        drum_wear_mm=np.zeros(count),
        stroke_mm=np.zeros(count),
        take_up=fresh.take_up,
        pace=fresh.pace,
        adjuster_km=adjuster_km,
        cause=np.full(count, WORKING),
        failed_km=np.full(count, np.nan),
        exposure=exposure,
        hazard=exposure.copy(),
        hazard_at_stuck=exposure + fresh.hazard_left,
        wild_km=fresh.wild_km,
        damage=fresh.damage,
        cap=np.full(count, SEATED),
    )


def _first_lives(
    fleet: Fleet, km_run: FloatArray, rng: np.random.Generator
) -> tuple[Columns, FloatArray]:
    """Lining lives under way on the first day, and the lining left.

    Both ends of an axle are equally far through the life their depot would give them.
    """
    parameters, ends = fleet.parameters, fleet.ends
    deviation = rng.normal(0.0, parameters.wear_life_sd, len(ends))
    start = ends.lining_new_mm + rng.normal(0.0, parameters.lining_start_sd_mm, len(ends))
    rate = life_rates(fleet, deviation, fleet.units.first_duty[ends.unit])
    habit = np.array([each.reline_above_min_mm for each in parameters.depots])[fleet.depot]
    usable = start - ends.lining_min_mm - habit - parameters.bedding_in_mm
    share = np.repeat(rng.uniform(0.0, 0.95, len(ends) // 2), 2)
    km = np.minimum(km_run, share * np.maximum(usable, 1.0) / rate)
    lining = start - rate * km - bedding_in_mm(parameters, km)
    return {"deviation": deviation, "start_mm": start, "km_run": km}, lining


def pointer_bias(parameters: FleetParameters, count: int, rng: np.random.Generator) -> FloatArray:
    """What each wear pointer reads too much after a reline, degrees; mostly nothing."""
    forgotten = rng.random(count) < parameters.pointer_not_reset_share
    return np.where(forgotten, rng.uniform(*parameters.pointer_bias_deg, count), 0.0)


def wrong_setting_shares(fleet: Fleet) -> FloatArray:
    """Chance that a setting of each wheel end goes wrong, by its depot."""
    share = np.array([each.wrong_setting_share for each in fleet.parameters.depots])
    return np.asarray(share[fleet.depot])


def _first_settings(fleet: Fleet, brakes: Brakes, rng: np.random.Generator) -> Columns:
    """Settings in force on the first day; sets the strokes.

    A setting that would have drifted out by now has been set anew without a trace.
    """
    parameters, ends = fleet.parameters, fleet.ends
    ratio, wrong = draw_settings(parameters, wrong_setting_shares(fleet), rng)
    worn = brakes.worn_since_reline_mm * rng.uniform(0.0, 1.0, len(ends))
    growth = ends.growth_per_mm * (1.0 + parameters.drum_wear_share) * worn
    drifted = (1.0 - brakes.take_up) * growth / ends.arm_length_mm
    low, high = parameters.band
    kept = (np.abs(drifted) < (high - low) / 2) & (ratio + drifted > parameters.tightest_ratio)
    stroke = (ratio + np.where(kept, drifted, 0.0)) * ends.arm_length_mm
    brakes.stroke_mm = np.minimum(stroke, ends.travel_mm)
    share_ago = worn / np.maximum(brakes.worn_since_reline_mm, 1e-9)
    return {"set_ratio": ratio, "wrong": wrong, "share_ago": np.where(kept, share_ago, 0.0)}
