"""Which wheel ends drift out of adjustment, and why: the way in to the drift models.

``prepare_readings`` puts the fleet's stroke readings in order, ``learn_fleet`` estimates how this
fleet sets, reads and fails, ``judge_wheel_ends`` judges every wheel end by it; and
``flag_wheel_ends`` says no more than which of them it flags.
"""

from datetime import date

import polars as pl

from models.adjustment.advice import with_advice
from models.adjustment.fleet import FleetDrift, learn_fleet
from models.adjustment.present import RATIOS_BEFORE, present_parts, present_states
from models.adjustment.states import STATES
from models.adjustment.strokes.readings import PreparedReadings, prepare_readings
from models.adjustment.verdicts import with_flags, with_verdicts

__all__ = [
    "FleetDrift",
    "flag_wheel_ends",
    "judge_wheel_ends",
    "learn_fleet",
    "prepare_readings",
]

USUAL_CHECK_WEEKS = 12.0

# What an outlook may tell, and what a missing value stands for.
OUTLOOK_COLUMNS: dict[str, tuple[pl.DataType, object]] = {
    "depot": (pl.String(), None),
    "episode_id": (pl.String(), None),
    "set_on": (pl.Date(), None),
    "set_source": (pl.String(), None),
    "arm_length_mm": (pl.Float64(), None),
    "ratio_per_mm": (pl.Float64(), None),
    "stop_ratio": (pl.Float64(), None),
    "check_weeks": (pl.Float64(), USUAL_CHECK_WEEKS),
    "wear_since_mm": (pl.Float64(), None),
    "wear_to_next_mm": (pl.Float64(), None),
    "wear_to_next_sd_mm": (pl.Float64(), None),
    "wear_z": (pl.Float64(), None),
    "p_failed_since": (pl.Float64(), None),
    "p_fail_next": (pl.Float64(), None),
    "may_fail": (pl.Float64(), None),
    "grabbing_share": (pl.Float64(), None),
    "p_in_fleet": (pl.Float64(), 1.0),
    "weeks_if_left": (pl.Float64(), None),
    "test_failed": (pl.Boolean(), None),
    "tested_on": (pl.Date(), None),
    "lining_now_mm": (pl.Float64(), None),
    "lining_read_mm": (pl.Float64(), None),
    "lining_read_on": (pl.Date(), None),
    "lining_min_mm": (pl.Float64(), None),
    "lining_unused": (pl.Boolean(), False),
    "test_unused": (pl.Boolean(), False),
    "lining_old_mm": (pl.Float64(), None),
    "lining_before_mm": (pl.Float64(), None),
    "lining_before_on": (pl.Date(), None),
}
# These are those of the part that was read, where one was.
OF_PART = ("set_source", "arm_length_mm", "ratio_per_mm", "stop_ratio")
RESULT = (
    *("wheel_end_id", "unit_id", "axle_id", "axle_type", "duty", "set_source", "set_on"),
    *("last_read_on", "weeks_since_read", "readings", "stroke_ratio", "stroke_ratio_sd"),
    *("stroke_ratio_p10", "stroke_ratio_p90"),
    *("drift_per_10000km", "drift_per_10000km_sd", "take_up", "take_up_low", "take_up_high"),
    *(f"p_{state}" for state in STATES),
    *("p_uneven", "p_trouble", "p_misread", "p_out_now", "p_out_next_check"),
    *("state", "flagged", "flag_reason", "priority", "changed", "trouble_before"),
    *("advice", "meaning", "worn_out_by"),
)
# What a sentence about a wheel end is made of.
GROUNDS = (
    *("first_ratio", "last_ratio", "read_ratio", "other_ratio", "first_was_left", "arm_length_mm"),
    *("wear_mm", "weeks", "weeks_since_set", "check_weeks", "changed_by", "take_up_in_trouble"),
    *("found_return_test", "found_fault", "found_marks", "found_cap", "found_greasing"),
    *("found_wear", "found_applied", "applied_stroke_mm", "readjust_limit_mm", "test_failed"),
    *("tested_on", "lining_now_mm", "lining_read_mm", "lining_read_on", "lining_min_mm"),
    *("found_odd", *RATIOS_BEFORE, "seems_left"),
    *("lining_before_mm", "lining_before_on", "lining_unused", "test_unused"),
)


def judge_wheel_ends(
    prepared: PreparedReadings, outlook: pl.DataFrame, fleet: FleetDrift, as_of: date
) -> pl.DataFrame:
    """Judge every wheel end of the outlook.

    Parameters
    ----------
    prepared : readings up to ``as_of``, prepared with ``fleet.groups``
    outlook : one row per wheel end; ``wheel_end_id``, ``unit_id``, ``axle_id``, ``axle_type``,
        ``duty`` and, if there, ``depot``; ``episode_id``, ``set_on`` and ``set_source`` of the
        present setting, ``arm_length_mm``, ``ratio_per_mm`` and ``stop_ratio`` (the chamber's
        travel over the arm); ``check_weeks``; wear from the last reading, or the setting, to the
        as-of day (``wear_since_mm``) and to the next check (``wear_to_next_mm`` with its SD);
        ``p_failed_since`` and ``p_fail_next``, chances that an adjuster that worked then has failed
        by these days, ``may_fail``, the share of that wear since it was last seen to work, and
        ``grabbing_share`` of failures; ``p_in_fleet``, the chance that its unit has not left the
        fleet since it was last seen (1 when left out), and ``weeks_if_left``, how long it ran on if
        it has (half the check's weeks when left out); ``wear_z`` (wear rate against its group);
        ``test_failed`` with ``tested_on`` (its last return test, if no other adjuster was fitted
        since); and the lining: estimated now, read last and when, its minimum, and where it
        grew without a word and that is in doubt, what it was read as before, and when, and what the
        old one would be at the next check; and whether lining and test are of rows that are set
        aside for something else (``lining_unused``, ``test_unused``)

    Returns
    -------
    One row per wheel end of the outlook, most urgent first, columns ``RESULT`` and ``GROUNDS``.
    What only readings tell is null where nothing was read since the present setting.
    ``flag_reason`` is ``lining`` (at its minimum), ``strokes``, ``finding`` (failed return test,
    fault found or applied stroke at its limit, where the strokes alone would not do), ``reading``
    (so far out that it is looked at even if it may be a slip) or ``sides``. Of units that have as
    good as surely left only a lining at its minimum or a failed test of the last year has one.

    Raises
    ------
    ValueError
        The readings were prepared with other groups than the fleet's.
    """
    outlook = _fit_to_judge(prepared, outlook, fleet)
    judged = _with_present(outlook, present_parts(prepared, outlook, fleet, as_of))
    judged = with_verdicts(judged, fleet.band, fleet.rules, fleet.limit, as_of)
    judged = with_advice(judged, fleet.band)
    return judged.select(*RESULT, *GROUNDS).sort(
        "priority", "wheel_end_id", descending=[True, False]
    )


def flag_wheel_ends(
    prepared: PreparedReadings, outlook: pl.DataFrame, fleet: FleetDrift, as_of: date
) -> pl.DataFrame:
    """``wheel_end_id``, ``flagged`` and ``state`` as :func:`judge_wheel_ends` has them.

    What flags do not depend on is not worked out. Nothing of what lies ahead needs to be known.
    """
    outlook = _fit_to_judge(prepared, outlook, fleet)
    judged = _with_present(outlook, present_states(prepared, outlook, fleet))
    judged = with_flags(judged, fleet.band, fleet.rules, fleet.limit, as_of)
    return judged.select("wheel_end_id", "flagged", "state").sort("wheel_end_id")


def _fit_to_judge(
    prepared: PreparedReadings, outlook: pl.DataFrame, fleet: FleetDrift
) -> pl.DataFrame:
    if prepared.groups != fleet.groups:
        raise ValueError("readings: prepared with other groups than the fleet judged by")
    return with_defaults(outlook)


def _with_present(outlook: pl.DataFrame, present: pl.DataFrame) -> pl.DataFrame:
    """What is told of the present setting; an arm is as long where nothing was read since."""
    arm = outlook.select("wheel_end_id", own="arm_length_mm")
    joined = outlook.drop(OF_PART).join(
        present, on="wheel_end_id", how="left", maintain_order="left"
    )
    if "arm_length_mm" not in present.columns:
        return joined
    of_all = joined.join(arm, on="wheel_end_id", how="left", maintain_order="left")
    return of_all.with_columns(arm_length_mm=pl.coalesce("arm_length_mm", "own")).drop("own")


def with_defaults(outlook: pl.DataFrame) -> pl.DataFrame:
    """The outlook with its optional columns present and filled."""
    filled = []
    for name, (dtype, default) in OUTLOOK_COLUMNS.items():
        column = pl.col(name) if name in outlook.columns else pl.lit(None)
        filled.append(column.cast(dtype).fill_null(pl.lit(default, dtype=dtype)).alias(name))
    return outlook.with_columns(filled)
