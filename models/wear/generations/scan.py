r"""Since which quarter linings wear otherwise than those fitted before: a score scan.

Let V be the covariance of all readings under the wear fit, X its fixed effects, and for a day c

.. math:: z = -\sum_d \hat r_{ad}\,\text{km}_d\ \text{on lives fitted since } c,\quad 0\
          \text{elsewhere}

so that a coefficient :math:`\theta` of z makes the rates of those lives :math:`1 + \theta` times
what they are. N holds X and, for lives fitted since c, a start of their own (another make may be
thicker) and a rate of their own in units without a life from before (newer units may wear
otherwise): a change is told within units that had both. With
:math:`z^* = z - N(N'V^{-1}N)^{-1}N'V^{-1}z`,

.. math:: \hat\theta = U / I,\quad U = z^{*\prime}V^{-1}y,\quad I = z^{*\prime}V^{-1}z

U and I are sums over units, :math:`U_u, I_u`. :math:`\hat\theta^2 I/\sigma^2` takes the model at
its word. Leaving each unit out in turn has :math:`e_u = (U_u - \hat\theta I_u)/(1 - I_u/I)` and
:math:`t^2 = U^2/\sum e_u^2` with :math:`(\sum I_u)^2/\sum I_u^2` degrees of freedom
(``models.mixed.jackknife``), brought to the normal scale (Wallace 1959, Ann. Math. Stat. 30:1124).
The lesser of the two counts, at every quarter, for every axle type and for all of them together.
Its limit follows from

.. math:: P(\max > b^2) \approx \varphi(b)\Bigl\{\bigl(b - \tfrac1b\bigr)
          \ln\frac{t_1(1 - t_0)}{t_0(1 - t_1)} + \tfrac4b\Bigr\}

for a scan over the shares :math:`t_0` to :math:`t_1` of what is known (Miller, Siegmund 1982,
Biometrics 38:1011; the statistic is that of Andrews 1993, Econometrica 61:821).

Linings fitted before the records and still in place are the slow ones: that alone is a per cent of
rate, which a large fleet would tell from none. A change below a twentieth is left untold.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.mixed.blocks import BlockGroup
from models.mixed.reml import UnitTerms, normal_equations, unit_terms
from models.mixed.whitening import group_pass, whiten
from models.wear.blocks import varies_beyond_line
from models.wear.predict import fitted_blocks, usable_sums
from models.wear.result import WearFit
from models.wear.spread import sampled_units
from models.wear.sums import LiningLifeSums

QUARTER_DAYS = 91
MOST_QUARTERS = 60
"""A change longer ago is not sought."""
CHANGE_SCORE = 20.0
"""By the formula above 5 in 10,000 scans of fleets without a change exceed it: with three axle
types and all together, 2 in 1,000 fleets."""
LEAST_SHARE = 0.05
"""Share of what is known of wear that lies before a change, and since."""
LEAST_UNITS, LEAST_LIVES = 20, 20
"""Units with informative lives, and such lives, before a change and since."""
LEAST_CHANGE = 0.05
"""A smaller change of rates is left untold."""
GOES_ALONG = 5
"""Units with informative lives on either side with which an axle type goes along with others."""
TOLD = 1e-6
"""A change of which less than this share is left beside all else cannot be told from it."""


@dataclass(frozen=True, slots=True)
class Change:
    """Linings of the axle types (or generations) named wear otherwise if fitted since a day;
    ``score`` is the statistic, ``ratio`` about what their rates are over those before."""

    axle_types: tuple[str, ...]
    since: dt.date
    score: float
    ratio: float


@dataclass(frozen=True, slots=True)
class _Part:
    """Blocks of one axle type, n of them. ``rows`` (3, C + 1, n): two whitened rows of
    [X, residual], and what the block says of its unit's slope; ``made`` (3, C) makes the covariates
    of the columns.

    ``ago``, ``unit_ago`` (n,): quarters since the lining, and the first one of its unit, was
    fitted; ``segment_cluster`` is that of each run from ``segment_start``; ``rest``
    (m, C + 1, C + 1) is what the blocks ``rest_block`` (m,) hold beyond their lines.
    """

    columns: IntArray
    rows: FloatArray
    made: FloatArray
    ago: IntArray
    unit_ago: IntArray
    informative: BoolArray
    unit: IntArray
    segment_start: IntArray
    segment_cluster: IntArray
    rest: FloatArray
    rest_block: IntArray

    def masks(self, quarters: int) -> FloatArray:
        """Which blocks each covariate of the last so many quarters is not zero in, (3, n)."""
        since = self.ago < quarters
        return np.stack([since, since & (self.unit_ago < quarters), since]).astype(np.float64)


@dataclass(frozen=True, slots=True)
class _Scan:
    """What every quarter is asked of: blocks by axle type, what is summed per unit, [X, y]'V^-1
    [X, y] in units of sigma2, and ``residual`` (p + 1,), which makes residuals of [X, y]."""

    parts: tuple[_Part, ...]
    axles: tuple[int, ...]
    terms: UnitTerms
    gram: FloatArray
    residual: FloatArray
    sigma2: float


@dataclass(frozen=True, slots=True)
class _Extra:
    """Covariates of one quarter, K of them: three to an axle type (start; wear in units without a
    life from before; wear). E'V^-1X (K, p) and E'V^-1E (K, K)."""

    cross: FloatArray
    inner: FloatArray


START, NEW_UNITS, WEAR = range(3)


def found_change(sums: LiningLifeSums, fit: WearFit) -> Change | None:
    """The change of wear between linings by the day they were fitted; None where none is clear.

    ``sums``: as the fit was made of them. In a large fleet a sample of its units is asked.
    """
    likeliest = likeliest_change(sums, fit)
    if likeliest is None or likeliest.score <= CHANGE_SCORE:
        return None
    return likeliest if abs(likeliest.ratio - 1.0) >= LEAST_CHANGE else None


def likeliest_change(sums: LiningLifeSums, fit: WearFit) -> Change | None:
    """That of the largest score, however small; None where nothing can be told."""
    last = sums.last_inspected_on.max()
    if fit.mixed is None or not isinstance(last, dt.date):
        return None
    used = usable_sums(sampled_units(sums), fit)
    ago = quarters_ago(used, last)
    quarters = np.unique(ago[ago < MOST_QUARTERS]) + 1
    scan = _scan(used, fit, ago)
    whole = np.diag(_extra(scan, MOST_QUARTERS + 1).inner)[WEAR::3]
    found = [each for k in quarters for each in _candidates(scan, int(k), whole)]
    if not found:
        return None
    best = max(found, key=lambda each: each.score)
    names = tuple(fit.axle_types[scan.axles[part]] for part in best.parts)
    since = last - dt.timedelta(days=QUARTER_DAYS * best.quarters - 1)
    return Change(names, since, best.score, 1.0 + best.theta)


def quarters_ago(sums: LiningLifeSums, last: dt.date) -> IntArray:
    """Whole quarters from each life's fitting to ``last`` (N,); MOST_QUARTERS: longer, or before
    the records."""
    days = (pl.lit(last) - pl.col("fitted_on")).dt.total_days()
    quarters = (days // QUARTER_DAYS).clip(0, MOST_QUARTERS).fill_null(MOST_QUARTERS)
    frame = pl.DataFrame({"fitted_on": sums.fitted_on}, schema={"fitted_on": pl.Date})
    return np.asarray(frame.select(quarters).to_series().to_numpy(), np.int64)


def _scan(used: LiningLifeSums, fit: WearFit, ago: IntArray) -> _Scan:
    assert fit.mixed is not None
    blocks, variances = fitted_blocks(fit, used), fit.mixed.point.variances
    gram = normal_equations(blocks, variances)
    residual = np.append(-_solved(gram[:-1, :-1], gram[:-1, -1]), 1.0)
    passes = [
        group_pass(g, variances, residual[np.append(g.columns, -1)], blocks.has_units)
        for g in blocks.groups
    ]
    terms = unit_terms(blocks, passes, variances.tau)
    parts = tuple(_part(used, fit, ago, group, residual) for group in blocks.groups)
    axles = tuple(int(used.axle[group.source[0]]) for group in blocks.groups)
    return _Scan(parts, axles, terms, gram, residual, fit.mixed.sigma2)


def _solved(gram: FloatArray, right: FloatArray) -> FloatArray:
    """Least squares from normal equations whose columns may depend on one another."""
    scale = np.sqrt(np.maximum(np.diag(gram), 0.0))
    inverse = np.divide(1.0, scale, out=np.zeros_like(scale), where=scale > 0.0)
    scaled = gram * np.outer(inverse, inverse)
    return np.asarray(inverse * np.linalg.lstsq(scaled, inverse * right, rcond=1e-10)[0])


def _part(
    used: LiningLifeSums, fit: WearFit, ago: IntArray, group: BlockGroup, residual: FloatArray
) -> _Part:
    assert fit.mixed is not None
    white = whiten(group, slice(None), fit.mixed.point.variances)
    of_rows = np.eye(len(group.columns) + 1)
    of_rows[-1] = residual[np.append(group.columns, -1)]
    rows = np.stack([white.rows1, white.rows2, white.scale * white.t1])
    kind = np.array(fit.columns.kind)[group.columns]
    wear = np.where(kind == "rate", fit.beta[group.columns], 0.0)
    youngest = np.zeros(len(used.units), np.int64)
    np.maximum.at(youngest, used.unit, ago)
    place = np.argsort(group.source)
    with_rest = np.flatnonzero(varies_beyond_line(used)[np.sort(group.source)])
    return _Part(
        columns=group.columns,
        rows=of_rows @ rows,
        made=np.stack([np.asarray(kind == "start", np.float64), wear, wear]),
        ago=ago[group.source],
        unit_ago=youngest[used.unit[group.source]],
        informative=used.informative[group.source],
        unit=used.unit[group.source],
        segment_start=group.segment_start,
        segment_cluster=group.segment_cluster,
        rest=of_rows @ group.rest @ of_rows.T,
        rest_block=place[with_rest],
    )


def _by_cluster(part: _Part, each: FloatArray, n: int) -> FloatArray:
    """Sums of (k, n) over clusters, (k, C)."""
    total = np.zeros((len(each), n))
    total[:, part.segment_cluster] = np.add.reduceat(each, part.segment_start, axis=1)
    return total


def _extra(scan: _Scan, quarters: int) -> _Extra:
    """The covariates of linings fitted in the last so many quarters."""
    terms, k = scan.terms, 3 * len(scan.parts)
    cross, inner = np.zeros((k, len(scan.residual) - 1)), np.zeros((k, k))
    g = np.zeros((k, len(terms.h)))
    for number, part in enumerate(scan.parts):
        here, masks, x = slice(3 * number, 3 * number + 3), part.masks(quarters), part.rows[:, :-1]
        rows = (part.made @ x) * masks
        on_rest = masks[:, part.rest_block].T[:, :, None]
        rest = on_rest * (part.made @ part.rest[:, :-1, :-1])
        cross[here, part.columns] = np.einsum("rkn,rcn->kc", rows[:2], x[:2]) + rest.sum(axis=0)
        both = (rest @ part.made.T) * on_rest.transpose(0, 2, 1)
        inner[here, here] = np.einsum("rkn,rln->kl", rows[:2], rows[:2]) + both.sum(axis=0)
        g[here] = _by_cluster(part, rows[2], len(terms.h))
    shared = terms.per_unit(g / terms.one_plus)
    down, unit_down = g * terms.kappa, shared * terms.unit_kappa
    cross -= down @ terms.g[:, :-1] + unit_down @ terms.unit_g[:, :-1]
    return _Extra(cross, inner - down @ g.T - unit_down @ shared.T)


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A change of some parts (axle types) for so many quarters."""

    score: float
    theta: float
    parts: tuple[int, ...]
    quarters: int


def _candidates(scan: _Scan, quarters: int, whole: FloatArray) -> list[_Candidate]:
    """Changes that linings fitted in the last so many quarters may show: each axle type by itself,
    and all together that have linings enough. ``whole``: what is known of each one's wear."""
    extra, every = _extra(scan, quarters), range(len(scan.parts))
    alone = {p: _candidate(scan, extra, (p,), quarters) for p in every}
    together = tuple(p for p in every if min(_support([scan.parts[p]], quarters)[:2]) >= GOES_ALONG)
    tried: list[tuple[tuple[int, ...], _Candidate | None]] = [((p,), alone[p]) for p in every]
    if len(together) > 1:
        tried.append((together, _candidate(scan, extra, together, quarters)))
    found = []
    for parts, each in tried:
        known = extra.inner[np.ix_(*[[3 * p + WEAR for p in parts]] * 2)].sum()
        share = known / whole[list(parts)].sum()
        units_lives = _support([scan.parts[p] for p in parts], quarters)
        enough = min(units_lives[:2]) >= LEAST_UNITS and min(units_lives[2:]) >= LEAST_LIVES
        if each and enough and LEAST_SHARE < share < 1.0 - LEAST_SHARE:
            # Of all together, those nearer to their common change than to none.
            near = [p for p in parts if (a := alone[p]) and a.theta / each.theta > 0.5]
            found.append(replace(each, parts=tuple(near) if len(parts) > 1 else parts))
    return [each for each in found if each.parts]


def _support(parts: Sequence[_Part], quarters: int) -> tuple[int, int, int, int]:
    """Units before and since, lives before and since, that say something of a rate."""
    since, told, unit = (
        np.concatenate(x)
        for x in zip(*((p.ago < quarters, p.informative, p.unit) for p in parts), strict=True)
    )
    before, since = told & ~since, told & since
    units = [len(np.unique(unit[some])) for some in (before, since)]
    return units[0], units[1], int(before.sum()), int(since.sum())


def _candidate(
    scan: _Scan, extra: _Extra, parts: tuple[int, ...], quarters: int
) -> _Candidate | None:
    """One change's score; None where it cannot be told from anything else."""
    wear = np.array([3 * p + WEAR for p in parts])
    beside = np.array([3 * p + kind for p in parts for kind in (START, NEW_UNITS)])
    x_beside = extra.cross[beside]
    nuisance = np.block(
        [[scan.gram[:-1, :-1], x_beside.T], [x_beside, extra.inner[np.ix_(beside, beside)]]]
    )
    with_z = np.append(extra.cross[wear].sum(axis=0), extra.inner[np.ix_(beside, wear)].sum(axis=1))
    taken = _solved(nuisance, with_z)
    whole = float(extra.inner[np.ix_(wear, wear)].sum())
    information = whole - float(taken @ with_z)
    if information <= TOLD * whole:
        return None
    out = np.zeros(len(extra.cross))
    out[wear], out[beside] = 1.0, -taken[-len(beside) :]
    by_unit = _of_units(scan, -taken[: -len(beside)], out, quarters)
    theta = float(by_unit[0].sum()) / information
    score = min(theta**2 * information / scan.sigma2, _score_of_units(*by_unit))
    return _Candidate(score, theta, parts, quarters)


def _of_units(
    scan: _Scan, of_columns: FloatArray, of_extra: FloatArray, quarters: int
) -> FloatArray:
    """Score and information (2, U) of each unit in the covariate that is made so of the columns
    (p,) and of the quarter's covariates (K,)."""
    terms = scan.terms
    direct, g = np.zeros((len(terms.h), 2)), np.zeros(len(terms.h))
    for number, part in enumerate(scan.parts):
        weight = of_extra[3 * number : 3 * number + 3, None] * part.masks(quarters)
        make = of_columns[part.columns][:, None] + part.made.T @ weight
        rows = np.einsum("rcn,cn->rn", part.rows[:, :-1], make)
        each = np.stack([(rows[:2] * part.rows[:2, -1]).sum(axis=0), (rows[:2] ** 2).sum(axis=0)])
        on_rest = make[:, part.rest_block].T
        with_rest = np.einsum("mc,mcd->md", on_rest, part.rest[:, :-1])
        rest = [with_rest[:, -1], np.einsum("md,md->m", with_rest[:, :-1], on_rest)]
        np.add.at(each.T, part.rest_block, np.stack(rest, axis=1))
        direct += _by_cluster(part, each, len(g)).T
        g += _by_cluster(part, rows[2:], len(g))[0]
    pulls = terms.g @ scan.residual, g
    unit_pulls = terms.unit_g @ scan.residual, terms.per_unit(g / terms.one_plus)
    own = np.stack([terms.kappa * pull * g for pull in pulls])
    shared = np.stack([terms.unit_kappa * pull * unit_pulls[1] for pull in unit_pulls])
    return np.asarray(terms.per_unit(direct.T - own) - shared)


def _score_of_units(score: FloatArray, information: FloatArray) -> float:
    """Square of the normal number as rare as the t of units left out in turn."""
    told = information > 0.0
    score, share = score[told], information[told] / information[told].sum()
    left = (score - score.sum() * share) / np.maximum(1.0 - share, TOLD)
    df, squares = 1.0 / float(share @ share), float(left @ left)
    if squares <= 0.0 or df <= 1.0:
        return 0.0
    factor = ((8.0 * df + 1.0) / (8.0 * df + 3.0)) ** 2
    return float(factor * df * np.log1p(float(score.sum()) ** 2 / squares / df))
