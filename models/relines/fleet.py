"""All that is known of a fleet, put together from reduced tables."""

import numpy as np
import polars as pl

from models.relines.forecast.from_wear import wheel_end_lines
from models.relines.forecast.wheel_ends import wheel_ends
from models.relines.policy.decisions import QUARTER_DAYS, axle_decisions, policy_groups
from models.relines.policy.fit import fit_policy, reline_timing
from models.relines.simulation.simulate import FleetModel, fleet_model
from models.usage.fit import UsageFit
from models.wear.predict import LiningLines
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums


def fleet_from_tables(
    wear: WearFit,
    sums: LiningLifeSums,
    usage: UsageFit,
    ends_now: pl.DataFrame,
    decisions: pl.DataFrame,
    events: pl.DataFrame,
    reading_sd_mm: float | None = None,
    linings: LiningLines | None = None,
) -> FleetModel:
    """All that is known of a fleet.

    Parameters
    ----------
    wear, sums, usage : the fits, as of one day.
    ends_now : rows of ``reduce.wheel_ends_now``, in the order that results are wanted in.
    decisions : rows of ``reduce.axle_decisions``.
    events : rows of ``reduce.reline_events``.
    reading_sd_mm : from ``reduce.reading_noise``; None takes the wear fit's residual.
    linings : the fit's lines of all of ``sums``, where they have been worked out already.

    Raises
    ------
    ValueError
        If the wear fit has no rates, or a wheel end's unit has no use fitted.
    """
    groups = policy_groups(decisions, ends_now)
    policy = fit_policy(
        axle_decisions(decisions, groups),
        groups,
        reline_timing(events),
        float(np.median(usage.usual_days)) if len(usage) else QUARTER_DAYS,
    )
    ends = wheel_ends(ends_now, usage.unit_ids, groups, usage.as_of)
    lines = wheel_end_lines(wear, sums, ends_now, usage, reading_sd_mm, linings)
    return fleet_model(ends, lines, usage, policy)
