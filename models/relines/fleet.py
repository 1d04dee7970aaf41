"""All that is known of a fleet, put together from reduced tables."""

import math
from dataclasses import replace

import numpy as np
import polars as pl
from scipy import stats

from models.relines.forecast.from_wear import wheel_end_lines
from models.relines.forecast.last_reading import held_to_readings
from models.relines.forecast.wheel_ends import WheelEnds, wheel_ends
from models.relines.policy.campaigns import (
    MOST_CAMPAIGNS,
    CampaignTold,
    campaign_told,
    found_campaign,
    found_pause,
)
from models.relines.policy.decisions import (
    QUARTER_DAYS,
    AxleDecisions,
    PolicyGroups,
    axle_decisions,
    policy_groups,
    two_intervals,
)
from models.relines.policy.fit import (
    FEW_RELINES,
    HandedBack,
    Instead,
    PolicyFit,
    fit_policy,
    grouped_by_interval,
    reline_timing,
)
from models.relines.policy.looks import fitted_looks
from models.relines.simulation.simulate import FleetModel, fleet_model
from models.usage.fit import UsageFit
from models.wear.predict import LiningLines
from models.wear.result import WearFit
from models.wear.shape.thinning import Thinning
from models.wear.sums import LiningLifeSums


def fleet_from_tables(
    wear: WearFit,
    sums: LiningLifeSums,
    usage: UsageFit,
    ends_now: pl.DataFrame,
    decisions: pl.DataFrame,
    events: pl.DataFrame,
    reading_sd_mm: float | None = None,
    axles_read: pl.DataFrame | None = None,
    axle_looks: pl.DataFrame | None = None,
    linings: LiningLines | None = None,
    thinning: Thinning | None = None,
) -> FleetModel:
    """All that is known of a fleet.

    Parameters
    ----------
    wear, sums, usage : the fits, as of one day.
    ends_now : rows of ``reduce.wheel_ends_now``, in the order that results are wanted in.
    decisions : rows of ``reduce.axle_decisions``.
    events : rows of ``reduce.reline_events``.
    reading_sd_mm : from ``reduce.reading_noise``; None takes the wear fit's residual.
    axles_read : the row of ``reduce.axles_read``; None: ends are read one whether or not the other.
    axle_looks : rows of ``reduce.axle_looks``; None: every visit looks at all axles.
    linings : the fit's lines of all of ``sums``, where they have been worked out already.
    thinning : how wear changes as linings thin, if the fit is on its scale.

    Raises
    ------
    ValueError
        If the wear fit has no rates, or a wheel end's unit has no use fitted.
    """
    groups, counted = _grouped(decisions, ends_now)
    usual_days = float(np.median(usage.usual_days)) if len(usage) else QUARTER_DAYS
    policy, campaigns = _usual_policy(counted, groups, events, usual_days)
    if axles_read is not None:
        policy = replace(policy, read_share=thinner_read(policy.read_share, axles_read))
    if axle_looks is not None:
        policy = replace(policy, looks=fitted_looks(axle_looks, policy.read_share))
    ends = wheel_ends(ends_now, usage.unit_ids, groups, usage.as_of)
    policy = replace(policy, handed_back=handed_back(ends, usage))
    lines = held_to_readings(
        wheel_end_lines(wear, sums, ends_now, usage, reading_sd_mm, linings, thinning), ends_now
    )
    return replace(fleet_model(ends, lines, usage, policy), campaigns=campaigns)


def _grouped(decisions: pl.DataFrame, ends_now: pl.DataFrame) -> tuple[PolicyGroups, AxleDecisions]:
    """Whose policies may differ: axle types and depots, and units that are checked more or less
    often where that tells."""
    groups = policy_groups(decisions, ends_now)
    counted = axle_decisions(decisions, groups)
    units = ends_now.unique("unit_id").drop_nulls("every_days")["every_days"]
    lengths = two_intervals(units.cast(pl.Float64).to_numpy())
    if lengths is None or counted.relines < FEW_RELINES:
        return groups, counted
    by_interval = replace(groups, every_days=lengths)
    apart = axle_decisions(decisions, by_interval)
    if grouped_by_interval(counted, apart, groups, by_interval):
        return by_interval, apart
    return groups, counted


GONE, HERE = 0.1, 0.9
"""Chance to be there of units that have left, and of those that have not."""
LEAST_HANDED = 3
HANDED_CHANCE = 0.001
"""So many units that left with new linings, as many as chance would not bring so seldom."""


def handed_back(ends: WheelEnds, usage: UsageFit) -> HandedBack | None:
    """How many of the units that left had all of their linings renewed at their last visit, beyond
    those that happen to have been at any visit, as leased ones are that are handed back; None
    where that is no habit. Decisions do not tell of it: what followed a last visit is not known."""
    renewed = np.ones(len(usage), bool)
    np.logical_and.at(renewed, ends.unit, ends.age_known & (ends.age_at_visit <= 0))
    seen = np.isin(np.arange(len(usage)), ends.unit)
    gone, here = seen & (usage.present < GONE), seen & (usage.present > HERE)
    left, new = int(gone.sum()), int((renewed & gone).sum())
    usual = (float((renewed & here).sum()) + 0.5) / (float(here.sum()) + 1.0)
    if new < LEAST_HANDED or float(stats.binom.sf(new - 1, left, usual)) > HANDED_CHANCE:
        return None
    beyond = [float(stats.beta.ppf(q, new + 0.5, left - new + 0.5)) for q in (0.5, 0.025, 0.975)]
    share, low, high = (max((each - usual) / (1.0 - usual), 0.0) for each in beyond)
    return HandedBack(share, low, high)


def thinner_read(read_share: float, axles: pl.DataFrame) -> float:
    """Chance that the thinner end of an axle is read, from the row of ``reduce.axles_read``; at
    least ``read_share``, which takes ends to be read one whether or not the other.

    With each end unread by a chance q of its own, neither is at q² of the visits and one at 2q(1 -
    q). Where one alone is read more often, somebody wrote down one for both: the thinner.
    """
    counts = axles.select("neither_read", "one_read", "both_read").row(0)
    neither, one, both = (float(count) for count in counts)
    every = neither + one + both
    if every == 0.0:
        return read_share
    q = math.sqrt(neither / every)
    by_chance = min(one / every, 2.0 * q * (1.0 - q))
    return max(read_share, both / every + one / every - by_chance / 2.0)


def _usual_policy(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    events: pl.DataFrame,
    usual_days: float = QUARTER_DAYS,
) -> tuple[PolicyFit, tuple[CampaignTold, ...]]:
    """The policy outside campaigns and a pause, and these, as they were found; none where more is
    relined at one time of every year."""
    timing, told = reline_timing(events), list[CampaignTold]()
    policy = fit_policy(decisions, groups, timing, usual_days)
    if policy.yearly is not None:
        return policy, ()
    pause = found_pause(decisions, groups, policy, timing, usual_days)
    if pause is not None:
        told.append(campaign_told(pause, decisions))
        decisions, policy = pause.others, pause.usual
    for _ in range(MOST_CAMPAIGNS):
        campaign = found_campaign(decisions, groups, policy, timing, usual_days)
        # Of relines for their age, and at a time of the year, all futures have the same or none.
        if campaign is None or (campaign.is_open and (policy.age_share or campaign.usual.yearly)):
            break
        told.append(campaign_told(campaign, decisions))
        if campaign.is_open:
            return replace(policy, instead=Instead(campaign.usual, campaign.chance)), tuple(told)
        decisions, policy = campaign.others, campaign.usual
    return policy, tuple(told)
