r"""How sure a fitted life is when the adjusters of one unit are alike.

The likelihood counts every adjuster as if it stood alone. Adjusters of one unit share its roads,
its load and its greasing, so that a unit with two early failures says less than two units with one
each. With s_u the score of a unit's adjusters at the estimate, and :math:`\Phi` the inverse
observed information,

.. math:: V = \Phi\Big(\frac{m}{m - 2}\sum_u s_u s_u^\top\Big)\Phi

is the covariance whatever the adjusters of a unit have in common (Huber 1967; Liang, Zeger 1986,
Biometrika 73:13; for lives: Lin, Wei 1989, J. Am. Stat. Assoc. 84:1074), m being the units in which
an adjuster failed. The same with the hazards of its cells serves the curve that assumes no
distribution. No direction is taken as surer than independent adjusters would make it. Limits
of a quantity come from its profile likelihood, the drop widened by the ratio of its variances
(Kent 1982, Biometrika 69:19; Chandler, Bate 2007, Biometrika 94:167) and judged by
:math:`t_{m-1}`. What is estimated is the life of the fleet's mixture of units.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.common.arrays import FloatArray, IntArray
from models.lives.fits.data import GROUP, GroupKey
from models.lives.fits.distributions import StandardDistribution
from models.lives.fits.likelihood import NARROW, interval_derivatives

PARAMETERS = 2
ENDLESS = 1e3
"""Nobody comes through so large a hazard."""


@dataclass(frozen=True, slots=True)
class UnitLives:
    """Watched lives with the unit each ran on, (n,); ``right`` is infinite where none failed.

    ``stride``: each unit stands for so many of the fleet.
    """

    unit: IntArray
    entry: FloatArray
    left: FloatArray
    right: FloatArray
    weight: FloatArray
    stride: float = 1.0


@dataclass(frozen=True, slots=True)
class UnitSpread:
    """``meat`` (2, 2): the units' scores squared and added up; ``units`` in which one failed."""

    meat: FloatArray
    units: float


def unit_lives(frame: pl.DataFrame, stride: float = 1.0) -> dict[GroupKey, UnitLives]:
    """Lives by axle type and duty, and pooled: a null duty pools all duties, two nulls all.

    ``frame`` has ``unit_id``, ``axle_type``, ``duty``, ``entry_age``, ``left_age``, ``right_age``
    (null: not failed) and ``weight``.
    """
    numbered = frame.with_columns(unit=pl.col("unit_id").rank("dense").cast(pl.Int64) - 1)
    found: dict[GroupKey, UnitLives] = {(None, None): _arrays(numbered, stride)}
    for (axle,), part in numbered.partition_by("axle_type", as_dict=True).items():
        found[axle, None] = _arrays(part, stride)
    for (axle, duty), part in numbered.partition_by(GROUP, as_dict=True).items():
        found[axle, duty] = _arrays(part, stride)
    return found


def _arrays(frame: pl.DataFrame, stride: float) -> UnitLives:
    def column(name: str, otherwise: float) -> FloatArray:
        return frame[name].cast(pl.Float64).fill_null(otherwise).to_numpy()

    return UnitLives(
        frame["unit"].to_numpy(),
        column("entry_age", 0.0),
        column("left_age", 0.0),
        column("right_age", np.inf),
        column("weight", 1.0),
        stride,
    )


def life_scores(standard: StandardDistribution, theta: FloatArray, lives: UnitLives) -> FloatArray:
    """Derivative of each life's log-likelihood in (log scale, log sigma), shape (n, 2)."""
    mu, sigma = theta[0], float(np.exp(theta[1]))
    failed = np.isfinite(lives.right)
    exact = failed & (lives.right - lives.left <= NARROW * lives.right)
    inside = failed & ~exact
    scores = -_age_scores(standard, lives.entry, mu, sigma)
    scores[~failed] += _age_scores(standard, lives.left[~failed], mu, sigma)
    z = (np.log(lives.right[exact]) - mu) / sigma
    slope = standard.log_density(z)[1]
    scores[exact] += np.stack([-slope / sigma, -slope * z - 1.0], axis=1)
    scores[inside] += _interval_scores(standard, lives.left[inside], lives.right[inside], mu, sigma)
    return np.asarray(scores * lives.weight[:, None])


def _age_scores(
    standard: StandardDistribution, age: FloatArray, mu: float, sigma: float
) -> FloatArray:
    """Of log S(age); nothing at age 0."""
    z = (np.log(np.where(age > 0.0, age, 1.0)) - mu) / sigma
    slope = np.where(age > 0.0, standard.log_survival(z)[1], 0.0)
    return np.stack([-slope / sigma, -slope * z], axis=1)


def _interval_scores(
    standard: StandardDistribution, left: FloatArray, right: FloatArray, mu: float, sigma: float
) -> FloatArray:
    from_zero = left <= 0.0
    z_left = (np.log(np.where(from_zero, 1.0, left)) - mu) / sigma
    z_right = (np.log(right) - mu) / sigma
    _, at_left, at_right = interval_derivatives(standard, z_left, z_right, from_zero)
    along = np.where(from_zero, 0.0, at_left.d1 * z_left) + at_right.d1 * z_right
    return np.stack([-(at_left.d1 + at_right.d1) / sigma, -along], axis=1)


def hazard_scores(
    lives: UnitLives, start: FloatArray, end: FloatArray, hazard: FloatArray
) -> FloatArray:
    """Derivative of each unit's log-likelihood in the hazards of cells of age, (units, s).

    ``start``, ``end``, ``hazard``: (s,), of the cells in use, in order (see ``npmle_solver``); what
    a cell of endless hazard explains says nothing of the others.
    A cell belongs to the ages its middle lies in, so that ages counted in steps do no harm.
    """
    middle = 0.5 * (start + end)
    exact = np.isfinite(lives.right) & (lives.right - lives.left <= NARROW * lives.right)
    # A failure seen at an age has not come through it; whoever is censored then has.
    came = np.where(
        exact, np.searchsorted(middle, lives.left), np.searchsorted(middle, lives.left, "right")
    )
    entered = np.minimum(np.searchsorted(middle, lives.entry, "right"), came)
    failed = np.isfinite(lives.right)
    beyond = np.where(failed, np.searchsorted(middle, lives.right, "right"), came)
    run = np.append(0.0, np.cumsum(np.minimum(hazard, ENDLESS)))
    inside = run[beyond] - run[came]
    pull = np.zeros(inside.size)
    known = inside > 0.0
    pull[known] = lives.weight[known] / np.expm1(np.minimum(inside[known], 700.0))
    # Each life's value in the cells of its range, summed by unit.
    shape = int(lives.unit.max(initial=-1)) + 1, middle.size + 1
    steps = (entered, -lives.weight), (came, lives.weight), (came, pull), (beyond, -pull)
    flat = sum(
        np.bincount(lives.unit * shape[1] + cell, value, shape[0] * shape[1])
        for cell, value in steps
    )
    return np.asarray(np.cumsum(np.reshape(flat, shape), axis=1)[:, :-1])


def failing_units(lives: UnitLives) -> float:
    """Units in which an adjuster failed, of the whole fleet."""
    return lives.stride * len(np.unique(lives.unit[np.isfinite(lives.right)]))


def unit_spread(standard: StandardDistribution, theta: FloatArray, lives: UnitLives) -> UnitSpread:
    """The scores of units at ``theta``, squared and added up."""
    scores = life_scores(standard, theta, lives)
    size = int(lives.unit.max(initial=-1)) + 1
    by_unit = np.stack([np.bincount(lives.unit, part, size) for part in scores.T], axis=1)
    return UnitSpread(lives.stride * by_unit.T @ by_unit, failing_units(lives))


def spread_covariance(naive: FloatArray, spread: UnitSpread) -> FloatArray:
    """V of the module's head, no direction narrower than ``naive`` (2, 2).

    Fewer than four units with a failure do not tell how units differ: ``naive`` stays.
    """
    m = spread.units
    if m <= PARAMETERS + 1:
        return naive
    root = np.linalg.cholesky(naive)
    ratio = m / (m - PARAMETERS) * root.T @ spread.meat @ root
    values, vectors = np.linalg.eigh(ratio)
    wide = (vectors * np.maximum(values, 1.0)) @ vectors.T
    return np.asarray(root @ wide @ root.T)
