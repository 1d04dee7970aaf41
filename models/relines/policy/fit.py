r"""At what thickness a fleet really relines, and what goes along: estimated from its decisions.

The threshold of a group is :math:`h_g = h + a_{\text{type}} + c_{\text{depot}}`, the two effects
normal around zero, so that a type or depot with few relines leans on the fleet. Their variances
come from EM steps around the mode (Laplace approximation: Breslow, Clayton 1993, *JASA* 88:9). The
other parameters are the fleet's. Weak priors keep the answer finite where records are few; with no
reline at all they are the answer, and the fit says so.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
import scipy
from scipy import special

from models.common.arrays import FloatArray
from models.common.distributions import square_root
from models.common.group_sums import sums_by
from models.relines.policy.decisions import AxleDecisions, PolicyGroups, thinned
from models.relines.policy.likelihood import (
    SHAPE,
    DecisionSums,
    along_share,
    decision_sums,
    policy_loglik,
)

FEW_RELINES = 10
"""With fewer relines on record the policy is a guess."""
PRIOR_CHANCES = [0.05, 0.05, 0.002, 0.7, 0.05]
PRIOR_MEAN = np.array([1.0, np.log(0.5), *special.logit(PRIOR_CHANCES), np.log(8.0)])
PRIOR_SD = np.array([2.0, 0.7, 1.5, 1.5, 1.5, 1.5, 1.5, 0.3])
"""Threshold [mm above minimum], then ``SHAPE``: a guess of ours, no source."""
_EFFECT_SD, _EFFECT_WEIGHT = 0.3, 2.0
_EM_STEPS = 4
PILOT_ROWS = 20_000
CHANGE_SCORE = 12.35
"""A million simulated Brownian bridges seen at 13 quarters had more in 4 of 1,000."""
MAYBE_SCORE = 3.0
"""Below this no change is weighed: less than one in ten would be believed."""
LEAST_BEFORE, LEAST_SINCE = 0.15, 0.05
"""Share of what is known of thresholds that lies before a change, and since."""
CHANGE_SD = 2.0
"""By how many mm thresholds change where they do: a guess of ours, no source."""
CONVERGED = 1e-4
"""Gain in log-likelihood (twice) that a further Newton step may still promise."""


@dataclass(frozen=True, slots=True)
class ReplacementPolicy:
    """One set of policies: thresholds (G,) [mm above minimum], their spread, chances, and about how
    much lining the other end of an axle may have to go along."""

    threshold_mm: FloatArray
    spread_mm: float
    missed: float
    missed_below: float
    premature: float
    pair: float
    unit: float
    along_below_mm: float = np.inf

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
    """A fleet's policy: ``mean`` and ``covariance`` of [h, types, depots, ``SHAPE``].

    ``relines`` of wheel ends and ``visits`` of axles behind it; ``type_sd``, ``depot_sd``: spread
    of thresholds [mm]; ``read_share``: chance that a wheel end is read at a visit;
    ``changed_quarters``: for how long it has been so, where it was another before (0: always);
    ``raised_mm``, ``raised_sd``: by how much thresholds were raised then.
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
    raised_mm: float = 0.0
    raised_sd: float = 0.0

    @property
    def is_guess(self) -> bool:
        """Too few relines on record to speak of a policy."""
        return self.relines < FEW_RELINES


def _habit_of(design: FloatArray, parameters: FloatArray) -> ReplacementPolicy:
    """The policies that a parameter vector stands for, by the design of their thresholds."""
    spread, *logits, along = parameters[-len(SHAPE) :]
    missed, below, premature, pair, unit = special.expit(np.array(logits))
    return ReplacementPolicy(
        threshold_mm=design @ parameters[: -len(SHAPE)],
        spread_mm=float(np.exp(spread)),
        missed=float(missed),
        missed_below=float(below),
        premature=float(premature),
        pair=float(pair),
        unit=float(unit),
        along_below_mm=float(np.exp(along)),
    )


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
    """The penalised likelihood: decisions, design of the thresholds, and the normal prior."""

    decisions: DecisionSums
    design: FloatArray
    prior_mean: FloatArray
    prior_sd: FloatArray

    def cost(self, parameters: FloatArray) -> tuple[float, FloatArray]:
        n_shape = len(SHAPE)
        loglik, in_threshold, in_shape = policy_loglik(
            self.decisions, self.design @ parameters[:-n_shape], parameters[-n_shape:]
        )
        pull = (parameters - self.prior_mean) / self.prior_sd
        gradient = np.concatenate([self.design.T @ in_threshold, in_shape])
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
    step, n_shape = 1e-4, len(SHAPE)
    threshold, shape = task.design @ at[:-n_shape], at[-n_shape:]

    def bend(moved_mm: float, moved: FloatArray) -> tuple[FloatArray, FloatArray]:
        up, down = (
            policy_loglik(task.decisions, threshold + sign * moved_mm, shape + sign * moved)
            for sign in (1.0, -1.0)
        )
        return (up[1] - down[1]) / (2.0 * step), (up[2] - down[2]) / (2.0 * step)

    own, _ = bend(step, np.zeros(n_shape))
    in_threshold, in_shape = map(
        np.array, zip(*(bend(0.0, step * e) for e in np.eye(n_shape)), strict=True)
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


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The optimum of one task: parameters, their covariance, spread of types and depots."""

    task: _Penalised
    at: FloatArray
    covariance: FloatArray
    effect_sd: FloatArray


def fit_policy(
    decisions: AxleDecisions, groups: PolicyGroups, timing: RelineTiming | None = None
) -> PolicyFit:
    """Estimate the policy from counted decisions; ``timing`` from :func:`reline_timing`.

    Where thresholds have changed (:func:`likely_change`), it is that of since: what was done before
    tells of the rest of the policy alone. Where they may have, it is the mean of both, weighed by
    their chances (Hoeting et al. 1999, *Statistical Science* 14:382), and nothing is said.
    """
    found, changed = _fitted(decisions, groups, 0), 0
    likely, score = likely_change(decisions, groups, found.at)
    before = groups.design().shape[1]
    mean, covariance = found.at, found.covariance
    if score > MAYBE_SCORE:
        sure = score > CHANGE_SCORE
        nearby = range(max(likely - 1, 1), likely + 2) if sure else (likely,)
        others = {quarters: _fitted(decisions, groups, quarters) for quarters in nearby}
        costs = {quarters: other.task.cost(other.at)[0] for quarters, other in others.items()}
        best = min(costs, key=costs.__getitem__)
        now = np.delete(np.arange(len(others[best].at)), before)
        at, doubt = others[best].at[now], others[best].covariance[np.ix_(now, now)]
        if sure and 2.0 * (found.task.cost(found.at)[0] - costs[best]) > CHANGE_SCORE:
            found, changed, mean, covariance = others[best], best, at, doubt
        else:
            share = _chance_of_change(found, others[best], int(decisions.quarters_ago.max()))
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
        relines=decisions.relines,
        visits=float(decisions.visits.sum()),
        group_visits=sums_by(decisions.group, decisions.visits, groups.n_groups),
        read_share=decisions.read_share,
        timing=timing or RelineTiming(0.0, np.zeros(0)),
        converged=float(slope @ found.covariance @ slope) < CONVERGED,
        changed_quarters=changed,
        raised_mm=-float(found.at[before]) if changed else 0.0,
        raised_sd=float(np.sqrt(found.covariance[before, before])) if changed else 0.0,
    )


def _chance_of_change(always: _Fitted, changed: _Fitted, quarters: int) -> float:
    """Chance of a change against none, even before the records spoke and as likely in each of so
    many quarters, from both likelihoods' Laplace approximations."""
    gain = always.task.cost(always.at)[0] - changed.task.cost(changed.at)[0]
    volume = np.linalg.slogdet(changed.covariance)[1] - np.linalg.slogdet(always.covariance)[1]
    odds = gain + volume / 2.0 - np.log(CHANGE_SD) - np.log(max(quarters, 1))
    return float(special.expit(odds))


def likely_change(
    decisions: AxleDecisions, groups: PolicyGroups, at: FloatArray
) -> tuple[int, float]:
    """For how many quarters thresholds have likeliest been others than before, and the score.

    The largest score statistic over all quarters (Andrews 1993, *Econometrica* 61:821); beyond
    :data:`CHANGE_SCORE` are four in a thousand fleets without a change.
    """
    quarter, n = decisions.quarters_ago, groups.n_groups
    last = int(quarter.max(initial=0))
    apart = decision_sums(replace(decisions, group=decisions.group + n * quarter))
    threshold, n_shape = groups.design() @ at[: -len(SHAPE)], len(SHAPE)

    def slopes(moved_mm: float) -> FloatArray:
        moved = np.tile(threshold + moved_mm, last + 1)
        by_group = policy_loglik(apart, moved, at[-n_shape:])[1]
        return np.asarray(by_group.reshape(last + 1, n).sum(axis=1))

    step = 0.05
    slope, bend = slopes(0.0), (slopes(-step) - slopes(step)) / (2.0 * step)
    # From each quarter on, back to the first: what a threshold of their own would gain.
    old, old_bend = (np.cumsum(each[::-1])[::-1] for each in (slope, bend))
    every, new_bend = max(float(old_bend[0]), 1e-9), old_bend[0] - old_bend
    score = old - slope.sum() * old_bend / every
    variance = old_bend * new_bend / every
    # A few decisions at one end of the records tell of luck, not of a policy.
    told = (old_bend > LEAST_BEFORE * every) & (new_bend > LEAST_SINCE * every)
    gain = np.where(told, score**2 / np.where(told, variance, 1.0), 0.0)
    best = int(gain.argmax())
    return best, float(gain[best])


def _fitted(decisions: AxleDecisions, groups: PolicyGroups, changed: int) -> _Fitted:
    """The policy, with thresholds that were others before the last ``changed`` quarters (0: never
    were).

    Where there are very many counts, the spread of types and depots comes from every k-th of them.
    """
    sizes = len(groups.axle_types), len(groups.depots)
    design, moved = groups.design(), np.zeros(0)
    if changed:
        before = decisions.quarters_ago >= changed
        decisions = replace(decisions, group=decisions.group + groups.n_groups * before)
        was = np.repeat([0.0, 1.0], groups.n_groups)
        design, moved = np.column_stack([np.tile(design, (2, 1)), was]), np.array([CHANGE_SD])
    start = np.concatenate([PRIOR_MEAN[:1], np.zeros(sum(sizes)), 0.0 * moved, PRIOR_MEAN[1:]])
    sd = np.array([_EFFECT_SD, _EFFECT_SD])
    every = len(decisions.low) // PILOT_ROWS + 1
    some = decision_sums(thinned(decisions, every))
    task = _Penalised(some, design, start, _prior_sd(sd, *sizes, moved))
    at = _minimum(task, start)
    for _ in range(_EM_STEPS):
        covariance = _covariance(task, at)
        sd = _effect_sd(at, covariance, *sizes)
        task = replace(task, prior_sd=_prior_sd(sd, *sizes, moved))
        at = _minimum(task, at, covariance)
    if every > 1:
        task = replace(task, decisions=decision_sums(decisions))
        at = _minimum(task, at, covariance / every)
    return _Fitted(task, at, _covariance(task, at), sd)


def _prior_sd(sd: FloatArray, n_types: int, n_depots: int, moved: FloatArray) -> FloatArray:
    effects = np.repeat(sd, [n_types, n_depots])
    return np.concatenate([PRIOR_SD[:1], effects, moved, PRIOR_SD[1:]])


def _effect_sd(at: FloatArray, covariance: FloatArray, n_types: int, n_depots: int) -> FloatArray:
    """One EM step for the spread of type and depot effects, with a weak prior."""
    expected = at**2 + np.diag(covariance)
    types, depots = expected[1 : 1 + n_types], expected[1 + n_types : 1 + n_types + n_depots]
    prior = _EFFECT_WEIGHT * _EFFECT_SD**2
    return np.sqrt([(e.sum() + prior) / (len(e) + _EFFECT_WEIGHT) for e in (types, depots)])


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
