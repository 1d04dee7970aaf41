"""Quarters in which far more was relined than the policy says, or far less, and not at other times.

A campaign relines what is thin all at once, and then the fleet goes on as before: what was done in
it says nothing of what will be. Sought are the one or two quarters with most relines beyond those
of the others at as many visits. They are a campaign if a policy fitted to them alone explains them
far better than that of all other quarters does (twice the gain in log-likelihood, which without a
campaign is about chi-square of the policy's eight parameters), while what was done before, and what
since, is explained better by the latter: else the fleet has changed its habit. Little tells of that
at first, for little is thin after a campaign: what leans to the usual since is enough, and where
nothing was decided since, or little that leans the other way, it is left open, with the chance that
the likelihoods give if both were as likely beforehand. What comes at the same time of another year
too is no campaign: it will come again.

Where due linings have been left on far more often for less than a year, most likely there were none
to be had, or nobody to fit them: nobody keeps that up. Such a pause is taken to be over, and what
was done in it, linings left on and then relined all at once, says nothing of what will be. To
expect too many relines is the error that does no harm.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray
from models.relines.policy.decisions import (
    QUARTER_DAYS,
    AxleDecisions,
    PolicyGroups,
    some_decisions,
)
from models.relines.policy.fit import (
    FEW_RELINES,
    PolicyFit,
    RelineTiming,
    fit_policy,
    mean_policy,
)
from models.relines.policy.likelihood import SHAPE, decision_sums, policy_loglik
from models.relines.policy.parameters import by_group
from models.relines.policy.yearly import A_YEAR

MOST_CAMPAIGNS = 3
"""Sought one after another: a fleet with more of them has them for a habit."""
LONGEST = 2
"""Quarters that one may touch."""
SURPLUS, TIMES_USUAL = 3.0, 1.4
"""Fewer relines beyond the others', in Poisson's standard deviations, or fewer times theirs, are
not looked at: a campaign of a whole fleet brought two or three times as many."""
CAMPAIGN_GAIN = 40.0
"""Chi-square of eight exceeds it 3 times in a million: what is left out is lost."""


SURE = 0.95
"""One less this is the chance up to which what may be a campaign is taken for a habit."""
LONGEST_PAUSE = 4
"""Quarters for which due linings may be left on before that is a habit."""
LEAST_LEFT_ON = 0.1
"""By how much the chance that they are must have risen."""
LEFT_ON = ("missed", "missed_below")


@dataclass(frozen=True, slots=True)
class Campaign:
    """The quarters, counted back; all other decisions, and their policy; and the ``chance`` that it
    is over, and not a habit since."""

    quarters: range
    others: AxleDecisions
    usual: PolicyFit
    chance: float = 1.0

    @property
    def is_open(self) -> bool:
        """Whether too little was decided since to tell."""
        return self.chance < SURE


@dataclass(frozen=True, slots=True)
class CampaignTold:
    """What is told of one, or of a pause, in which there were fewer: its quarters counted back,
    ``first`` the latest and ``last`` the earliest; ``relines`` of wheel ends in it, and ``usual``,
    at as many visits, those at the rate of all decisions outside campaigns; ``chance`` that it is
    over."""

    first: int
    last: int
    relines: float
    usual: float
    chance: float = 1.0

    @property
    def is_pause(self) -> bool:
        return self.relines < self.usual


def campaign_told(campaign: Campaign, before: AxleDecisions) -> CampaignTold:
    """``before``: the decisions that it was found in."""
    others = campaign.others
    relines = before.relines - others.relines
    visits = float(before.visits.sum() - others.visits.sum())
    usual = others.relines / float(others.visits.sum()) * visits
    first, last = campaign.quarters.start, campaign.quarters.stop - 1
    return CampaignTold(first, last, relines, usual, campaign.chance)


def found_pause(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    policy: PolicyFit,
    timing: RelineTiming | None = None,
    usual_days: float = QUARTER_DAYS,
) -> Campaign | None:
    """The pause since which due linings are left on, by the ``policy`` of all decisions, if there
    is one: at the depots at which it changed."""
    quarters = range(policy.changed_quarters)
    depots = [groups.depots.index(depot) for depot in policy.changed_depots or groups.depots]
    if not 0 < len(quarters) <= LONGEST_PAUSE or not _leaves_on(policy, groups, depots):
        return None
    inside = np.isin(decisions.group % len(groups.depots), depots)
    inside &= np.isin(decisions.quarters_ago, list(quarters))
    others = _some(decisions, ~inside)
    if others.relines < FEW_RELINES:
        return None
    pause = Campaign(quarters, others, fit_policy(others, groups, timing, usual_days))
    # In a campaign too much that was due is left on, by what others relined in it.
    return pause if campaign_told(pause, decisions).is_pause else None


def _leaves_on(policy: PolicyFit, groups: PolicyGroups, depots: Sequence[int]) -> bool:
    """Whether by a policy that changed at some depots far more is left on than was, or all that is
    above its minimum: that nobody lays down."""
    risen = [
        np.max(special.expit(chance.since) - special.expit(chance.before))
        for chance in policy.changed_chances
        if chance.name in LEFT_ON
    ]
    lowered = (policy.raised_mm or 0.0) < 0.0
    here = np.isin(np.arange(groups.n_groups) % len(groups.depots), depots)
    below = lowered and bool(mean_policy(policy).threshold_mm[here].min() <= 0.0)
    return below or max(risen, default=0.0) >= LEAST_LEFT_ON


def found_campaign(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    policy: PolicyFit,
    timing: RelineTiming | None = None,
    usual_days: float = QUARTER_DAYS,
) -> Campaign | None:
    """The campaign of most relines beyond the usual, if there was one that may be over; ``policy``:
    that of all decisions.

    None where linings are relined for their age: those of one age come due together.
    """
    quarters = _most_relined(decisions)
    if quarters is None:
        return None
    ago = decisions.quarters_ago
    inside = np.isin(ago, list(quarters))
    during, others = (_some(decisions, rows) for rows in (inside, ~inside))
    if min(during.relines, others.relines) < FEW_RELINES:
        return None
    own = fit_policy(during, groups)
    if not policy.changed_quarters and _gain(during, own, policy) < _worth_a_look(
        during, decisions
    ):
        return None
    usual = fit_policy(others, groups, timing, usual_days)
    since, before = (_some(decisions, ago < quarters.start), _some(decisions, ago >= quarters.stop))
    if usual.age_share > 0.0:
        return None
    if _gain(during, own, usual) < CAMPAIGN_GAIN or _gain(before, usual, own) <= 0.0:
        return None
    gain = _gain(since, usual, own)
    chance = 1.0 if gain > 0.0 else float(special.expit(gain / 2.0))
    return Campaign(quarters, others, usual, chance) if chance > 1.0 - SURE else None


def _worth_a_look(during: AxleDecisions, decisions: AxleDecisions) -> float:
    """Half the gain over the policy of all decisions that a campaign at its limit has, which drew
    that policy its own way by its share of the relines: a likelihood is about a parabola."""
    return 0.5 * CAMPAIGN_GAIN * (1.0 - during.relines / decisions.relines) ** 2


def _some(decisions: AxleDecisions, rows: BoolArray) -> AxleDecisions:
    return some_decisions(decisions, np.flatnonzero(rows))


def _gain(decisions: AxleDecisions, one: PolicyFit, other: PolicyFit) -> float:
    """Twice the log-likelihood of decisions under one policy beyond that under another."""
    return 2.0 * (_loglik(decisions, one) - _loglik(decisions, other))


def _most_relined(decisions: AxleDecisions) -> range | None:
    """The quarters before the latest with most relines beyond those of all others, and not as many
    a year before or after."""
    last = int(decisions.quarters_ago.max(initial=0))
    relined = decisions.visits * (1.0 * decisions.low_relined + decisions.high_relined)
    relines, visits = (
        np.bincount(decisions.quarters_ago, each, last + 1).astype(np.float64)
        for each in (relined, decisions.visits)
    )
    found = {
        (first, length): _surplus(relines, visits, slice(first, first + length))
        for length in range(1, LONGEST + 1)
        for first in range(1, last - length + 1)
    }
    many = {span for span, surplus in found.items() if surplus.sds > SURPLUS}
    many = {span for span in many if found[span].times > TIMES_USUAL}
    once = [
        (first, length)
        for first, length in many
        if not many & {(first - A_YEAR, length), (first + A_YEAR, length)}
    ]
    if not once:
        return None
    first, length = max(once, key=lambda span: (found[span].sds, span))
    return range(first, first + length)


class _Surplus(NamedTuple):
    """Relines beyond those of other quarters, in Poisson's SDs; and how many times theirs."""

    sds: float
    times: float


def _surplus(relines: FloatArray, visits: FloatArray, quarters: slice) -> _Surplus:
    """Relines of some quarters beyond those of the others at as many visits."""
    own, at = float(relines[quarters].sum()), float(visits[quarters].sum())
    usual = at * (float(relines.sum()) - own) / max(float(visits.sum()) - at, 1.0)
    return _Surplus((own - usual) / max(usual, 1.0) ** 0.5, own / max(usual, 1.0))


def _loglik(decisions: AxleDecisions, fit: PolicyFit) -> float:
    """Log-likelihood of decisions under a policy."""
    of_groups, shape = by_group(fit.mean, fit.design)
    return policy_loglik(decision_sums(decisions), of_groups, shape[: len(SHAPE)])[0]
