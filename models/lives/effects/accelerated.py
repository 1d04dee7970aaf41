"""Likelihood of an accelerated life with covariates that change as adjusters age.

Age runs faster or slower with the covariates x: psi(t) = sum over segments of exp(-x'b) * length,
the age an adjuster would show had it always run at the reference; S(t) = S0(psi(t)) (cumulative
exposure, Nelson 1990, *Accelerated Testing*, ch. 10; Meeker & Escobar 1998, ch. 17). exp(b) is a
ratio of lives: 1.5 lasts half as long again. Unlike a hazard, psi needs the life before entry too;
there an adjuster's first known circumstances are taken to have held.

theta = (mu, tau, b), z = (log psi - mu) / sigma.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.common.group_sums import sums_by
from models.common.newton import Evaluated
from models.lives.effects.segments import AdjusterSegments, Design, Pieces, row_at
from models.lives.fits.distributions import StandardDistribution
from models.lives.fits.likelihood import interval_derivatives


class AcceleratedData(NamedTuple):
    """The stretches of age whose reference age the likelihood needs, as pieces of terms.

    Terms come in one list of T: entries, then last good ages of survivors, then both ends of
    failures found, then failures seen; `pieces.adjuster` numbers the terms. sign: +1 for survivors,
    -1 for entries. owner: (T,), each term's adjuster.
    """

    pieces: Pieces
    owner: IntArray
    sign: FloatArray
    survivors: slice
    lefts: slice
    rights: slice
    seen: slice
    seen_row: IntArray


class _Ages(NamedTuple):
    """Log reference age of every term (T,), its slope in b (T, p), and each piece's share."""

    log_psi: FloatArray
    slope: FloatArray
    share: FloatArray


class _TermSlopes(NamedTuple):
    """Value (T,), first and second derivatives in each term's own z, and the lefts' cross ones."""

    value: FloatArray
    d1: FloatArray
    d2: FloatArray
    cross: FloatArray


def accelerated_data(segments: AdjusterSegments) -> AcceleratedData:
    late = np.flatnonzero(segments.entry > 0.0)
    good = np.flatnonzero(~segments.failed & (segments.left > 0.0))
    found = np.flatnonzero(segments.failed & (segments.right > segments.left))
    seen = np.flatnonzero(segments.failed & (segments.right == segments.left))
    owner = np.concatenate([late, good, found, found, seen])
    age = np.concatenate(
        [
            segments.entry[late],
            segments.left[good],
            segments.left[found],
            segments.right[found],
            segments.right[seen],
        ]
    )
    stops = np.cumsum([late.size + good.size, found.size, found.size, seen.size])
    return AcceleratedData(
        pieces=_pieces_to(segments, owner, age),
        owner=owner,
        sign=np.concatenate([-np.ones(late.size), np.ones(good.size)]),
        survivors=slice(0, int(stops[0])),
        lefts=slice(int(stops[0]), int(stops[1])),
        rights=slice(int(stops[1]), int(stops[2])),
        seen=slice(int(stops[2]), int(stops[3])),
        seen_row=row_at(segments, seen, segments.right[seen]),
    )


def _pieces_to(segments: AdjusterSegments, owner: IntArray, age: FloatArray) -> Pieces:
    """Pieces from age 0 to each term's age, from a copy of its owner's segments."""
    first = np.searchsorted(segments.adjuster, owner, "left")
    count = np.searchsorted(segments.adjuster, owner, "right") - first
    term = np.repeat(np.arange(owner.size), count)
    ordinal = np.arange(term.size) - np.repeat(np.cumsum(count) - count, count)
    segment = np.repeat(first, count) + ordinal
    is_first, is_last = ordinal == 0, ordinal == np.repeat(count, count) - 1
    start = np.where(is_first, 0.0, segments.start[segment])
    end = np.minimum(np.where(is_last, np.inf, segments.end[segment]), age[term])
    kept = end > start
    return Pieces(term[kept], start[kept], end[kept], segments.row[segment][kept])


@dataclass(frozen=True, slots=True)
class AcceleratedModel:
    """A standard law, the data and a design."""

    standard: StandardDistribution
    data: AcceleratedData
    design: Design
    adjusters: int

    @property
    def names(self) -> tuple[str, ...]:
        return ("mu", "tau", *self.design.names)

    @property
    def failures(self) -> float:
        data = self.data
        return float(data.lefts.stop - data.lefts.start + data.seen.stop - data.seen.start)

    def evaluate(self, theta: FloatArray) -> Evaluated:
        """Log-likelihood and derivatives at theta (d,)."""
        ages = self._ages(theta)
        z, sigma = (ages.log_psi - theta[0]) / np.exp(theta[1]), float(np.exp(theta[1]))
        at = self._terms(z)
        lead = self._lead(ages, z, sigma)
        gradient = at.d1 @ lead
        hessian = lead.T @ (at.d2[:, None] * lead)
        lefts, rights = lead[self.data.lefts], lead[self.data.rights]
        mixed = lefts.T @ (at.cross[:, None] * rights)
        hessian += mixed + mixed.T + self._bending(ages, at.d1, z, sigma)
        own_value, own_gradient = self._seen_own(theta, ages)
        gradient += own_gradient.sum(axis=0)
        hessian += self._seen_bending(ages)
        value = float(at.value.sum() + own_value)
        return Evaluated(value, np.asarray(gradient), np.asarray(hessian))

    def scores(self, theta: FloatArray) -> FloatArray:
        """Each adjuster's gradient, (n, d)."""
        ages = self._ages(theta)
        sigma = float(np.exp(theta[1]))
        z = (ages.log_psi - theta[0]) / sigma
        terms = self._terms(z).d1[:, None] * self._lead(ages, z, sigma)
        terms[self.data.seen] += self._seen_own(theta, ages)[1]
        return sums_by(self.data.owner, terms, self.adjusters)

    def _ages(self, theta: FloatArray) -> _Ages:
        pieces, terms = self.data.pieces, self.data.owner.size
        weight = np.exp(-(self.design.values @ theta[2:]))[pieces.row]
        psi_pieces = weight * (pieces.end - pieces.start)
        psi = np.bincount(pieces.adjuster, weights=psi_pieces, minlength=terms)
        at_zero = psi <= 0.0  # a failure found whose last good age is 0
        share = psi_pieces / psi[pieces.adjuster]
        slope = sums_by(pieces.adjuster, -share[:, None] * self.design.values[pieces.row], terms)
        log_psi = np.log(np.where(at_zero, 1.0, psi))
        return _Ages(np.where(at_zero, -np.inf, log_psi), slope, share)

    def _terms(self, z: FloatArray) -> _TermSlopes:
        data = self.data
        value, d1, d2 = np.zeros_like(z), np.zeros_like(z), np.zeros_like(z)
        for part, derivatives, weight in (
            (data.survivors, self.standard.log_survival, data.sign),
            (data.seen, self.standard.log_density, 1.0),
        ):
            value[part], d1[part], d2[part] = (weight * each for each in derivatives(z[part]))
        from_zero = np.isneginf(z[data.lefts])
        finite = np.where(from_zero, 0.0, z[data.lefts])
        log_p, left, right = interval_derivatives(self.standard, finite, z[data.rights], from_zero)
        value[data.rights] = log_p
        d1[data.lefts], d2[data.lefts] = left.d1, left.d2
        d1[data.rights], d2[data.rights] = right.d1, right.d2
        return _TermSlopes(value, d1, d2, left.cross)

    def _lead(self, ages: _Ages, z: FloatArray, sigma: float) -> FloatArray:
        """dz / d theta of every term, (T, d); 0 at age 0."""
        known = np.isfinite(z)
        lead = np.column_stack(
            [np.full(z.size, -1.0 / sigma), np.where(known, -z, 0.0), ages.slope / sigma]
        )
        return np.where(known[:, None], lead, 0.0)

    def _bending(self, ages: _Ages, d1: FloatArray, z: FloatArray, sigma: float) -> FloatArray:
        """sum of d1 * d²z / d theta²."""
        size = 2 + ages.slope.shape[1]
        bending = np.zeros((size, size))
        bending[0, 1] = d1.sum() / sigma
        bending[1, 1] = d1 @ np.where(np.isfinite(z), z, 0.0)
        bending[1, 2:] = -(d1 @ ages.slope) / sigma
        bending = bending + np.triu(bending, 1).T
        bending[2:, 2:] = self._age_bending(ages, d1) / sigma
        return bending

    def _age_bending(self, ages: _Ages, weight: FloatArray) -> FloatArray:
        """sum of weight * d² log psi / d b²: the spread of covariates over each term's exposure."""
        pieces = self.data.pieces
        by_row = np.bincount(
            pieces.row,
            weights=weight[pieces.adjuster] * ages.share,
            minlength=self.design.values.shape[0],
        )
        values = self.design.values
        return np.asarray(
            values.T @ (by_row[:, None] * values) - ages.slope.T @ (weight[:, None] * ages.slope)
        )

    def _seen_own(self, theta: FloatArray, ages: _Ages) -> tuple[float, FloatArray]:
        """The density's own part, -tau - log psi - x'b, and its slope by failure seen."""
        part = self.data.seen
        values = self.design.values[self.data.seen_row]
        value = float(-np.sum(theta[1] + ages.log_psi[part] + values @ theta[2:]))
        count = values.shape[0]
        slope = np.column_stack([np.zeros(count), -np.ones(count), -ages.slope[part] - values])
        return value, slope

    def _seen_bending(self, ages: _Ages) -> FloatArray:
        weight = np.zeros(self.data.owner.size)
        weight[self.data.seen] = -1.0
        size = 2 + ages.slope.shape[1]
        bending = np.zeros((size, size))
        bending[2:, 2:] = self._age_bending(ages, weight)
        return bending
