r"""Since which quarter linings wear otherwise than those fitted before: a score scan.

Let V be the covariance of all readings under the wear fit, X its fixed effects, and for a day c

.. math:: z = -\sum_d \hat r_{ad}\,\text{km}_d\ \text{on lives fitted since } c,\quad 0\
          \text{elsewhere}

so that a coefficient :math:`\theta` of z makes the rates of those lives :math:`1 + \theta` times
what they are. N holds X and what else may differ, in every axle type: a start of their own for the
linings of every quarter (another make may be thicker); a bend of wear along km and a bedding-in,
lest young linings be taken for others; a rate of their own for lives whose start is not on record,
for those fitted before the records (of whose wear only the later part was seen, and those that
still run are the slow ones), and for lives fitted since c in units without one from before (newer
units may wear otherwise: a change is told within units that had both). With
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

A large fleet tells any difference from none. A change below a twentieth is left untold. Wear that
has a season looks like a change by the day of fitting, which sums over lives do not tell from one:
dated readings do (``models.wear.generations.by_day``).
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.mixed.blocks import BlockGroup
from models.mixed.reml import UnitTerms, unit_terms
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
"""By the formula above 6 in 10,000 scans of fleets without a change exceed it: with three axle
types and all together, 2 or 3 in 1,000 fleets."""
LEAST_SHARE = 0.02
"""Share of what is known of wear that lies before a change, and since."""
LEAST_UNITS, LEAST_LIVES = 20, 20
"""Units with informative lives, and such lives, before a change and since."""
LEAST_CHANGE = 0.05
"""A smaller change of rates is left untold."""
GOES_ALONG = 5
"""Units with informative lives on either side with which an axle type goes along with others."""
BEDDING_T = 3.0
"""Bedding-in over 30,000 km, in 10,000 km: the longest that
``models.wear.shape.linearity`` knows."""
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
    """Blocks of one axle type, n of them. ``rows`` (3, F + 1, n): two whitened rows of what N has
    of the axle type and of the measurement, and what the block says of its unit's slope; ``wear``
    (F,) makes expected wear of them.

    ``columns`` (F,) are their places in the scan; ``ago``, ``unit_ago`` (n,): quarters since the
    lining, and the first one of its unit, was fitted; ``segment_cluster`` is that of each run from
    ``segment_start``; ``rest`` (m, F + 1, F + 1) is what the blocks ``rest_block`` (m,) hold beyond
    their lines.
    """

    axle: int
    rows: FloatArray
    wear: FloatArray
    columns: IntArray
    ago: IntArray
    unit_ago: IntArray
    informative: BoolArray
    unit: IntArray
    segment_start: IntArray
    segment_cluster: IntArray
    rest: FloatArray
    rest_block: IntArray

    def with_wear(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Expected wear's rows (3, n), and its products with everything: by block (F + 1, n), and
        what is beyond the line (m, F + 1)."""
        wear = np.einsum("f,rfn->rn", self.wear, self.rows[:, :-1])
        return wear, np.einsum("rn,rfn->fn", wear[:2], self.rows[:2]), self.wear @ self.rest[:, :-1]

    def masks(self, quarters: int) -> FloatArray:
        """In which blocks each covariate of the last so many quarters is not zero, (2, n): wear of
        linings fitted since in new units, and in all."""
        since = self.ago < quarters
        return np.stack([since & (self.unit_ago < quarters), since]).astype(np.float64)


@dataclass(frozen=True, slots=True)
class _Scan:
    """What every quarter is asked of: ``inverse`` (P, P) of N'V^-1N in units of sigma2, without
    what depends on the quarter; ``g`` (P + 1, C), what clusters sum of N and the measurement;
    ``residual`` (P + 1,) makes residuals of these; ``wear``, each part's ``with_wear``."""

    parts: tuple[_Part, ...]
    terms: UnitTerms
    inverse: FloatArray
    g: FloatArray
    residual: FloatArray
    wear: tuple[tuple[FloatArray, FloatArray, FloatArray], ...]
    sigma2: float


@dataclass(frozen=True, slots=True)
class _Extra:
    """Covariates E of one quarter, two to each part: wear in new units (even places), and wear.
    ``cross`` is E'V^-1[N, y], ``inner`` E'V^-1E, ``left`` that with N taken out."""

    cross: FloatArray
    inner: FloatArray
    left: FloatArray


def found_change(sums: LiningLifeSums, fit: WearFit) -> Change | None:
    """The change of wear between linings by the day they were fitted; None where none is clear.

    ``sums``: as the fit was made of them. In a large fleet a sample of its units is asked.
    """
    return likeliest_change(sums, fit, LEAST_CHANGE, CHANGE_SCORE)


def likeliest_change(
    sums: LiningLifeSums, fit: WearFit, least: float = 0.0, beyond: float = 0.0
) -> Change | None:
    """That of the largest score beyond some other, of those whose ratio is at least so far from 1;
    None where there is none."""
    last = sums.last_inspected_on.max()
    if fit.mixed is None or not isinstance(last, dt.date):
        return None
    used = usable_sums(sampled_units(sums), fit)
    ago = quarters_ago(used, last)
    quarters = np.unique(ago[ago < MOST_QUARTERS]) + 1
    if not len(quarters):
        return None
    scan = _scan(used, fit, ago)
    whole = np.diag(_extra(scan, MOST_QUARTERS + 1).inner)[1::2]
    every = (each for k in quarters for each in _candidates(scan, int(k), whole))
    best: _Candidate | None = None
    # By the model's word first: units can only lower a score.
    for each in sorted(every, key=lambda one: one.score, reverse=True):
        if each.score <= beyond:
            break
        if abs(each.theta) >= least:
            score = min(each.score, score_of_units(*_of_units(scan, each)))
            if score > beyond:
                best, beyond = replace(each, score=score), score
    if best is None:
        return None
    names = tuple(fit.axle_types[scan.parts[p].axle] for p in best.parts)
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
    parts: list[_Part] = []
    size = blocks.n_columns
    for group in blocks.groups:
        parts.append(_part(used, fit, ago, group, size))
        size = max(size, int(parts[-1].columns.max()) + 1)
    none = np.zeros(blocks.n_columns + 1)
    passes = [
        group_pass(g, variances, none[: len(g.first)], blocks.has_units) for g in blocks.groups
    ]
    terms = unit_terms(blocks, passes, variances.tau)
    gram, g = np.zeros((size + 1, size + 1)), np.zeros((size + 1, len(terms.h)))
    for part in parts:
        place = np.append(part.columns, size)
        products = np.einsum("rfn,rgn->fg", part.rows[:2], part.rows[:2])
        gram[np.ix_(place, place)] += products + part.rest.sum(axis=0)
        g[place] += _by_cluster(part, part.rows[2], len(terms.h))
    gram -= _shared(terms, g, g)
    down = inverse(gram[:-1, :-1])
    residual = np.append(-down @ gram[:-1, -1], 1.0)
    wear = tuple(part.with_wear() for part in parts)
    return _Scan(tuple(parts), terms, down, g, residual, wear, fit.mixed.sigma2)


def _shared(terms: UnitTerms, one: FloatArray, two: FloatArray) -> FloatArray:
    """What slopes of clusters and units take from products; of sums by cluster (k, C), (l, C)."""
    units = [terms.per_unit(g / terms.one_plus) for g in (one, two)]
    return np.asarray((one * terms.kappa) @ two.T + (units[0] * terms.unit_kappa) @ units[1].T)


def inverse(gram: FloatArray) -> FloatArray:
    """Of a cross-product whose columns may depend on one another."""
    scale = np.sqrt(np.maximum(np.diag(gram), 0.0))
    down = np.divide(1.0, scale, out=np.zeros_like(scale), where=scale > 0.0)
    scaled = gram * np.outer(down, down)
    return np.asarray(np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) * np.outer(down, down))


def _part(used: LiningLifeSums, fit: WearFit, ago: IntArray, group: BlockGroup, size: int) -> _Part:
    """Blocks of a group; what N has beyond its columns is numbered from ``size`` on."""
    assert fit.mixed is not None
    source, own = group.source, len(group.columns)
    white = whiten(_with_shapes(group), slice(None), fit.mixed.point.variances)
    rows = np.stack([white.rows1, white.rows2, white.scale * white.t1])
    kind = np.array(fit.columns.kind)[group.columns]
    wear = np.where(kind == "rate", fit.beta[group.columns], 0.0)
    start = np.asarray(kind == "start", np.float64)
    by_quarter = [ago[source] == quarter for quarter in np.unique(ago[source])]
    apart = [~used.start_known[source], used.fitted_on.is_null().to_numpy()[source]]
    # Linear in the columns: a start for every quarter, a rate for what is not on record.
    make = np.stack([start] * len(by_quarter) + [wear] * len(apart))
    masks = np.stack([*by_quarter, *apart]).astype(np.float64)
    rows = np.concatenate([rows[:, :own], (make @ rows[:, :own]) * masks, rows[:, own:]], axis=1)
    place = np.argsort(source)
    rest_block = place[np.flatnonzero(varies_beyond_line(used)[np.sort(source)])]
    on_rest = np.zeros((len(rest_block), rows.shape[1], own + 1))
    on_rest[:, :own, :own], on_rest[:, -1, -1] = np.eye(own), 1.0
    on_rest[:, own : own + len(make), :own] = masks[:, rest_block].T[:, :, None] * make
    oldest = np.zeros(len(used.units), np.int64)
    np.maximum.at(oldest, used.unit, ago)
    return _Part(
        axle=int(used.axle[source[0]]),
        rows=rows,
        wear=np.append(wear, np.zeros(rows.shape[1] - 1 - own)),
        columns=np.append(group.columns, size + np.arange(rows.shape[1] - 1 - own)),
        ago=ago[source],
        unit_ago=oldest[used.unit[source]],
        informative=used.informative[source],
        unit=used.unit[source],
        segment_start=group.segment_start,
        segment_cluster=group.segment_cluster,
        rest=on_rest @ group.rest @ on_rest.transpose(0, 2, 1),
        rest_block=rest_block,
    )


def _with_shapes(group: BlockGroup) -> BlockGroup:
    """The blocks with two columns more before the measurement, on lives whose start is known: km
    squared, and bedding-in over ``BEDDING_T`` (its value and slope at the life's mean km)."""
    known = group.r11 > 0.0
    mean, spread = (
        np.divide(r, group.r11, out=np.zeros_like(group.r11), where=known)
        for r in (group.r12, group.r22)
    )
    left = np.exp(-mean / BEDDING_T)
    values = np.stack([mean**2 + spread**2, left - 1.0]) * group.r11
    slopes = np.stack([2.0 * mean, -left / BEDDING_T]) * group.r22 * known
    return replace(
        group,
        first=np.vstack([group.first[:-1], values, group.first[-1:]]),
        second=np.vstack([group.second[:-1], slopes, group.second[-1:]]),
    )


def _by_cluster(part: _Part, each: FloatArray, n: int) -> FloatArray:
    """Sums of (k, n) over clusters, (k, C)."""
    total = np.zeros((len(each), n))
    total[:, part.segment_cluster] = np.add.reduceat(each, part.segment_start, axis=1)
    return total


def _extra(scan: _Scan, quarters: int) -> _Extra:
    """The covariates of linings fitted in the last so many quarters."""
    k, terms = 2 * len(scan.parts), scan.terms
    cross, inner = np.zeros((k, len(scan.residual))), np.zeros((k, k))
    g = np.zeros((k, len(terms.h)))
    for number, (part, (wear, products, beyond)) in enumerate(
        zip(scan.parts, scan.wear, strict=True)
    ):
        here, masks = slice(2 * number, 2 * number + 2), part.masks(quarters)
        on_rest = masks[:, part.rest_block]
        cross[here, np.append(part.columns, -1)] = masks @ products.T + on_rest @ beyond
        own, own_beyond = (wear[:2] ** 2).sum(axis=0), beyond[:, :-1] @ part.wear
        inner[here, here] = (masks * own) @ masks.T + (on_rest * own_beyond) @ on_rest.T
        g[here] = _by_cluster(part, wear[2] * masks, len(terms.h))
    cross -= _shared(terms, g, scan.g)
    inner -= _shared(terms, g, g)
    return _Extra(cross, inner, inner - cross[:, :-1] @ scan.inverse @ cross[:, :-1].T)


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A change of some parts (axle types) for so many quarters; its covariate is made so of the
    columns of N (P,) and of the quarter's covariates (K,)."""

    score: float
    theta: float
    parts: tuple[int, ...]
    quarters: int
    of_n: FloatArray
    of_extra: FloatArray


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
        wear = [2 * p + 1 for p in parts]
        known = extra.inner[np.ix_(wear, wear)].sum()
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
    """One change by the model's word; None where it cannot be told from anything else."""
    new, wear = (np.array([2 * p + kind for p in parts]) for kind in (0, 1))
    made = np.zeros(len(extra.inner))
    made[wear] = 1.0
    made[new] = -inverse(extra.left[np.ix_(new, new)]) @ extra.left[np.ix_(new, wear)].sum(axis=1)
    information = float(made @ extra.left @ made)
    if information <= TOLD * float(extra.inner[np.ix_(wear, wear)].sum()):
        return None
    theta = float(made @ extra.cross @ scan.residual) / information
    of_n = -scan.inverse @ (extra.cross[:, :-1].T @ made)
    score = theta**2 * information / scan.sigma2
    return _Candidate(score, theta, parts, quarters, of_n, made)


def _of_units(scan: _Scan, change: _Candidate) -> FloatArray:
    """Score and information (2, U) of each unit in a change's covariate."""
    terms = scan.terms
    direct, g = np.zeros((2, len(terms.h))), np.zeros((1, len(terms.h)))
    for number, part in enumerate(scan.parts):
        times = change.of_extra[2 * number : 2 * number + 2] @ part.masks(change.quarters)
        make = change.of_n[part.columns, None] + part.wear[:, None] * times
        left_over = scan.residual[np.append(part.columns, -1)]
        rows = np.einsum("rfn,fn->rn", part.rows[:, :-1], make)
        residual = np.einsum("f,rfn->rn", left_over, part.rows[:2])
        each = np.stack([(rows[:2] * residual).sum(axis=0), (rows[:2] ** 2).sum(axis=0)])
        on_rest = make[:, part.rest_block].T
        rest = np.einsum("mf,mfg->mg", on_rest, part.rest[:, :-1])
        beyond = [rest @ left_over, np.einsum("mg,mg->m", rest[:, :-1], on_rest)]
        np.add.at(each.T, part.rest_block, np.stack(beyond, axis=1))
        direct += _by_cluster(part, each, direct.shape[1])
        g += _by_cluster(part, rows[2:], g.shape[1])
    pulls = np.concatenate([(scan.residual @ scan.g)[None], g])
    of_units = terms.per_unit(pulls / terms.one_plus)
    own, shared = terms.kappa * g * pulls, terms.unit_kappa * of_units[1] * of_units
    return np.asarray(terms.per_unit(direct - own) - shared)


def score_of_units(score: FloatArray, information: FloatArray) -> float:
    """Square of the normal number as rare as the t of units left out in turn."""
    told = information > 0.0
    score, share = score[told], information[told] / information[told].sum()
    left = (score - score.sum() * share) / np.maximum(1.0 - share, TOLD)
    df, squares = 1.0 / float(share @ share), float(left @ left)
    if squares <= 0.0 or df <= 1.0:
        return 0.0
    factor = ((8.0 * df + 1.0) / (8.0 * df + 3.0)) ** 2
    return float(factor * df * np.log1p(float(score.sum()) ** 2 / squares / df))
