"""Frames a chart of life curves needs: survival against age, and straight-line scales.

On a distribution's probability scale, z = quantile(failed share) against log age, its own curve is
the straight line z = (log age - mu) / sigma, so that a bend in the distribution-free points shows
where the distribution does not fit (Meeker & Escobar 1998, ch. 6).
"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.common.arrays import FloatArray
from models.lives.fits.data import LifeCounts
from models.lives.fits.npmle import Npmle, falling
from models.lives.fits.parametric import LifeFit
from models.lives.fits.profile import Quantity, profile_limits


def curve_ages(counts: LifeCounts, points: int = 40) -> FloatArray:
    """`points` evenly spaced ages from just above 0 to the highest age of the records."""
    ages = np.concatenate([counts.left, counts.right, counts.censored_at])
    return np.linspace(0.0, float(ages.max()), points + 1)[1:]


def fitted_curve(
    counts: LifeCounts, fit: LifeFit, ages: FloatArray, level: float = 0.95
) -> pl.DataFrame:
    """age (rising), survival, ci_low, ci_high (pointwise profile limits), method = the
    distribution.

    Limits at different ages are widened differently where units differ: they are made to fall with
    age all the same, as survival does.
    """
    limits = profile_limits(counts, fit, [Quantity("survival", float(a)) for a in ages], level)
    low, high = falling(
        np.array([limit.low for limit in limits]), np.array([limit.high for limit in limits])
    )
    return _curve_frame(ages, np.array([limit.estimate for limit in limits]), low, high, fit.name)


def free_curve(curve: Npmle) -> pl.DataFrame:
    """age, survival, ci_low, ci_high, method = `npmle`: one row at the start and after each drop.

    The curve is conditional on having reached the first row's age. Drawn as steps that hold until
    the next row; the last row repeats the final value at the age the watching ended.
    """
    ends = np.concatenate([[curve.from_age], curve.end_age])
    columns = [np.concatenate([[1.0], part]) for part in (curve.survival, curve.low, curve.high)]
    if curve.last_age > ends[-1]:
        ends = np.append(ends, curve.last_age)
        columns = [np.append(part, part[-1]) for part in columns]
    return _curve_frame(ends, columns[0], columns[1], columns[2], "npmle")


def _curve_frame(
    age: FloatArray, survival: FloatArray, low: FloatArray, high: FloatArray, method: str
) -> pl.DataFrame:
    return pl.DataFrame(
        {"age": age, "survival": survival, "ci_low": low, "ci_high": high}
    ).with_columns(method=pl.lit(method))


def probability_plot(curve: Npmle, fit: LifeFit) -> pl.DataFrame:
    """The distribution-free drops and the fit on the fit's own probability scale.

    Columns: distribution, age, log_age, failed, z, z_low, z_high (limits of the drops), z_fit (the
    straight line). A curve conditional on `from_age` is multiplied by the fit's survival to it, so
    that points and line share a scale; rows with a failed share of 0 or 1 have no z and are left
    out.
    """
    distribution = fit.distribution
    reached = float(distribution.survival(np.array([curve.from_age]))[0])
    kept = (curve.end_age > 0.0) & (reached * curve.survival > 0.0)
    failed, high, low = (
        np.clip(1.0 - reached * part[kept], 1e-12, 1.0 - 1e-12)
        for part in (curve.survival, curve.low, curve.high)
    )
    age = curve.end_age[kept]
    return pl.DataFrame(
        {
            "age": age,
            "log_age": np.log(age),
            "failed": failed,
            "z": distribution.standard.quantile(failed),
            "z_low": distribution.standard.quantile(low),
            "z_high": distribution.standard.quantile(high),
            "z_fit": distribution.standardised(age),
        }
    ).with_columns(distribution=pl.lit(fit.name))
