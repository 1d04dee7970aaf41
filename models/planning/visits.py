r"""What is likely to be done at each visit to come.

A unit's visits stand on its usual interval, from when the next is due. A chance that grows with
time, given by the days at which it reaches some probabilities, is dealt to visits by halves of the
time between them: to visit j falls :math:`F((d_j+d_{j+1})/2)-F((d_{j-1}+d_j)/2)`, so that visits
add up to it. A failed adjuster is found at the first visit after it failed: given that it was good
at age :math:`a_0` when last seen, at visit j with chance :math:`(S(a_{j-1})-S(a_j))/S(a_0)`.
"""

import numpy as np

from models.common.arrays import FloatArray
from models.lives.fits.distributions import LifeDistribution


def visit_days(usual_days: FloatArray, due_in: FloatArray, horizon: float) -> FloatArray:
    """Days from now to each unit's visits (U, V), the first ``due_in`` so many, NaN beyond the
    horizon; one overdue is next."""
    first = np.maximum(due_in, 1.0)
    most = int(np.ceil(horizon / max(float(usual_days.min(initial=horizon)), 1.0))) + 1
    days = first[:, None] + usual_days[:, None] * np.arange(most)
    return np.where(days <= horizon, days, np.nan)


def chance_by(days: FloatArray, reached: FloatArray, probabilities: FloatArray) -> FloatArray:
    """Chance by ``days`` (L, V) of what reaches ``probabilities`` (k,) at days ``reached`` (k, L).

    Straight lines between these; none before day 0, and no more than the last probability after it.
    """
    found = np.zeros(days.shape)
    for row in range(len(days)):
        known = np.isfinite(reached[:, row])
        at = np.concatenate([[0.0], reached[known, row]])
        share = np.concatenate([[0.0], probabilities[known]])
        found[row] = np.interp(days[row], at, share)
    return found


def chance_at_visits(
    visits: FloatArray, usual_days: FloatArray, reached: FloatArray, probabilities: FloatArray
) -> FloatArray:
    """Chance that falls to each visit (L, V), by halves of the time between visits; NaN where there
    is none. ``usual_days`` (L,)."""
    after = visits + usual_days[:, None] / 2.0
    by = chance_by(np.nan_to_num(after, nan=0.0), reached, probabilities)
    before = np.concatenate([np.zeros((len(by), 1)), by[:, :-1]], axis=1)
    return np.where(np.isnan(visits), np.nan, np.maximum(by - before, 0.0))


def found_at_visits(law: LifeDistribution, age_seen: FloatArray, ages: FloatArray) -> FloatArray:
    """Chance that an adjuster, good at ``age_seen`` (L,), is found failed at each of the visits at
    ``ages`` (L, V): the first after it failed. NaN where there is no visit."""
    good = law.survival(age_seen)
    alive = law.survival(np.nan_to_num(ages, nan=1.0))
    before = np.concatenate([good[:, None], alive[:, :-1]], axis=1)
    share = (before - alive) / np.maximum(good, 1e-300)[:, None]
    return np.where(np.isnan(ages), np.nan, np.clip(share, 0.0, 1.0))
