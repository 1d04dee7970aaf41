"""Where units are and how far they run: a grid of days per unit."""

from dataclasses import dataclass

import numpy as np

from tests.worlds.luck import Luck
from tests.worlds.world import World

YEAR = 365.25
CHECK_DAYS = 84
CHECK_KM = 25_000.0
SOLD_DAYS = 540
HARDER = 2
"""Duty of units that a harder one is laid on, where the register says so."""
AUTUMN = 81
"""Day lived that is a 20th of November."""
HALF_YEAR_DAYS = 182
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
    each day's end, ``shown`` is the odometer's; ``joins``, ``leaves``: day, infinite for never.
    ``closes_on``: half a year before forecasts are made; ``moved_to``: depot of each from then."""

    depot: np.ndarray
    joins: np.ndarray
    leaves: np.ndarray
    there: np.ndarray
    duty: np.ndarray
    km: np.ndarray
    wear: np.ndarray
    shown: np.ndarray
    closes_on: int
    moved_to: np.ndarray

    def depot_on(self, unit: np.ndarray, day: np.ndarray | float) -> np.ndarray:
        """Depot of units on a day."""
        return np.where(day >= self.closes_on, self.moved_to[unit], self.depot[unit])

    @property
    def days(self) -> int:
        return self.km.shape[1]


def drawn_roads(
    world: World, records: tuple[int, int], luck: Luck, staying: float = NEVER
) -> Roads:
    """``records``: first and last day on record; no unit leaves after the day ``staying``."""
    days = round((world.years_before + world.years + world.years_beyond) * YEAR)
    begin, _ = records
    newcomers = luck.once.poisson(world.joining * world.units * (days - begin) / YEAR)
    units = world.units + newcomers
    joins = np.zeros(units)
    joins[world.units :] = np.sort(luck.once.uniform(begin, days - 1, newcomers)).round()
    leaves = _leaves(world, np.maximum(joins, begin), luck)
    leaves = np.where(leaves > staying, NEVER, leaves)
    leaves = np.minimum(leaves, _sold(world, units, records[1] - 365 - SOLD_DAYS, luck))
    calendar = np.arange(days)
    there = (calendar >= joins[:, None]) & (calendar < leaves[:, None])
    there &= ~_paused(world, units, days, luck)
    duty = _duties(world, units, days, luck)
    km = _daily_km(world, duty, luck) * there
    km[:, records[1] - 2 * 365 :] *= world.later_use
    first, last = (records[1] - 365 - day for day in world.lull)
    km[:, first:last] *= world.lull_use
    harder = np.where(calendar >= records[1] - 365 - 304, world.later_wear, 1.0)
    harder = harder * (1.0 + world.wear_season * np.cos(2.0 * np.pi * calendar / YEAR))
    severity = np.array(SEVERITY)[duty] if world.two_duties else ONE_DUTY[1]
    laid_on = _laid_on(world, units, calendar >= records[1] - 365 - world.harder_days, luck)
    km = km * np.where(laid_on, world.harder_use, 1.0)
    harder = harder * np.where(laid_on, world.harder_wear, 1.0)
    duty = np.where(laid_on & world.harder_told, HARDER, duty)
    severity = world.severity * severity
    if world.wear_unit_mm:
        severity = severity + luck.once.normal(0.0, world.wear_unit_mm, (units, 1))
    depot = luck.once.choice(len(DEPOT_SHARES), units, p=DEPOT_SHARES)
    if world.opposite:
        swing = _swing(world, days)
        km = km * np.where(depot[:, None] == 0, (2.0 - swing) / swing, 1.0)
    km = km * ~_rests(world, calendar)
    run = np.cumsum(km, axis=1)
    return Roads(
        depot=depot,
        joins=joins,
        leaves=leaves,
        there=there,
        duty=duty,
        km=run,
        wear=np.cumsum(km * severity * harder / 1e4, axis=1),
        shown=_shown(world, run, luck),
        closes_on=records[1] - 365 - HALF_YEAR_DAYS,
        moved_to=np.where(world.closing & (depot == len(DEPOT_SHARES) - 1), 0, depot),
    )


def _shown(world: World, run: np.ndarray, luck: Luck) -> np.ndarray:
    """Km that the odometer shows, each from 40,000 or more on, or from nought where replaced."""
    units = np.arange(len(run))[:, None]
    shown = run + 40_000.0 + 9_871.0 * (units % 31)
    if not world.odometers:
        return shown
    rng = np.random.default_rng([luck.seed, 5])
    replaced = rng.random(run.shape) < world.odometers / YEAR
    last = np.maximum.accumulate(np.where(replaced, np.arange(run.shape[1]), -1), axis=1)
    return np.where(last >= 0, run - run[units, np.maximum(last, 0)], shown)


def _leaves(world: World, since: np.ndarray, luck: Luck) -> np.ndarray:
    """Day on which each unit leaves, at one rate all the time: who is there has no memory."""
    if not world.leaving:
        return np.full(len(since), NEVER)
    stays, anew = luck.both(lambda rng: rng.exponential(YEAR / world.leaving, len(since)))
    leaves = since + np.ceil(stays)
    if luck.turn is None or anew is None:
        return leaves
    again = np.maximum(since, luck.turn.day) + np.ceil(anew)
    return np.where(leaves <= luck.turn.day, leaves, again)


def _sold(world: World, units: int, on: int, luck: Luck) -> np.ndarray:
    """Day on which each unit is sold, all that are on one day; infinite for the others."""
    drawn = np.random.default_rng([luck.seed, 7]).random(units)
    return np.where(drawn < world.sold, float(on), NEVER)


def _laid_on(world: World, units: int, since: np.ndarray, luck: Luck) -> np.ndarray:
    """Whether each unit has a harder duty laid on it, day by day."""
    drawn = np.random.default_rng([luck.seed, 8]).random((units, 1))
    return np.asarray((drawn < world.harder) & since)


def _paused(world: World, units: int, days: int, luck: Luck) -> np.ndarray:
    """Whether each unit is off the road for a while, day by day."""
    chance = world.pauses / YEAR
    lasts = luck.of(np.arange(days), lambda rng: rng.integers(140, 226, (units, days)))
    begins = luck.of(np.arange(days), lambda rng: rng.random((units, days))) < chance
    away = np.zeros((units, days), bool)
    for unit, start in zip(*np.nonzero(begins), strict=True):
        away[unit, start : start + lasts[unit, start]] = True
    return away


def _duties(world: World, units: int, days: int, luck: Luck) -> np.ndarray:
    """0 long haul, 1 short; units change once in a while."""
    duty = np.zeros((units, days), np.int8)
    if world.two_duties:
        duty += (luck.once.random(units) < 0.4)[:, None].astype(np.int8)
        changes = luck.of(np.arange(days), lambda rng: rng.random((units, days)))
        duty += np.cumsum(changes < world.changing / YEAR, axis=1).astype(np.int8)
    return duty % 2


def _daily_km(world: World, duty: np.ndarray, luck: Luck) -> np.ndarray:
    units, days = duty.shape
    mean = world.use * (np.array(KM_A_DAY)[duty] if world.two_duties else ONE_DUTY[0])
    own = np.exp(luck.once.normal(0.0, 0.18, (units, 1)))
    weeks = days // 7 + 1
    shocks, noise = (
        luck.of(7 * np.arange(weeks), lambda rng: rng.standard_normal((units, weeks)))
        for _ in range(2)
    )
    # Good and bad weeks, over months that are good or bad too.
    drift = np.zeros((units, weeks))
    for week in range(1, weeks):
        drift[:, week] = 0.94 * drift[:, week - 1] + 0.05 * shocks[:, week]
    by_week = np.repeat(np.exp(drift + 0.25 * noise), 7, axis=1)[:, :days]
    calendar = np.arange(days)
    works = np.where(calendar % 7 == 6, 0.0, 7.0 / 6.0)
    return np.asarray(mean * own * by_week * _swing(world, days) * works)


def _swing(world: World, days: int) -> np.ndarray:
    """Of use over the year, day by day, about one."""
    return 1.0 + world.season * np.sin(2.0 * np.pi * (np.arange(days) - 100) / YEAR)


def _rests(world: World, day: np.ndarray) -> np.ndarray:
    """Whether days lived are of the winter in which all units stand."""
    return np.mod(day - AUTUMN, YEAR) < world.winter


def visit_days(world: World, roads: Roads, luck: Luck) -> np.ndarray:
    """Units × visits: the day of each check, in order, infinite after the last."""
    units = len(roads.depot)
    shape = units, roads.days // 56 + 2
    if world.gaps == "irregular":
        day = _irregular(shape, luck)
    elif world.gaps == "odometer":
        day = _by_odometer(roads, luck)
    elif world.gaps == "clustered":
        campaigns = luck.once.integers(0, 84, (3, 1)) + world.check_days * np.arange(shape[1])
        campaigns = (campaigns + luck.once.integers(-10, 11, campaigns.shape))[roads.depot]
        late = 14 * (luck.of(campaigns, lambda rng: rng.random(shape)) < 0.1)
        day = campaigns + luck.of(campaigns, lambda rng: rng.integers(0, 5, shape)) + late
    else:
        gap = HALF_YEAR_DAYS if world.gaps == "half-yearly" else world.check_days
        day = luck.once.integers(0, gap, (units, 1)) + gap * np.arange(shape[1])
    skipped = luck.of(day, lambda rng: rng.random(day.shape)) < world.skipped
    day = np.where(skipped, NEVER, day)
    if world.hole_days:
        middle = (world.years_before + 0.4 * world.years) * YEAR
        day = np.where(np.abs(day - middle) < world.hole_days / 2.0, NEVER, day)
    if world.winter:
        day = _after_winter(world, day, luck)
    day = np.concatenate([day, _returns(roads, luck)], axis=1)
    return _made(roads, np.sort(day, axis=1))


def _after_winter(world: World, day: np.ndarray, luck: Luck) -> np.ndarray:
    """Checks that were due while all stood are made in the three weeks after."""
    into = np.mod(np.where(np.isfinite(day), day, 0.0) - AUTUMN, YEAR)
    late = luck.of(day, lambda rng: rng.integers(0, 21, day.shape))
    return np.where(into < world.winter, np.floor(day - into + world.winter + late), day)


def _by_odometer(roads: Roads, luck: Luck) -> np.ndarray:
    """On the day that the unit has run so far; beyond the days lived where it never does."""
    phase = luck.once.random((len(roads.depot), 1))
    due = CHECK_KM * (phase + np.arange(roads.days // 14))  # as many in every future
    return np.array([np.searchsorted(km, at) for km, at in zip(roads.km, due, strict=True)], float)


def _irregular(shape: tuple[int, int], luck: Luck) -> np.ndarray:
    """8 to 20 weeks apart; the next check after a turn is booked already."""
    phase = luck.once.integers(0, CHECK_DAYS, (shape[0], 1))
    gaps, anew = luck.both(lambda rng: rng.integers(56, 141, shape))
    day = np.cumsum(gaps, axis=1) - phase
    if luck.turn is None or anew is None:
        return day
    booked = np.concatenate([np.ones((shape[0], 1), bool), day[:, :-1] <= luck.turn.day], axis=1)
    return np.cumsum(np.where(booked, gaps, anew), axis=1) - phase


def _returns(roads: Roads, luck: Luck) -> np.ndarray:
    """Half of the units that come back from a pause are checked on the day."""
    back = roads.there[:, 1:] & ~roads.there[:, :-1]
    calendar = np.arange(1, roads.days)
    back &= calendar > roads.joins[:, None]
    back &= luck.of(calendar, lambda rng: rng.random(back.shape)) < 0.5
    unit, day = np.nonzero(back)
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
