r"""At what thickness a fleet really relines, and what goes along: estimated from its decisions.

The threshold of a group is :math:`h_g = h + a_{\text{type}} + c_{\text{depot}}`, the two effects
normal around zero, so that a type or depot with few relines leans on the fleet. Their variances
come from EM steps around the mode (Laplace approximation: Breslow, Clayton 1993, *JASA* 88:9).
Where decisions are so much likelier with them, depots add effects of the same kind to the logits of
what goes along with a reline. The other parameters are the fleet's. Weak priors keep the answer
finite where records are few; with no reline at all they are the answer, and the fit says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypedDict

import numpy as np
import polars as pl
import scipy
from scipy import special

from models.common.arrays import FloatArray, IntArray
from models.common.distributions import Numbers, square_root
from models.common.group_sums import sums_by
from models.relines.policy.age_evidence import (
    LEAST_AGED,
    MAYBE_A_RELINE,
    MAYBE_AGE_SCORE,
    age_evidence,
)
from models.relines.policy.ages import AGE_SHAPE, AgeRule, age_rule
from models.relines.policy.changes import (
    CHANGE_SCORE,
    CHANGING,
    THRESHOLD,
    LikelyChange,
    Slopes,
    likely_change,
    slope_and_bend,
    slopes_where_moved,
)
from models.relines.policy.decisions import (
    QUARTER_DAYS,
    AxleDecisions,
    PolicyGroups,
    some_decisions,
    thinned,
    with_known_ages,
)
from models.relines.policy.likelihood import (
    ALONG,
    SHAPE,
    DecisionSums,
    along_share,
    decision_sums,
    policy_loglik,
    relines_by_age,
)
from models.relines.policy.looks import ALWAYS, Looks
from models.relines.policy.parameters import Designs, by_group, designs, in_parameters
from models.relines.policy.yearly import (
    YEARLY_SCORE,
    TimeOfYear,
    likely_time_of_year,
    of_a_known_time,
)

FEW_RELINES = 10
"""With fewer relines on record the policy is a guess."""
PRIOR_CHANCES = [0.05, 0.05, 0.002, 0.7, 0.05]
PRIOR_MEAN = np.array([1.0, np.log(0.5), *special.logit(PRIOR_CHANCES), np.log(8.0)])
PRIOR_SD = np.array([2.0, 0.7, 1.5, 1.5, 1.5, 1.5, 1.5, 0.3])
"""Threshold [mm above minimum], then ``SHAPE``: a guess of ours, no source."""
_EFFECT_SD, _EFFECT_WEIGHT = 0.3, 2.0
_EM_STEPS = 4
AGE_PRIOR_MEAN = np.array([np.log(20.0), special.logit(0.8), np.log(730.0)])
AGE_PRIOR_SD = np.array([0.7, 1.5, 1.0])
"""Of relines by age: log of their spread [days], logit of the chance that the rule is kept at a
visit, log of the age [days]: a guess of ours, no source."""
_AGE_EFFECT_SD = 0.1
_ALONG_EFFECT_SD = 1.0
"""Of what depots add to the logits of what goes along: a guess of ours, no source."""
MAYBE_ALONG_SCORE = 6.0
"""Beyond as many as there are depots in it, a smaller score of depots that reline along differently
is not looked into: half of what is asked of the likelihood gained."""
LEAST_READ = 5.0
"""Relines read by which a group's threshold is guessed before it is fitted."""
SHARP_MM, SHARP_PREMATURE = 0.1, 0.02
"""Spread of thresholds, and chance to be relined for another reason, to begin with too."""
AGE_SCORE = 20.0
"""So much more likely (twice the log) must the decisions be where some are made by age."""
PILOT_ROWS = 20_000
MOST_ROWS = 300_000
"""Kinds of decisions that a policy is fitted to: a hundred thousand relines tell a threshold to a
hundredth of a millimetre."""
MAYBE_SCORE = 3.0
"""Below this no change is weighed: less than one in ten would be believed."""
CHANGE_SD = 2.0
"""By how many mm thresholds change where they do, or the logit of a chance: a guess of ours, no
source."""
CHANGED_SD = 2.0
"""So many standard deviations from none a change of one thing is told, where some has changed."""
FAR_SD, MOST_RISE = 2.0, 3.0
"""So many standard deviations away the cost may rise by so many times what a normal one does."""
SELDOM = {"missed", "missed_below", "premature"}
"""Chances that may be next to none."""
CONVERGED = 1e-4
"""Gain in log-likelihood (twice) that a further Newton step may still promise."""


@dataclass(frozen=True, slots=True)
class ReplacementPolicy:
    """One set of policies: thresholds (G,) [mm above minimum], their spread, chances, those of the
    axle's other end (``pair``) and of the unit's other axles (``unit``) by group too (G,), about
    how much lining the other end of an axle may have to go along, and relines for the lining's age
    (None: there are none); ``rise_mm``: by how much thresholds are higher at one time of every
    year."""

    threshold_mm: FloatArray
    spread_mm: float
    missed: float
    missed_below: float
    premature: float
    pair: FloatArray
    unit: FloatArray
    along_below_mm: float = np.inf
    by_age: AgeRule | None = None
    rise_mm: float = 0.0

    @property
    def raised(self) -> "ReplacementPolicy":
        """The policies of the time of the year in which thresholds are higher."""
        return replace(self, threshold_mm=self.threshold_mm + self.rise_mm)

    def goes_along(self, above_mm: FloatArray, reading_sd: float = 0.0) -> FloatArray:
        """Share of ``pair`` that is left at a reading, or at a lining read with such an error."""
        return along_share(above_mm, self.along_below_mm, reading_sd)


@dataclass(frozen=True, slots=True)
class RelineTiming:
    """When a decided reline is done: at the visit, or ``later_days`` after it (sorted); and the
    share of relines that nobody writes down."""

    later_share: float
    later_days: FloatArray
    unwritten_share: float = 0.0


@dataclass(frozen=True, slots=True)
class HandedBack:
    """Share of units that leave whose linings are all renewed at their last visit, whatever is left
    of them, and its 95 % interval."""

    share: float
    ci_low: float
    ci_high: float


@dataclass(frozen=True, slots=True)
class PolicyFit:
    """A fleet's policy: ``mean`` and ``covariance`` of [h, types, depots, ``SHAPE``], then where
    what goes along differs by depot (``along_by_depot``) of what depots add to the logits of each
    of ``ALONG``, and where some are relined for their age of [``AGE_SHAPE``, log A, types, depots].

    ``relines`` of wheel ends and ``visits`` of axles behind it; ``type_sd``, ``depot_sd``: spread
    of thresholds [mm]; ``read_share``: chance that a wheel end is read at a visit;
    ``changed_quarters``: for how long it has been so, where it was another before (0: always), at
    ``changed_depots`` alone (none: everywhere); ``raised_mm``, ``raised_sd``: by how much
    thresholds were raised then (None: they were not); ``changed_chances``: those that were others;
    ``age_share``: share of relines that were made for the lining's age, and would not have been by
    the reading (0: none); ``usual_days`` between visits; ``looks``: which visits look at an axle;
    ``yearly``: thresholds that are higher at one time of every year (None: they are not), ``mean``
    being those of the rest of it; ``handed_back``: units that leave with new linings (None: none);
    ``instead``: another policy that may be in force, with its chance (None: no other).
    """

    groups: PolicyGroups
    mean: FloatArray
    covariance: FloatArray
    type_sd: float
    depot_sd: float
    relines: float
    visits: float
    group_visits: FloatArray
    read_share: float
    timing: RelineTiming
    converged: bool
    changed_quarters: int = 0
    changed_depots: tuple[str, ...] = ()
    raised_mm: float | None = None
    raised_sd: float = 0.0
    changed_chances: tuple["ChangedChance", ...] = ()
    age_share: float = 0.0
    usual_days: float = QUARTER_DAYS
    looks: Looks = ALWAYS
    yearly: "YearlyRise | None" = None
    along_by_depot: bool = False
    handed_back: HandedBack | None = None
    instead: "Instead | None" = None

    @property
    def design(self) -> Designs:
        """How groups' own parameters add up."""
        return designs(self.groups, along_by_depot=self.along_by_depot)

    @property
    def is_guess(self) -> bool:
        """Too few relines on record to speak of a policy."""
        return self.relines < FEW_RELINES


@dataclass(frozen=True, slots=True)
class Instead:
    """A policy that may be in force in the place of another, with a ``chance``."""

    policy: PolicyFit
    chance: float


@dataclass(frozen=True, slots=True)
class YearlyRise:
    """By how many ``mm`` thresholds are higher at a time ``when`` of every year; given the rest of
    the policy it moves by ``gain`` (N,) for each unit of its parameters, with ``sd`` left."""

    when: TimeOfYear
    mm: float
    gain: FloatArray
    sd: float
    doubt: float

    def drawn(self, off: FloatArray, normal: FloatArray) -> FloatArray:
        """With parameters (B, N) so far from the mean, by a normal number each."""
        return np.asarray(self.mm + off @ self.gain + self.sd * normal)


@dataclass(frozen=True, slots=True)
class ChangedChance:
    """A chance that was another before: its ``name`` (of ``SHAPE``), its logit ``before`` and
    ``since``, and their standard errors; of what differs by depot, of each (D,)."""

    name: str
    before: Numbers
    before_sd: Numbers
    since: Numbers
    since_sd: Numbers


def _habit_of(design: Designs, parameters: FloatArray) -> ReplacementPolicy:
    """The policies that a parameter vector stands for."""
    (threshold, *along), shape = by_group(parameters, design)
    (spread, *logits, below_mm), aged = shape[: len(SHAPE)], shape[len(SHAPE) :]
    missed, below, premature = special.expit(logits[:3])
    pair, unit = special.expit(np.add(np.transpose([logits[3:]]), along))
    by_age, log_days = np.split(aged, [len(AGE_SHAPE)])
    return ReplacementPolicy(
        threshold_mm=threshold,
        spread_mm=float(np.exp(spread)),
        missed=float(missed),
        missed_below=float(below),
        premature=float(premature),
        pair=pair,
        unit=unit,
        along_below_mm=float(np.exp(below_mm)),
        by_age=age_rule(by_age, log_days) if len(aged) else None,
    )


def mean_policy(fit: PolicyFit) -> ReplacementPolicy:
    """The policies at the estimate."""
    found = _habit_of(fit.design, fit.mean)
    return found if fit.yearly is None else replace(found, rise_mm=fit.yearly.mm)


def drawn_policies(
    fit: PolicyFit, draws: int, rng: np.random.Generator
) -> tuple[ReplacementPolicy, ...]:
    """Policies drawn from their uncertainty: each is one the whole fleet may have."""
    if fit.instead is not None:
        known = drawn_policies(replace(fit, instead=None), draws, rng)
        others = drawn_policies(fit.instead.policy, draws, rng)
        other = rng.random(draws) < fit.instead.chance
        return tuple(np.where(other, np.array(others, object), np.array(known, object)))
    root, design = square_root(fit.covariance), fit.design
    off = rng.standard_normal((draws, len(fit.mean))) @ root.T
    drawn = tuple(_habit_of(design, fit.mean + each) for each in off)
    if fit.yearly is None:
        return drawn
    rises = fit.yearly.drawn(off, rng.standard_normal(draws))
    return tuple(
        replace(policy, rise_mm=float(rise)) for policy, rise in zip(drawn, rises, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """Decisions made under one policy; ``own`` (P, N): the policy's parameters as sums of the
    fit's."""

    decisions: DecisionSums
    own: FloatArray


@dataclass(frozen=True, slots=True)
class _Penalised:
    """The penalised likelihood: ``parts``, all decisions, or those since a change and those before
    it; how groups' parameters add up, and the normal prior."""

    parts: tuple[_Part, ...]
    design: Designs
    prior_mean: FloatArray
    prior_sd: FloatArray

    def by_group(self, part: _Part, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What groups have of their own, and what the likelihood calls its shape."""
        return by_group(part.own @ at, self.design)

    def cost(self, parameters: FloatArray) -> tuple[float, FloatArray]:
        pull = (parameters - self.prior_mean) / self.prior_sd
        value, slope = float(pull @ pull) / 2.0, pull / self.prior_sd
        for part in self.parts:
            loglik, of_groups, shape = policy_loglik(
                part.decisions, *self.by_group(part, parameters)
            )
            own = in_parameters(of_groups, shape, self.design)
            value, slope = value - loglik, slope - part.own.T @ own
        return value, slope

    def bend(self, part: _Part, at: FloatArray) -> FloatArray:
        """Minus the log-likelihood's second derivatives in a part's own parameters (P, P), by
        central differences of the exact gradient.

        A decision depends on its own group's threshold alone, so one step of all thresholds
        together gives every group's own curvature, and so of what else groups have of their own;
        a step of each other parameter the rest.
        """
        step, own, design = 1e-4, part.own @ at, self.design
        of_groups, shape = by_group(own, design)
        known = [place for place, (each, _) in enumerate(design.by_group) if each.shape[1]]
        others = design.others(len(own))

        def slopes(groups: FloatArray, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
            return policy_loglik(part.decisions, groups, shape)[1:]

        found = np.zeros((len(own), len(own)))
        for one in known:
            move = step * np.eye(len(of_groups))[:, [one]]
            up, down = (slopes(of_groups + sign * move, shape)[0] for sign in (1.0, -1.0))
            for other in known:
                (a, rows), (b, columns) = design.by_group[one], design.by_group[other]
                found[rows, columns] = a.T @ ((up - down)[other][:, None] * b)
        for place in others:
            move = step * np.eye(len(own))[place]
            up, down = (
                in_parameters(*slopes(*by_group(own + sign * move, design)), design)
                for sign in (1.0, -1.0)
            )
            found[place] = up - down
            found[np.delete(np.arange(len(own)), others), place] = np.delete(up - down, others)
        return -(found + found.T) / (4.0 * step)


def _minimum(
    task: _Penalised, start: FloatArray, covariance: FloatArray | None = None
) -> FloatArray:
    """Where the cost is least; a covariance near there spares the search learning its scales."""
    root = np.eye(len(start)) if covariance is None else square_root(covariance)

    def cost(z: FloatArray) -> tuple[float, FloatArray]:
        value, gradient = task.cost(start + root @ z)
        return value, root.T @ gradient

    found = scipy.optimize.minimize(
        cost, np.zeros(len(start)), jac=True, method="BFGS", options={"maxiter": 400, "gtol": 1e-4}
    )
    return np.asarray(start + root @ found.x)


def _covariance(task: _Penalised, at: FloatArray) -> FloatArray:
    """Inverse of the Hessian."""
    hessian = np.diag(task.prior_sd**-2.0)
    for part in task.parts:
        hessian += part.own.T @ task.bend(part, at) @ part.own
    values, vectors = np.linalg.eigh(hessian)
    # No direction is known less well than the prior knows it.
    floor = 1.0 / np.max(task.prior_sd) ** 2
    return np.asarray((vectors / np.maximum(values, floor)) @ vectors.T)


def _within_walls(task: _Penalised, at: FloatArray, covariance: FloatArray) -> FloatArray:
    """A covariance drawn in where the cost rises like a wall, which its curvature does not know of.

    Where checks come twice a year, linings are left on at 728 days and relined at 910, and the age
    of the rule may lie anywhere between: flat, until it comes to what was left on.
    """
    values, vectors = np.linalg.eigh(covariance)
    root, least = vectors * np.sqrt(np.maximum(values, 0.0)), task.cost(at)[0]

    def rises(move: FloatArray) -> float:
        return max(task.cost(at + sign * FAR_SD * move)[0] for sign in (1.0, -1.0)) - least

    for move in root.T:
        while rises(move) > MOST_RISE * FAR_SD**2 / 2.0:
            move /= np.sqrt(2.0)
    return np.asarray(root @ root.T)


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The optimum of one task: parameters, their covariance, spread of types and depots; and the
    ``change`` (None: none), whose moves stand behind the policy of since, or of the rest of the
    year."""

    task: _Penalised
    at: FloatArray
    covariance: FloatArray
    effect_sd: FloatArray
    asked: "_Form"
    change: LikelyChange | TimeOfYear | None = None

    @property
    def form(self) -> "_Form":
        """Its form, to begin others of the kind with what never changed."""
        return self.asked.begun_at(self.at) if self.change is None else self.asked

    def cost(self) -> float:
        return self.task.cost(self.at)[0]

    def evidence(self) -> float:
        """Log of the whole likelihood, effects and all (Laplace's approximation)."""
        volume = np.linalg.slogdet(self.covariance)[1] / 2.0
        return float(volume - np.log(self.task.prior_sd).sum() - self.cost())

    @property
    def since(self) -> "_Fitted":
        """The policy of since alone."""
        now = slice(len(self.task.parts[0].own))
        return replace(self, at=self.at[now], covariance=self.covariance[now, now])


def fit_policy(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    timing: RelineTiming | None = None,
    usual_days: float = QUARTER_DAYS,
) -> PolicyFit:
    """Estimate the policy from counted decisions; ``timing`` from :func:`reline_timing`; visits are
        about ``usual_days`` apart.

    Where decisions are so much likelier with relines for the age (``AGE_SCORE``), there are, and
    where with depots that reline along differently, they do. Where thresholds or chances have
    changed (``models.relines.policy.changes``), it is that of since: what was done before tells of
    the rest of the policy alone. Where they may have, it is the mean of both, weighed by their
    chances (Hoeting et al. 1999, *Statistical Science* 14:382), and nothing is said.
    """
    told, decisions = decisions, _at_most(decisions)
    found = _perhaps_aged(decisions, groups, usual_days, _fitted(decisions, groups))
    decisions = with_known_ages(decisions) if found.form.by_age else decisions
    found, slopes = _perhaps_by_depot(decisions, groups, found)
    form = found.form
    yearly, found = _perhaps_yearly(decisions, groups, found)
    likely = None if yearly else likely_change(slopes)
    mean, covariance = found.since.at, found.since.covariance
    if likely is not None and likely.score > MAYBE_SCORE:
        changed = _best_changed(decisions, groups, likely, form)
        assert isinstance(changed.change, LikelyChange)
        asked = changed.change.asked
        gain = 2.0 * (found.cost() - changed.cost()) - asked
        since = changed.since
        # A handful of relines that came no more make a likelihood far steeper than its score says.
        if gain > CHANGE_SCORE and (likely.score > CHANGE_SCORE or THRESHOLD not in likely.what):
            found = _perhaps_in_all(decisions, groups, changed, form)
            mean, covariance = found.since.at, found.since.covariance
        else:
            oldest = int(decisions.quarters_ago.max())
            share = _chance_of_change(found, changed, oldest, asked)
            apart = since.at - mean
            covariance = (1.0 - share) * covariance + share * since.covariance
            covariance = covariance + share * (1.0 - share) * np.outer(apart, apart)
            mean = mean + share * apart
    slope = found.task.cost(found.at)[1]
    return PolicyFit(
        groups=groups,
        mean=mean,
        covariance=covariance,
        type_sd=float(found.effect_sd[0]),
        depot_sd=float(found.effect_sd[1]),
        relines=told.relines,
        visits=float(told.visits.sum()),
        group_visits=sums_by(told.group, told.visits, groups.n_groups),
        read_share=told.read_share,
        timing=timing or RelineTiming(0.0, np.zeros(0)),
        converged=float(slope @ found.covariance @ slope) < CONVERGED,
        age_share=_by_age(found) / max(decisions.relines, 1.0),
        usual_days=usual_days,
        yearly=yearly,
        along_by_depot=form.by_depot,
        **_told_of(found, groups),
    )


def _at_most(decisions: AxleDecisions) -> AxleDecisions:
    """Evenly some of the rows where there are very many. A part counts as what it is: as the whole,
    chance would look like a change of policy."""
    return some_decisions(decisions, slice(None, None, len(decisions.low) // MOST_ROWS + 1))


def grouped_by_interval(
    decisions: AxleDecisions, apart: AxleDecisions, groups: PolicyGroups, by_interval: PolicyGroups
) -> bool:
    """Whether decisions are so much likelier where units that are checked seldom are relined by
    thresholds of their own (``apart``: the same decisions, ``by_interval``), effects and all."""
    alike, own = (
        _fitted(_at_most(rows), by).evidence()
        for rows, by in ((decisions, groups), (apart, by_interval))
    )
    return 2.0 * (own - alike) > CHANGE_SCORE


def _perhaps_yearly(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    never: _Fitted,
) -> tuple[YearlyRise | None, _Fitted]:
    """The policy with higher thresholds at one time of every year, if that is so much likelier than
    the one where they ``never`` are; of decisions whose time of the year is known."""
    habit = _habit_of(never.task.design, never.since.at)
    threshold = habit.threshold_mm[decisions.group % groups.n_groups]
    when = likely_time_of_year(
        lambda ago: _slopes_at(decisions, groups, never, ago),
        decisions,
        (threshold - decisions.low) / habit.spread_mm,
    )
    if when is None:
        return None, never
    known = some_decisions(decisions, of_a_known_time(decisions))
    always, found = (_fitted(known, groups, each, never.form) for each in (None, when))
    rise = -1
    if found.at[rise] <= 0.0 or 2.0 * (always.cost() - found.cost()) < YEARLY_SCORE:
        return None, never
    own, beside = found.since.covariance, found.covariance[rise, :rise]
    gain = np.asarray(np.linalg.lstsq(own, beside, rcond=None)[0], np.float64)
    doubt = float(found.covariance[rise, rise])
    left = max(doubt - float(gain @ beside), 0.0)
    yearly = YearlyRise(when, float(found.at[rise]), gain, left**0.5, doubt**0.5)
    return yearly, found


def _best_changed(
    decisions: AxleDecisions, groups: PolicyGroups, likely: LikelyChange, form: "_Form"
) -> _Fitted:
    """The policy with the change; where it is likely, of a quarter more or less if likelier, or of
    all depots: scores say too much of chances that hardly ever were."""
    last, sure = likely.quarters, likely.score > CHANGE_SCORE
    nearby = range(max(last - 1, 1), last + 2) if sure else (last,)
    tried = [_fitted(decisions, groups, replace(likely, quarters=q), form) for q in nearby]
    best = min(tried, key=lambda each: each.cost())
    if not (sure and set(likely.what) <= SELDOM and likely.depots):
        return best

    def least(found: _Fitted) -> float:
        """Its cost, with all changed that may have where that pays: a chance of since is one for
        all depots, so that some that changed alone may need more than itself to be told."""
        assert isinstance(found.change, LikelyChange)
        fuller = _perhaps_in_all(decisions, groups, found, form)
        asked = found.change.asked + CHANGE_SCORE * (fuller is not found)
        return fuller.cost() + asked / 2.0

    return min(best, _fitted(decisions, groups, likely.everywhere, form), key=least)


def _perhaps_in_all(
    decisions: AxleDecisions, groups: PolicyGroups, found: _Fitted, form: "_Form"
) -> _Fitted:
    """The policy with all that may change changed then, if that is so much likelier: what changed
    most may have hidden the rest."""
    assert isinstance(found.change, LikelyChange)
    every = replace(found.change, what=CHANGING)
    fuller = _fitted(decisions, groups, every, form)
    return fuller if 2.0 * (found.cost() - fuller.cost()) > CHANGE_SCORE else found


class _Told(TypedDict, total=False):
    """What of a change is told; see :class:`PolicyFit`."""

    changed_quarters: int
    changed_depots: tuple[str, ...]
    raised_mm: float | None
    raised_sd: float
    changed_chances: tuple[ChangedChance, ...]


def _told_of(found: _Fitted, groups: PolicyGroups) -> _Told:
    """Since when, where and in what the policy has changed, where it has: in all that moved by more
    than its doubt, or else in what the change was found by."""
    change = found.change
    if not isinstance(change, LikelyChange):
        return _Told()
    now = len(found.task.parts[0].own)
    move, doubt = found.at[now:], np.sqrt(np.diag(found.covariance)[now:])
    clear = np.abs(move) > CHANGED_SD * doubt
    clear[0] |= not clear.any()
    moved = {name: k for k, name in enumerate(change.what) if clear[k]}
    raised, places = moved.pop(THRESHOLD, None), change.places(sum(_sizes(groups)))
    return _Told(
        changed_quarters=change.quarters,
        changed_depots=tuple(groups.depots[d] for d in change.depots),
        raised_mm=None if raised is None else -float(move[raised]),
        raised_sd=0.0 if raised is None else float(doubt[raised]),
        changed_chances=tuple(
            _changed_chance(found, name, int(places[k]), now + k) for name, k in moved.items()
        ),
    )


def _changed_chance(found: _Fitted, name: str, since: int, move: int) -> ChangedChance:
    """``since``, ``move``: where its logit stands, and by how much it was another before."""
    now = len(found.task.parts[0].own)
    rows = logit_rows(found.task.design, name, now)
    own = np.pad(rows, [(0, 0), (0, len(found.at) - now)])
    was = own.copy()
    was[:, move] = 1.0
    told = [_logits(row, found.at, found.covariance) for row in (was, own)]
    (before, before_sd), (since_then, since_sd) = told
    return ChangedChance(name, before, before_sd, since_then, since_sd)


def _logits(rows: FloatArray, at: FloatArray, covariance: FloatArray) -> tuple[Numbers, Numbers]:
    """Sums of parameters and their standard errors; numbers where there is one."""
    sums, doubt = rows @ at, np.sqrt(np.einsum("di,ij,dj->d", rows, covariance, rows))
    return (sums, doubt) if len(rows) > 1 else (float(sums[0]), float(doubt[0]))


def logit_rows(design: Designs, name: str, parameters: int) -> FloatArray:
    """A chance's logits as sums of so many parameters: of each depot (D, P), or of all (1, P)."""
    place = design.thresholds.shape[1] + SHAPE.index(name)
    if name not in ALONG or not design.along.shape[1]:
        return np.eye(parameters)[[place]]
    _, places = design.by_group[1 + ALONG.index(name)]
    rows = np.eye(parameters)[places]
    rows[:, place] = 1.0
    return rows


def _sizes(groups: PolicyGroups) -> tuple[int, int]:
    return len(groups.kinds), len(groups.depots)


def _perhaps_aged(
    decisions: AxleDecisions, groups: PolicyGroups, usual_days: float, never: _Fitted
) -> _Fitted:
    """The policy with relines by age, where decisions are so much likelier with them, or the one
    where ``never`` one is. Both are held against what is on record of linings of known age."""
    (part,) = never.task.parts
    evidence = age_evidence(decisions, part.decisions, *never.task.by_group(part, never.at))
    design, (types, depots) = groups.design(), _sizes(groups)
    cells = np.zeros(types * depots, np.int64), *np.divmod(np.arange(types * depots), depots)
    told = [evidence.begins(each) for each in cells]
    if max(gain for _, gain in told) > max(MAYBE_AGE_SCORE, MAYBE_A_RELINE * decisions.relines):
        known = with_known_ages(decisions)
        begun = tuple(
            np.concatenate([own, AGE_PRIOR_MEAN[:-1], _as_effects(np.log(days), design)])
            for days, _ in told
            for own in (never.at, never.task.prior_mean)
        )
        forms = _Form(), _Form(begun, by_age=True)
        otherwise, found = (_fitted(known, groups, form=form) for form in forms)
        if 2.0 * (otherwise.cost() - found.cost()) > AGE_SCORE and _by_age(found) >= LEAST_AGED:
            return found
    return never


def _perhaps_by_depot(
    decisions: AxleDecisions, groups: PolicyGroups, alike: _Fitted
) -> tuple[_Fitted, Slopes]:
    """The policy in which depots reline along differently, where decisions are so much likelier
    with it, or the one that is ``alike`` everywhere; and the slopes there.

    Both have effects in plenty, so that their whole likelihoods are compared (Laplace's
    approximation), which many depots do not make look good by themselves.
    """

    about = _slopes_at(decisions, groups, alike)
    if len(groups.depots) < 2 or _score_by_depot(about) < MAYBE_ALONG_SCORE:
        return alike, about
    first = alike.task.design.thresholds.shape[1] + len(SHAPE)
    begun = np.insert(alike.at, first, np.zeros(len(ALONG) * len(groups.depots)))
    form = replace(alike.form, begins=(begun,), by_depot=True)
    found = _fitted(decisions, groups, form=form)
    if 2.0 * (found.evidence() - alike.evidence()) < CHANGE_SCORE:
        return alike, about
    return found, _slopes_at(decisions, groups, found)


def _slopes_at(
    decisions: AxleDecisions, groups: PolicyGroups, fitted: _Fitted, ago: IntArray | None = None
) -> Slopes:
    """About a policy, by quarter or by another time ``ago`` (R,)."""
    at, design = fitted.since.at, fitted.task.design
    return slopes_where_moved(decisions, groups, at, design, by_age=fitted.form.by_age, ago=ago)


def _score_by_depot(slopes: Slopes) -> float:
    """Score statistic of depots that reline along differently, beyond what chance alone brings."""
    score = 0.0
    for name in ALONG:
        slope, bend = (each.sum(axis=0) for each in slope_and_bend(slopes, CHANGING.index(name)))
        told = bend > 0.0
        score += float(np.sum(slope[told] ** 2 / bend[told])) - max(int(told.sum()) - 1, 0)
    return score


def _by_age(found: _Fitted) -> float:
    """Relines that were made for the lining's age."""
    task = found.task
    return sum(relines_by_age(p.decisions, *task.by_group(p, found.at)) for p in task.parts)


def _as_effects(values: FloatArray, design: FloatArray) -> FloatArray:
    """Mean and effects that come near the groups' values (G,): those of least squares."""
    shrink = np.diag([0.0, *np.ones(design.shape[1] - 1)])
    return np.asarray(np.linalg.solve(design.T @ design + 0.1 * shrink, design.T @ values))


def _chance_of_change(always: _Fitted, changed: _Fitted, quarters: int, asked: float) -> float:
    """Chance of a change against none, even before the records spoke and as likely in each of so
    many quarters, and in each of the ways that it might have been (``asked``: twice the log of how
    many there are), from both likelihoods' Laplace approximations."""
    gain, moved = always.cost() - changed.cost(), len(changed.at) - len(always.at)
    volume = np.linalg.slogdet(changed.covariance)[1] - np.linalg.slogdet(always.covariance)[1]
    prior = moved * np.log(CHANGE_SD) + np.log(max(quarters, 1))
    return float(special.expit(gain + (volume - asked) / 2.0 - prior))


def _fitted(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    change: LikelyChange | TimeOfYear | None = None,
    form: "_Form | None" = None,
) -> _Fitted:
    """The policy in some ``form`` (None: alike everywhere, never by age), with what was another
    before a ``change``.

    Where there are very many counts, the spread of types and depots comes from every k-th of them.
    """
    form, sizes = form or _Form(), _sizes(groups)
    prior, fixed_sd = form.prior(sizes)
    starts = list(form.begins) or _starts(_read_at_relines(decisions, groups, prior))
    own, places = len(prior), np.zeros(0, np.int64)
    if change is not None:
        places = change.places(sum(sizes))
        prior, *starts = (np.append(each, 0.0 * places) for each in (prior, *starts))

    def parts(some: AxleDecisions) -> tuple[_Part, ...]:
        since, move = np.eye(own, len(prior)), np.eye(own)[:, places]
        if change is None:
            return (_Part(decision_sums(some, by_age=form.by_age), since),)
        was = change.was_before(some, groups)
        before = np.hstack([since[:, :own], move])
        apart = (
            (some_decisions(some, np.flatnonzero(rows)), of)
            for rows, of in ((~was, since), (was, before))
        )
        return tuple(_Part(decision_sums(rows, by_age=form.by_age), of) for rows, of in apart)

    effects = form.effects(sizes)

    def prior_sd(sd: FloatArray) -> FloatArray:
        found = np.append(fixed_sd, np.full(len(places), CHANGE_SD))
        for (at, _), each in zip(effects, sd, strict=True):
            found[at] = each
        return found

    sd = _effect_sd(starts[0], np.zeros(len(prior)), effects)
    every = len(decisions.low) // PILOT_ROWS + 1
    design = designs(groups, along_by_depot=form.by_depot)
    task = _Penalised(parts(thinned(decisions, every)), design, prior, prior_sd(sd))
    at = min((_minimum(task, start) for start in starts), key=lambda at: task.cost(at)[0])
    for _ in range(_EM_STEPS):
        covariance = _covariance(task, at)
        sd = _effect_sd(at, np.diag(covariance), effects)
        task = replace(task, prior_sd=prior_sd(sd))
        at = _minimum(task, at, covariance)
    if every > 1:
        task = replace(task, parts=parts(decisions))
        at = _minimum(task, at, covariance / every)
    covariance = _covariance(task, at)
    covariance = _within_walls(task, at, covariance) if form.by_age else covariance
    return _Fitted(task, at, covariance, sd, form, change)


@dataclass(frozen=True, slots=True)
class _Form:
    """What a policy has beside thresholds and ``SHAPE``: relines ``by_age``, chances of going along
    ``by_depot``; and parameters to begin the search with (none: those that readings suggest)."""

    begins: tuple[FloatArray, ...] = ()
    by_age: bool = False
    by_depot: bool = False

    def begun_at(self, at: FloatArray) -> "_Form":
        return replace(self, begins=(at,)) if self.by_age or self.by_depot else self

    def prior(self, sizes: tuple[int, int]) -> tuple[FloatArray, FloatArray]:
        """Mean and SD, those of effects to be filled in."""
        effects, along = np.zeros(sum(sizes)), np.zeros(len(ALONG) * sizes[1] * self.by_depot)
        means = [PRIOR_MEAN[:1], effects, PRIOR_MEAN[1:], along]
        sds = [PRIOR_SD[:1], effects, PRIOR_SD[1:], along]
        if self.by_age:
            means, sds = [*means, AGE_PRIOR_MEAN, effects], [*sds, AGE_PRIOR_SD, effects]
        return np.concatenate(means), np.concatenate(sds)

    def effects(self, sizes: tuple[int, int]) -> list[tuple[slice, float]]:
        """Where effects of one kind stand, types' and depots' in turn, and their SD guessed."""
        types, depots = sizes
        kinds = [(1, types, _EFFECT_SD), (0, depots, _EFFECT_SD), (len(SHAPE), 0, 0.0)]
        kinds += [(0, depots, _ALONG_EFFECT_SD) for _ in ALONG * self.by_depot]
        kinds += [(len(AGE_PRIOR_MEAN), types, _AGE_EFFECT_SD), (0, depots, _AGE_EFFECT_SD)] * (
            self.by_age
        )
        found, at = list[tuple[slice, float]](), 0
        for before, many, sd in kinds:
            at += before
            found += [(slice(at, at + many), sd)] * (sd > 0.0)
            at += many
        return found


def _starts(read: FloatArray) -> list[FloatArray]:
    """Relined at about these readings by the prior's spread; or sharply, and now and then for
    another reason: either may look likeliest from afar where the other is."""
    sharp, shape = read.copy(), len(read) - len(SHAPE)
    sharp[shape + SHAPE.index("log_spread")] = np.log(SHARP_MM)
    sharp[shape + SHAPE.index("premature")] = special.logit(SHARP_PREMATURE)
    return [read, sharp]


def _read_at_relines(
    decisions: AxleDecisions, groups: PolicyGroups, prior: FloatArray
) -> FloatArray:
    """Parameters to begin with: the prior's, but thresholds at the median reading of each group's
    relined linings; depots whose habits are very unlike are not found from one threshold for all.
    """
    group, low, visits = decisions.group % groups.n_groups, decisions.low, decisions.visits
    rows = np.flatnonzero(decisions.low_relined & np.isfinite(low))
    rows = rows[np.lexsort((low[rows], group[rows]))]
    many = sums_by(group[rows], visits[rows], groups.n_groups)
    told = many >= LEAST_READ
    if not told.any():
        return prior
    middle = np.searchsorted(np.cumsum(visits[rows]), np.cumsum(many) - many / 2.0)
    design = groups.design()
    begun = _as_effects(low[rows][middle][told], design[told])
    return np.concatenate([begun, prior[design.shape[1] :]])


def _effect_sd(
    at: FloatArray, variance: FloatArray, effects: Sequence[tuple[slice, float]]
) -> FloatArray:
    """One EM step for the spread of each kind of effects, with a weak prior."""
    expected = at**2 + variance
    return np.sqrt(
        [
            (expected[where].sum() + _EFFECT_WEIGHT * sd**2)
            / (len(expected[where]) + _EFFECT_WEIGHT)
            for where, sd in effects
        ]
    )


def reline_timing(events: pl.DataFrame) -> RelineTiming:
    """When decided relines get done, from rows of ``reduce.reline_events``."""
    done = events.filter(pl.col("recorded") & (pl.col("lag_days") >= 0))
    later = done.filter(pl.col("lag_days") > 0).sort("lag_days")
    total, late = (float(frame["relines"].sum()) for frame in (done, later))
    days = np.repeat(
        later["lag_days"].cast(pl.Float64).to_numpy(), later["relines"].cast(pl.Int64).to_numpy()
    )
    every = float(events["relines"].sum())
    written = float(events.filter("recorded")["relines"].sum())
    unwritten = 1.0 - written / every if every else 0.0
    return RelineTiming(late / total if total else 0.0, days, unwritten)


def threshold_variances(fit: PolicyFit) -> FloatArray:
    """Variance of each group's threshold (G,), mm²."""
    design = fit.groups.design()
    part = fit.covariance[: design.shape[1], : design.shape[1]]
    return np.asarray(np.einsum("gi,gi->g", design @ part, design))


def log_age_variances(fit: PolicyFit) -> FloatArray:
    """Variance of the log of the age at which each group relines (G,), where there is one."""
    design = fit.groups.design()
    part = fit.covariance[-design.shape[1] :, -design.shape[1] :]
    return np.asarray(np.einsum("gi,gi->g", design @ part, design))
