"""What of a fleet's year is told: how its use swings, and when nobody is checked."""

import datetime as dt

import numpy as np
import polars as pl

from models.common.arrays import BoolArray
from models.usage.fit import UsageFit
from models.usage.level import YEAR_DAYS

SCHEMA = {
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
    round), of the time that is, or is to come."""
    season, closed = usage.season, usage.closed
    row: dict[str, object] = dict.fromkeys(SCHEMA)

    def on(day: float) -> dt.date:
        return usage.as_of + dt.timedelta(days=round(float(day)))

    if season.is_known:
        day = np.arange(YEAR_DAYS)
        factor = season.mean(day, day)
        most, least = _middle(factor == factor.max()), _middle(factor == factor.min())
        row |= {"most_on": on(most), "most_ratio": float(factor.max()), "p": season.p}
        row |= {"least_on": on(least), "least_ratio": float(factor.min())}
    if closed.days:
        first = closed.first + YEAR_DAYS * np.ceil(-(closed.first + closed.days) / YEAR_DAYS)
        row |= {"closed_from_on": on(first), "closed_until_on": on(first + closed.days)}
    return pl.DataFrame([row] if season.is_known or closed.days else [], SCHEMA)
