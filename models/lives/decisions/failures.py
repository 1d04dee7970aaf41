r"""Failed adjusters that checks will find, month by month: what a workshop will have to replace.

An alternating renewal process along each unit's visits (Barlow & Proschan 1965, *Mathematical
Theory of Reliability*, ch. 3; Ross 1996, *Stochastic Processes*, 3.4): an adjuster works until it
fails, stays on failed until a check finds it, is replaced there, and its successor starts at age 0.
With km :math:`c_0=0,c_1,\dots` at the visits since the unit was last seen, the adjuster then of age
a, S its survival and s the chance that a check finds a failure,

.. math::
   w_j = \frac{S(a+c_{j-1})-S(a+c_j)}{S(a)}
         + \sum_{i<j} m_i\,\{S(c_{j-1}-c_i)-S(c_j-c_i)\},\qquad
   h_j = (1-s)\,h_{j-1} + w_j,\qquad m_j = s\,h_j

Where adjusters are also replaced before they fail (with a reline, or by age), each that works at a
visit is with chance u: what is left of it then counts by :math:`(1-u)` a visit, and what was fitted
so starts at age 0 beside what was found failed.

w being what fails between two visits, h what stands failed at one, and m what it finds. Visits,
km, absence and leaving are those of :mod:`models.usage.drawn.visits`, on which relines are forecast
too.

Records date a failure by the last check that was passed and the one that was not, so a failure that
a check missed counts as a later one in the fitted life. With that life s is 1: missing it once
more would count the same delay twice.

**Uncertainty.** A life's distribution is drawn by its Akaike weight, its parameters to first order
(:func:`models.lives.decisions.fleet.log_slopes`), once for all groups that borrow it. What each
drawn life expects to come is then multiplied by what the failures found of late make of it
(:mod:`models.lives.decisions.found`): a life that says too much of what is over says too much of
what comes. Failures of known age are in both, in the fit and among those found, so that limits are
a little narrow where most ages are known. Around the expectation a count is a sum over places p,
each of which has :math:`n_p` expected and
:math:`f_p=E[N_p(N_p-1)]`: its variance is :math:`(1-q)` times the mean, with
:math:`q=\sum(n_p^2-f_p)/\sum n_p`, where Poisson's has q = 0. f is twice the expected pairs of
findings: what visit i finds, times what is found after it of the adjuster fitted there.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.lives.decisions.fleet import SMALLEST, KnownLife, log_slopes
from models.lives.decisions.found import QUARTERS, RIGHT, FoundFactor, Watched, expected_of
from models.lives.fits.distributions import DistributionName, LifeDistribution
from models.usage.drawn.visits import DrawnVisits

MOST_ADJUSTERS = 40_000
"""Adjusters of a group followed along each course; of more, evenly some of every place."""
MOST_SHARE = 0.9
LARGEST_MOVE = 20.0
SLOPE_EVERY = 4
SMOOTHED = 0.05
"""Share of a mean month's findings: of months with far fewer a life's slope is not their own."""
LEAST_WATCHED = 1.0
"""Failures expected of quarters that are over from which on those found tell of a life."""


@dataclass(frozen=True, slots=True)
class AdjusterGroup:
    """Adjusters that share a fitted life.

    fits: distributions that the records leave open, with weights that add up to 1; whose: which
    life it is, the same for groups that borrow one. age_km (n,): when the unit was last seen; unit:
    its number in the visits; place: numbers the depots; weight: how many adjusters it stands for.
    renewed: the chance that a working adjuster is replaced at a visit all the same. watched:
    adjusters of the group that were looked at in quarters that are over, and found (Q,):
    how many of them had failed; assumed: whether the life is none of theirs; apart: groups that
    are held against what was found of them together.
    """

    fits: tuple[tuple[KnownLife, float], ...]
    whose: Hashable
    age_km: FloatArray
    unit: IntArray
    place: IntArray
    weight: FloatArray
    assumed: bool = False
    apart: Hashable = None
    renewed: float = 0.0
    watched: tuple[Watched, ...] = ()
    found: FloatArray = field(default_factory=lambda: np.zeros(QUARTERS))

    @property
    def likeliest(self) -> DistributionName:
        return max(self.fits, key=lambda each: each[1])[0].name


@dataclass(frozen=True, slots=True)
class FailuresToCome:
    """Failures found by place and month, as findings of late make them likely.

    expected: (P, M), averaged over distributions; under: the same by the name of the distribution
    that every group follows which leaves it open; drawn: expectations under D drawn lives (D, P,
    M); q: how far a count is from Poisson's, over all M months.
    """

    expected: FloatArray
    under: Mapping[DistributionName, FloatArray]
    drawn: FloatArray
    q: float

    def counts(self, rng: np.random.Generator, factor: FloatArray | None = None) -> IntArray:
        """Numbers found (D, P, M), ``factor`` (D, M) on their expectations."""
        mean = self.drawn if factor is None else self.drawn * factor[:, None, :]
        total = mean.sum(axis=2)
        share = mean / np.maximum(total, 1e-300)[..., None]
        n = _drawn_totals(total, self.q, rng)
        # What rounding leaves over belongs to the last month.
        share[..., -1] = np.maximum(1.0 - share[..., :-1].sum(axis=2), 0.0)
        share /= share.sum(axis=2, keepdims=True)
        return np.asarray(rng.multinomial(n, share), np.int64)


def _drawn_totals(mean: FloatArray, q: float, rng: np.random.Generator) -> IntArray:
    """Counts of such a mean and (1 - q) times its variance."""
    if q < 1e-6:
        return np.asarray(rng.poisson(mean), np.int64)
    trials = mean / q
    whole = np.floor(trials)
    rest = rng.random(mean.shape) < trials - whole
    return np.asarray(rng.binomial(whole.astype(np.int64) + rest, q), np.int64)


def found_at_visits(
    life: LifeDistribution,
    age_km: FloatArray,
    unit: IntArray,
    km: FloatArray,
    finds: float = 1.0,
    renewed: float = 0.0,
) -> FloatArray:
    """Expected failures found at each visit (V, B, n), in places whose adjusters work at ``age_km``
    (n,) when their units were last seen; ``km`` (V, B, U) run since then; ``finds``: the chance
    that a check finds a failed adjuster, ``renewed``: that it replaces one that works."""
    good = np.exp(life.log_survival(age_km + km[:, :, unit]) - life.log_survival(age_km))
    found, fitted, stays = np.empty_like(good), np.empty_like(good), 1.0 - renewed
    hidden, works = np.zeros(good.shape[1:]), np.ones(good.shape[1:])
    # Of adjusters fitted at each visit, those that still worked at the last.
    fitted_worked = np.zeros((0, *km.shape[1:]))
    for j in range(len(km)):
        fitted_work = life.survival(km[j] - km[:j])
        # Each visit since has left so much of what was fitted at one, and of what was there first.
        since = np.arange(j - 1, -1, -1.0)[:, None, None]
        left = stays**since if renewed else 1.0
        fails = (left * fitted[:j] * (fitted_worked - fitted_work)[:, :, unit]).sum(axis=0)
        hidden = hidden * (1.0 - finds) + stays**j * (works - good[j]) + fails
        fitted[j] = found[j] = finds * hidden
        if renewed:
            work = stays**j * good[j]
            work += (left * fitted[:j] * fitted_work[:, :, unit]).sum(axis=0)
            fitted[j] += renewed * work
        works = good[j]
        fitted_worked = np.concatenate([fitted_work, np.ones((1, *km.shape[1:]))])
    return found


def failures_to_come(
    groups: Sequence[AdjusterGroup],
    visits: DrawnVisits,
    places: int,
    month_ends: FloatArray,
    *,
    rng: np.random.Generator,
    draws: int,
) -> FailuresToCome:
    """Failures found per calendar month, those of replacements counted.

    month_ends: (M,), days from now; the first month may be a part of one.
    """
    shape = places, len(month_ends)
    counted = [_Counted.of(some_of(group), visits, shape, month_ends) for group in groups]
    laws = sorted({fit.name for group in groups for fit, _ in group.fits})
    luck = _luck_of(groups, draws, rng)
    expected, drawn = np.zeros(shape), np.zeros((draws, *shape))
    under = {name: np.zeros(shape) for name in laws}
    for kind in dict.fromkeys((group.assumed, group.apart) for group in groups):
        assumed = kind[0]
        same = [each for each in counted if (each.group.assumed, each.group.apart) == kind]
        told = _by_life(same, laws, luck, draws)
        if told.past.sum() < LEAST_WATCHED:
            expected, drawn = expected + told.expected, drawn + told.drawn
            under = {name: each + told.under[name] for name, each in under.items()}
            continue
        right = 0.0 if assumed else RIGHT
        factor = FoundFactor(told.found, told.drawn_past, right)
        # A life drawn too high is taken down by its own past, so that a mean over draws is safe.
        expected += np.einsum("d,dpm->pm", factor.mean / draws, told.drawn)
        drawn += told.drawn * factor.drawn(month_ends, rng)[:, None]
        for name in laws:
            by_law = FoundFactor(told.found, told.under_past[name][None], right)
            under[name] += told.under[name] * by_law.mean[0]
    return FailuresToCome(expected, under, drawn, _share(counted))


@dataclass(frozen=True, slots=True)
class _ByLife:
    """What lives alone say of groups: of what comes (P, M) and, each ``past``, of the
    quarters that are over (Q,), in which so many were ``found`` (Q,)."""

    expected: FloatArray
    under: Mapping[DistributionName, FloatArray]
    drawn: FloatArray
    past: FloatArray
    under_past: Mapping[DistributionName, FloatArray]
    drawn_past: FloatArray
    found: FloatArray


def _by_life(
    counted: Sequence["_Counted"],
    laws: Sequence[DistributionName],
    luck: Mapping[Hashable, tuple[IntArray, FloatArray]],
    draws: int,
) -> _ByLife:
    shape = counted[0].shape
    cells = shape[0] * shape[1]
    # What comes and what is over of one life, behind one another: they move together.
    expected, drawn = np.zeros(cells + QUARTERS), np.zeros((draws, cells + QUARTERS))
    under = {name: np.zeros(cells + QUARTERS) for name in laws}
    for each in counted:
        group, few = each.group, each.on_some_courses()
        chosen, moves = luck[group.whose]
        at_fits = {}
        for k, (fit, weight) in enumerate(group.fits):
            at_fit = np.maximum(each.found(fit.distribution), SMALLEST)
            slopes = log_slopes(fit, few.found_smoothed)
            at_fits[fit.name] = at_fit
            expected += weight * at_fit
            mine = chosen == k
            move = moves[mine] @ np.linalg.cholesky(fit.covariance).T
            logs = np.clip(move @ slopes.T, -LARGEST_MOVE, LARGEST_MOVE)
            drawn[mine] += at_fit * np.exp(logs)
        for name in laws:
            under[name] += at_fits.get(name, at_fits[group.likeliest])
    return _ByLife(
        expected[:cells].reshape(shape),
        {name: each[:cells].reshape(shape) for name, each in under.items()},
        drawn[:, :cells].reshape(draws, *shape),
        expected[cells:],
        {name: each[cells:] for name, each in under.items()},
        drawn[:, cells:],
        np.sum([each.group.found for each in counted], axis=0),
    )


def _luck_of(
    groups: Sequence[AdjusterGroup], draws: int, rng: np.random.Generator
) -> dict[Hashable, tuple[IntArray, FloatArray]]:
    """By life: which of its distributions each draw follows, and two normal numbers."""
    luck = {}
    for group in groups:
        if group.whose not in luck:
            weights = np.array([weight for _, weight in group.fits])
            chosen = rng.choice(len(weights), draws, p=weights / weights.sum())
            luck[group.whose] = chosen.astype(np.int64), rng.standard_normal((draws, 2))
    return luck


@dataclass(frozen=True, slots=True)
class _Counted:
    """A group on its visits, ``km`` (V, B, U) along: ``month`` in which each falls, and the chance
    that it ``counts``: that the unit is there, before the last month's end."""

    group: AdjusterGroup
    unit: IntArray
    km: FloatArray
    month: IntArray
    counts: FloatArray
    shape: tuple[int, int]

    @classmethod
    def of(
        cls,
        group: AdjusterGroup,
        visits: DrawnVisits,
        shape: tuple[int, int],
        month_ends: FloatArray,
    ) -> "_Counted":
        units, unit = np.unique(group.unit, return_inverse=True)
        month = np.searchsorted(month_ends, visits.day[:, :, units], side="left")
        inside = month < shape[1]
        counts = np.where(inside, visits.there[:, :, units], 0.0)
        month = np.where(inside, month, 0)
        return cls(group, unit.ravel(), visits.km[:, :, units], month, counts, shape)

    def on_some_courses(self) -> "_Counted":
        """The same on one copy in :data:`SLOPE_EVERY`: enough for what a life's move does to it."""
        some = np.s_[:, ::SLOPE_EVERY]
        return replace(self, km=self.km[some], month=self.month[some], counts=self.counts[some])

    def found(self, life: LifeDistribution) -> FloatArray:
        """Expected failures found by place and month, and of quarters that are over, in a row."""
        past = expected_of(self.group.watched, life)
        return np.concatenate([self.months(life).ravel(), past])

    def found_smoothed(self, life: LifeDistribution) -> FloatArray:
        """The same, a little of the mean of all added to each: a month of a day or two, in which
        some courses have hardly a visit, moves with a life as others do."""
        found = self.found(life)
        return np.asarray(found + SMOOTHED * found.mean())

    def months(self, life: LifeDistribution) -> FloatArray:
        """Expected failures found, (P, M)."""
        cell = self.group.place * self.shape[1] + self.month[:, :, self.unit]
        group = self.group
        found = found_at_visits(life, group.age_km, self.unit, self.km, renewed=group.renewed)
        found = found * self.counts[:, :, self.unit] * self.group.weight / self.km.shape[1]
        flat = np.bincount(cell.ravel(), found.ravel(), self.shape[0] * self.shape[1])
        return np.asarray(flat.reshape(self.shape), np.float64)

    def moments(self, life: LifeDistribution) -> tuple[FloatArray, FloatArray]:
        """Of one place of each row: findings expected, and twice the pairs of them, (n,)."""
        group = self.group
        found = found_at_visits(life, group.age_km, self.unit, self.km, renewed=group.renewed)
        after = found_after(life, self.km, self.counts)
        # A unit that is there at the later of two findings was there at the first.
        mean, pairs = (
            (found * chance[:, :, self.unit]).sum(axis=0).mean(axis=0)
            for chance in (self.counts, after)
        )
        return mean, 2.0 * pairs


def found_after(life: LifeDistribution, km: FloatArray, counts: FloatArray) -> FloatArray:
    """Expected findings after each visit in a place whose adjuster is new there, (V, B, U); each
    ``counts`` (V, B, U) by so much."""
    after = np.zeros_like(km)
    for i in reversed(range(len(km) - 1)):
        works = np.concatenate([np.ones((1, *km.shape[1:])), life.survival(km[i + 1 :] - km[i])])
        after[i] = ((works[:-1] - works[1:]) * (counts[i + 1 :] + after[i + 1 :])).sum(axis=0)
    return after


def _share(counted: Sequence[_Counted]) -> float:
    """q, over the places of all groups."""
    less = total = 0.0
    for each in counted:
        life = max(each.group.fits, key=lambda fit: fit[1])[0].distribution
        mean, pairs = each.moments(life)
        less += float(each.group.weight @ (mean**2 - pairs))
        total += float(each.group.weight @ mean)
    return float(np.clip(less / total, 0.0, MOST_SHARE)) if total > 0.0 else 0.0


def some_of(group: AdjusterGroup, most: int = MOST_ADJUSTERS) -> AdjusterGroup:
    """About so many of its adjusters, evenly by age in every place, that stand for all."""
    n = len(group.age_km)
    if n <= most:
        return group
    kept, weight = [], []
    for place in np.unique(group.place):
        here = np.flatnonzero(group.place == place)
        here = here[np.argsort(group.age_km[here], kind="stable")]
        wanted = int(np.clip(most * len(here) / n, 200, len(here)))
        stands_for = np.cumsum(group.weight[here])
        steps = (np.arange(wanted) + 0.5) / wanted * stands_for[-1]
        kept.append(here[np.searchsorted(stands_for, steps)])
        weight.append(np.full(wanted, stands_for[-1] / wanted))
    rows = np.concatenate(kept)
    return replace(
        group,
        age_km=group.age_km[rows],
        unit=group.unit[rows],
        place=group.place[rows],
        weight=np.concatenate(weight),
    )
