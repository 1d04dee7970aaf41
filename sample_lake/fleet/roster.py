"""Who is in the fleet: units, their use, and the wheel ends they carry."""

from dataclasses import dataclass

import numpy as np

from sample_lake.geometry import cam_degrees_per_mm, stroke_growth_per_mm
from sample_lake.parameters import BoolArray, FleetParameters, FloatArray, IntArray

NEVER = 1_000_000
"""A day after every record."""


@dataclass(frozen=True, slots=True)
class Units:
    """One entry per unit. Days count from the first day of the records."""

    number: IntArray
    kind: IntArray
    depot: IntArray
    first_duty: IntArray
    second_duty: IntArray
    change_day: IntArray
    use_factor: FloatArray
    wear_deviation: FloatArray
    """What this unit's wear rate is off its group: mm per 10,000 km, or a fraction of it."""
    in_service_day: IntArray
    km_at_start: FloatArray
    """Odometer on the first day seen: the records' first, or the first in service."""
    off_from_day: IntArray
    off_to_day: IntArray
    last_day: IntArray
    odometer_replaced_day: IntArray
    odometer_new_start_km: FloatArray
    skipped_greasing: FloatArray
    reline_known: BoolArray
    fitting_known: BoolArray
    service_known: BoolArray

    def __len__(self) -> int:
        return len(self.number)


@dataclass(frozen=True, slots=True)
class WheelEnds:
    """One entry per wheel end, left before right, so that `i ^ 1` is its partner on the axle."""

    unit: IntArray
    axle_no: IntArray
    side: IntArray
    axle_type: IntArray
    arm_length_mm: FloatArray
    lining_new_mm: FloatArray
    lining_min_mm: FloatArray
    degrees_per_mm: FloatArray
    growth_per_mm: FloatArray
    travel_mm: FloatArray

    def __len__(self) -> int:
        return len(self.unit)


def unit_kinds_for(parameters: FleetParameters, wheel_ends: int, seed: int) -> IntArray:
    """Kinds of the fewest units that carry at least `wheel_ends` wheel ends."""
    rng = np.random.default_rng([seed, 0])
    ends = np.array([2 * len(kind.axle_types) for kind in parameters.unit_kinds])
    shares = [kind.share for kind in parameters.unit_kinds]
    kinds = rng.choice(len(shares), size=wheel_ends // int(ends.min()) + 1, p=shares)
    needed = int(np.searchsorted(np.cumsum(ends[kinds]), wheel_ends)) + 1
    return kinds[:needed].astype(np.int64)


def draw_units(
    parameters: FleetParameters,
    kinds: IntArray,
    first_number: int,
    days: int,
    rng: np.random.Generator,
) -> Units:
    """Draw the units with these kinds; `days` is the length of the records."""
    count = len(kinds)
    first_duty, second_duty, change_day = _draw_duties(parameters, count, days, rng)
    depot = rng.choice(len(parameters.depots), count, p=[d.share for d in parameters.depots])
    use_factor = np.exp(rng.normal(0.0, parameters.use_unit_sd, count))
    in_service_day, km_at_start = _draw_entry(parameters, first_duty, use_factor, days, rng)
    off_from, off_to = _draw_off_road(parameters, count, days, rng)
    last_day = _sometimes(parameters.units_leaving_share, days // 3, days, days, count, rng)
    skip = np.array([d.skipped_greasing_share for d in parameters.depots])[depot]
    return Units(
        number=first_number + np.arange(count),
        kind=kinds,
        depot=depot.astype(np.int64),
        first_duty=first_duty,
        second_duty=second_duty,
        change_day=change_day,
        use_factor=use_factor,
        wear_deviation=rng.normal(0.0, parameters.wear_unit_sd, count),
        in_service_day=in_service_day,
        km_at_start=km_at_start,
        off_from_day=off_from,
        off_to_day=off_to,
        last_day=np.where(last_day > in_service_day, last_day, days),
        odometer_replaced_day=_sometimes(
            parameters.odometers_replaced_share, days // 6, days, NEVER, count, rng
        ),
        odometer_new_start_km=np.round(rng.uniform(0, 60, count)),
        skipped_greasing=np.minimum(skip * rng.gamma(2.0, 0.5, count), 0.9),
        reline_known=rng.random(count) < parameters.known_reline_share,
        fitting_known=rng.random(count) < parameters.known_fitting_share,
        service_known=rng.random(count) < parameters.known_service_share,
    )


def _sometimes(
    share: float, low: int, high: int, otherwise: int, count: int, rng: np.random.Generator
) -> IntArray:
    """A day in [low, high) for a share of the units, `otherwise` for the rest."""
    day = rng.integers(low, max(high, low + 1), count)
    return np.where(rng.random(count) < share, day, otherwise)


def _draw_duties(
    parameters: FleetParameters, count: int, days: int, rng: np.random.Generator
) -> tuple[IntArray, IntArray, IntArray]:
    kinds = len(parameters.duties)
    first = rng.choice(kinds, count, p=[duty.share for duty in parameters.duties])
    second = (first + rng.integers(1, max(kinds, 2), count)) % kinds
    change = _sometimes(parameters.duty_change_share, days // 6, days, NEVER, count, rng)
    return first.astype(np.int64), np.where(change < NEVER, second, first), change


def _draw_entry(
    parameters: FleetParameters,
    duty: IntArray,
    use_factor: FloatArray,
    days: int,
    rng: np.random.Generator,
) -> tuple[IntArray, FloatArray]:
    count = len(duty)
    age_days = rng.integers(90, int(parameters.oldest_unit_years * 365.25), count)
    new_day = rng.integers(0, max(days * 3 // 4, 1), count)
    is_new = rng.random(count) < parameters.new_units_share
    km_per_day: FloatArray = np.array([d.km_per_day for d in parameters.duties])[duty] * use_factor
    delivery_km = rng.uniform(20, 350, count)
    km = np.where(is_new, delivery_km, delivery_km + age_days * km_per_day * 0.95)
    return np.where(is_new, new_day, -age_days), np.asarray(np.round(km), dtype=np.float64)


def _draw_off_road(
    parameters: FleetParameters, count: int, days: int, rng: np.random.Generator
) -> tuple[IntArray, IntArray]:
    start = _sometimes(parameters.units_off_road_share, 0, days, NEVER, count, rng)
    low, high = parameters.off_road_days
    return start, start + rng.uniform(low, high, count).astype(np.int64)


def wheel_ends_of(parameters: FleetParameters, units: Units) -> WheelEnds:
    """The wheel ends of these units, in unit order."""
    names = [axle.name for axle in parameters.axle_types]
    unit, axle_no, axle_type = _axles_of(parameters, units, names)
    unit, axle_no, axle_type = (np.repeat(each, 2) for each in (unit, axle_no, axle_type))
    per_type = np.array(
        [
            (a.arm_length_mm, a.lining_new_mm, a.lining_min_mm, a.cam_degrees)
            for a in parameters.axle_types
        ]
    )
    arm, new, least, cam = per_type[axle_type].T
    degrees = cam_degrees_per_mm(cam, new, least)
    travel = {chamber.size: chamber.travel_mm for chamber in parameters.chambers}
    travels = np.array([travel[axle.chamber_size] for axle in parameters.axle_types])
    return WheelEnds(
        unit=unit,
        axle_no=axle_no,
        side=np.tile(np.array([0, 1]), len(unit) // 2),
        axle_type=axle_type,
        arm_length_mm=arm,
        lining_new_mm=new,
        lining_min_mm=least,
        degrees_per_mm=degrees,
        growth_per_mm=stroke_growth_per_mm(arm, degrees),
        travel_mm=travels[axle_type],
    )


def _axles_of(
    parameters: FleetParameters, units: Units, names: list[str]
) -> tuple[IntArray, IntArray, IntArray]:
    """Unit, axle number from 1, and axle type of every axle."""
    most = max(len(kind.axle_types) for kind in parameters.unit_kinds)
    layout = np.full((len(parameters.unit_kinds), most), -1)
    for row, kind in enumerate(parameters.unit_kinds):
        layout[row, : len(kind.axle_types)] = [names.index(name) for name in kind.axle_types]
    per_unit = layout[units.kind]
    unit, position = np.nonzero(per_unit >= 0)
    return unit, position + 1, per_unit[unit, position]
