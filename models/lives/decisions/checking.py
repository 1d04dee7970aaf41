"""Groups of wheel ends that are checked alike, and how many of them carry a failure nobody has
seen.

The share of a group comes from :func:`models.lives.decisions.decisions.undetected_share` at the km
it runs between two checks. It is known as well as its life is: to first order in the life's
parameters on the logarithm of the share (:func:`models.lives.decisions.fleet.log_slopes`), one draw
of the parameters for all groups that borrow one life.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from models.common.arrays import FloatArray
from models.lives.decisions.decisions import undetected_share
from models.lives.decisions.fleet import log_slopes
from models.lives.fits.data import GroupKey
from models.lives.fits.parametric import LifeFit

LARGEST_MOVE = 20.0  # on the log scale: beyond it a share is 0 or 1 whatever is drawn


@dataclass(frozen=True, slots=True)
class CheckedGroup:
    """Wheel ends of one axle type and duty: how many, what they run, how often they are checked.

    weeks: between checks now; whose: the group that ``life`` was fitted to.
    """

    axle_type: str
    duty: str
    wheel_ends: float
    km_per_week: float
    weeks: float
    whose: GroupKey
    life: LifeFit

    @property
    def can_be_known(self) -> bool:
        """False for a life without a finite mean: in the long run nothing would fail."""
        return bool(np.isfinite(self.life.distribution.mean()))


def unseen_share_draws(
    groups: Sequence[CheckedGroup], *, draws: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Share of each group that carries a failure nobody has seen, at a random moment.

    Returns it at the fitted lives, (G,), and under ``draws`` lives as likely as the fits allow,
    (draws, G). The same seed meets the same lives, whatever the intervals between checks are. NaN
    where :attr:`CheckedGroup.can_be_known` is false.
    """
    moves = _parameter_moves(groups, draws, seed)
    at_fit, drawn = np.full(len(groups), np.nan), np.full((draws, len(groups)), np.nan)
    for g, group in enumerate(groups):
        if group.can_be_known:
            tau = group.weeks * group.km_per_week
            at_fit[g] = undetected_share(group.life.distribution, tau)
            slopes = log_slopes(group.life, partial(undetected_share, tau=tau))
            move = np.clip(moves[group.whose] @ slopes, -LARGEST_MOVE, LARGEST_MOVE)
            drawn[:, g] = np.minimum(at_fit[g] * np.exp(move), 1.0)
    return at_fit, drawn


def _parameter_moves(
    groups: Sequence[CheckedGroup], draws: int, seed: int
) -> dict[GroupKey, FloatArray]:
    """Departures of each life's parameters from its fit, (draws, 2), in the order of its name."""
    lives = {group.whose: group.life for group in groups}
    rng = np.random.default_rng(seed)
    ordered = sorted(lives, key=lambda key: tuple(part or "" for part in key))
    return {
        key: rng.standard_normal((draws, 2)) @ np.linalg.cholesky(lives[key].covariance).T
        for key in ordered
    }


def moved(
    groups: Sequence[CheckedGroup], shares: Sequence[tuple[str, str, float]]
) -> list[CheckedGroup]:
    """The groups after shares of those in one duty (from, to, share) run in another.

    Wheel ends that would come to a duty where their axle type has nobody are left out.
    """
    gone = {duty: sum(s for f, _, s in shares if f == duty) for duty, _, _ in shares}
    size = {(group.axle_type, group.duty): group.wheel_ends for group in groups}
    found = []
    for group in groups:
        stays = group.wheel_ends * (1.0 - gone.get(group.duty, 0.0))
        comes = [s * size.get((group.axle_type, f), 0.0) for f, t, s in shares if t == group.duty]
        found.append(replace(group, wheel_ends=stays + sum(comes)))
    return found
