r"""What a fleet's earlier totals missed by, and what that says of the totals to come.

Empirical prediction intervals (Williams & Goodman 1971, *JASA* 66:752; Lee & Scholtes 2014,
*Int. J. Forecasting* 30:217): a forecast's own past errors tell its bias, and a spread that no
model knows of itself. They are few, and overlap: one quarter is forecast from several origins, and
what happened in it is one outcome. So its errors

.. math:: e_{oq} = \log(y_q + ½) - \mathrm{E}\log(Y_{oq} + ½)

(quarter q forecast from origin o, Y the simulated total and y what came) are averaged over its
origins, and the means taken as Gaussian with

.. math::
    \mathrm{cov}(e_q, e_{q'}) = θ^2 σ_b^2 e^{-|q - q'| / L} + 1_{q = q'} (φ^2 τ^2 + s_q^2)

a bias that drifts, a surprise of each quarter, and the luck that the simulation knows of (s, the
SD of log Y, in which averaging over origins changes nothing). The errors to come follow by
conditioning (kriging; Rasmussen & Williams 2006, section 2.2), so that few errors leave the stated
prior as it is and many replace it; those further ahead have a variance more, σ_h² for each quarter
after the first. θ and φ, how large bias and surprises are against the prior's (σ_b, σ_h, τ below,
our choice, no source), have a lognormal prior each and are averaged over.

The same factors multiply every part of a fleet's total: what is learned of the total is all that is
known of its parts.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.common.arrays import FloatArray, IntArray
from models.relines.simulation.counts import Counts, Tally

BIAS_SD = 0.05
LEAD_SD = 0.02
SURPRISE_SD = 0.05
DRIFT_QUARTERS = 12.0
STEPS = (0.25, 0.5, 1.0, 2.0, 4.0)
SCALES = np.array([(bias, surprise) for bias in STEPS for surprise in STEPS])
"""θ and φ (G, 2)."""
SCALE_LOG_SD = np.log(2.0)
MONTHS_A_QUARTER = 3


@dataclass(frozen=True, slots=True)
class PastErrors:
    """Errors (N,) of totals, log of outcome over forecast, with the SD ``luck`` that was forecast.

    ``quarter``: which quarter it was, counted from the day forecasts start from (0 is the last
    before it, earlier ones are negative); one is there as often as it was forecast.
    """

    error: FloatArray
    luck: FloatArray
    quarter: IntArray

    def __len__(self) -> int:
        return len(self.error)

    def by_quarter(self) -> tuple[IntArray, FloatArray, FloatArray]:
        """Quarters, in order, the mean of each one's errors, and the mean luck."""
        quarters, place = np.unique(self.quarter, return_inverse=True)
        count = np.bincount(place, minlength=len(quarters))
        means = (np.bincount(place, x, minlength=len(quarters)) for x in (self.error, self.luck))
        error, luck = (total / np.maximum(count, 1) for total in means)
        return quarters, error, luck

    def known_at(self, quarters_ago: int) -> "PastErrors":
        """Those of quarters that were over then, counted from then."""
        known = self.quarter <= -quarters_ago
        return PastErrors(self.error[known], self.luck[known], self.quarter[known] + quarters_ago)


def past_errors(
    draws: Sequence[FloatArray], happened: Sequence[FloatArray], quarters_ago: Sequence[int]
) -> PastErrors:
    """Errors of origins so many quarters ago: totals drawn (D, H) and happened (H,) of each."""
    empty = np.zeros(0)
    parts = [
        (*_log_errors(drawn, came), np.arange(1, len(came) + 1) - ago)
        for drawn, came, ago in zip(draws, happened, quarters_ago, strict=True)
    ]
    parts.append((empty, empty, empty.astype(np.int64)))
    return PastErrors(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _log_errors(draws: FloatArray, happened: FloatArray) -> tuple[FloatArray, FloatArray]:
    drawn = np.log(draws + 0.5)
    return np.log(happened + 0.5) - drawn.mean(axis=0), drawn.std(axis=0)


@dataclass(frozen=True, slots=True)
class ErrorsToCome:
    """Log errors of the H quarters ahead: per θ and φ a weight (G,), mean (G, H) and covariance
    (G, H, H)."""

    weight: FloatArray
    mean: FloatArray
    covariance: FloatArray

    @property
    def expected(self) -> FloatArray:
        """Mean over the scales (H,)."""
        return np.asarray(self.weight @ self.mean)

    @property
    def sd(self) -> FloatArray:
        """SD over all (H,)."""
        within = np.einsum("g,ghh->h", self.weight, self.covariance)
        between = self.weight @ (self.mean - self.expected) ** 2
        return np.asarray(np.sqrt(within + between))


def errors_to_come(past: PastErrors, quarters: int) -> ErrorsToCome:
    """What past errors say of so many quarters ahead.

    Raises
    ------
    ValueError
        If no quarter is asked for.
    """
    if quarters < 1:
        raise ValueError(f"quarters must be at least 1, got {quarters}")
    told, error, luck = past.by_quarter()
    every = np.concatenate([told, np.arange(1, quarters + 1)])
    apart = np.abs(every[:, None] - every[None, :])
    bias, surprise = BIAS_SD**2 * np.exp(-apart / DRIFT_QUARTERS), SURPRISE_SD**2 * (apart == 0)
    # A total that was certain is not quite.
    known = np.diag(np.concatenate([luck**2 + 1e-6, LEAD_SD**2 * np.arange(quarters)]))
    found = [_conditioned(t**2 * bias + f**2 * surprise + known, error) for t, f in SCALES]
    fit = np.array([f[0] for f in found])
    fit -= 0.5 * ((np.log(SCALES) / SCALE_LOG_SD) ** 2).sum(axis=1)
    weight = np.exp(fit - fit.max())
    return ErrorsToCome(
        weight / weight.sum(), np.array([f[1] for f in found]), np.array([f[2] for f in found])
    )


def _conditioned(every: FloatArray, error: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Log likelihood of the first errors; mean and covariance of the others given them."""
    n = len(error)
    root = np.linalg.cholesky(every[:n, :n])
    white = np.linalg.solve(root, np.column_stack([error, every[:n, n:]]))
    shifted, loads = white[:, 0], white[:, 1:]
    fit = -0.5 * float(shifted @ shifted) - float(np.log(np.diag(root)).sum())
    return fit, loads.T @ shifted, every[n:, n:] - loads.T @ loads


def error_factors(coming: ErrorsToCome, draws: int, seed: int) -> FloatArray:
    """Factors (D, H) on drawn totals of the quarters ahead; their mean is what was missed by."""
    rng = np.random.default_rng([seed, 19])
    scale = rng.choice(len(coming.weight), draws, p=coming.weight)
    normal = rng.standard_normal((draws, coming.mean.shape[1]))
    roots = np.linalg.cholesky(coming.covariance + 1e-12 * np.eye(coming.mean.shape[1]))
    variance = np.diagonal(coming.covariance, axis1=1, axis2=2)[scale]
    error = coming.mean[scale] + np.einsum("dhk,dk->dh", roots[scale], normal)
    return np.asarray(np.exp(error - variance / 2.0))


def calibrated_totals(tally: Tally, past: PastErrors, seed: int) -> Tally:
    """The tally with every drawn future multiplied by an error that the past makes likely.

    Counts stay whole: within a draw they are rounded so that any run of them is off by less than
    one, and right in the mean. Scenarios given the same seed and number of draws get the same
    factors, so that their differences stay differences within one future.
    """
    months = tally.relines.shape[1]
    coming = errors_to_come(past, -(-months // MONTHS_A_QUARTER))
    by_quarter = error_factors(coming, tally.n_draws, seed)
    factor = np.repeat(by_quarter, MONTHS_A_QUARTER, axis=1)[:, :months, None]
    rng = np.random.default_rng([seed, 23])
    counts = ("relines", "visits", "relines_by_span", "visits_by_span")
    whole: dict[str, Any] = {n: _whole(getattr(tally, n) * factor, rng) for n in counts}
    grown = factor[:, :, 0].mean(axis=1)
    return replace(
        tally,
        **whole,
        scrapped_mm=tally.scrapped_mm * grown,
        scrapped_share=tally.scrapped_share * grown,
    )


def _whole(values: FloatArray, rng: np.random.Generator) -> Counts:
    """Whole numbers (D, M, C) whose running sums follow those of ``values``."""
    run_up = values.reshape(len(values), -1).cumsum(axis=1) + rng.random((len(values), 1))
    return np.diff(np.floor(run_up), axis=1, prepend=0.0).reshape(values.shape).astype(np.int32)
