"""An invented fleet, drawn from physics and seen through imperfect people; and its truth.

`simulate` draws a fleet in memory, `write_lake` writes it as a folder of files. From a shell::

    python -m sample_lake OUT --wheel-ends N --years Y --seed S [--clean] [--format csv|parquet]

writes `OUT/lake` and `OUT/truth`. The lake in this package was made, from the project's root, by::

    rm -r sample_lake/lake sample_lake/truth
    python -m sample_lake sample_lake --wheel-ends 750 --years 5 --seed 20260630

and the same command makes it again: the same bytes in text files, the same content in the others.

Layouts
-------
By default each depot writes in its own way: comma-separated UTF-8 with one Parquet half-year and
an overlapping export (Tarnwick); semicolons, Windows-1252, decimal commas, day-first dates and
headings of its own (Velmoor); tab-separated files and workbooks in inches and miles (Süderquell).
`--clean` is the same fleet with plain monthly files and no injected errors, and
`--format parquet` writes monthly files, with such errors as typed columns can hold. What people
misread or leave out (below) is part of the fleet and in every layout.

Model
-----
Defaults are the fields of `parameters.FleetParameters`, each with its unit. All are invented but
those marked as common practice or from memory.

* *Lining* at km `x` of a life: `start - (rate + unit + life) x - bedding`, with `rate` per axle
  type × duty, `unit` and `life` normal deviations of the rate, `start` normal around the new
  lining, `bedding = bedding_in_mm (1 - exp(-x / bedding_in_km))`. Km count in the duty they are
  run in. Below the band the brake drags and wears faster (`drag_wear`).
* *Free stroke* grows by `(1 - take_up) · arm · radians(cam_degrees) / (new - min)` per mm of
  lining and drum worn (drum wear is `drum_wear_share` of lining wear), between touching shoes
  (`tightest_ratio`) and the chamber's travel. A stuck or damaged adjuster takes up nothing.
* *Adjusters* jam at a Weibull age by axle type × duty. Age under several duties adds up in units
  of each duty's scale (cumulative exposure). The hazard is proportional: times
  `hazard_ratio_ungreased` to the power of the skipped share of the greasings due in an interval,
  times the ratio of an open or missing cap. Damage and over-adjusting strike at constant rates
  per km; the first of the three counts. Some adjusters are slack or tight from the day they are
  fitted (`slack_take_up`, `tight_take_up`): that is no failure.
* *Settings* are made at relines, replacements and by hand: normal around the target, or wrong by
  `wrong_setting_offset` with a chance that depends on the depot (Velmoor needs training).
* *Entry.* Units begin at every age. An adjuster in place when the records begin has survived to
  its age; its hazard from there on is the truth's, so records are left-truncated as real ones are.
* *Workshop.* A visit every `check_weeks` unless missed or off the road; relines when the reading
  is within the depot's own habit of the minimum, mostly both ends of an axle; adjusters replaced
  after most failed return tests, and at Süderquell at a planned age; strokes out of band
  sometimes reset by hand. Relines come with drums when these are worn.
* *Reading.* Normal errors, rounded to half millimetres and whole ones (coarser at some
  inspectors, 1/32 and 1/16 inch at Süderquell); pointers not reset at a reline; cells left empty;
  relines not written down; jobs written down some days late.

Some facts the register leaves out: the last reline before the records (then a life's start is
unknown), an adjuster's fitting, a unit's first day in service. A unit new in the records has its
first lining as its last reline. Units left out of the duty table run in the duty the truth names.

Truth
-----
Parquet files in `truth/`, frames of `SimulatedFleet.truth`. `km` is true km since the unit was
new, whatever its odometer shows; ages are km since fitting.

`units`: unit_id, depot, first_duty, second_duty and duty_changed_on (null: never), use_factor (on
the duty's km per day), wear_deviation (mm per 10,000 km, or a fraction of the rate when
`wear_variation` is proportional), in_service_on, km_at_start (odometer on the first day seen),
off_road_from, off_road_to, last_on, odometer_replaced_on, odometer_new_start_km, skipped_greasing
(chance per greasing).

`wheel_ends`: wheel_end_id, unit_id, axle_no, side, axle_type, arm_length_mm, growth_per_mm (stroke
per mm worn with no take-up), travel_mm (chamber), and the state on last_on at last_km: lining_mm,
free_stroke_mm, take_up, cause (of failure; null: works), drum_wear_mm.

`lives` (lining lives): wheel_end_id, started_on, started_km, start_mm, wear_deviation (of this
life, units as above), pointer_bias_deg, started_in_records, start_recorded, ended_on (null: still
running), last_seen_km, last_mm. Starts before the records are dated back by the unit's own pace.

`adjusters`: wheel_end_id, fitted_on, fitted_km, entry_age_km (age when first seen),
fitted_in_records, take_up (as fitted), pace (keeps_pace, slack, tight), failed_age_km, cause
(stuck, over_adjusting, damaged; null: never failed), removed_on (null: still in place),
last_age_km, removal_reason (failed, damaged, planned).

`settings`: wheel_end_id, set_on, set_km, set_ratio (free stroke over arm), set_wrongly, occasion
(before_records, reline, adjuster_replaced, adjuster_set).

`readings`, one row per inspected wheel end before any job: wheel_end_id, inspected_on, km,
life_km, adjuster_km, lining_mm, free_stroke_mm, take_up, cause. Not written for fleets above
50,000 wheel ends.

`strata`: axle_type, duty, mm_per_10000km, adjuster_shape, adjuster_scale_km,
damage_per_million_km.

`injected_errors`: table, path (in the lake), row_no (the header is row 1), kind, fate (set_aside,
repeated, either: `files.errors` says which kinds). `parameters.json`: the seed and every parameter.
"""

from sample_lake.files.lake import LakeOptions, write_lake
from sample_lake.fleet.records import SimulatedFleet
from sample_lake.fleet.simulator import simulate, simulate_chunks
from sample_lake.parameters import FleetParameters

__all__ = [
    "FleetParameters",
    "LakeOptions",
    "SimulatedFleet",
    "simulate",
    "simulate_chunks",
    "write_lake",
]
