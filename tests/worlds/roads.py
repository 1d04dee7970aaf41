"""Where units are and how far they run: a grid of days per unit."""

from dataclasses import dataclass

import numpy as np

from tests.worlds.world import World

YEAR = 365.25
CHECK_DAYS = 84
NEVER = np.inf
DEPOT_SHARES = (0.5, 0.3, 0.2)
KM_A_DAY = (380.0, 150.0)
"""Long and short haul, Sundays included."""
SEVERITY = (0.36, 0.90)
"""Wear in mm per 10,000 km under each."""
ONE_DUTY = (300.0, 0.45)


@dataclass(frozen=True)
class Roads:
    """Units × days lived. ``km`` and ``wear`` (mm, before axle type, unit and lining) run up to
    each day's end; ``joins``, ``leaves``: day, infinite for never."""

    depot: np.ndarray
    joins: np.ndarray
    leaves: np.ndarray
    there: np.ndarray
    duty: np.ndarray
    km: np.ndarray
    wear: np.ndarray

    @property
    def days(self) -> int:
        return self.km.shape[1]


def drawn_roads(world: World, records: tuple[int, int], rng: np.random.Generator) -> Roads:
    """``records``: first and last day on record."""
    days = round((world.years_before + world.years + world.years_beyond) * YEAR)
    begin, _ = records
    newcomers = rng.poisson(world.joining * world.units * (days - begin) / YEAR)
    units = world.units + newcomers
    joins = np.zeros(units)
    joins[world.units :] = np.sort(rng.uniform(begin, days - 1, newcomers)).round()
    stays = rng.exponential(YEAR / world.leaving, units) if world.leaving else np.full(units, NEVER)
    leaves = np.maximum(joins, begin) + np.ceil(stays)
    calendar = np.arange(days)
    there = (calendar >= joins[:, None]) & (calendar < leaves[:, None])
    there &= ~_paused(world, units, days, rng)
    duty = _duties(world, units, days, rng)
    km = _daily_km(world, duty, rng) * there
    severity = np.array(SEVERITY)[duty] if world.two_duties else ONE_DUTY[1]
    return Roads(
        depot=rng.choice(len(DEPOT_SHARES), units, p=DEPOT_SHARES),
        joins=joins,
        leaves=leaves,
        there=there,
        duty=duty,
        km=np.cumsum(km, axis=1),
        wear=np.cumsum(km * severity / 1e4, axis=1),
    )


def _paused(world: World, units: int, days: int, rng: np.random.Generator) -> np.ndarray:
    away = np.zeros((units, days), bool)
    for unit, count in enumerate(rng.poisson(world.pauses * days / YEAR, units)):
        for start in rng.integers(0, days, count):
            away[unit, start : start + rng.integers(140, 226)] = True
    return away


def _duties(world: World, units: int, days: int, rng: np.random.Generator) -> np.ndarray:
    """0 long haul, 1 short; a tenth of units changes once in a while."""
    duty = np.zeros((units, days), np.int8)
    if world.two_duties:
        duty += (rng.random(units) < 0.4)[:, None].astype(np.int8)
        for unit in np.flatnonzero(rng.random(units) < 0.5):
            duty[unit, rng.integers(0, days) :] ^= 1
    return duty


def _daily_km(world: World, duty: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    units, days = duty.shape
    mean = np.array(KM_A_DAY)[duty] if world.two_duties else ONE_DUTY[0]
    own = np.exp(rng.normal(0.0, 0.18, (units, 1)))
    weeks = days // 7 + 1
    # Good and bad weeks, over months that are good or bad too.
    drift = np.zeros((units, weeks))
    for week in range(1, weeks):
        drift[:, week] = 0.94 * drift[:, week - 1] + rng.normal(0.0, 0.05, units)
    by_week = np.repeat(np.exp(drift + rng.normal(0.0, 0.25, (units, weeks))), 7, axis=1)[:, :days]
    calendar = np.arange(days)
    season = 1.0 + world.season * np.sin(2.0 * np.pi * (calendar - 100) / YEAR)
    works = np.where(calendar % 7 == 6, 0.0, 7.0 / 6.0)
    return np.asarray(mean * own * by_week * season * works)


def visit_days(world: World, roads: Roads, rng: np.random.Generator) -> np.ndarray:
    """Units × visits: the day of each check, in order, infinite after the last."""
    units = len(roads.depot)
    most = roads.days // 56 + 2
    if world.gaps == "irregular":
        day = np.cumsum(rng.integers(56, 141, (units, most)), axis=1) - rng.integers(
            0, 84, (units, 1)
        )
    elif world.gaps == "clustered":
        campaigns = rng.integers(0, 84, (3, 1)) + CHECK_DAYS * np.arange(most)
        campaigns = campaigns + rng.integers(-10, 11, campaigns.shape)
        late = 14 * (rng.random((units, most)) < 0.1)
        day = campaigns[roads.depot] + rng.integers(0, 5, (units, most)) + late
    else:
        day = rng.integers(0, CHECK_DAYS, (units, 1)) + CHECK_DAYS * np.arange(most)
    day = np.where(rng.random(day.shape) < world.skipped, NEVER, day)
    day = np.concatenate([day, _returns(roads, rng)], axis=1)
    return _made(roads, np.sort(day, axis=1))


def _returns(roads: Roads, rng: np.random.Generator) -> np.ndarray:
    """Half of the units that come back from a pause are checked on the day."""
    back = roads.there[:, 1:] & ~roads.there[:, :-1]
    back &= np.arange(1, roads.days) > roads.joins[:, None]
    unit, day = np.nonzero(back & (rng.random(back.shape) < 0.5))
    found = np.full((len(roads.depot), max(int(back.sum(axis=1).max()), 1)), NEVER)
    place = np.arange(len(unit)) - np.searchsorted(unit, unit)
    found[unit, place] = day + 1
    return found


def _made(roads: Roads, day: np.ndarray) -> np.ndarray:
    """Those that find the unit there, two weeks or more after the one before."""
    inside = (day >= 0) & (day < roads.days)
    at = np.where(inside, day, 0).astype(int)
    day = np.where(inside & roads.there[np.arange(len(day))[:, None], at], day, NEVER)
    day.sort(axis=1)
    last = np.full(len(day), -NEVER)
    for visit in day.T:
        visit[visit - last < 14] = NEVER
        last = np.where(np.isfinite(visit), visit, last)
    day.sort(axis=1)
    return day[:, np.isfinite(day).any(axis=0)]
