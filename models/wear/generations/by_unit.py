r"""Units that wear their linings otherwise since a day of their own: put to harder or lighter work.

Of each unit it is asked, at the end of every month of the last years, how much likelier its
readings would be had it worn its linings otherwise since; the covariate is that of
``models.wear.generations.by_day``, of one unit's linings alone, and so are the residuals, from
which all is taken that the fleet has in common. What most units show since the same day is the
fleet's (a season, another gauge), not the unit's: their median is taken off. With score s and
information i of a unit, known to :math:`\sigma^2 i`,

.. math:: \hat\theta = s / i - \operatorname{median},\qquad \hat\theta^2 i / \sigma^2

is the statistic. It must say more than a level of the unit's readings since a day would (its
gauge), nor may it be a few of its wheel ends alone that moved that way (a reline nobody wrote
down).
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from models.common.arrays import BoolArray, FloatArray
from models.wear.generations.by_day import (
    LEAST_LEFT,
    MONTH_DAYS,
    Asked,
    DatedReadings,
    DatedRows,
    beside_wear,
    dated_rows,
)
from models.wear.predict import usable_sums
from models.wear.result import WearFit
from models.wear.sums import LiningLifeSums

LEAST_UNIT_CHANGE = 0.25
"""A smaller change of one unit's wear is not told from its own spread: a guess of ours."""
LEAST_RATIO = 0.2
"""A unit whose linings hardly wear since has readings that went wrong."""
FALSE_SHARE = 0.005
"""Of the units found, the share that chance alone may bring: our choice."""
MONTHS_APART = 8.0
"""So many of the months asked say something of their own: most of what they say is the same."""
FAR_MORE = 2.0
"""Of a fleet's halves, one that works harder and one that works lighter, the former has changed: it
is the error that does no harm."""
MOST_MONTHS = 30
"""A change longer ago is not sought: the linings of then are gone."""
MOST_SAME = 2.0 / 3.0
"""Of a unit's linings, at least, that moved its way, each by its own readings."""
MOST_OF_ONE = 1.5
"""So many times its even part, or half of all, the one that says most of it may say: more is a
wheel end's, not its unit's."""
MORE_THAN_LEVEL = 3.0
"""A change of wear must say so much more than a level of the readings does: twice the log of how
much likelier it is."""
FEWEST_TOGETHER, MOST_ON_A_DAY = 5, 0.5
"""Units whose wear changed to one side, and the share of them within a month of one day: from so
many on, others may have changed with them. A guess of ours."""
MOST_NAMED = 5
LEAST_TOLD = 10
"""With fewer units the fleet's median is not known."""


@dataclass(frozen=True, slots=True)
class UnitChange:
    """A unit's linings wear otherwise since a day; ``ratio``: about what rates are over those
    before, ``score``: the statistic."""

    unit_id: str
    since: dt.date
    ratio: float
    score: float


@dataclass(frozen=True, slots=True)
class _Best:
    """Of every unit (U,) so far: the best score, the theta and day it comes from, and the best
    score of a level of its readings."""

    score: FloatArray
    theta: FloatArray
    day: FloatArray
    level: FloatArray


def units_changed(
    sums: LiningLifeSums,
    fit: WearFit,
    dated: DatedReadings,
    before: Sequence[UnitChange] = (),
) -> list[UnitChange]:
    """Units of which such a change is clear beside those found ``before``, in their order; ``sums``
    and ``fit`` tell these apart already. Where many have changed to a side, harder or lighter,
    others are believed sooner to have."""
    used = usable_sums(sums, fit)
    read = dated_rows(used, fit, dated) if fit.mixed is not None else None
    if read is None or len(read[1].start) < LEAST_TOLD:
        return []
    rows, units = read
    asked = Asked.of(rows, units, fit, beside_wear(rows, fit))
    nought = np.zeros(len(units.start))
    best = _Best(nought, nought, nought, nought)
    last = float(rows.day.max())
    for day in last - MONTH_DAYS * np.arange(1, MOST_MONTHS + 1):
        if day > rows.day.min():
            best = _better(asked, float(day), best)
    ids = [str(used.units[int(used.unit[rows.life[row]])]) for row in rows.unit_start]
    new = ~np.isin(ids, [each.unit_id for each in before])
    clear = new & _clear(best, before)
    best, others = _in_company(asked, best, before)
    return [
        UnitChange(
            ids[u],
            dt.date(1970, 1, 1) + dt.timedelta(days=int(best.day[u]) + 1),
            1.0 + float(best.theta[u]),
            float(best.score[u]),
        )
        for u in np.flatnonzero(clear | (new & others))
    ]


def _in_company(asked: Asked, best: _Best, before: Sequence[UnitChange]) -> tuple[_Best, BoolArray]:
    """Units whose readings say that their wear changed with that of many others: since the day of
    these, by as much, and with the chance that so many give it (U,); and ``best`` with theirs.

    What might be a level of one unit's readings on any day is none on the very day on which the
    wear of many changed.
    """
    found = np.zeros(len(best.score), bool)
    for side in (1.0, -1.0):
        own = [each for each in before if side * (each.ratio - 1.0) > 0.0]
        if not FEWEST_TOGETHER <= len(own) < len(found):
            continue
        days = np.array([(each.since - dt.date(1970, 1, 1)).days - 1.0 for each in own])
        day, by = float(np.median(days)), float(np.median([each.ratio - 1.0 for each in own]))
        if np.mean(np.abs(days - day) <= MONTH_DAYS) < MOST_ON_A_DAY:
            continue
        known, theta, worn = _asked_on(asked, day)
        shift = theta[:, 0]
        gain = (2.0 * by * shift - by**2) * known[:, 0] / asked.sigma2
        share = len(own) / len(shift)
        believed = gain + 2.0 * np.log(share / (1.0 - share)) > -2.0 * np.log(FALSE_SHARE)
        believed &= ~found & (np.abs(shift) >= LEAST_UNIT_CHANGE) & (shift > LEAST_RATIO - 1.0)
        believed &= _together(asked.rows, worn, asked.residual, shift)
        best = _Best(
            np.where(believed, gain, best.score),
            np.where(believed, shift, best.theta),
            np.where(believed, day, best.day),
            best.level,
        )
        found |= believed
    return best, found


def _clear(best: _Best, before: Sequence[UnitChange]) -> BoolArray:
    """Units of which a change is clear (U,): of each side, those with more than the least score
    that leaves a share ``FALSE_SHARE`` of them to chance (Benjamini, Hochberg 1995, *J. R. Stat.
    Soc.* B 57:289)."""
    may = (best.score > best.level + MORE_THAN_LEVEL) & (best.theta > LEAST_RATIO - 1.0)
    may &= np.abs(best.theta) >= LEAST_UNIT_CHANGE
    clear = np.zeros(len(may), bool)
    for side in (1.0, -1.0):
        known = sum(side * (each.ratio - 1.0) > 0.0 for each in before)
        here = np.flatnonzero(may & (side * best.theta > 0.0))
        here = here[np.argsort(-best.score[here], kind="stable")]
        chance = len(may) * MONTHS_APART * special.ndtr(-np.sqrt(best.score[here]))
        enough = chance <= FALSE_SHARE * (known + np.arange(1, len(here) + 1))
        clear[here[: int(np.flatnonzero(enough).max(initial=-1)) + 1]] = True
    return clear


def one_side(found: Sequence[UnitChange]) -> list[UnitChange]:
    """Those that wear harder, unless those that wear lighter say far more: where many units have
    changed, the others look as if they had, the other way."""
    harder = [each for each in found if each.ratio > 1.0]
    lighter = [each for each in found if each.ratio <= 1.0]
    more, less = (sum(each.score for each in side) for side in (harder, lighter))
    return lighter if less > FAR_MORE * more else harder


def units_said(changes: Sequence[UnitChange]) -> str:
    """What is told of them in a sentence for each way; nothing where there are none."""
    said = []
    for how, work in (("faster", "harder"), ("slower", "lighter")):
        own = [each for each in changes if (each.ratio > 1.0) == (how == "faster")]
        own.sort(key=lambda each: (-each.score, each.unit_id))
        named = ", ".join(
            f"{each.unit_id} since about {each.since:%b %Y}" for each in own[:MOST_NAMED]
        )
        more = f" and {len(own) - MOST_NAMED} more" if len(own) > MOST_NAMED else ""
        units, their = (
            ("unit wears its", "it does") if len(own) == 1 else ("units wear their", "they do")
        )
        if own:
            said.append(
                f"{len(own)} {units} linings {how} than before, as with {work} work ({named}{more})"
                f": rates and forecasts follow what {their} since."
            )
    return " ".join(said)


def _better(asked: Asked, day: float, best: _Best) -> _Best:
    """With what the end of a day says of every unit."""
    known, shift, worn = _asked_on(asked, day)
    moved, level = (shift**2 * known / asked.sigma2).T
    better = (moved > best.score) & _together(asked.rows, worn, asked.residual, shift[:, 0])
    return _Best(
        np.where(better, moved, best.score),
        np.where(better, shift[:, 0], best.theta),
        np.where(better, day, best.day),
        np.maximum(best.level, level),
    )


def _asked_on(asked: Asked, day: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of another wear, and another level, since a day: what is known of each unit's (U, 2; nought
    where too little is), how far it lies from the units' middle (U, 2), and the covariate of the
    former (n,)."""
    rows = asked.rows
    since = (rows.day > day).astype(np.float64)
    worn = -rows.worn_since(asked.units.on(day)).sum(axis=1)
    z = np.column_stack([worn, since])
    white, starts = asked.whitened(z), rows.unit_start
    known = np.add.reduceat(z * white, starts)
    score = np.add.reduceat(z * asked.residual[:, None], starts)
    told = known > LEAST_LEFT * np.maximum(np.add.reduceat(z**2, starts), 1e-12)
    theta = np.divide(score, known, out=np.zeros_like(score), where=told)
    shift = theta - np.array([_middle(t[on]) for t, on in zip(theta.T, told.T, strict=True)])
    return np.where(told, known, 0.0), shift, worn


def _middle(values: FloatArray) -> float:
    return float(np.median(values)) if len(values) >= LEAST_TOLD else 0.0


def _together(
    rows: DatedRows, worn: FloatArray, residual: FloatArray, theta: FloatArray
) -> BoolArray:
    """Whether most linings of each unit say the same of the day (U,)."""
    by_life = np.add.reduceat(worn * residual, rows.life_start)
    unit = rows.unit[rows.life_start]
    asked = np.add.reduceat(np.abs(worn), rows.life_start) > 0.0
    same = asked & (by_life * theta[unit] > 0.0)
    many, alike = (np.bincount(unit, each, len(theta)) for each in (asked, same))
    own, most = np.where(same, np.abs(by_life), 0.0), np.zeros(len(theta))
    np.maximum.at(most, unit, own)
    one = np.clip(MOST_OF_ONE / np.maximum(many, 1.0), 0.5, 0.75)
    spread = most <= one * np.bincount(unit, own, len(theta))
    return np.asarray((alike >= MOST_SAME * np.maximum(many, 1.0)) & spread)
