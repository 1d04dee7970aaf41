"""Everything the simulated fleet is drawn from, in one frozen object.

All names and values are invented for the demonstration unless a comment says otherwise.
Distances are km, lengths mm, angles degrees, shares fractions of 1.
"""

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class AxleType:
    """One make of axle: its geometry and how it compares with the others."""

    name: str
    arm_length_mm: float
    lining_new_mm: float
    lining_min_mm: float
    chamber_size: str
    cam_degrees: float = 90.0
    """Camshaft turn from new to worn-out lining (common practice, no source)."""
    wear_factor: float = 1.0
    """Times the duty's wear rate."""
    adjuster_factor: float = 1.0
    """Times the duty's adjuster scale."""


@dataclass(frozen=True, slots=True)
class Duty:
    """One kind of work a unit does."""

    name: str
    share: float
    km_per_day: float
    wear_mm_per_10000km: float
    adjuster_shape: float
    """Weibull shape of adjuster life until stuck."""
    adjuster_scale_km: float
    """Weibull scale of adjuster life until stuck."""
    damage_per_million_km: float
    grease_weeks: int


@dataclass(frozen=True, slots=True)
class Depot:
    """One workshop with its habits."""

    name: str
    share: float
    reline_above_min_mm: float
    """The lining reading, above the minimum, at which it relines."""
    wrong_setting_share: float
    skipped_greasing_share: float
    cap_left_open_share: float
    """Chance per greasing and wheel end that the cap stays open."""
    planned_replacement_km: float = float("inf")
    """Age at which an adjuster that still works is replaced."""
    lining_step_mm: float = 0.5
    stroke_step_mm: float = 1.0
    as_left_share: float = 0.0
    """Share of jobs after which the new readings are written down too."""
    inspectors: tuple[str, ...] = ("A1", "A2", "A3", "A4")


@dataclass(frozen=True, slots=True)
class UnitKind:
    """One make-up of axles, front to back; `letter` opens the unit ids."""

    letter: str
    axle_types: tuple[str, ...]
    share: float


@dataclass(frozen=True, slots=True)
class Chamber:
    """Brake chamber: its full travel stops any stroke (from memory, for these trade sizes)."""

    size: str
    travel_mm: float
    readjust_limit_mm: float


@dataclass(frozen=True, slots=True)
class FilledShares:
    """Share of inspected wheel ends at which each column is filled in."""

    lining: float = 0.94
    wear_indicator: float = 0.55
    free_stroke: float = 0.97
    applied_stroke: float = 0.40
    marks_aligned: float = 0.85
    return_test: float = 0.80
    cap_state: float = 0.90
    inspector: float = 0.93


@dataclass(frozen=True, slots=True)
class Costs:
    """Money per wheel end at the end of the records, in the fleet's own invented currency."""

    lining_kit: float = 86.0
    reline_labour: float = 64.0
    drum: float = 148.0
    drum_share: float = 0.30
    downtime: float = 55.0
    adjuster: float = 74.0
    adjuster_labour: float = 31.0
    failed_adjuster: float = 640.0
    adjuster_set: float = 14.0
    greased: float = 3.5
    other: float = 40.0
    inflation_per_year: float = 0.031
    spread: float = 0.08
    """SD of the logarithm of one invoice around its price."""


AXLE_TYPES = (
    AxleType("steer", 128.0, 16.5, 6.5, "24", wear_factor=0.85, adjuster_factor=1.15),
    AxleType("drive", 146.0, 18.5, 7.0, "30", wear_factor=1.10, adjuster_factor=0.95),
    AxleType("trailer", 158.0, 18.0, 7.0, "30L", wear_factor=1.00, adjuster_factor=0.85),
)

DUTIES = (
    Duty("long_haul", 0.32, 350.0, 0.27, 2.2, 1_700_000.0, 0.05, 12),
    Duty("regional", 0.30, 235.0, 0.43, 2.0, 1_100_000.0, 0.08, 12),
    Duty("short_haul", 0.23, 150.0, 0.80, 1.8, 540_000.0, 0.15, 4),
    Duty("quarry", 0.15, 100.0, 1.35, 1.6, 320_000.0, 0.50, 4),
)

DEPOTS = (
    Depot(
        "Tarnwick",
        share=0.42,
        reline_above_min_mm=1.8,
        wrong_setting_share=0.025,
        skipped_greasing_share=0.08,
        cap_left_open_share=0.010,
        as_left_share=0.35,
        inspectors=("Obb", "Farrin", "Deel", "Nuttel", "Hask"),
    ),
    Depot(
        "Velmoor",
        share=0.33,
        reline_above_min_mm=1.4,
        wrong_setting_share=0.14,
        skipped_greasing_share=0.20,
        cap_left_open_share=0.025,
        inspectors=("Åkell", "Brönn", "Zoë", "Vint"),
    ),
    Depot(
        "Süderquell",
        share=0.25,
        reline_above_min_mm=2.4,
        wrong_setting_share=0.03,
        skipped_greasing_share=0.10,
        cap_left_open_share=0.012,
        planned_replacement_km=420_000.0,
        lining_step_mm=25.4 / 32,
        stroke_step_mm=25.4 / 16,
        as_left_share=0.10,
        inspectors=("Quill", "Marsten", "Ebb"),
    ),
)

UNIT_KINDS = (
    UnitKind("K", ("steer", "drive"), 0.30),
    UnitKind("K", ("steer", "drive", "drive"), 0.25),
    UnitKind("P", ("trailer", "trailer", "trailer"), 0.30),
    UnitKind("P", ("trailer", "trailer"), 0.15),
)

# Full travel: from memory for these trade sizes. Readjustment limits: 49 CFR 393.47(e), as far
# as known second-hand; a fleet puts its own here.
CHAMBERS = (
    Chamber("24", travel_mm=57.0, readjust_limit_mm=44.5),
    Chamber("30", travel_mm=64.0, readjust_limit_mm=50.8),
    Chamber("30L", travel_mm=76.0, readjust_limit_mm=63.5),
)


@dataclass(frozen=True, slots=True)
class FleetParameters:
    """Every number the simulator draws from; change some with `dataclasses.replace`."""

    axle_types: tuple[AxleType, ...] = AXLE_TYPES
    duties: tuple[Duty, ...] = DUTIES
    depots: tuple[Depot, ...] = DEPOTS
    unit_kinds: tuple[UnitKind, ...] = UNIT_KINDS
    chambers: tuple[Chamber, ...] = CHAMBERS
    costs: Costs = field(default_factory=Costs)
    filled: FilledShares = field(default_factory=FilledShares)

    # Calendar and use
    records_end: date = date(2026, 6, 30)
    """The day the records end; they begin `years` earlier."""
    check_weeks: int = 12
    visit_jitter_days: int = 6
    """A visit is up to this many days early or late."""
    visits_missed: float = 0.05
    """Share of due visits that do not happen, whole unit."""
    wheel_ends_missed: float = 0.01
    """Share of wheel ends left out at a visit that happens."""
    first_services_missed: float = 0.15
    first_service_km: tuple[float, float] = (1_000.0, 5_000.0)
    new_units_share: float = 0.22
    """Share of units that enter service during the records."""
    oldest_unit_years: float = 8.0
    """Greatest age of a unit when the records begin."""
    units_leaving_share: float = 0.05
    units_off_road_share: float = 0.12
    off_road_days: tuple[float, float] = (60.0, 380.0)
    duty_change_share: float = 0.14
    """Share of units that change duty once during the records."""
    odometers_replaced_share: float = 0.05
    use_unit_sd: float = 0.15
    """SD of log km per day between units."""
    use_interval_sd: float = 0.06
    """SD of log km per day between intervals of one unit."""
    use_season: float = 0.08
    """Amplitude of the yearly swing of km per day; the top is in June."""

    # Lining wear
    wear_variation: Literal["additive", "proportional"] = "additive"
    """Whether the SDs below are mm per 10,000 km, or fractions of the group's rate."""
    wear_unit_sd: float = 0.045
    """SD of the wear rate between units."""
    wear_life_sd: float = 0.035
    """SD of the wear rate between lining lives of one unit."""
    lining_start_sd_mm: float = 0.25
    """SD of true thickness at a reline around the nominal new lining."""
    bedding_in_mm: float = 0.20
    bedding_in_km: float = 2_500.0
    """After a reline lining loses `bedding_in_mm * (1 - exp(-km / bedding_in_km))` more."""
    drum_wear_share: float = 0.05
    """Drum wear as a fraction of lining wear; the camshaft makes up for both."""
    drum_limit_mm: float = 1.4
    """Drum wear at which a reline replaces the drum as well."""
    drag_wear: float = 1.0
    """Wear is `1 + drag_wear * (band_low - ratio) / band_low` times as fast below the band."""

    # Adjustment
    band: tuple[float, float] = (0.10, 0.15)
    """Free stroke over arm length that counts as right (common practice, no source)."""
    target_ratio: float = 0.125
    setting_sd: float = 0.006
    """SD of the ratio of a setting done right."""
    wrong_setting_offset: tuple[float, float] = (0.035, 0.070)
    """How far from the target a wrong setting is."""
    wrong_setting_loose_share: float = 0.65
    tightest_ratio: float = 0.02
    """The shoes touch: the stroke cannot shrink below this ratio."""

    # Adjusters
    take_up_sd: float = 0.004
    """SD around 1 of the take-up of an adjuster that keeps pace."""
    slack_share: float = 0.05
    slack_take_up: tuple[float, float] = (0.90, 0.98)
    tight_share: float = 0.03
    tight_take_up: tuple[float, float] = (1.02, 1.10)
    over_adjusting_per_million_km: float = 0.08
    over_adjusting_take_up: tuple[float, float] = (1.15, 1.50)
    hazard_ratio_ungreased: float = 1.8
    """Hazard of jamming when every greasing due in an interval was skipped; to the power
    of the skipped share when only some were."""
    hazard_ratio_cap_open: float = 2.2
    hazard_ratio_cap_missing: float = 2.8
    cap_missing_share: float = 0.35
    """Of the caps left open, the share that falls off."""
    cap_closed_share: float = 0.85
    """Chance that a cap found open or missing is put right at the visit."""

    # Reading errors
    lining_error_mm: float = 0.5
    """SD of one thickness reading."""
    lining_most_above_new_mm: float = 1.25
    """No reading is further above the new lining than this."""
    stroke_error_mm: float = 1.0
    """SD of one stroke reading."""
    applied_over_free: float = 0.12
    """Applied stroke exceeds free stroke by this fraction of the arm."""
    pointer_error_deg: float = 3.0
    pointer_step_deg: float = 5.0
    pointer_not_reset_share: float = 0.07
    pointer_bias_deg: tuple[float, float] = (10.0, 40.0)
    """What a pointer nobody reset at a reline reads too much."""
    coarse_inspectors: tuple[str, ...] = ("Hask", "Vint")
    coarse_step_mm: float = 5.0
    """Those inspectors round strokes to this."""
    marks_tolerance: float = 0.020
    """The marks line up when the ratio is within this of the target."""
    return_test_misses: float = 0.03
    return_test_false_alarms: float = 0.002
    fault_named_share: float = 0.75
    odd_remarks_share: float = 0.006

    # What the workshop does
    reline_threshold_sd_mm: float = 0.3
    reline_deferred_share: float = 0.08
    axle_pairs_together: float = 0.94
    pair_worn_mm: float = 3.0
    """The other lining of an axle goes along when it reads at least this much below new."""
    relines_not_recorded: float = 0.04
    replaced_after_failed_test: float = 0.86
    reset_when_out_of_band: float = 0.35
    job_late_share: float = 0.12
    """Share of visits whose jobs are written down up to `job_late_days` later."""
    job_late_days: int = 6
    other_jobs_share: float = 0.004
    greasings_recorded: float = 1.0
    """Share of greasings written down; 0 keeps very large fleets small."""
    costs_filled: float = 0.88

    # Register
    known_reline_share: float = 0.60
    """Share of units whose last reline before the records is known."""
    known_fitting_share: float = 0.88
    """Share of units whose adjusters' fitting is known."""
    known_service_share: float = 0.95

    def __post_init__(self) -> None:
        """Raise ValueError when shares do not add up to one."""
        for group in (self.duties, self.depots, self.unit_kinds):
            total = sum(member.share for member in group)
            if abs(total - 1.0) > 1e-9:
                raise ValueError(f"shares must add up to 1, got {total:.6f} in {group}")

    def with_depots(self, **changes: Any) -> "FleetParameters":
        """The same fleet with these fields changed in every depot.

        >>> FleetParameters().with_depots(lining_step_mm=0.5).depots[2].lining_step_mm
        0.5
        """
        return replace(self, depots=tuple(replace(depot, **changes) for depot in self.depots))

    def with_duties(self, **changes: Any) -> "FleetParameters":
        """The same fleet with these fields changed in every duty."""
        return replace(self, duties=tuple(replace(duty, **changes) for duty in self.duties))

    def wear_rates(self) -> FloatArray:
        """Mean wear rate, mm per km, axle types × duties."""
        factor = np.array([axle.wear_factor for axle in self.axle_types])
        rate = np.array([duty.wear_mm_per_10000km for duty in self.duties])
        return np.asarray(factor[:, None] * rate / 10_000.0)

    def adjuster_scales_km(self) -> FloatArray:
        """Weibull scale of adjuster life until stuck, km, axle types × duties."""
        factor = np.array([axle.adjuster_factor for axle in self.axle_types])
        scale = np.array([duty.adjuster_scale_km for duty in self.duties])
        return np.asarray(factor[:, None] * scale)

    def adjuster_shapes(self) -> FloatArray:
        """Weibull shape of adjuster life until stuck, per duty."""
        return np.array([duty.adjuster_shape for duty in self.duties])
