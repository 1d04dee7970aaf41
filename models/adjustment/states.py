"""From explanations to the states a workshop knows, with the figures that go with them.

An adjuster that keeps pace is `in_band` or, its stroke outside the band ever since the setting,
`set_wrong`; one that takes up too little is `slackening`, nothing `stuck`, too much `tightening`.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from models.adjustment.strokes.closed_forms import outside
from models.adjustment.strokes.explanations import (
    FAMILIES,
    HOLDS,
    MISREAD,
    Explanations,
    columns_of,
)
from models.adjustment.strokes.parameters import DEFICIT_MEAN, DEFICIT_SD, Band, Kind
from models.common.mixtures import mixture_quantiles

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STATES = ("in_band", "set_wrong", "slackening", "stuck", "tightening")
IN_BAND, SET_WRONG, SLACKENING, STUCK, TIGHTENING = range(5)
STATE_OF_KIND = {
    HOLDS: IN_BAND,
    MISREAD: IN_BAND,
    Kind.SLACK: SLACKENING,
    Kind.FAILING: SLACKENING,
    Kind.STUCK: STUCK,
    Kind.TIGHT: TIGHTENING,
    Kind.GRABBING: TIGHTENING,
}
family_states = np.array([STATE_OF_KIND[family.kind] for family in FAMILIES])
TAKE_UP_STATES = (IN_BAND, SLACKENING, STUCK, TIGHTENING)
INTERVAL = (0.025, 0.975)


@dataclass(frozen=True, slots=True)
class DriftStates:
    """One row per episode; arrays are (n,) unless said otherwise.

    Attributes
    ----------
    probability : (n, states) in the order of ``STATES``
    read_ratio, read_ratio_sd : stroke ratio at the last reading, reading error taken out
    next_ratio : expected at the next check if nothing new happens
    deficit, deficit_sd : 1 − take-up as the wear estimate has it: the slope of ratio on growth
    take_up, take_up_low, take_up_high : posterior mean and 95 % interval
    take_up_in_trouble : posterior mean given that it does not keep pace
    p_misread : that the last reading is a mistake
    p_by_strokes : of any trouble, by the strokes alone
    """

    probability: Floats
    read_ratio: Floats
    read_ratio_sd: Floats
    next_ratio: Floats
    deficit: Floats
    deficit_sd: Floats
    take_up: Floats
    take_up_low: Floats
    take_up_high: Floats
    take_up_in_trouble: Floats
    p_misread: Floats
    p_by_strokes: Floats

    @property
    def p_trouble(self) -> Floats:
        """(n,) probability of any state but `in_band`."""
        return 1 - self.probability[:, IN_BAND]


@dataclass(frozen=True, slots=True)
class Weighed:
    """Posterior weight of each family of explanations, (n, families), everything found counted.

    Attributes
    ----------
    held_in : of holding inside the band
    weight : of all else; of the families that hold, of holding outside
    by_strokes : (n,) of any trouble, by the strokes alone
    """

    held_in: Floats
    weight: Floats
    by_strokes: Floats


def weighed_families(
    explained: Explanations, band: Band, likelihood: Floats | None = None
) -> Weighed:
    """Weights of the families, those that hold divided at the band.

    Parameters
    ----------
    likelihood : (n, states) of what else was found at the wheel end, relative; none when left out
    """
    holds = family_states == IN_BAND
    now, now_var = explained.now[:, holds], explained.now_var[:, holds]
    held_in = np.zeros_like(explained.probability)
    out = outside(now, np.sqrt(now_var), band.low, band.high)
    held_in[:, holds] = explained.probability[:, holds] * (1 - out)
    weight = explained.probability - held_in
    by_strokes = weight.sum(axis=1)
    if likelihood is not None:
        state = np.where(holds, SET_WRONG, family_states)
        held_in, weight = held_in * likelihood[:, [IN_BAND]], weight * likelihood[:, state]
        total = (held_in + weight).sum(axis=1, keepdims=True)
        held_in, weight = held_in / total, weight / total
    return Weighed(held_in, weight, by_strokes)


def states(explained: Explanations, weighed: Weighed, wear_cv: Floats) -> DriftStates:
    """Probabilities of the states and the moments that follow from them.

    Parameters
    ----------
    wear_cv : (n,) relative SD of the wear since the setting
    """
    held_in, weight = weighed.held_in, weighed.weight
    both = held_in + weight
    deficit, deficit_var = mixed_moments(both, explained.deficit, explained.deficit_var)
    ratio, ratio_var = mixed_moments(both, explained.now, explained.now_var)
    take_up = _take_up(both, explained, wear_cv)
    return DriftStates(
        probability=by_state(weighed),
        read_ratio=ratio,
        read_ratio_sd=np.sqrt(ratio_var),
        next_ratio=(both * explained.next).sum(axis=1),
        deficit=deficit,
        deficit_sd=np.sqrt(deficit_var),
        take_up=take_up[0],
        take_up_low=take_up[1],
        take_up_high=take_up[2],
        take_up_in_trouble=_in_trouble(both, explained, wear_cv),
        p_misread=both[:, columns_of(MISREAD)].sum(axis=1),
        p_by_strokes=weighed.by_strokes,
    )


def by_state(weighed: Weighed) -> Floats:
    """(n, states) probabilities in the order of ``STATES``."""
    state = np.where(family_states == IN_BAND, SET_WRONG, family_states)
    others = [weighed.weight[:, state == s].sum(axis=1) for s in range(1, len(STATES))]
    return np.stack([weighed.held_in.sum(axis=1), *others], axis=1)


def joined(parts: list[DriftStates]) -> DriftStates:
    """Several batches of episodes, one after the other."""
    columns = (np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(DriftStates))
    return DriftStates(*columns)


def mixed_moments(weight: Floats, mean: Floats, var: Floats) -> tuple[Floats, Floats]:
    """Mean and variance of mixtures whose weights add up to one, row by row; (n,) each."""
    centre = (weight * mean).sum(axis=1)
    second = (weight * (var + mean * mean)).sum(axis=1)
    return centre, np.maximum(second - centre * centre, 1e-14)


def _take_up(
    weight: Floats, explained: Explanations, wear_cv: Floats
) -> tuple[Floats, Floats, Floats]:
    """Mean and interval of take-up, the wear's own error counted."""
    deficit, var = _true_deficits(explained, wear_cv)
    by_state = [np.flatnonzero(family_states == s) for s in TAKE_UP_STATES]
    share = np.stack([weight[:, columns].sum(axis=1) for columns in by_state], axis=1)
    moments = [
        mixed_moments(weight[:, c] / np.maximum(s, 1e-300)[:, None], deficit[:, c], var[:, c])
        for c, s in zip(by_state, share.T, strict=True)
    ]
    mean = np.stack([m for m, _ in moments], axis=1)
    sd = np.sqrt(np.stack([v for _, v in moments], axis=1))
    low, high = mixture_quantiles(share, 1 - mean, sd, INTERVAL)
    return 1 - (share * mean).sum(axis=1), low, high


def _in_trouble(weight: Floats, explained: Explanations, wear_cv: Floats) -> Floats:
    deficit, _ = _true_deficits(explained, wear_cv)
    troubled = np.where(family_states == IN_BAND, 0.0, weight)
    total = np.maximum(troubled.sum(axis=1), 1e-300)
    return np.asarray(1 - (troubled * deficit).sum(axis=1) / total)


def _true_deficits(explained: Explanations, wear_cv: Floats) -> tuple[Floats, Floats]:
    """Deficits with the wear's error taken out of the apparent ones, and their variances."""
    deficit, var = explained.deficit.copy(), explained.deficit_var.copy()
    cv_squared = wear_cv[:, None] ** 2
    small = np.concatenate([columns_of(kind) for kind in (Kind.SLACK, Kind.TIGHT, Kind.GRABBING)])
    var[:, small] += deficit[:, small] ** 2 * cv_squared
    for kind in (Kind.FAILING, Kind.STUCK):
        columns, own = columns_of(kind), DEFICIT_SD[kind] ** 2
        wear = (DEFICIT_MEAN[kind] ** 2) * cv_squared
        kept = own / (own + wear)
        shift = explained.deficit[:, columns] - DEFICIT_MEAN[kind]
        deficit[:, columns] = DEFICIT_MEAN[kind] + kept * shift
        var[:, columns] = kept**2 * var[:, columns] + kept * wear
    return deficit, var
