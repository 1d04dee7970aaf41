"""What of a fleet's year is told: how its use swings, and when nobody is checked."""

import datetime as dt

import numpy as np
import polars as pl

from models.common.arrays import BoolArray
from models.usage.fit import UsageFit
from models.usage.level import YEAR_DAYS
from models.usage.year.closed import ClosedSeason
from models.usage.year.season import Season

SCHEMA = {
    "depot": pl.String,
    "duty": pl.String,
    "most_on": pl.Date,
    "most_ratio": pl.Float64,
    "least_on": pl.Date,
    "least_ratio": pl.Float64,
    "p": pl.Float64,
    "closed_from_on": pl.Date,
    "closed_until_on": pl.Date,
}


def _middle(some: BoolArray) -> float:
    """Of days of the year that follow each other, some of a year round; in days after its first."""
    turn = 2.0 * np.pi * np.flatnonzero(some) / YEAR_DAYS
    return float(np.mod(np.angle(np.exp(1j * turn).mean()) / (2.0 * np.pi), 1.0) * YEAR_DAYS)


def year_frame(usage: UsageFit) -> pl.DataFrame:
    """One row, or none where the year shows nothing: about when in the year to come the fleet runs
    most and least (the middle of such a time), over its mean (null: no season of use), and p of
    its not swinging; the first day and the last on which nobody is checked (null: all the year
    round), of the time that is, or is to come. One more for every depot or duty with a season, or a
    closed one, of its own."""
    season, closings, as_of = usage.season, usage.closings, usage.as_of
    shown = [_swing(season.of_fleet, as_of) | _closed(closings.of_fleet, as_of)]
    # A part that is closed at a time of its own has a season of its own too, if one shows at all.
    closed = {part.name: _closed(own, as_of) for part, own in closings.own}
    shown += [
        {each.of: each.name} | told
        for each in season.own
        if (told := _swing(each.season, as_of) | closed.get(each.name, {}))
    ]
    return pl.DataFrame([dict.fromkeys(SCHEMA) | row for row in shown if row], SCHEMA)


def _closed(closed: ClosedSeason, as_of: dt.date) -> dict[str, object]:
    """The first day and the last of the closed season that is, or is to come, if there is one."""
    if not closed.days:
        return {}
    first = closed.first + YEAR_DAYS * np.ceil(-(closed.first + closed.days) / YEAR_DAYS)
    return {
        "closed_from_on": _on(as_of, first),
        "closed_until_on": _on(as_of, first + closed.days),
    }


def _swing(season: Season, as_of: dt.date) -> dict[str, object]:
    """When use is most and least; nothing where there is no season."""
    if not season.is_known:
        return {}
    day = np.arange(YEAR_DAYS)
    factor = season.mean(day, day)
    most, least = _middle(factor == factor.max()), _middle(factor == factor.min())
    return {
        "most_on": _on(as_of, most),
        "most_ratio": float(factor.max()),
        "least_on": _on(as_of, least),
        "least_ratio": float(factor.min()),
        "p": season.p,
    }


def _on(as_of: dt.date, day: float) -> dt.date:
    return as_of + dt.timedelta(days=round(float(day)))
