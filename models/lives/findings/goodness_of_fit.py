"""Does the fitted life curve fit? Failures by age band against their expectation, and in words.

Bands of age with about equal expected failures; in each, the fitted cumulative hazard may be
multiplied by a factor of its own. With those factors f_b >= 0 the likelihood is concave,

    l(f) = sum failed log(1 - exp(-f . B_i)) + sum seen log f_b(i) - f . a,

B_i the hazard of interval i by band, a the hazard survived by band. Twice the gain over f = 1 is
chi-square-like. Because shape and scale were fitted to ungrouped ages its degrees of freedom lie
between bands - 2 and bands (Chernoff & Lehmann 1954, Ann. Math. Stat. 25:579); the part of the
information on shape and scale that the bands do not hold is added to bands - 2, matching the mean.
Entry, intervals and censoring are in it exactly, so no bootstrap is needed; it takes some five
failures a band to be near its law, and where inspections are so rare that bands blur into one
another it errs towards "agrees".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from models.common.arrays import FloatArray
from models.common.distributions import chi2_sf
from models.lives.fits.data import LifeCounts
from models.lives.fits.distributions import LifeDistribution
from models.lives.fits.likelihood import evaluate, likelihood_terms
from models.lives.fits.npmle import Npmle
from models.lives.fits.npmle_solver import nonnegative_minimum
from models.lives.fits.parametric import LifeFit

FEWEST_FAILURES = 15
FAILURES_PER_BAND = 5
MOST_BANDS = 8
SIGNIFICANT = 0.05


@dataclass(frozen=True, slots=True)
class FitCheck:
    """Observed and expected failures by age band, their chi-square, and the verdict.

    band_start, band_end: (b,), ages; the last end is infinite. observed: failures by band, those
    in intervals shared out by the best band factors; expected: by the fit alone.
    furthest, furthest_age: the largest distance of the distribution-free curve from the fit, and
    where; outside: the share of its drops where the fit lies outside its pointwise limits.
    p is nan, and the bands empty, when failures are too few to judge.
    """

    band_start: FloatArray
    band_end: FloatArray
    observed: FloatArray
    expected: FloatArray
    chi_square: float
    degrees: float
    p: float
    furthest: float
    furthest_age: float
    outside: float
    words: str


class _BandHazards(NamedTuple):
    """Cumulative hazard of each age in each band (n, b), and its slopes in mu and log sigma."""

    value: FloatArray
    d_mu: FloatArray
    d_tau: FloatArray


class _Bands(NamedTuple):
    """The likelihood in band factors: survived hazard a, and each interval's hazard B by band."""

    survived: _BandHazards
    inside: _BandHazards
    failed: FloatArray
    seen: FloatArray


def check_fit(counts: LifeCounts, fit: LifeFit, curve: Npmle) -> FitCheck:
    """The check of one fit; `curve` is the distribution-free curve of the same counts."""
    distance = _distance(fit.distribution, curve)
    if counts.failures < FEWEST_FAILURES:
        words = f"{counts.failures:g} failures are too few to judge how well the {fit.called} fits"
        none = np.empty(0)
        return FitCheck(none, none, none, none, np.nan, 0.0, np.nan, *distance, words)
    cuts = _band_cuts(counts, fit.distribution)
    bands = _bands(counts, fit.distribution, cuts)
    ones = np.ones(cuts.size - 1)
    factors = _best_factors(bands)
    chi_square = max(2.0 * (_gain(bands, factors) - _gain(bands, ones)), 0.0)
    degrees = ones.size - 2 + _information_outside(counts, fit, bands)
    p = float(chi2_sf(chi_square, degrees))
    observed, expected = _shared(bands, factors), _shared(bands, ones) - _slope(bands, ones)
    words = _words(
        fit, observed, expected, cuts, f"chi-square {chi_square:.1f} on {degrees:.1f}", p
    )
    return FitCheck(
        cuts[:-1], cuts[1:], observed, expected, chi_square, degrees, p, *distance, words
    )


def _distance(fitted: LifeDistribution, curve: Npmle) -> tuple[float, float, float]:
    if not curve.end_age.size:
        return 0.0, curve.from_age, 0.0
    start = np.array([curve.from_age])
    expected = np.exp(fitted.log_survival(curve.end_age) - fitted.log_survival(start))
    gap = np.abs(curve.survival - expected)
    outside = (expected < curve.low) | (expected > curve.high)
    place = int(np.argmax(gap))
    return float(gap[place]), float(curve.end_age[place]), float(outside.mean())


def _band_cuts(counts: LifeCounts, fitted: LifeDistribution) -> FloatArray:
    """0, inner cuts and infinity, with about equal expected failures between them.

    Expected failures up to an age are the cumulative hazards run through before it; the cuts are
    looked for on a fine grid of ages.
    """
    bands = int(min(MOST_BANDS, counts.failures // FAILURES_PER_BAND))
    top = float(max(counts.right.max(), counts.censored_at.max(initial=0.0)))
    ages = np.linspace(0.0, top, 201)[1:]
    expected = _expected_by(counts, fitted, ages)
    inner = np.interp(np.arange(1, bands) / bands * expected[-1], expected, ages)
    return np.concatenate([[0.0], np.unique(inner), [np.inf]])


def _expected_by(counts: LifeCounts, fitted: LifeDistribution, ages: FloatArray) -> FloatArray:
    hazard = -fitted.log_survival(ages)

    def run_through(age: FloatArray, weight: FloatArray) -> FloatArray:
        reached = np.minimum(-fitted.log_survival(age)[:, None], hazard[None, :])
        return np.asarray(weight @ reached)

    middle = 0.5 * (counts.left + counts.right)
    out = run_through(middle, counts.failed) + run_through(counts.censored_at, counts.censored)
    return out - run_through(counts.entry, counts.entered)


def _band_hazards(fitted: LifeDistribution, age: FloatArray, cuts: FloatArray) -> _BandHazards:
    clipped = np.minimum(age[:, None], cuts[None, :])
    positive = clipped > 0.0
    z = np.where(positive, fitted.standardised(np.where(positive, clipped, 1.0)), 0.0)
    log_s, slope, _ = fitted.standard.log_survival(z)
    value = np.where(positive, -log_s, 0.0)
    d_mu = np.where(positive, slope / fitted.sigma, 0.0)
    d_tau = np.where(positive, slope * z, 0.0)
    return _BandHazards(*(np.diff(part, axis=1) for part in (value, d_mu, d_tau)))


def _bands(counts: LifeCounts, fitted: LifeDistribution, cuts: FloatArray) -> _Bands:
    interval = counts.left < counts.right
    good_age = np.concatenate([counts.left, counts.censored_at, counts.entry])
    good = np.concatenate([counts.failed, counts.censored, -counts.entered])
    survived = _band_hazards(fitted, good_age, cuts)
    upto = _band_hazards(fitted, counts.right[interval], cuts)
    before = _BandHazards(*(part[: counts.left.size][interval] for part in survived))
    edges = np.append(cuts[:-1], np.finfo(float).max)
    seen = np.histogram(counts.left[~interval], edges, weights=counts.failed[~interval])[0]
    return _Bands(
        _BandHazards(*(good @ part for part in survived)),
        _BandHazards(*(u - b for u, b in zip(upto, before, strict=True))),
        counts.failed[interval],
        seen,
    )


def _gain(bands: _Bands, factors: FloatArray) -> float:
    """The log-likelihood of band factors, up to a constant."""
    total = bands.inside.value @ factors
    if np.any(total <= 0.0) or np.any((factors <= 0.0) & (bands.seen > 0.0)):
        return -np.inf
    value = bands.failed @ np.log(-np.expm1(-total)) - bands.survived.value @ factors
    return float(value + bands.seen @ np.log(np.where(factors > 0.0, factors, 1.0)))


def _pull(bands: _Bands, factors: FloatArray) -> FloatArray:
    return bands.failed / np.expm1(np.minimum(bands.inside.value @ factors, 700.0))


def _slope(bands: _Bands, factors: FloatArray) -> FloatArray:
    slope = _pull(bands, factors) @ bands.inside.value - bands.survived.value
    return np.asarray(slope + bands.seen / np.maximum(factors, 1e-300))


def _curvature(bands: _Bands, factors: FloatArray) -> FloatArray:
    rho = 1.0 / np.expm1(np.minimum(bands.inside.value @ factors, 300.0))
    bend = (bands.failed * rho * (1.0 + rho))[:, None] * bands.inside.value
    return np.asarray(
        bands.inside.value.T @ bend + np.diag(bands.seen / np.maximum(factors, 1e-150) ** 2)
    )


def _best_factors(bands: _Bands) -> FloatArray:
    """Newton with a nonnegative quadratic step; the likelihood is concave."""
    factors = np.ones(bands.seen.size)
    value = _gain(bands, factors)
    for _ in range(100):
        slope, curvature = _slope(bands, factors), _curvature(bands, factors)
        direction = nonnegative_minimum(curvature, slope + curvature @ factors) - factors
        if slope @ direction < 1e-9:
            break
        for fraction in 0.5 ** np.arange(25):
            tried = _gain(bands, factors + fraction * direction)
            if tried > value:
                break
        else:
            break
        factors, value = factors + fraction * direction, tried
    return factors


def _information_outside(counts: LifeCounts, fit: LifeFit, bands: _Bands) -> float:
    """The part of the information on shape and scale the bands lack, in parameters (0 to 2)."""
    ones = np.ones(bands.seen.size)
    rho = 1.0 / np.expm1(bands.inside.value @ ones)
    bend, pull = bands.failed * rho * (1.0 + rho), bands.failed * rho
    slopes = [
        survived - pull @ inside + bands.inside.value.T @ (bend * inside.sum(axis=1))
        for survived, inside in zip(bands.survived[1:], bands.inside[1:], strict=True)
    ]
    cross = np.stack(slopes, axis=1)
    terms = likelihood_terms(counts)
    theta = -evaluate(fit.distribution.standard, terms, fit.theta[None]).hessian[0]
    held = cross.T @ np.linalg.pinv(_curvature(bands, ones)) @ cross
    share = np.linalg.eigvals(np.linalg.solve(theta, held)).real
    return float(np.clip(1.0 - share, 0.0, 1.0).sum())


def _shared(bands: _Bands, factors: FloatArray) -> FloatArray:
    """Failures by band, those in intervals shared out under the factors."""
    hazard = np.cumsum(bands.inside.value * factors, axis=1)
    gone = -np.expm1(-hazard)
    shares = np.diff(gone, axis=1, prepend=0.0) / gone[:, -1:]
    return np.asarray(bands.failed @ shares + bands.seen)


def _words(
    fit: LifeFit,
    observed: FloatArray,
    expected: FloatArray,
    cuts: FloatArray,
    test: str,
    p: float,
) -> str:
    test = f"{test}, p {'< 0.001' if p < 0.001 else f'{p:.3f}'}"
    if p >= SIGNIFICANT:
        return f"failures by age agree with the {fit.called} ({test})"
    worst = int(np.argmax(np.abs(observed - expected) / np.sqrt(np.maximum(expected, 0.5))))
    last = np.isinf(cuts[worst + 1])
    where = (
        f"after {cuts[worst]:,.0f} km"
        if last
        else f"between {cuts[worst]:,.0f} km and {cuts[worst + 1]:,.0f} km"
    )
    return (
        f"failures by age depart from the {fit.called} ({test}): most so {where}, "
        f"{observed[worst]:.0f} where {expected[worst]:.0f} were expected"
    )
