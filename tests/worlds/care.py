"""Grease caps that come off and greasings that are left out, and what they do to adjusters."""

from dataclasses import dataclass

import numpy as np

from tests.worlds.luck import Luck
from tests.worlds.roads import CHECK_DAYS, Roads
from tests.worlds.world import World

ALIKE = 3.0
"""Weight of the beta law by which units differ in their care: small is very different."""


@dataclass(frozen=True)
class Care:
    """``cap_off`` (wheel ends × days): the cap is off, and found so by a check of that day;
    ``greased`` (units × days): every wheel end of the unit is greased, at the check of that day;
    ``hazard`` (wheel ends × days): what multiplies the hazard of the adjuster in place."""

    cap_off: np.ndarray
    greased: np.ndarray
    hazard: np.ndarray


def drawn_care(
    world: World, roads: Roads, unit: np.ndarray, visits: np.ndarray, luck: Luck
) -> Care | None:
    """None where caps stay on and greasing is not recorded. ``unit``: of every wheel end.

    What a check finds is put right; the next cap comes off, or not, right after it. A greasing
    lasts the usual time between checks.
    """
    if not (world.cap_open or world.overdue):
        return None
    units, days = len(roads.depot), roads.days
    cap_off = np.zeros((len(unit), days), bool)
    greased, overdue = np.zeros((units, days), bool), np.zeros((units, days), bool)
    loose, careless = (_by_unit(share, units, luck) for share in (world.cap_open, world.overdue))
    for u in range(units):
        made = visits[u][np.isfinite(visits[u])].astype(int)
        own = np.flatnonzero(unit == u)
        off = luck.once.random((len(own), len(made))) < loose[u]
        done = luck.once.random(len(made)) >= careless[u]
        greased[u, made[done]] = True
        last = -1
        for k, day in enumerate(made):
            since = made[k - 1] if k else 0
            cap_off[own, since + 1 : day + 1] = off[:, k, None]
            if last >= 0:
                overdue[u, max(since, last + CHECK_DAYS) + 1 : day + 1] = True
            last = day if done[k] else last
    hazard = (
        np.where(cap_off, world.cap_ratio, 1.0) * np.where(overdue, world.overdue_ratio, 1.0)[unit]
    )
    return Care(cap_off, greased, hazard)


def _by_unit(share: float, units: int, luck: Luck) -> np.ndarray:
    return np.asarray(luck.once.beta(ALIKE * share, ALIKE * (1.0 - share), units))
