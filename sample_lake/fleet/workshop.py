"""What people read at a visit, and what they then do."""

from dataclasses import dataclass

import numpy as np

from sample_lake.fleet.brakes import DAMAGED, SEATED, WORKING, Brakes
from sample_lake.fleet.roster import WheelEnds
from sample_lake.fleet.timeline import Fleet
from sample_lake.parameters import BoolArray, FleetParameters, FloatArray, IntArray

RELINE, REPLACED, SET, GREASED, DRUM, OTHER = range(6)
ACTIONS = (
    "reline",
    "adjuster_replaced",
    "adjuster_set",
    "greased",
    "drum_replaced",
    "other",
)
REASONS = ("failed", "worn", "planned", "damaged", "other")
FAILED_REASON, WORN_REASON, PLANNED_REASON, DAMAGED_REASON = range(4)
REMARKS = ("hose chafed", "spring tired – watch", "driver’s note: squeal", "dust cover\ntorn")
FAULTS = ("stuck", "over_adjusting", "damaged", *REMARKS)


@dataclass(frozen=True, slots=True)
class Readings:
    """What was read, one entry per wheel end of the chunk; NaN or -1 where nothing was."""

    lining_mm: FloatArray
    wear_indicator_deg: FloatArray
    free_stroke_mm: FloatArray
    applied_stroke_mm: FloatArray
    marks_aligned: IntArray
    return_failed: IntArray
    cap: IntArray
    fault: IntArray
    inspector: IntArray


@dataclass(frozen=True, slots=True)
class Jobs:
    """What was done at a visit, per wheel end."""

    relined: BoolArray
    replaced: BoolArray
    was_set: BoolArray
    drum: BoolArray
    other: BoolArray
    reason: IntArray
    """Why the adjuster was replaced (-1: not)."""

    @property
    def setting_done(self) -> BoolArray:
        return self.relined | self.replaced | self.was_set


def _rounded(value: FloatArray, step: FloatArray | float) -> FloatArray:
    return np.round(value / step) * step


def _kept(value: FloatArray, share: float, rng: np.random.Generator) -> FloatArray:
    return np.where(rng.random(len(value)) < share, value, np.nan)


def _kept_code(code: IntArray, share: float, rng: np.random.Generator) -> IntArray:
    return np.where(rng.random(len(code)) < share, code, -1)


def read(
    parameters: FleetParameters,
    depot: IntArray,
    ends: WheelEnds,
    brakes: Brakes,
    inspector: IntArray,
    rng: np.random.Generator,
) -> Readings:
    """Read these wheel ends as they stand; arrays of one entry per wheel end."""
    filled = parameters.filled
    step = _stroke_steps(parameters, depot, inspector)
    free = _kept(_read_stroke(parameters, ends, brakes, step, rng), filled.free_stroke, rng)
    lining = _kept(_read_lining(parameters, ends, brakes, depot, rng), filled.lining, rng)
    failed_test, fault = _judged(parameters, brakes, rng)
    cap = _kept_code(brakes.cap, filled.cap_state, rng)
    return Readings(
        lining_mm=lining,
        wear_indicator_deg=_kept(
            _read_pointer(parameters, ends, brakes, rng), filled.wear_indicator, rng
        ),
        free_stroke_mm=np.where(
            np.isnan(free) & np.isnan(lining), _rounded(brakes.stroke_mm, step), free
        ),
        applied_stroke_mm=_kept(
            _read_applied(parameters, ends, brakes, step, rng), filled.applied_stroke, rng
        ),
        marks_aligned=_kept_code(
            _marks_aligned(parameters, ends, brakes), filled.marks_aligned, rng
        ),
        return_failed=failed_test,
        cap=cap,
        fault=fault,
        inspector=_kept_code(inspector, filled.inspector, rng),
    )


def _stroke_steps(parameters: FleetParameters, depot: IntArray, inspector: IntArray) -> FloatArray:
    """Step to which each wheel end's inspector rounds strokes."""
    most = max(len(each.inspectors) for each in parameters.depots)
    table = np.array(
        [
            [
                parameters.coarse_step_mm
                if each.inspectors[nth % len(each.inspectors)] in parameters.coarse_inspectors
                else each.stroke_step_mm
                for nth in range(most)
            ]
            for each in parameters.depots
        ]
    )
    return np.asarray(table[depot, inspector])


def _read_lining(
    parameters: FleetParameters,
    ends: WheelEnds,
    brakes: Brakes,
    depot: IntArray,
    rng: np.random.Generator,
) -> FloatArray:
    """Nobody writes down much more than a new lining has: that is read again."""
    step = np.array([each.lining_step_mm for each in parameters.depots])[depot]
    noise = rng.normal(0.0, parameters.lining_error_mm, len(depot))
    most = ends.lining_new_mm + parameters.lining_most_above_new_mm
    return np.maximum(_rounded(np.minimum(brakes.lining_mm + noise, most), step), 0.0)


def _read_stroke(
    parameters: FleetParameters,
    ends: WheelEnds,
    brakes: Brakes,
    step: FloatArray,
    rng: np.random.Generator,
) -> FloatArray:
    noise = rng.normal(0.0, parameters.stroke_error_mm, len(ends))
    return np.maximum(_rounded(brakes.stroke_mm + noise, step), 0.0)


def _read_applied(
    parameters: FleetParameters,
    ends: WheelEnds,
    brakes: Brakes,
    step: FloatArray,
    rng: np.random.Generator,
) -> FloatArray:
    true = brakes.stroke_mm + parameters.applied_over_free * ends.arm_length_mm
    noise = rng.normal(0.0, parameters.stroke_error_mm, len(ends))
    return np.maximum(_rounded(np.minimum(true, ends.travel_mm) + noise, step), 0.0)


def _read_pointer(
    parameters: FleetParameters, ends: WheelEnds, brakes: Brakes, rng: np.random.Generator
) -> FloatArray:
    turned = brakes.worn_since_reline_mm * (1.0 + parameters.drum_wear_share)
    true = brakes.pointer_bias_deg + ends.degrees_per_mm * turned
    noise = rng.normal(0.0, parameters.pointer_error_deg, len(ends))
    return np.clip(_rounded(true + noise, parameters.pointer_step_deg), 0.0, 90.0)


def _marks_aligned(parameters: FleetParameters, ends: WheelEnds, brakes: Brakes) -> IntArray:
    off = np.abs(brakes.stroke_mm / ends.arm_length_mm - parameters.target_ratio)
    return (off <= parameters.marks_tolerance).astype(np.int64)


def _judged(
    parameters: FleetParameters, brakes: Brakes, rng: np.random.Generator
) -> tuple[IntArray, IntArray]:
    """Return test (1 failed, 0 passed, -1 not done) and the fault written down (-1: none)."""
    count = len(brakes.cause)
    broken = brakes.cause != WORKING
    chance = np.where(
        broken, 1.0 - parameters.return_test_misses, parameters.return_test_false_alarms
    )
    failed = (rng.random(count) < chance).astype(np.int64)
    tested = _kept_code(failed, parameters.filled.return_test, rng)
    named = broken & (tested == 1) & (rng.random(count) < parameters.fault_named_share)
    remark = rng.random(count) < parameters.odd_remarks_share
    which = len(FAULTS) - len(REMARKS) + rng.integers(0, len(REMARKS), count)
    return tested, np.where(named, brakes.cause - 1, np.where(remark, which, -1))


def decide(
    fleet: Fleet, brakes: Brakes, readings: Readings, seen: BoolArray, rng: np.random.Generator
) -> Jobs:
    """What the workshop does on the strength of its readings of the wheel ends `seen`."""
    parameters, ends, count = fleet.parameters, fleet.ends, len(seen)
    relined = seen & _relines(fleet, readings, seen, rng)
    planned_km = np.array([each.planned_replacement_km for each in parameters.depots])
    planned = seen & (brakes.adjuster_km >= planned_km[fleet.depot])
    failed = seen & _found_bad(parameters, ends, readings)
    failed &= rng.random(count) < parameters.replaced_after_failed_test
    off = np.isfinite(readings.free_stroke_mm) & ~_in_band(parameters, ends, readings)
    reset = rng.random(count) < parameters.reset_when_out_of_band
    replaced = failed | planned
    damaged = np.where(readings.fault == DAMAGED - 1, DAMAGED_REASON, FAILED_REASON)
    return Jobs(
        relined=relined,
        replaced=replaced,
        was_set=seen & off & reset & ~relined & ~replaced,
        drum=relined & (brakes.drum_wear_mm >= parameters.drum_limit_mm),
        other=seen & (rng.random(count) < parameters.other_jobs_share),
        reason=np.where(failed, damaged, np.where(planned, PLANNED_REASON, -1)),
    )


def _relines(
    fleet: Fleet, readings: Readings, seen: BoolArray, rng: np.random.Generator
) -> BoolArray:
    """Reading at or below the depot's own threshold; mostly both ends of an axle together.

    Deferring is possible down to the minimum, never at or below it.
    """
    parameters, ends = fleet.parameters, fleet.ends
    habit = np.array([each.reline_above_min_mm for each in parameters.depots])[fleet.depot]
    habit = habit + rng.normal(0.0, parameters.reline_threshold_sd_mm, len(ends))
    above = readings.lining_mm - ends.lining_min_mm
    deferred = rng.random(len(ends)) < parameters.reline_deferred_share
    due = seen & (above <= np.where(deferred, 0.0, np.maximum(habit, 0.0)))
    together = np.repeat(rng.random(len(ends) // 2) < parameters.axle_pairs_together, 2)
    partner = due.reshape(-1, 2)[:, ::-1].ravel()
    nearly_new = readings.lining_mm > ends.lining_new_mm - parameters.pair_worn_mm
    return np.asarray(due | (partner & together & ~nearly_new))


def _in_band(parameters: FleetParameters, ends: WheelEnds, readings: Readings) -> BoolArray:
    ratio = readings.free_stroke_mm / ends.arm_length_mm
    return (ratio >= parameters.band[0]) & (ratio <= parameters.band[1])


def _found_bad(parameters: FleetParameters, ends: WheelEnds, readings: Readings) -> BoolArray:
    """A failed return test, or without one a stroke far past the band."""
    far = readings.free_stroke_mm > (parameters.band[1] + 0.05) * ends.arm_length_mm
    return np.asarray((readings.return_failed == 1) | ((readings.return_failed < 0) & far))


def close_caps(
    parameters: FleetParameters, brakes: Brakes, seen: BoolArray, rng: np.random.Generator
) -> None:
    """Caps found open or missing are mostly put right."""
    put_right = seen & (rng.random(len(brakes.cap)) < parameters.cap_closed_share)
    brakes.cap = np.where(put_right, SEATED, brakes.cap)
