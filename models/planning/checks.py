r"""How often to check: the interval that keeps failures nobody has seen rare, and what one more
check a year buys where.

With f checks a year and U(f) weeks a year that a wheel end carries an unseen failure, one more
check saves about :math:`-dU/df`. Checks are worth most where that is most.
"""

import numpy as np
from scipy import optimize

from models.lives.decisions.checking import CheckedGroup
from models.lives.decisions.decisions import undetected_share
from models.lives.decisions.fleet import undetected_interval

WEEKS_A_YEAR = 365.25 / 7.0
LEAST_WEEKS, MOST_WEEKS = 1.0, 104.0
STEP = 0.01


def share_unseen(group: CheckedGroup, weeks: float) -> float:
    """Share of the group's wheel ends with an unseen failure at a random moment."""
    return undetected_share(group.life.distribution, weeks * group.km_per_week)


def upper_share_unseen(group: CheckedGroup, weeks: float) -> float:
    """Its upper 95 % limit."""
    found = undetected_interval(group.life, weeks * group.km_per_week)
    return 0.0 if found is None else found.high


def weeks_within(group: CheckedGroup, most: float, *, surely: bool = False) -> float | None:
    """The longest interval that keeps the share at or under ``most`` (``surely``: its upper limit);
    None where a check every week would not, and no longer than two years."""
    share = upper_share_unseen if surely else share_unseen
    if share(group, LEAST_WEEKS) > most:
        return None
    if share(group, MOST_WEEKS) <= most:
        return MOST_WEEKS
    return float(
        optimize.brentq(lambda w: share(group, w) - most, LEAST_WEEKS, MOST_WEEKS, xtol=1e-4)
    )


def weeks_saved_per_check(group: CheckedGroup) -> float:
    """Weeks with an unseen failure that one more check of a wheel end saves, as checked now."""
    checks = WEEKS_A_YEAR / group.weeks
    low, high = (
        WEEKS_A_YEAR * share_unseen(group, WEEKS_A_YEAR / (checks * (1.0 + side * STEP)))
        for side in (1.0, -1.0)
    )
    return (high - low) / (2.0 * STEP * checks)


def checks_a_year(group: CheckedGroup, weeks: float) -> float:
    """Checks of all the group's wheel ends in a year."""
    return group.wheel_ends * WEEKS_A_YEAR / weeks


def by_worth(groups: list[CheckedGroup]) -> list[CheckedGroup]:
    """Groups whose life allows it, those first where one more check buys most."""
    known = [group for group in groups if group.can_be_known]
    worth = np.array([weeks_saved_per_check(group) for group in known])
    return [known[n] for n in np.argsort(-worth, kind="stable")]
