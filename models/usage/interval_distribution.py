r"""How a fleet's intervals between check visits really turn out: a deck to draw from.

Each card is one interval of the record: how long it was against what is usual for its duty (missed
visits are the long ones), how much of its usual km the unit ran in it, and whether it stood off the
road. Length and use come from one interval, so that a unit that stayed away because it stood still
does not run while it is away. Two piles: cards that followed an interval on the road, and cards
that followed one off it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray, IntArray
from models.usage.intervals import UsageGroups, UsageIntervals
from models.usage.level import UsageLevels, UsageVariances

FEW_CARDS = 20
"""A pile or duty with fewer cards than this does not speak for itself."""
WILDEST = 6.0
"""Prediction errors above this many standard deviations are not believed in full."""


@dataclass(frozen=True, slots=True)
class Cards:
    """Intervals sorted by length: ``length`` over the usual one, ``use`` over the usual km."""

    length: FloatArray
    use: FloatArray
    off_road: BoolArray

    def __len__(self) -> int:
        return len(self.length)

    def longer_than(self, length: FloatArray) -> IntArray:
        """Position of the first card longer than each length; the last card if none is."""
        return np.minimum(np.searchsorted(self.length, length, side="right"), len(self) - 1)


@dataclass(frozen=True, slots=True)
class Deck:
    """Cards by what went before, the usual days between visits by group, and how it goes on.

    ``length_sd``: how closely visits keep to their day (missed ones apart), over the usual length;
    ``length_memory``: correlation of successive intervals (-0.5: a fixed calendar, 0: counted from
    visit to visit). ``use_on_road``/``use_off_road``: mean use, by days. ``noise_days``: the
    variance of use on the road times days, by its central part. ``leaving``/``returning``: chance
    per day of going off the road, and back.
    """

    after_road: Cards
    after_standing: Cards
    usual_days: FloatArray
    length_sd: float
    length_memory: float
    use_on_road: float
    use_off_road: float
    noise_days: float
    leaving: float
    returning: float

    def cards_after(self, off_road: bool) -> Cards:
        return self.after_standing if off_road else self.after_road


@dataclass(frozen=True, slots=True)
class _Played:
    """The intervals that make cards, as flat arrays."""

    days: FloatArray
    length: FloatArray
    use: FloatArray
    off_road: BoolArray
    off_before: BoolArray


def usage_deck(
    intervals: UsageIntervals,
    levels: UsageLevels,
    variances: UsageVariances,
    groups: UsageGroups,
    check_days: Mapping[str, float],
) -> Deck:
    """Cards from every interval between two visits; ``check_days`` by duty where few are seen."""
    usual = _usual_days(intervals, groups, check_days)
    played = _played(intervals, levels, variances, usual)
    on, off = _pile(played, ~played.off_before), _pile(played, played.off_before)
    if len(on) == 0:
        on = Cards(np.ones(1), np.ones(1), np.zeros(1, dtype=bool))
    off = off if len(off) >= FEW_CARDS else on
    return Deck(on, off, usual, *_punctuality(intervals, usual), *_course(played))


def _punctuality(intervals: UsageIntervals, usual: FloatArray) -> tuple[float, float]:
    """Spread of interval lengths around the usual one, and the correlation of successive ones."""
    length = intervals.days / usual[intervals.group]
    kept = intervals.is_there & intervals.to_visit & (np.abs(length - 1.0) < 0.5)
    if int(kept.sum()) < FEW_CARDS:
        return 0.1, -0.25
    low, high = np.quantile(length[kept], [0.1, 0.9])
    pair = kept[:, 1:] & kept[:, :-1]
    about = length - float(length[kept].mean())
    product = float((about[:, 1:] * about[:, :-1])[pair].sum())
    square = float((about[:, 1:] ** 2)[pair].sum())
    memory = product / square if square > 0.0 else 0.0
    return float(high - low) / 2.5631, float(np.clip(memory, -0.5, 0.0))


def _usual_days(
    intervals: UsageIntervals, groups: UsageGroups, check_days: Mapping[str, float]
) -> FloatArray:
    """Median days between visits by group's duty; the stated ones where few are on record."""
    duty_of = np.array(groups.duty, dtype=object)
    visits = intervals.is_there & intervals.to_visit
    duty = duty_of[intervals.group[visits]] if len(groups) else np.array([], dtype=object)
    days = intervals.days[visits]
    usual = {
        name: float(np.median(days[duty == name]))
        for name in set(groups.duty)
        if int((duty == name).sum()) >= FEW_CARDS
    }
    return np.array([usual.get(name, check_days.get(name, 84.0)) for name in groups.duty])


def _played(
    intervals: UsageIntervals,
    levels: UsageLevels,
    variances: UsageVariances,
    usual_days: FloatArray,
) -> _Played:
    learned = np.isfinite(levels.error)
    plays = intervals.to_visit & (learned | (levels.off_road & intervals.is_informative))
    days = intervals.days[plays]
    error = np.minimum(np.where(learned, levels.error, 0.0)[plays], WILDEST)
    # Errors include doubt about the level, which a forecast adds by itself: scaled back to noise.
    ran = np.exp(error * np.sqrt(variances.noise(days)))
    stood = intervals.km[plays] / np.maximum(levels.usual_km[plays], 1e-9)
    return _Played(
        days=days,
        length=days / usual_days[intervals.group[plays]],
        use=np.where(levels.off_road[plays], stood, ran),
        off_road=levels.off_road[plays],
        off_before=levels.off_before[plays],
    )


def _pile(played: _Played, chosen: BoolArray) -> Cards:
    order = np.argsort(played.length[chosen], kind="stable")
    return Cards(
        played.length[chosen][order], played.use[chosen][order], played.off_road[chosen][order]
    )


def _course(played: _Played) -> tuple[float, float, float, float, float]:
    """Use on and off the road, its noise, and the daily chances of leaving and returning."""
    on = ~played.off_road
    on_days, off_days = float(played.days[on].sum()), float(played.days[~on].sum())
    use_on = float((played.use * played.days)[on].sum()) / on_days if on_days else 1.0
    use_off = float((played.use * played.days)[~on].sum()) / off_days if off_days else 0.0
    noise = _central_variance(((played.use - use_on) * np.sqrt(played.days))[on])
    left = float((~played.off_before & ~on).sum())
    back = float((played.off_before & on).sum())
    # Half a case in ten years, and one return in half a year, until records say otherwise.
    leaving = (left + 0.5) / (on_days + 3652.0)
    returning = (back + 1.0) / (off_days + 182.0)
    return use_on, use_off, noise, leaving, returning


def _central_variance(noise: FloatArray) -> float:
    """Variance of a normal with the same 10 % and 90 % points: months off the road, which are rare
    and long, belong to the mean of use but would make every unit's spread too wide."""
    if len(noise) < FEW_CARDS:
        return 1.0
    low, high = np.quantile(noise, [0.1, 0.9])
    return float(((high - low) / 2.5631) ** 2)
