"""What a fit found comes back from the warehouse as it was, to the last bit, and is data alone."""

import dataclasses
import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.lives.fits.distributions import life_distribution
from models.relines.simulation.counts import Calendar
from models.relines.simulation.scenario import DutyMove, Scenario
from models.relines.simulation.simulate import simulate_relines
from pipeline.errors import UserError
from pipeline.warehouse import warehouse
from pipeline.warehouse.kept import keep, kept
from tests.reline_world import World, known_fleet, lived


def same(one, other) -> bool:
    """Equal in every part, arrays to the bit (NaN equals NaN)."""
    if dataclasses.is_dataclass(one):
        fields = dataclasses.fields(one)
        return type(one) is type(other) and all(
            same(getattr(one, f.name), getattr(other, f.name)) for f in fields
        )
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and np.array_equal(one, other, equal_nan=one.dtype == float)
    if isinstance(one, pl.Series):
        return one.equals(other, check_names=True, null_equal=True)
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    return one == other or (one != one and other != other)


def test_all_that_is_known_of_a_fleet_comes_back():
    fleet = known_fleet(lived(World(units=12, years_after=0.5), 3))
    with warehouse.in_memory() as con:
        keep(con, "fit.fleet_model", fleet)
        assert same(fleet, kept(con, "fit.fleet_model"))


def test_a_kept_fleet_meets_the_futures_of_the_one_it_was():
    """Two duties with intervals of their own, a third of units off the road and too few of those on
    record to tell how it goes on from there: what one object stood for twice is still one thing."""
    fleet = known_fleet(lived(World(units=12, years_after=0.5), 3))
    usage = fleet.usage
    (pool,) = usage.interval_distribution.pools
    twice = dataclasses.replace(
        usage.interval_distribution,
        pools=(pool, pool),
        pool=np.arange(len(usage.groups)) % 2,
    )
    off = np.arange(len(usage)) % 3 == 0
    usage = dataclasses.replace(usage, interval_distribution=twice, off_now=off)
    fleet = dataclasses.replace(fleet, usage=usage)
    with warehouse.in_memory() as con:
        keep(con, "fit.fleet_model", fleet)
        back = kept(con, "fit.fleet_model")
    ends = np.array([182.0, 365.0])
    (one,), (other,) = (
        simulate_relines(each, Calendar(ends, ends), draws=20, seed=1) for each in (fleet, back)
    )
    assert one.relines.any()
    assert (one.relines == other.relines).all()
    assert (one.crossings == other.crossings).all()


def test_values_tuples_mappings_days_and_laws_come_back():
    """Texts that look like something else, a number that is not one, and a mapping inside."""
    scenario = Scenario(
        'a "name"\n= 1', minimum_mm={"drive": 8.0}, duty_moves=(DutyMove("a", "b", 0.25),)
    )
    life = life_distribution("weibull", 2.2, 250_000.0)
    thing = (scenario, life, dt.date(2026, 2, 28), None, float("nan"), ("x", 1, 0.1 + 0.2), ())
    with warehouse.in_memory() as con:
        keep(con, "fit.thing", thing)
        back = kept(con, "fit.thing")
    assert same(thing, back)
    assert back[1].standard is life.standard


def test_what_is_no_data_is_refused():
    with warehouse.in_memory() as con, pytest.raises(TypeError, match="cannot be kept"):
        keep(con, "fit.thing", (1, open))


def test_what_another_version_kept_is_said_in_one_line():
    with warehouse.in_memory() as con:
        with pytest.raises(UserError, match="run again"):
            kept(con, "fit.thing")
        keep(con, "fit.thing", DutyMove("a", "b", 0.5))
        con.execute("delete from fit.thing where place = '/share'")
        with pytest.raises(UserError, match="run again"):
            kept(con, "fit.thing")
        con.execute("update fit.thing set content = 'x'::blob where kind = 'fields'")
        with pytest.raises(UserError, match="run again"):
            kept(con, "fit.thing")


def test_a_name_outside_the_models_makes_nothing():
    """Whoever can write the warehouse can write anything; yet no name there runs a thing."""
    import zlib

    with warehouse.in_memory() as con:
        keep(con, "fit.thing", DutyMove("a", "b", 0.5))
        for name in ("os:system", "models.relines.simulation.draws:np.save", "models.x:y"):
            con.execute(
                "update fit.thing set content = ? where place = ''", [zlib.compress(name.encode())]
            )
            with pytest.raises(UserError, match="run again"):
                kept(con, "fit.thing")
