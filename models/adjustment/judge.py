"""Which wheel ends drift out of adjustment, and why: the way in to the drift models.

``prepare_readings`` puts the fleet's stroke readings in order, ``learn_fleet`` estimates how this
fleet sets, reads and fails, and ``judge_wheel_ends`` judges every wheel end by it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.adjustment.evidence import with_evidence
from models.adjustment.flags import SIMULATED, FlagRules, flag_limit, sudden_changes
from models.adjustment.indicators import fitted_tables, indicator_codes, likelihood
from models.adjustment.states import STATES, DriftStates, joined, states
from models.adjustment.strokes.explanations import Explanations, columns_of, explain
from models.adjustment.strokes.fit import DriftFit, fit_drift
from models.adjustment.strokes.histories import StrokeHistories
from models.adjustment.strokes.parameters import Band, DriftParameters, Kind
from models.adjustment.strokes.readings import (
    UNREAD_MM_PER_WEEK,
    Groups,
    Prepared,
    prepare_readings,
)
from models.adjustment.verdicts import with_verdicts

__all__ = ["FleetDrift", "judge_wheel_ends", "learn_fleet", "prepare_readings"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# A setting, a reline or grease seldom cures an adjuster: this share of the trouble is still there.
TROUBLE_OUTLASTS_SETTING = 0.6
PARTS_LOOKED_BACK = 3
# Wheel ends judged at a time; bounds the memory.
BLOCK = 50_000
NEXT_WEAR_CV = 0.3
WEEK_DAYS = 7.0
USUAL_CHECK_WEEKS = 12.0

OUTLOOK_COLUMNS: dict[str, tuple[pl.DataType, object]] = {
    "episode_id": (pl.String(), None),
    "check_weeks": (pl.Float64(), USUAL_CHECK_WEEKS),
    "wear_to_next_mm": (pl.Float64(), None),
    "wear_to_next_sd_mm": (pl.Float64(), None),
    "p_fail_next": (pl.Float64(), 0.0),
    "wear_z": (pl.Float64(), None),
    "set_on": (pl.Date(), None),
}


OF_EPISODE = (
    *("set_source", "first_ratio", "last_ratio", "first_was_left", "arm_length_mm", "ratio_per_mm"),
    *("wear_mm", "km", "weeks", "readings", "read_on", "last_read_on"),
)
RESULT = (
    *("wheel_end_id", "unit_id", "axle_id", "axle_type", "duty", "set_source"),
    *("last_read_on", "weeks_since_read", "readings", "stroke_ratio", "stroke_ratio_sd"),
    *("drift_per_10000km", "drift_per_10000km_sd", "take_up", "take_up_low", "take_up_high"),
    *(f"p_{state}" for state in STATES),
    *("p_uneven", "p_trouble", "p_misread", "p_out_now", "p_out_next_check"),
    *("state", "flagged", "flag_reason", "priority", "changed", "trouble_before", "evidence"),
)


@dataclass(frozen=True, slots=True)
class FleetDrift:
    """What a fleet's own records say of how it sets, reads and fails.

    Attributes
    ----------
    limit : probability of trouble at which a wheel end is flagged
    false_flags_per_year : of a healthy wheel end at that limit, simulated
    tables : (states, categories) per indicator
    """

    fit: DriftFit
    groups: Groups
    rules: FlagRules
    limit: float
    false_flags_per_year: float
    tables: Mapping[str, Floats]

    @property
    def band(self) -> Band:
        return self.fit.band


def learn_fleet(
    prepared: Prepared,
    band: Band | None = None,
    rules: FlagRules | None = None,
    *,
    seed: int = 0,
    simulated: int = SIMULATED,
) -> FleetDrift:
    """Estimate the model, the flag limit and the weights of the indicators from all records.

    Parameters
    ----------
    seed : of the sample of episodes and of the simulated healthy wheel ends
    simulated : healthy wheel ends drawn to find the flag limit
    """
    band, rules = band or Band(), rules or FlagRules()
    # One group more than there are, for a pair not seen before: it has the fleet's own values.
    misread = prepared.misread, prepared.readings
    groups = len(prepared.groups) + 1
    fit = fit_drift(prepared.histories, groups, band, misread=misread, seed=seed)
    limit, rate = flag_limit(
        prepared.histories,
        fit.parameters,
        band,
        years_per_false_flag=rules.years_per_false_flag,
        seed=seed,
        simulated=simulated,
    )
    return FleetDrift(
        fit, prepared.groups, rules, limit, rate, _learned_tables(prepared, fit.parameters, band)
    )


def _learned_tables(
    prepared: Prepared, parameters: DriftParameters, band: Band
) -> dict[str, Floats]:
    present = _present(prepared)
    present = present[:: len(present) // BLOCK + 1]
    by_stroke = states(
        explain(prepared.histories.rows(present), parameters),
        band,
        prepared.histories.wear_cv[present],
    )
    found = (
        prepared.episodes[present]
        .select("wheel_end_id")
        .join(prepared.findings, on="wheel_end_id", how="left", maintain_order="left")
    )
    codes = indicator_codes(found.with_columns(wear_z=pl.lit(None, dtype=pl.Float64)))
    return fitted_tables(codes, by_stroke.probability)


def _present(prepared: Prepared) -> Ints:
    """Rows of each wheel end's latest part."""
    return np.flatnonzero(prepared.episodes["from_last"].to_numpy() == 0)


def judge_wheel_ends(
    prepared: Prepared, outlook: pl.DataFrame, fleet: FleetDrift, as_of: date
) -> pl.DataFrame:
    """Judge every wheel end of the outlook.

    Parameters
    ----------
    prepared : readings up to ``as_of``, prepared with ``fleet.groups``
    outlook : one row per wheel end; ``wheel_end_id``, ``unit_id``, ``axle_id``, ``axle_type``,
        ``duty`` and, if there, ``episode_id`` and ``set_on`` (of the present setting),
        ``check_weeks``, ``wear_to_next_mm`` with its SD (from the last reading to the next check),
        ``p_fail_next`` (sudden failure by then), ``wear_z`` (wear rate against its group)

    Returns
    -------
    One row per wheel end of the outlook, most urgent first, columns ``RESULT``: figures are null
    where nothing was read since the present setting. ``flag_reason`` is ``strokes``, ``finding``
    (failed return test, fault found or applied stroke at its limit, where the strokes alone would
    not do), ``reading`` (so far out that it is looked at even if it may be a slip) or ``sides``.

    Raises
    ------
    ValueError
        The readings were prepared with other groups than the fleet's.
    """
    if prepared.groups != fleet.groups:
        raise ValueError("readings: prepared with other groups than the fleet judged by")
    outlook = with_defaults(outlook)
    present = present_parts(prepared, outlook, fleet)
    judged = outlook.join(present, on="wheel_end_id", how="left", maintain_order="left")
    judged = with_verdicts(judged, fleet.band, fleet.rules, fleet.limit, as_of)
    judged = with_evidence(judged, fleet.band, fleet.rules)
    return judged.select(RESULT).sort("priority", "wheel_end_id", descending=[True, False])


def with_defaults(outlook: pl.DataFrame) -> pl.DataFrame:
    """The outlook with its optional columns present and filled."""
    filled = []
    for name, (dtype, default) in OUTLOOK_COLUMNS.items():
        column = pl.col(name) if name in outlook.columns else pl.lit(None)
        filled.append(column.cast(dtype).fill_null(pl.lit(default, dtype=dtype)).alias(name))
    return outlook.with_columns(filled)


def present_parts(prepared: Prepared, outlook: pl.DataFrame, fleet: FleetDrift) -> pl.DataFrame:
    """Figures of each wheel end's present setting, for those that have been read since it."""
    episodes = _with_outlook(prepared.episodes, outlook)
    histories = _with_next_growth(prepared.histories, episodes)
    rows = np.flatnonzero(episodes["present"].to_numpy())
    part = episodes[rows]
    found = part.select("wheel_end_id", "wear_z").join(
        prepared.findings, on="wheel_end_id", how="left", maintain_order="left"
    )
    codes = indicator_codes(found)
    carried = carried_troubles(histories, episodes, fleet.fit.parameters)[rows]
    found_likelihood = likelihood(codes, fleet.tables)
    judged, began = _judged(histories.rows(rows), carried, found_likelihood, fleet)
    changes = sudden_changes(histories.rows(rows), fleet.fit.parameters)
    return part.select("wheel_end_id", *OF_EPISODE).with_columns(
        *_state_columns(judged),
        *(pl.Series(f"found_{name}", code) for name, code in codes.items()),
        *(found[name] for name in ("applied_stroke_mm", "readjust_limit_mm")),
        changed=pl.Series(changes.changed),
        began=pl.Series(np.where(changes.changed, changes.reading, began)),
        trouble_before=pl.Series(carried.sum(axis=1) > 0.5 * TROUBLE_OUTLASTS_SETTING),
        reach=pl.Series(_reach(judged.ratio, _next_growth(part), fleet.band)),
    )


def _judged(
    histories: StrokeHistories, carried: Floats, found: Floats, fleet: FleetDrift
) -> tuple[DriftStates, Ints]:
    """States, and the reading before which trouble likeliest began; block by block."""
    prior = _with_carried(histories.group, carried, fleet.fit.parameters)
    judged, began = [], []
    for start in range(0, max(len(histories), 1), BLOCK):
        block = slice(start, start + BLOCK)
        part = histories.rows(block)
        explained = explain(part, fleet.fit.parameters, prior[block])
        judged.append(states(explained, fleet.band, part.wear_cv, found[block]))
        began.append(explained.began)
    return joined(judged), np.concatenate(began)


def _with_outlook(episodes: pl.DataFrame, outlook: pl.DataFrame) -> pl.DataFrame:
    """Episodes with the outlook's figures; ``present`` marks the latest part, if still in force."""
    ahead = outlook.select("wheel_end_id", pl.col("episode_id").alias("now_in"), *AHEAD)
    latest = pl.col("from_last") == 0
    in_force = (pl.col("now_in") == pl.col("episode_id")).fill_null(value=True)
    return episodes.join(ahead, on="wheel_end_id", how="left", maintain_order="left").with_columns(
        present=latest & in_force
    )


AHEAD = ("check_weeks", "wear_to_next_mm", "wear_to_next_sd_mm", "wear_z")


def _next_growth(episodes: pl.DataFrame) -> Floats:
    """Growth of the ratio by the next check if nothing were taken up."""
    weekly = pl.when(pl.col("weeks") > 1).then(pl.col("wear_mm") / pl.col("weeks"))
    by_time = weekly.fill_null(UNREAD_MM_PER_WEEK) * pl.col("check_weeks").fill_null(
        USUAL_CHECK_WEEKS
    )
    wear = pl.col("wear_to_next_mm").fill_null(by_time).clip(0.0)
    return episodes.select(growth=wear * pl.col("ratio_per_mm"))["growth"].to_numpy()


def _with_next_growth(histories: StrokeHistories, episodes: pl.DataFrame) -> StrokeHistories:
    growth = _next_growth(episodes)
    sd = episodes.select(sd=pl.col("wear_to_next_sd_mm") * pl.col("ratio_per_mm"))["sd"]
    known = sd.cast(pl.Float64).to_numpy()
    return replace(
        histories,
        next_growth=growth,
        next_growth_sd=np.where(np.isnan(known), NEXT_WEAR_CV * growth, known),
    )


def carried_troubles(
    histories: StrokeHistories, episodes: pl.DataFrame, parameters: DriftParameters
) -> Floats:
    """(n, kinds) trouble each part starts with because the same adjuster had it before.

    A setting, a reline or grease seldom cures an adjuster; another adjuster starts afresh. Only the
    latest parts of a wheel end are looked back on.
    """
    from_last = episodes["from_last"].to_numpy()
    same = episodes["same_adjuster"].to_numpy()
    carried = np.zeros((len(histories), len(Kind)))
    for back in range(PARTS_LOOKED_BACK - 1, 0, -1):
        rows = np.flatnonzero(from_last == back)
        for block in (rows[i : i + BLOCK] for i in range(0, len(rows), BLOCK)):
            prior = _with_carried(histories.group[block], carried[block], parameters)
            trouble = _troubles(explain(histories.rows(block), parameters, prior))
            # Parts are in order, so the next part of the same wheel end is the next row.
            carried[block + 1] = TROUBLE_OUTLASTS_SETTING * trouble * same[block + 1, None]
    return carried


def _troubles(explained: Explanations) -> Floats:
    """(n, kinds) posterior of each trouble."""
    kinds = [explained.probability[:, columns_of(kind)].sum(axis=1) for kind in Kind]
    return np.stack(kinds, axis=1)


def _with_carried(group: Ints, carried: Floats, parameters: DriftParameters) -> Floats:
    """Prior of trouble from the setting on: what the adjuster brings, else the group's."""
    rest = 1 - carried.sum(axis=1, keepdims=True)
    prior: Floats = carried + rest * parameters.from_set[group]
    return prior


def _reach(ratio: Floats, next_growth: Floats, band: Band) -> Floats:
    """Chance that an adjuster failing at any moment before the next check is out of band there."""
    room = np.maximum(band.high - ratio, 0.0)
    return np.clip(1 - room / np.maximum(next_growth, 1e-9), 0.0, 1.0)


def _state_columns(judged: DriftStates) -> list[pl.Series]:
    columns = [
        pl.Series(f"p_{name}", p) for name, p in zip(STATES, judged.probability.T, strict=True)
    ]
    columns.append(pl.Series("p_trouble", judged.p_trouble))
    columns.append(pl.Series("stroke_ratio", judged.ratio))
    columns.append(pl.Series("stroke_ratio_sd", judged.ratio_sd))
    for name in STATE_FIGURES:
        columns.append(pl.Series(name, getattr(judged, name)))
    return columns


STATE_FIGURES = (
    *("p_out_now", "p_out_next", "next_ratio", "deficit", "deficit_sd"),
    *("take_up", "take_up_low", "take_up_high", "take_up_in_trouble"),
    *("p_misread", "p_by_strokes"),
)
