"""Likelihood of a proportional-hazards life with covariates that change as adjusters age.

Within a segment of covariates x the cumulative hazard grows by exp(x'b) [H(z_end) - H(z_start)],
z = (log age - mu) / sigma, H the baseline's -log S; with shape effects, sigma = exp(tau + w'c) for
some of the covariates, so that hazards are no longer proportional (the test of it). Writing A for
the hazard run through from entry to the last good age, B for that of the interval of failure,

    l = sum over all -A  +  sum over failures found log(1 - exp(-B))
                         +  sum over failures seen log hazard at the age.

Nothing before entry is needed. A is linear in H at single ages, so all adjusters' A together are a
small table of counts by design row and age; only failures keep segments of their own.

theta = (mu, tau, b, c).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.common.group_sums import sums_by
from models.common.newton import Evaluated
from models.lives.effects.segments import AdjusterSegments, Design, Pieces, pieces_between, row_at
from models.lives.fits.distributions import StandardDistribution


class HazardData(NamedTuple):
    """The likelihood's ages, each with its design row.

    run_row, run_age, run_weight: hazards run through, +1 where a watched piece ends and -1 where it
    begins, counted; inside: pieces of failure intervals, `adjuster` numbering the failures found;
    found: weight of each failure found; seen_row, seen_age, seen: failures seen, and their weight;
    watched: pieces of each adjuster's watching.
    """

    run_row: IntArray
    run_age: FloatArray
    run_weight: FloatArray
    inside: Pieces
    found: FloatArray
    seen_row: IntArray
    seen_age: FloatArray
    seen: FloatArray
    watched: Pieces
    segments: AdjusterSegments


class _Local(NamedTuple):
    """A term's value, gradient (m, 3) and Hessian in (eta, mu, log sigma).

    The Hessian is its upper triangle (m, 6), ordered 00 01 02 11 12 22.
    """

    value: FloatArray
    gradient: FloatArray
    hessian: FloatArray


def hazard_data(segments: AdjusterSegments) -> HazardData:
    """The data of adjusters with segments."""
    watched = pieces_between(segments, segments.entry, segments.left)
    found = np.flatnonzero(segments.failed & (segments.right > segments.left))
    seen = np.flatnonzero(segments.failed & (segments.right == segments.left))
    high = np.where(segments.failed, segments.right, segments.left)
    inside = pieces_between(segments, segments.left, high)
    row, age, weight = _counted_ends(watched)
    return HazardData(
        run_row=row,
        run_age=age,
        run_weight=weight,
        inside=inside._replace(adjuster=np.searchsorted(found, inside.adjuster)),
        found=np.ones(found.size),
        seen_row=row_at(segments, seen, segments.right[seen]),
        seen_age=segments.right[seen],
        seen=np.ones(seen.size),
        watched=watched,
        segments=segments,
    )


def _counted_ends(pieces: Pieces) -> tuple[IntArray, FloatArray, FloatArray]:
    """Ends (+1) and starts (-1) of pieces, summed by design row and age."""
    row = np.concatenate([pieces.row, pieces.row])
    age = np.concatenate([pieces.end, pieces.start])
    sign = np.concatenate([np.ones(pieces.row.size), -np.ones(pieces.row.size)])
    ages, place = np.unique(age, return_inverse=True)
    keys, where = np.unique(row.astype(np.int64) * ages.size + place, return_inverse=True)
    weight = np.bincount(where, weights=sign, minlength=keys.size)
    kept = (weight != 0.0) & (ages[keys % max(ages.size, 1)] > 0.0)
    return keys[kept] // ages.size, ages[keys[kept] % ages.size], weight[kept]


@dataclass(frozen=True, slots=True)
class HazardModel:
    """A baseline law, the data, a design, and which of its columns also move the shape."""

    standard: StandardDistribution
    data: HazardData
    design: Design
    shape_columns: BoolArray

    @property
    def names(self) -> tuple[str, ...]:
        moved = [
            f"shape:{n}" for n, m in zip(self.design.names, self.shape_columns, strict=True) if m
        ]
        return ("mu", "tau", *self.design.names, *moved)

    @property
    def failures(self) -> float:
        return float(self.data.found.sum() + self.data.seen.sum())

    def evaluate(self, theta: FloatArray) -> Evaluated:
        """Log-likelihood and derivatives at theta (d,)."""
        lead = self._lead()
        run = self._hazard(theta, self.data.run_row, self.data.run_age)
        parts = [
            _summed(lead, self.data.run_row, run, -self.data.run_weight),
            self._found(theta, lead),
            _summed(lead, self.data.seen_row, self._seen(theta), self.data.seen),
        ]
        value, gradient, hessian = (sum(part) for part in zip(*parts, strict=True))
        return Evaluated(float(value), np.asarray(gradient), np.asarray(hessian))

    def scores(self, theta: FloatArray) -> FloatArray:
        """Each adjuster's gradient, (n, d)."""
        watched, segments = self.data.watched, self.data.segments
        lead = self._lead()
        scores = np.zeros((segments.entry.size, theta.size))
        run = self._rises(theta, watched, lead)[1]
        np.add.at(scores, watched.adjuster, -run)
        hazard, slopes = self._interval_hazards(lead, *self._ends(theta, self.data.inside))
        found = np.flatnonzero(segments.failed & (segments.right > segments.left))
        scores[found] += slopes / np.expm1(np.minimum(hazard, 700.0))[:, None]
        seen = np.flatnonzero(segments.failed & (segments.right == segments.left))
        local = self._seen(theta).gradient
        scores[seen] += _carried(local, lead[self.data.seen_row])
        return scores

    def pieces_hazard(self, theta: FloatArray, pieces: Pieces) -> tuple[FloatArray, FloatArray]:
        """Hazard of each piece (m,), and its slope in theta (m, d)."""
        return self._rises(theta, pieces, self._lead())

    def seen_log_hazard(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log hazard at each failure seen (e,), and its slope in theta (e, d)."""
        local = self._seen(theta)
        return local.value, _carried(local.gradient, self._lead()[self.data.seen_row])

    def _lead(self) -> FloatArray:
        """d (eta, mu, log sigma) / d theta of every design row, (rows, 3, d)."""
        rows, columns = self.design.values.shape
        lead = np.zeros((rows, 3, 2 + columns + int(self.shape_columns.sum())))
        lead[:, 0, 2 : 2 + columns] = self.design.values
        lead[:, 1, 0] = 1.0
        lead[:, 2, 1] = 1.0
        lead[:, 2, 2 + columns :] = self.design.values[:, self.shape_columns]
        return lead

    def _local_parameters(
        self, theta: FloatArray, row: IntArray
    ) -> tuple[FloatArray, float, FloatArray]:
        columns = self.design.values.shape[1]
        eta = self.design.values @ theta[2 : 2 + columns]
        log_sigma = theta[1] + self.design.values[:, self.shape_columns] @ theta[2 + columns :]
        return eta[row], float(theta[0]), log_sigma[row]

    def _hazard(self, theta: FloatArray, row: IntArray, age: FloatArray) -> _Local:
        """exp(eta) H(z) at single ages; 0 at age 0."""
        eta, mu, log_sigma = self._local_parameters(theta, row)
        positive = age > 0.0
        sigma = np.exp(log_sigma)
        z = np.where(positive, (np.log(np.where(positive, age, 1.0)) - mu) / sigma, 0.0)
        ratio = np.where(positive, np.exp(np.minimum(eta, 300.0)), 0.0)
        log_s, d1, d2 = (-ratio * part for part in self.standard.log_survival(z))
        return _Local(
            log_s,
            np.stack([log_s, -d1 / sigma, -d1 * z], axis=1),
            np.stack(
                [
                    log_s,
                    -d1 / sigma,
                    -d1 * z,
                    d2 / sigma**2,
                    (d2 * z + d1) / sigma,
                    d2 * z * z + d1 * z,
                ],
                axis=1,
            ),
        )

    def _seen(self, theta: FloatArray) -> _Local:
        """Log hazard at the ages of failures seen."""
        eta, mu, log_sigma = self._local_parameters(theta, self.data.seen_row)
        sigma, log_age = np.exp(log_sigma), np.log(self.data.seen_age)
        z = (log_age - mu) / sigma
        value, d1, d2 = (
            f - s
            for f, s in zip(
                self.standard.log_density(z), self.standard.log_survival(z), strict=True
            )
        )
        one, none = np.ones_like(z), np.zeros_like(z)
        return _Local(
            value + eta - log_sigma - log_age,
            np.stack([one, -d1 / sigma, -d1 * z - 1.0], axis=1),
            np.stack(
                [
                    none,
                    none,
                    none,
                    d2 / sigma**2,
                    (d2 * z + d1) / sigma,
                    d2 * z * z + d1 * z,
                ],
                axis=1,
            ),
        )

    def _rises(
        self, theta: FloatArray, pieces: Pieces, lead: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        upto, before = self._ends(theta, pieces)
        slopes = _carried(upto.gradient - before.gradient, lead[pieces.row])
        return upto.value - before.value, slopes

    def _ends(self, theta: FloatArray, pieces: Pieces) -> tuple[_Local, _Local]:
        """Hazards run through up to each piece's end, and up to its start."""
        upto = self._hazard(theta, pieces.row, pieces.end)
        return upto, self._hazard(theta, pieces.row, pieces.start)

    def _interval_hazards(
        self, lead: FloatArray, upto: _Local, before: _Local
    ) -> tuple[FloatArray, FloatArray]:
        """B of each failure found (f,), and its slope (f, d)."""
        inside, count = self.data.inside, self.data.found.size
        slopes = _carried(upto.gradient - before.gradient, lead[inside.row])
        rises = upto.value - before.value
        hazard = np.bincount(inside.adjuster, weights=rises, minlength=count)
        return np.maximum(hazard, 1e-300), sums_by(inside.adjuster, slopes, count)

    def _found(self, theta: FloatArray, lead: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        inside, weight = self.data.inside, self.data.found
        upto, before = self._ends(theta, inside)
        hazard, slopes = self._interval_hazards(lead, upto, before)
        rho = 1.0 / np.expm1(np.minimum(hazard, 300.0))
        bend = (weight * rho * (1.0 + rho))[:, None] * slopes
        pull = (weight * rho)[inside.adjuster]
        local = _Local(upto.value, upto.gradient, upto.hessian - before.hessian)
        curved = _summed(lead, inside.row, local, pull)[2]
        value = float(weight @ np.log(-np.expm1(-hazard)))
        return value, (weight * rho) @ slopes, curved - slopes.T @ bend


def _symmetric(upper: FloatArray) -> FloatArray:
    """(m, 3, 3) from upper triangles (m, 6)."""
    return upper[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)


def _carried(gradient: FloatArray, lead: FloatArray) -> FloatArray:
    """Local gradients (m, 3) in theta, by the lead of each (m, 3, d): (m, d)."""
    return np.asarray((gradient[:, None, :] @ lead)[:, 0, :])


def _summed(
    lead: FloatArray, row: IntArray, local: _Local, weight: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Weighted sum of local terms, carried to theta row by row."""
    rows = lead.shape[0]
    gradient = sums_by(row, weight[:, None] * local.gradient, rows)
    hessian = _symmetric(sums_by(row, weight[:, None] * local.hessian, rows))
    return (
        float(weight @ local.value),
        np.tensordot(gradient, lead, axes=2),
        np.tensordot(lead, hessian @ lead, axes=([0, 1], [0, 1])),
    )
