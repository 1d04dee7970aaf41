"""The brakes themselves: lining, adjuster and stroke, and what km do to them."""

from dataclasses import dataclass

import numpy as np

from sample_lake.fleet.roster import NEVER
from sample_lake.fleet.timeline import Fleet
from sample_lake.parameters import BoolArray, FleetParameters, FloatArray, IntArray

WORKING, STUCK, OVER_ADJUSTING, DAMAGED = 0, 1, 2, 3
CAUSES = ("stuck", "over_adjusting", "damaged")
SEATED, OPEN, MISSING = 0, 1, 2
CAP_STATES = ("seated", "open", "missing")
PACES = ("keeps_pace", "slack", "tight")


@dataclass(slots=True)
class Brakes:
    """True state of every wheel end; arrays of wheel ends, changed in place step by step."""

    lining_mm: FloatArray
    life_km: FloatArray
    life_deviation: FloatArray
    pointer_bias_deg: FloatArray
    worn_since_reline_mm: FloatArray
    drum_wear_mm: FloatArray
    stroke_mm: FloatArray
    take_up: FloatArray
    pace: IntArray
    adjuster_km: FloatArray
    cause: IntArray
    failed_km: FloatArray
    """Adjuster km at failure; NaN while it works."""
    exposure: FloatArray
    """Cumulative hazard without maintenance effects: a^shape for age a in scales."""
    hazard: FloatArray
    hazard_at_stuck: FloatArray
    wild_km: FloatArray
    """Km until over-adjusting sets in, counted from the fitting or the records' start."""
    damage: FloatArray
    """Cumulative hazard left until damage."""
    cap: IntArray


@dataclass(frozen=True, slots=True)
class Adjusters:
    """Freshly drawn adjusters."""

    take_up: FloatArray
    pace: IntArray
    hazard_left: FloatArray
    wild_km: FloatArray
    damage: FloatArray


def draw_adjusters(parameters: FleetParameters, count: int, rng: np.random.Generator) -> Adjusters:
    """Draw the take-up of `count` adjusters and what they will survive."""
    chance = rng.random(count)
    slack = chance < parameters.slack_share
    tight = ~slack & (chance < parameters.slack_share + parameters.tight_share)
    take_up = rng.normal(1.0, parameters.take_up_sd, count)
    take_up = np.where(slack, rng.uniform(*parameters.slack_take_up, count), take_up)
    take_up = np.where(tight, rng.uniform(*parameters.tight_take_up, count), take_up)
    per_km = parameters.over_adjusting_per_million_km / 1e6
    wild = rng.standard_exponential(count) / per_km if per_km > 0 else np.full(count, np.inf)
    return Adjusters(
        take_up=take_up,
        pace=np.where(slack, 1, np.where(tight, 2, 0)),
        hazard_left=rng.standard_exponential(count),
        wild_km=wild,
        damage=rng.standard_exponential(count),
    )


def draw_settings(
    parameters: FleetParameters, wrong_share: FloatArray, rng: np.random.Generator
) -> tuple[FloatArray, BoolArray]:
    """Ratio of each new setting, and whether it was set wrongly."""
    count = len(wrong_share)
    right = rng.normal(parameters.target_ratio, parameters.setting_sd, count)
    wrong = rng.random(count) < wrong_share
    sign = np.where(rng.random(count) < parameters.wrong_setting_loose_share, 1.0, -1.0)
    offset = sign * rng.uniform(*parameters.wrong_setting_offset, count)
    ratio = np.where(wrong, parameters.target_ratio + offset, right)
    return np.maximum(ratio, parameters.tightest_ratio), wrong


def life_rates(fleet: Fleet, life_deviation: FloatArray, duty: IntArray) -> FloatArray:
    """Wear rate of each wheel end's present life in `duty`, mm per km.

    Never below a fifth of its group's mean, so that no lining grows.
    """
    parameters, ends = fleet.parameters, fleet.ends
    mean = parameters.wear_rates()[ends.axle_type, duty]
    deviation = fleet.units.wear_deviation[ends.unit] + life_deviation
    scale = 1e-4 if parameters.wear_variation == "additive" else mean
    return np.maximum(mean + deviation * scale, 0.2 * mean)


def bedding_in_mm(parameters: FleetParameters, life_km: FloatArray) -> FloatArray:
    """Lining lost to bedding-in in the first `life_km` of a life."""
    share: FloatArray = -np.expm1(-life_km / parameters.bedding_in_km)
    return parameters.bedding_in_mm * share


def advance(fleet: Fleet, brakes: Brakes, step: int, rng: np.random.Generator) -> None:
    """Run every brake through the interval that begins at `step`."""
    parameters, ends = fleet.parameters, fleet.ends
    km = fleet.timeline.interval_km[step][ends.unit]
    _open_caps(fleet, brakes, step, rng)
    worn = _worn_mm(fleet, brakes, fleet.duty(step), km)
    failing, share = _failures(fleet, brakes, step, km)
    after = _take_up_after(parameters, failing, brakes.take_up, rng)
    moved = ends.growth_per_mm * (1.0 + parameters.drum_wear_share) * worn
    growth = moved * ((1.0 - brakes.take_up) * share + (1.0 - after) * (1.0 - share))
    brakes.stroke_mm = np.clip(
        brakes.stroke_mm + growth, parameters.tightest_ratio * ends.arm_length_mm, ends.travel_mm
    )
    brakes.take_up = after
    brakes.failed_km = np.where(failing > 0, brakes.adjuster_km + share * km, brakes.failed_km)
    brakes.cause = np.where(failing > 0, failing, brakes.cause)
    brakes.lining_mm = brakes.lining_mm - worn
    brakes.worn_since_reline_mm = brakes.worn_since_reline_mm + worn
    brakes.drum_wear_mm = brakes.drum_wear_mm + parameters.drum_wear_share * worn
    brakes.life_km = brakes.life_km + km
    brakes.adjuster_km = brakes.adjuster_km + km


def _open_caps(fleet: Fleet, brakes: Brakes, step: int, rng: np.random.Generator) -> None:
    """Each greasing may leave a cap open, and some of those fall off."""
    done = (fleet.timeline.greased_days[step] < NEVER).sum(axis=1)
    share = np.array([d.cap_left_open_share for d in fleet.parameters.depots])
    chance = (1.0 - (1.0 - share[fleet.units.depot]) ** done)[fleet.ends.unit]
    draw = rng.random(len(chance))
    left = (brakes.cap == SEATED) & (draw < chance)
    lost = left & (draw < chance * fleet.parameters.cap_missing_share)
    brakes.cap = np.where(lost, MISSING, np.where(left, OPEN, brakes.cap))


def _worn_mm(fleet: Fleet, brakes: Brakes, duty: IntArray, km: FloatArray) -> FloatArray:
    """Lining worn in an interval: rate × km, faster when dragging and when bedding in."""
    parameters = fleet.parameters
    rate = life_rates(fleet, brakes.life_deviation, duty)
    low = parameters.band[0]
    ratio = brakes.stroke_mm / fleet.ends.arm_length_mm
    drag = 1.0 + parameters.drag_wear * np.maximum(low - ratio, 0.0) / low
    bedding = bedding_in_mm(parameters, brakes.life_km + km) - bedding_in_mm(
        parameters, brakes.life_km
    )
    return np.minimum(rate * drag * km + bedding, brakes.lining_mm)


def _hazard_ratio(parameters: FleetParameters, cap: IntArray, skipped: FloatArray) -> FloatArray:
    """Maintenance's effect on the hazard of jamming."""
    by_cap = np.array([1.0, parameters.hazard_ratio_cap_open, parameters.hazard_ratio_cap_missing])
    return np.asarray(by_cap[cap] * parameters.hazard_ratio_ungreased**skipped)


def _failures(
    fleet: Fleet, brakes: Brakes, step: int, km: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Cause of each failure in this interval (0: none) and the share of its km run before it.

    The first of the three causes to strike counts; what has failed cannot fail again.
    """
    shares = np.full((4, len(km)), np.inf)
    running = km > 0.0
    shares[STUCK] = _share_until_stuck(fleet, brakes, step, km)
    hit = np.flatnonzero(running & (brakes.wild_km < km))
    shares[OVER_ADJUSTING, hit] = brakes.wild_km[hit] / km[hit]
    per_km = np.array([d.damage_per_million_km for d in fleet.parameters.duties]) / 1e6
    damage = per_km[fleet.duty(step)] * km
    hit = np.flatnonzero(running & (brakes.damage < damage))
    shares[DAMAGED, hit] = brakes.damage[hit] / damage[hit]
    brakes.wild_km = brakes.wild_km - km
    brakes.damage = brakes.damage - damage
    first = shares.min(axis=0)
    failed = (brakes.cause == WORKING) & np.isfinite(first)
    return np.where(failed, shares.argmin(axis=0), 0), np.where(failed, np.clip(first, 0, 1), 1.0)


def _share_until_stuck(fleet: Fleet, brakes: Brakes, step: int, km: FloatArray) -> FloatArray:
    """Share of the interval's km run when the adjuster jams; infinite when it does not.

    Cumulative exposure over duties (age counts in scales of the duty run), proportional
    hazards for greasing and caps: the hazard added is `ratio * ((a + km/scale)^k - a^k)`.
    """
    parameters, duty = fleet.parameters, fleet.duty(step)
    skipped = fleet.timeline.skipped_share[step][fleet.ends.unit]
    shape = parameters.adjuster_shapes()[duty]
    aged = km / parameters.adjuster_scales_km()[fleet.ends.axle_type, duty]
    age = brakes.exposure ** (1.0 / shape)
    exposure = (age + aged) ** shape
    ratio = _hazard_ratio(parameters, brakes.cap, skipped)
    hazard = brakes.hazard + ratio * (exposure - brakes.exposure)
    share = np.full(len(km), np.inf)
    hit = np.flatnonzero((hazard >= brakes.hazard_at_stuck) & (aged > 0.0))
    needed = np.maximum(brakes.hazard_at_stuck[hit] - brakes.hazard[hit], 0.0) / ratio[hit]
    age_then = (brakes.exposure[hit] + needed) ** (1.0 / shape[hit])
    share[hit] = (age_then - age[hit]) / aged[hit]
    brakes.exposure, brakes.hazard = exposure, hazard
    return share


def _take_up_after(
    parameters: FleetParameters, failing: IntArray, take_up: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Take-up after the failures of this interval: none, or far too much."""
    wild = rng.uniform(*parameters.over_adjusting_take_up, len(failing))
    broken = np.where(failing == OVER_ADJUSTING, wild, 0.0)
    return np.where(failing == WORKING, take_up, broken)
