"""The ages over which a curve that assumes no distribution can be drawn without a break.

Where nobody is watched at some age, the likelihood falls into one factor for the ages before and
one for the ages after, and a curve through both would have to make up what happened between. One
old adjuster that enters late can so take the curve away from hundreds that never got that far.
`main_at_risk_interval` keeps the ages between two such breaks that hold most failures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.common.arrays import BoolArray, FloatArray
from models.lives.fits.data import LifeCounts


def main_at_risk_interval(counts: LifeCounts) -> LifeCounts:
    """The counts of the ages, watched without a break, in which most adjusters failed.

    Entries and survivors at one age are left out in pairs first: S(age) / S(age) says nothing, and
    an adjuster seen once would count as a watched age of no length.
    """
    counts = without_idle_pairs(counts)
    return _between(counts, *_ends(counts))


def at_risk_ages(counts: LifeCounts) -> tuple[float, float]:
    """The ages that `main_at_risk_interval` keeps: above the first, up to the second."""
    return _ends(without_idle_pairs(counts))


def _ends(counts: LifeCounts) -> tuple[float, float]:
    breaks = _breaks(counts)
    interval = np.searchsorted(breaks, counts.right, "left")
    best = int(np.argmax(np.bincount(interval, counts.failed, breaks.size + 1)))
    ends = [-np.inf, *breaks, np.inf]
    return float(ends[best]), float(ends[best + 1])


def without_idle_pairs(counts: LifeCounts) -> LifeCounts:
    """The same likelihood without entries and survivors at one age, whose terms cancel."""
    _, stayed, came = np.intersect1d(counts.censored_at, counts.entry, return_indices=True)
    censored, entered = counts.censored.copy(), counts.entered.copy()
    both = np.minimum(censored[stayed], entered[came])
    censored[stayed] -= both
    entered[came] -= both
    return _kept(
        replace(counts, censored=censored, entered=entered),
        counts.failed > 0.0,
        censored > 0.0,
        entered > 0.0,
    )


def _breaks(counts: LifeCounts) -> FloatArray:
    """Ages after which nobody is watched until a later entry."""
    age = np.concatenate([[0.0], counts.entry, counts.right, counts.censored_at])
    begun = counts.adjusters - counts.entered.sum()
    change = np.concatenate([[begun], counts.entered, -counts.failed, -counts.censored])
    ages, place = np.unique(age, return_inverse=True)
    watched = np.cumsum(np.bincount(place, weights=change))
    empty = (watched < 1e-9 * max(counts.adjusters, 1.0)) & (ages > 0.0)
    return np.asarray(ages[empty & (ages < counts.entry.max(initial=0.0))])


def _between(counts: LifeCounts, low: float, high: float) -> LifeCounts:
    return _kept(
        counts,
        (counts.right > low) & (counts.right <= high),
        (counts.censored_at > low) & (counts.censored_at <= high),
        (counts.entry >= low) & (counts.entry < high),
    )


def _kept(
    counts: LifeCounts, failures: BoolArray, survivors: BoolArray, entries: BoolArray
) -> LifeCounts:
    return LifeCounts(
        left=counts.left[failures],
        right=counts.right[failures],
        failed=counts.failed[failures],
        censored_at=counts.censored_at[survivors],
        censored=counts.censored[survivors],
        entry=counts.entry[entries],
        entered=counts.entered[entries],
    )
