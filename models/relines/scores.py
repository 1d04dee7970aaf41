r"""How good forecasts were, whole distributions against what happened.

*PIT histogram*, for outcomes that come in lumps (counts; days on which a unit visits): not the
randomised transform but its mean, Czado, Gneiting & Held 2009 (*Biometrics* 65:1254), equation 2:

.. math:: F(u \mid x) = \begin{cases} 0 & u \le P(X < x) \\
    \frac{u - P(X < x)}{P(X \le x) - P(X < x)} & \\ 1 & u \ge P(X \le x) \end{cases}

averaged over the forecasts, and differenced over equal bins. An outcome that had not come when the
watching ended is known to lie above its last day: the same formula with :math:`P(X \le x) = 1`
spreads it over what is left. Flat: calibrated; a hump in the middle: wider than needed; high at the
ends: too narrow; a slope: biased.

*CRPS*, in the units of the forecast, smaller is better: Gneiting & Raftery 2007 (*JASA* 102:359),
by ``scoringrules``. Days are scored up to the end of the watching, on both sides: the
threshold-weighted score with weight on [0, watched] (Gneiting & Ranjan 2011, *JBES* 29:411), which
stays proper where the rest was not seen.
"""

from typing import Any

import numpy as np
from scipy import special

from models.common.arrays import FloatArray

PIT_BINS = 10


def _scoring() -> Any:
    """``scoringrules``, imported where a score is wanted: it takes as long as half a small run's
    start, and ``--help`` or ``ask`` need none."""
    import scoringrules

    return scoringrules


def pit_histogram(below: FloatArray, by: FloatArray, bins: int = PIT_BINS) -> FloatArray:
    """Share of the transform in each of ``bins`` equal bins; sums to one.

    ``below`` and ``by`` (N,): forecast probability of less than what happened, and of no more.

    Raises
    ------
    ValueError
        If there is no forecast, or a probability of no more is below that of less.
    """
    if len(below) == 0 or np.any(by < below):
        raise ValueError("need forecasts whose probabilities do not fall")
    edges = np.linspace(0.0, 1.0, bins + 1)[:, None]
    # Where an outcome has no probability of its own, all of it lies in one place.
    width = np.maximum(by - below, 1e-9)
    reached = np.clip((edges - np.minimum(below, 1.0 - 1e-9)) / width, 0.0, 1.0)
    return np.asarray(np.diff(reached.mean(axis=1)))


def count_probabilities(draws: FloatArray, happened: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Probability of less than what happened, and of no more: (D, Q) draws, (Q,) outcomes."""
    return (draws < happened).mean(axis=0), (draws <= happened).mean(axis=0)


def day_probabilities(
    levels: FloatArray, quantile_days: FloatArray, day: FloatArray, watched: float
) -> tuple[FloatArray, FloatArray]:
    """The same from quantiles alone: ``levels`` (K,), ``quantile_days`` (K, L) in whole days, of
    which some may be infinite; ``day`` (L,) is infinite where nothing came by ``watched``.

    Between two quantiles the probability is taken in its middle: half a step of levels off at most.
    """
    seen = np.isfinite(day) & (day <= watched)
    until = np.where(seen, day, watched)
    around = np.concatenate([[0.0], levels, [1.0]])
    middles = (around[1:] + around[:-1]) / 2.0
    less = middles[(quantile_days < until).sum(axis=0)]
    no_more = middles[(quantile_days <= until).sum(axis=0)]
    return np.where(seen, less, no_more), np.where(seen, no_more, 1.0)


def crps_of_draws(draws: FloatArray, happened: FloatArray) -> float:
    """Mean over Q outcomes of draws (D, Q)."""
    return _mean(_scoring().crps_ensemble(happened, draws.T, backend="numpy"))


def crps_of_normal(mean: FloatArray, sd: FloatArray, happened: FloatArray) -> float:
    """Mean over Q outcomes of normal forecasts."""
    return _mean(_scoring().crps_normal(happened, mean, sd, backend="numpy"))


def crps_of_days(
    levels: FloatArray, quantile_days: FloatArray, day: FloatArray, watched: float
) -> float:
    """Mean over L wheel ends, from quantiles (K, L); later than watched is as good as never."""
    told = np.minimum(quantile_days, watched).T
    seen = np.minimum(day, watched)
    return _mean(_scoring().crps_quantile(seen, told, levels, backend="numpy"))


def _mean(scores: Any) -> float:
    return float(np.mean(scores))


def normal_probabilities(
    mean: FloatArray, sd: FloatArray, happened: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Probability of less, and of no more, under normal forecasts: one and the same."""
    chance = np.asarray(special.ndtr((happened - mean) / sd))
    return chance, chance
