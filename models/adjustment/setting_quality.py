"""How well settings are made: the share found out of band at the first check, and where.

A depot is named only when the evidence is there: its share lies outside funnel limits that
allow for how many depots are looked at and for how much depots differ anyway, and its own share,
shrunk toward the others, is above theirs with the stated probability.

References
----------
Wilson (1927) J. Amer. Statist. Assoc. 22:209; Brown, Cai & DasGupta (2001) Statistical Science
16:101 (intervals). Spiegelhalter (2005) Statistics in Medicine 24:1185 (funnel limits).
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, betaincinv, gammaln

from models.common.distributions import (
    binomial_cdf,
    binomial_quantile,
    binomial_sf,
    two_sided_z,
)

Floats = NDArray[np.float64]

FEWEST_SETTINGS = 10
# Of so many out of band by chance alone, times the number of depots looked at.
NAMED_CHANCE = 0.01
NAMED_PROBABILITY = 0.975
# Depots are taken to differ at least by a beta prior worth this many settings at most.
PRIOR_WORTH = np.geomspace(2.0, 5000.0, 200)


@dataclass(frozen=True, slots=True)
class Interval:
    low: Floats
    high: Floats


def wilson(hits: ArrayLike, trials: ArrayLike, level: float = 0.95) -> Interval:
    """Wilson's score interval of a share; [0, 1] where there are no trials.

    >>> found = wilson(0, 20)
    >>> round(float(found.low), 4), round(float(found.high), 4)
    (0.0, 0.1611)
    """
    # Own lines: statsmodels and scipy.stats have the interval too, and take every run a second and
    # more to import. The tests hold this against theirs.
    trials = np.asarray(trials, dtype=float)
    n, z = np.maximum(trials, 1.0), two_sided_z(level)
    share, worth = np.asarray(hits) / n, 1.0 + z * z / n
    centre = (share + z * z / (2.0 * n)) / worth
    half = z * np.sqrt(share * (1.0 - share) / n + z * z / (4.0 * n * n)) / worth
    # Rounding leaves the ends at 0 and n beside 0 and 1.
    low, high = np.clip(centre - half, 0.0, 1.0), np.clip(centre + half, 0.0, 1.0)
    return Interval(np.where(trials > 0, low, 0.0), np.where(trials > 0, high, 1.0))


def setting_quality(
    outcomes: pl.DataFrame, by: tuple[str, ...] = ("depot", "month")
) -> pl.DataFrame:
    """Share of settings out of band at the first check, with Wilson's 95 % interval.

    ``outcomes``: depot, month, and of how many ``settings`` how many were ``out``.
    """
    counts = pl.col("settings", "out").sum()
    found = (
        outcomes.group_by(by, maintain_order=True).agg(counts).sort(by)
        if by
        else outcomes.select(counts)
    )
    found = found.filter(pl.col("settings") > 0)
    interval = wilson(found["out"].to_numpy(), found["settings"].to_numpy())
    return found.with_columns(
        share=pl.col("out") / pl.col("settings"),
        ci_low=pl.Series(interval.low),
        ci_high=pl.Series(interval.high),
    )


@dataclass(frozen=True, slots=True)
class Funnel:
    """Depots against each other.

    Attributes
    ----------
    depots : one row per depot: ``settings``, ``out``, ``share`` with interval, ``expected`` share,
        ``limit_95``, ``limit_998`` (upper funnel limits), ``shrunk`` share with interval,
        ``p_above`` (that its share is above the fleet's), ``named``
    share : the fleet's
    worth : settings that the fleet's share is worth when a depot's is judged; large: depots alike
    """

    depots: pl.DataFrame
    share: float
    worth: float


def funnel(outcomes: pl.DataFrame) -> Funnel:
    """Funnel of depots, and which of them stand out when all is counted."""
    found = setting_quality(outcomes, by=("depot",))
    x, n = found["out"].to_numpy().astype(float), found["settings"].to_numpy().astype(float)
    share = float((x.sum() + 0.5) / (n.sum() + 1))
    worth = _worth(x, n, share)
    a, b = share * worth + x, (1 - share) * worth + n - x
    limits = {f"limit_{name}": _funnel_limit(n, share, p) for name, p in FUNNEL.items()}
    p_above = 1 - betainc(a, b, share)
    chance = binomial_sf(x - 1, n, share)
    named = (
        (n >= FEWEST_SETTINGS)
        & (chance * len(n) < NAMED_CHANCE)
        & (x / np.maximum(n, 1) > limits["limit_998"])
        & (p_above > NAMED_PROBABILITY)
    )
    columns = {
        "expected": np.full(len(n), share),
        **limits,
        "shrunk": a / (a + b),
        "shrunk_low": betaincinv(a, b, 0.025),
        "shrunk_high": betaincinv(a, b, 0.975),
        "p_above": p_above,
        "named": named,
    }
    depots = found.with_columns(pl.Series(name, values) for name, values in columns.items())
    return Funnel(depots, share, worth)


FUNNEL = {"95": 0.975, "998": 0.999}


def _funnel_limit(n: Floats, share: float, p: float) -> Floats:
    """Exact upper limit, interpolated between counts as Spiegelhalter (2005), appendix A.1."""
    count = binomial_quantile(p, n, share)
    above, below = binomial_cdf(count, n, share), binomial_cdf(count - 1, n, share)
    part = np.where(above > below, (above - p) / np.maximum(above - below, 1e-12), 0.0)
    limit: Floats = np.clip((count - part) / np.maximum(n, 1), 0.0, 1.0)
    return limit


def _worth(x: Floats, n: Floats, share: float) -> float:
    """Precision of a beta prior of the depots' shares, by marginal likelihood."""
    if len(x) < 2:
        return float(PRIOR_WORTH[-1])
    scores = [_beta_binomial(x, n, share * worth, (1 - share) * worth) for worth in PRIOR_WORTH]
    return float(PRIOR_WORTH[int(np.argmax(scores))])


def _beta_binomial(x: Floats, n: Floats, a: float, b: float) -> float:
    return float((_log_beta(a + x, b + n - x) - _log_beta(a, b)).sum())


def _log_beta(a: Floats | float, b: Floats | float) -> Floats:
    value: Floats = gammaln(a) + gammaln(b) - gammaln(np.add(a, b))
    return value
