"""What a fleet's own records say of how it sets, reads and fails its adjusters."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.adjustment.flags import SIMULATED, FlagRules, flag_limit
from models.adjustment.indicators import fitted_tables, indicator_codes
from models.adjustment.states import by_state, weighed_families
from models.adjustment.strokes.explanations import HOLDS, MISREAD, columns_starting, explain
from models.adjustment.strokes.fit import PRIOR_TROUBLES, DriftFit, fit_drift
from models.adjustment.strokes.parameters import Band, DriftParameters, Source, Start
from models.adjustment.strokes.readings import Groups, PreparedReadings

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Wheel ends judged at a time; bounds the memory.
BLOCK = 50_000
WRONG_STARTS = Start.TOO_TIGHT, Start.TOO_LOOSE


@dataclass(frozen=True, slots=True)
class FleetDrift:
    """What a fleet's own records say of how it sets, reads and fails.

    Attributes
    ----------
    limit : probability of trouble at which a wheel end is flagged
    false_flags_per_year : of a healthy wheel end at that limit, simulated
    tables : (states, categories) per indicator
    wrong_by_depot : times as many of a depot's settings are wrong as are of its axle types, duties
        and kinds of setting in the fleet; shrunk toward 1
    left_alone : strokes are on record, and all as they were left, none as it was found: nothing is
        known of how settings turn out here
    """

    fit: DriftFit
    groups: Groups
    rules: FlagRules
    limit: float
    false_flags_per_year: float
    tables: Mapping[str, Floats]
    wrong_by_depot: Mapping[str, float]
    left_alone: bool

    @property
    def band(self) -> Band:
        return self.fit.band


def learn_fleet(
    prepared: PreparedReadings,
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
    tables = _learned_tables(prepared, fit.parameters, band)
    wrong = _wrong_by_depot(prepared, fit.parameters)
    left = (pl.col("readings") == pl.col("first_was_left").cast(pl.UInt32)).fill_null(value=False)
    left_alone = fit.episodes > 0 and bool(prepared.episodes.select(left.all()).item())
    return FleetDrift(fit, prepared.groups, rules, limit, rate, tables, wrong, left_alone)


def present_rows(prepared: PreparedReadings) -> Ints:
    """Rows of each wheel end's latest part."""
    return np.flatnonzero(prepared.episodes["from_last"].to_numpy() == 0)


def _learned_tables(
    prepared: PreparedReadings, parameters: DriftParameters, band: Band
) -> dict[str, Floats]:
    present = present_rows(prepared)
    present = present[:: len(present) // BLOCK + 1]
    histories = prepared.histories.rows(present)
    explained = explain(histories, parameters, lines=(HOLDS, MISREAD), deficits=())
    by_stroke = by_state(weighed_families(explained, band))
    found = (
        prepared.episodes[present]
        .select("wheel_end_id")
        .join(prepared.findings, on="wheel_end_id", how="left", maintain_order="left")
    )
    codes = indicator_codes(found.with_columns(wear_z=pl.lit(None, dtype=pl.Float64)))
    return fitted_tables(codes, by_stroke)


def _wrong_by_depot(prepared: PreparedReadings, parameters: DriftParameters) -> dict[str, float]:
    """Wrong settings of each depot by what was read after them, over those of settings like them.

    Only settings on record: a first reading says little of who made the setting.
    """
    histories = prepared.histories
    made = np.flatnonzero((histories.source != Source.FIRST_READING) & (histories.readings > 0))
    made = made[:: len(made) // BLOCK + 1]
    some = histories.rows(made)
    explained = explain(some, parameters, lines=(), deficits=())
    seen = sum(explained.probability[:, columns_starting(s)].sum(axis=1) for s in WRONG_STARTS)
    usual = parameters.wrong_share[some.group, some.source].sum(axis=1)
    settings = pl.DataFrame(
        {"depot": prepared.episodes[made]["depot"], "seen": seen, "usual": usual},
        schema={"depot": pl.String, "seen": pl.Float64, "usual": pl.Float64},
    )
    by_depot = (
        settings.drop_nulls("depot")
        .group_by("depot", maintain_order=True)
        .agg(pl.col("seen", "usual").sum())
    )
    ratio = (pl.col("seen") + PRIOR_TROUBLES) / (pl.col("usual") + PRIOR_TROUBLES)
    return dict(by_depot.select("depot", ratio).iter_rows())
