r"""At what thickness a fleet really relines, and what goes along: estimated from its decisions.

The threshold of a group is :math:`h_g = h + a_{\text{type}} + c_{\text{depot}}`, the two effects
normal around zero, so that a type or depot with few relines leans on the fleet. Their variances
come from EM steps around the mode (Laplace approximation: Breslow, Clayton 1993, *JASA* 88:9). The
other parameters are the fleet's. Weak priors keep the answer finite where records are few; with no
reline at all they are the answer, and the fit says so.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
import scipy
from scipy import special

from models.common.arrays import BoolArray, FloatArray
from models.common.distributions import square_root
from models.common.group_sums import sums_by
from models.relines.policy.age_evidence import (
    LEAST_AGED,
    MAYBE_A_RELINE,
    MAYBE_AGE_SCORE,
    age_evidence,
)
from models.relines.policy.ages import AGE_SHAPE, AgeRule, age_rule
from models.relines.policy.decisions import (
    QUARTER_DAYS,
    AxleDecisions,
    PolicyGroups,
    thinned,
    with_known_ages,
)
from models.relines.policy.likelihood import (
    SHAPE,
    DecisionSums,
    along_share,
    decision_sums,
    policy_loglik,
    relines_by_age,
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
LEAST_READ = 5.0
"""Relines read by which a group's threshold is guessed before it is fitted."""
AGE_SCORE = 20.0
"""So much more likely (twice the log) must the decisions be where some are made by age."""
PILOT_ROWS = 20_000
MOST_ROWS = 300_000
"""Kinds of decisions that a policy is fitted to: a hundred thousand relines tell a threshold to a
hundredth of a millimetre."""
CHANGE_SCORE = 12.35
"""A million simulated Brownian bridges seen at 13 quarters had more in 4 of 1,000. Of some depots
alone more is asked, twice the log of how many such sets there are: as seldom does any have it."""
MAYBE_SCORE = 3.0
"""Below this no change is weighed: less than one in ten would be believed."""
LEAST_BEFORE, LEAST_SINCE = 0.15, 0.05
"""Share of what is known of thresholds that lies before a change, and since."""
CHANGE_SD = 2.0
"""By how many mm thresholds change where they do: a guess of ours, no source."""
FAR_SD, MOST_RISE = 2.0, 3.0
"""So many standard deviations away the cost may rise by so many times what a normal one does."""
CONVERGED = 1e-4
"""Gain in log-likelihood (twice) that a further Newton step may still promise."""


@dataclass(frozen=True, slots=True)
class ReplacementPolicy:
    """One set of policies: thresholds (G,) [mm above minimum], their spread, chances, about how
    much lining the other end of an axle may have to go along, and relines for the lining's age
    (None: there are none)."""

    threshold_mm: FloatArray
    spread_mm: float
    missed: float
    missed_below: float
    premature: float
    pair: float
    unit: float
    along_below_mm: float = np.inf
    by_age: AgeRule | None = None

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
class PolicyFit:
    """A fleet's policy: ``mean`` and ``covariance`` of [h, types, depots, ``SHAPE``], and where
    some are relined for their age of [``AGE_SHAPE``, log A, types, depots] behind these.

    ``relines`` of wheel ends and ``visits`` of axles behind it; ``type_sd``, ``depot_sd``: spread
    of thresholds [mm]; ``read_share``: chance that a wheel end is read at a visit;
    ``changed_quarters``: for how long it has been so, where it was another before (0: always), at
    ``changed_depots`` alone (none: everywhere);
    ``raised_mm``, ``raised_sd``: by how much thresholds were raised then; ``age_share``: share of
    relines that were made for the lining's age, and would not have been by the reading (0: none);
    ``usual_days`` between visits.
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
    raised_mm: float = 0.0
    raised_sd: float = 0.0
    age_share: float = 0.0
    usual_days: float = QUARTER_DAYS

    @property
    def is_guess(self) -> bool:
        """Too few relines on record to speak of a policy."""
        return self.relines < FEW_RELINES


def _habit_of(design: FloatArray, parameters: FloatArray) -> ReplacementPolicy:
    """The policies that a parameter vector stands for, by the design of their thresholds."""
    thresholds, own, aged = _parts(parameters, design.shape[1])
    spread, *logits, along = own
    missed, below, premature, pair, unit = special.expit(np.array(logits))
    by_age, log_days = np.split(aged, [len(AGE_SHAPE)])
    return ReplacementPolicy(
        threshold_mm=design @ thresholds,
        spread_mm=float(np.exp(spread)),
        missed=float(missed),
        missed_below=float(below),
        premature=float(premature),
        pair=float(pair),
        unit=float(unit),
        along_below_mm=float(np.exp(along)),
        by_age=age_rule(by_age, design @ log_days) if len(aged) else None,
    )


def _parts(parameters: FloatArray, thresholds: int) -> list[FloatArray]:
    """What a parameter vector says of thresholds, of ``SHAPE``, and of relines by age."""
    return np.split(parameters, [thresholds, thresholds + len(SHAPE)])


def mean_policy(fit: PolicyFit) -> ReplacementPolicy:
    """The policies at the estimate."""
    return _habit_of(fit.groups.design(), fit.mean)


def drawn_policies(
    fit: PolicyFit, draws: int, rng: np.random.Generator
) -> tuple[ReplacementPolicy, ...]:
    """Policies drawn from their uncertainty: each is one the whole fleet may have."""
    root, design = square_root(fit.covariance), fit.groups.design()
    noise = rng.standard_normal((draws, len(fit.mean)))
    return tuple(_habit_of(design, fit.mean + root @ z) for z in noise)


@dataclass(frozen=True, slots=True)
class _Penalised:
    """The penalised likelihood: decisions, design of the thresholds and of log A, and the normal
    prior."""

    decisions: DecisionSums
    design: FloatArray
    age_design: FloatArray
    prior_mean: FloatArray
    prior_sd: FloatArray

    def by_group(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Thresholds of the groups, and what the likelihood calls its shape."""
        thresholds, own, aged = _parts(parameters, self.design.shape[1])
        if len(aged) == 0:
            return self.design @ thresholds, own
        by_age, log_days = np.split(aged, [len(AGE_SHAPE)])
        return self.design @ thresholds, np.concatenate([own, by_age, self.age_design @ log_days])

    def in_shape(self, slope: FloatArray) -> FloatArray:
        """Slopes (…, shape) in the likelihood's shape as slopes in the parameters."""
        own, log_days = np.split(slope, [len(SHAPE) + len(AGE_SHAPE)], axis=-1)
        return np.concatenate([own, log_days @ self.age_design], axis=-1) if log_days.size else own

    def cost(self, parameters: FloatArray) -> tuple[float, FloatArray]:
        loglik, in_threshold, in_shape = policy_loglik(self.decisions, *self.by_group(parameters))
        pull = (parameters - self.prior_mean) / self.prior_sd
        gradient = np.concatenate([self.design.T @ in_threshold, self.in_shape(in_shape)])
        return float(pull @ pull) / 2.0 - loglik, pull / self.prior_sd - gradient


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
    """Inverse of the Hessian, by central differences of the exact gradient.

    A decision depends on its own group's threshold alone, so one step of all thresholds together
    gives every group's own curvature, and a step of each shape parameter the rest.
    """
    step, n = 1e-4, task.design.shape[1]
    threshold, _ = task.by_group(at)

    def bend(moved_mm: float, moved: FloatArray) -> tuple[FloatArray, FloatArray]:
        up, down = (
            policy_loglik(
                task.decisions,
                threshold + sign * moved_mm,
                task.by_group(np.concatenate([at[:n], at[n:] + sign * moved]))[1],
            )
            for sign in (1.0, -1.0)
        )
        in_shape = task.in_shape(up[2] - down[2]) / (2.0 * step)
        return (up[1] - down[1]) / (2.0 * step), in_shape

    own, _ = bend(step, np.zeros(len(at) - n))
    in_threshold, in_shape = map(
        np.array, zip(*(bend(0.0, step * e) for e in np.eye(len(at) - n)), strict=True)
    )
    beside = task.design.T @ in_threshold.T
    hessian = np.diag(task.prior_sd**-2.0) - np.block(
        [
            [task.design.T @ (own[:, None] * task.design), beside],
            [beside.T, (in_shape + in_shape.T) / 2.0],
        ]
    )
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
    """The optimum of one task: parameters, their covariance, spread of types and depots."""

    task: _Penalised
    at: FloatArray
    covariance: FloatArray
    effect_sd: FloatArray


def fit_policy(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    timing: RelineTiming | None = None,
    usual_days: float = QUARTER_DAYS,
) -> PolicyFit:
    """Estimate the policy from counted decisions; ``timing`` from :func:`reline_timing`; visits are
    about ``usual_days`` apart.

    Where decisions are so much likelier with relines for the age (``AGE_SCORE``), there are. Where
    thresholds have changed (:func:`likely_change`), it is that of since: what was done before
    tells of the rest of the policy alone. Where they may have, it is the mean of both, weighed by
    their chances (Hoeting et al. 1999, *Statistical Science* 14:382), and nothing is said.
    """
    told, decisions = decisions, thinned(decisions, len(decisions.low) // MOST_ROWS + 1)
    found, changed = _fitted(decisions, groups, 0), 0
    aged, found = _perhaps_aged(decisions, groups, usual_days, found)
    decisions = with_known_ages(decisions) if aged else decisions
    likely = likely_change(decisions, groups, found.at, by_age=bool(aged))
    before = groups.design().shape[1]
    where: tuple[str, ...] = ()
    mean, covariance = found.at, found.covariance
    if likely.score > MAYBE_SCORE:
        sure, last = likely.score > CHANGE_SCORE, likely.quarters
        nearby = range(max(last - 1, 1), last + 2) if sure else (last,)
        others = {q: _fitted(decisions, groups, q, aged, likely.depots) for q in nearby}
        costs = {quarters: other.task.cost(other.at)[0] for quarters, other in others.items()}
        best = min(costs, key=costs.__getitem__)
        now = np.delete(np.arange(len(others[best].at)), before)
        at, doubt = others[best].at[now], others[best].covariance[np.ix_(now, now)]
        gain = 2.0 * (found.task.cost(found.at)[0] - costs[best]) - likely.asked
        if sure and gain > CHANGE_SCORE:
            found, changed, mean, covariance = others[best], best, at, doubt
            where = tuple(groups.depots[d] for d in likely.depots)
        else:
            oldest = int(decisions.quarters_ago.max())
            share = _chance_of_change(found, others[best], oldest, likely.asked)
            apart = at - mean
            covariance = (1.0 - share) * covariance + share * doubt
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
        changed_quarters=changed,
        changed_depots=where,
        raised_mm=-float(found.at[before]) if changed else 0.0,
        raised_sd=float(np.sqrt(found.covariance[before, before])) if changed else 0.0,
        age_share=_by_age(found) / max(decisions.relines, 1.0),
        usual_days=usual_days,
    )


def _perhaps_aged(
    decisions: AxleDecisions, groups: PolicyGroups, usual_days: float, never: _Fitted
) -> tuple[list[FloatArray], _Fitted]:
    """The policy with relines by age, where decisions are so much likelier with them, and what
    tells it from one where ``never`` one is. Both are held against what is on record of linings of
    known age."""
    evidence = age_evidence(decisions, never.task.decisions, *never.task.by_group(never.at))
    design, types, depots = groups.design(), len(groups.axle_types), len(groups.depots)
    cells = np.zeros(types * depots, np.int64), *np.divmod(np.arange(types * depots), depots)
    told = [evidence.begins(each) for each in cells]
    if max(gain for _, gain in told) > max(MAYBE_AGE_SCORE, MAYBE_A_RELINE * decisions.relines):
        known = with_known_ages(decisions)
        begun = [
            np.concatenate([own, AGE_PRIOR_MEAN[:-1], _as_effects(np.log(days), design)])
            for days, _ in told
            for own in (never.at, never.task.prior_mean)
        ]
        otherwise, found = _fitted(known, groups, 0), _fitted(known, groups, 0, begun)
        gain = otherwise.task.cost(otherwise.at)[0] - found.task.cost(found.at)[0]
        if 2.0 * gain > AGE_SCORE and _by_age(found) >= LEAST_AGED:
            return [found.at], found
    return [], never


def _by_age(found: _Fitted) -> float:
    """Relines that were made for the lining's age."""
    return relines_by_age(found.task.decisions, *found.task.by_group(found.at))


def _as_effects(values: FloatArray, design: FloatArray) -> FloatArray:
    """Mean and effects that come near the groups' values (G,): those of least squares."""
    shrink = np.diag([0.0, *np.ones(design.shape[1] - 1)])
    return np.asarray(np.linalg.solve(design.T @ design + 0.1 * shrink, design.T @ values))


def _chance_of_change(always: _Fitted, changed: _Fitted, quarters: int, asked: float) -> float:
    """Chance of a change against none, even before the records spoke and as likely in each of so
    many quarters, everywhere or at some depots (``asked``: twice the log of how many such sets
    there are), from both likelihoods' Laplace approximations."""
    gain = always.task.cost(always.at)[0] - changed.task.cost(changed.at)[0]
    volume = np.linalg.slogdet(changed.covariance)[1] - np.linalg.slogdet(always.covariance)[1]
    odds = gain + (volume - asked) / 2.0 - np.log(CHANGE_SD * max(quarters, 1))
    return float(special.expit(odds))


@dataclass(frozen=True, slots=True)
class LikelyChange:
    """For how many ``quarters`` thresholds have likeliest been others than before, at which depots
    by number (none: everywhere), and the ``score``; of some depots, less what was ``asked`` for
    their being some of many."""

    quarters: int
    depots: tuple[int, ...]
    score: float
    asked: float = 0.0


def likely_change(
    decisions: AxleDecisions, groups: PolicyGroups, at: FloatArray, *, by_age: bool = False
) -> LikelyChange:
    """The largest score statistic over all quarters (Andrews 1993, *Econometrica* 61:821), of all
    depots together and of those that moved most; beyond :data:`CHANGE_SCORE` are four in a thousand
    fleets without a change."""
    quarter, n = decisions.quarters_ago, groups.n_groups
    last = int(quarter.max(initial=0))
    apart = decision_sums(replace(decisions, group=decisions.group + n * quarter), by_age=by_age)
    design = groups.design()
    task = _Penalised(apart, design, np.tile(design, (last + 1, 1)), at, at)
    threshold, shape = task.by_group(at)

    def slopes(moved_mm: float) -> FloatArray:
        by_group = policy_loglik(apart, np.tile(threshold + moved_mm, last + 1), shape)[1]
        by_type = by_group.reshape(last + 1, -1, len(groups.depots))
        return np.asarray(by_type.sum(axis=1))

    step = 0.05
    slope, bend = slopes(0.0), (slopes(-step) - slopes(step)) / (2.0 * step)
    score, variance, told = _moved(slope.sum(axis=1), bend.sum(axis=1))
    gain = np.where(told, score**2 / np.where(told, variance, 1.0), 0.0)
    every = LikelyChange(int(gain.argmax()), (), float(gain.max()))
    return max(every, _of_some(slope, bend), key=lambda each: each.score)


def _of_some(slope: FloatArray, bend: FloatArray) -> LikelyChange:
    """Of the depots that were moved most, or least, however many; ``slope``, ``bend`` (Q, C) by
    quarter and depot."""
    depots = slope.shape[1]
    if depots < 2:
        return LikelyChange(0, (), 0.0)
    score, variance, told = _moved(slope, bend)
    moved = np.where(told, score / np.where(told, variance, 1.0), 0.0)
    best = LikelyChange(0, (), 0.0)
    # By Bonferroni's bound over all such sets.
    asked = [2.0 * math.log((depots - 1) * math.comb(depots, k)) for k in range(1, depots)]
    for quarters, order in enumerate(np.argsort(moved, axis=1, kind="stable")):
        for turned in (order, order[::-1]):
            some = [d for d in turned if told[quarters, d]]
            gains = np.cumsum(score[quarters, some]) ** 2 / np.cumsum(variance[quarters, some])
            for many, (gain, more) in enumerate(zip(gains, asked, strict=False), start=1):
                if gain - more > best.score:
                    found = tuple(sorted(int(d) for d in some[:many]))
                    best = LikelyChange(quarters, found, float(gain) - more, more)
    return best


def _moved(slope: FloatArray, bend: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """From each quarter on, back to the first: score of thresholds of their own, its variance, and
    whether enough is known on either side; along the first axis."""
    old, old_bend = (np.cumsum(each[::-1], axis=0)[::-1] for each in (slope, bend))
    every, new_bend = np.maximum(old_bend[0], 1e-9), old_bend[0] - old_bend
    score = old - slope.sum(axis=0) * old_bend / every
    # A few decisions at one end of the records tell of luck, not of a policy.
    told = (old_bend > LEAST_BEFORE * every) & (new_bend > LEAST_SINCE * every)
    return score, old_bend * new_bend / every, told


def _fitted(
    decisions: AxleDecisions,
    groups: PolicyGroups,
    changed: int,
    aged: Sequence[FloatArray] = (),
    depots: tuple[int, ...] = (),
) -> _Fitted:
    """The policy, with thresholds that were others before the last ``changed`` quarters (0: never
    were), at some depots or (none) at all; and with relines by age if there is something ``aged``
    to begin with: parameters of policies that never changed.

    Where there are very many counts, the spread of types and depots comes from every k-th of them.
    """
    sizes = len(groups.axle_types), len(groups.depots)
    design, age_design, moved = groups.design(), groups.design(), np.zeros(0)
    if changed:
        before = decisions.quarters_ago >= changed
        if depots:
            before &= np.isin(decisions.group % len(groups.depots), depots)
        decisions = replace(decisions, group=decisions.group + groups.n_groups * before)
        was = np.repeat([0.0, 1.0], groups.n_groups)
        design, moved = np.column_stack([np.tile(design, (2, 1)), was]), np.array([CHANGE_SD])
        age_design = np.tile(age_design, (2, 1))
    effects = np.zeros(sum(sizes))
    prior = np.concatenate([PRIOR_MEAN[:1], effects, 0.0 * moved, PRIOR_MEAN[1:]])
    starts, by_age = [_read_at_relines(decisions, groups, prior)], bool(aged)
    if by_age:
        starts = [np.insert(begun, 1 + len(effects), 0.0 * moved) for begun in aged]
        prior = np.concatenate([prior, AGE_PRIOR_MEAN, effects])
    nothing = np.zeros((len(prior), len(prior)))
    sd = _effect_sd(starts[0], nothing, sizes, 2 + 2 * by_age)
    every = len(decisions.low) // PILOT_ROWS + 1
    some = decision_sums(thinned(decisions, every), by_age=by_age)
    task = _Penalised(some, design, age_design, prior, _prior_sd(sd, sizes, moved))
    at = min((_minimum(task, start) for start in starts), key=lambda at: task.cost(at)[0])
    for _ in range(_EM_STEPS):
        covariance = _covariance(task, at)
        sd = _effect_sd(at, covariance, sizes, len(sd))
        task = replace(task, prior_sd=_prior_sd(sd, sizes, moved))
        at = _minimum(task, at, covariance)
    if every > 1:
        task = replace(task, decisions=decision_sums(decisions, by_age=by_age))
        at = _minimum(task, at, covariance / every)
    covariance = _covariance(task, at)
    return _Fitted(task, at, _within_walls(task, at, covariance) if by_age else covariance, sd)


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


def _prior_sd(sd: FloatArray, sizes: tuple[int, int], moved: FloatArray) -> FloatArray:
    """``sd`` of types and depots in thresholds and, where some are relined by age, in log A."""
    of_threshold = [PRIOR_SD[:1], np.repeat(sd[:2], sizes), moved, PRIOR_SD[1:]]
    of_age = [AGE_PRIOR_SD, np.repeat(sd[2:], sizes)] if len(sd) > 2 else []
    return np.concatenate([*of_threshold, *of_age])


def _effect_sd(
    at: FloatArray, covariance: FloatArray, sizes: tuple[int, int], how_many: int
) -> FloatArray:
    """One EM step for the spread of type and depot effects, with a weak prior: on thresholds, and
    where there are as many, on log A."""
    expected, n = at**2 + np.diag(covariance), sum(sizes)
    parts = [*np.split(expected[1 : 1 + n], sizes[:1]), *np.split(expected[-n:], sizes[:1])]
    prior = _EFFECT_WEIGHT * np.array([_EFFECT_SD, _EFFECT_SD, _AGE_EFFECT_SD, _AGE_EFFECT_SD]) ** 2
    by_part = zip(parts[:how_many], prior, strict=False)
    return np.sqrt([(e.sum() + p) / (len(e) + _EFFECT_WEIGHT) for e, p in by_part])


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
