"""Units put to harder work since a day: told apart from what they were, and forecast so."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.relines.forecast.lines import new_lining_moments
from models.wear.generations.by_unit import UnitChange, units_said
from models.wear.sums import EARLIER
from pipeline.marts.wear import fleet_sums, write_wear_marts
from pipeline.stages.fitting import fit_wear_and_use
from pipeline.stages.forecasting import known_fleet
from pipeline.stages.wear_by_unit import told_apart
from pipeline.warehouse import warehouse
from tests.worlds.fleet import ENDS_ON, lived, unit_id
from tests.worlds.lake import counted
from tests.worlds.world import WORLDS

WORLD = WORLDS["a third of units on a harder duty since nine months, untold"]
AS_OF = ENDS_ON - dt.timedelta(days=365)
SINCE = AS_OF - dt.timedelta(days=WORLD.harder_days)
SEED = 701


@pytest.fixture(scope="module")
def fleet():
    return lived(WORLD, SEED)


@pytest.fixture(scope="module")
def run(fleet, tmp_path_factory):
    with counted(fleet, tmp_path_factory.mktemp("harder"), AS_OF) as made:
        yield made


@pytest.fixture(scope="module")
def fits(run):
    return fit_wear_and_use(run.con, run.settings, AS_OF)


@pytest.fixture(scope="module")
def harder(fleet) -> set[str]:
    """Units whose wear per km rose on the day, by what they wore and ran."""
    roads, day = fleet.roads, fleet.day(SINCE)
    then, before = (
        (roads.wear[:, b] - roads.wear[:, a]) / (roads.km[:, b] - roads.km[:, a])
        for a, b in ((day, day + 200), (day - 200, day - 1))
    )
    return {unit_id(unit) for unit in np.flatnonzero(then > 1.5 * before)}


def test_most_of_them_are_found_and_hardly_another(fits, harder):
    found = {each.unit_id for each in fits.apart}
    assert len(harder) > 15
    assert len(found & harder) >= 0.7 * len(harder)
    assert len(found - harder) <= 1
    days = [(each.since - SINCE).days for each in fits.apart]
    # Checks are 84 days apart.
    assert abs(np.median(days)) <= 60


def test_linings_of_now_and_to_come_wear_as_since(run, fleet, fits, harder):
    """By rates for all time they would wear at two thirds of it."""
    known = known_fleet(run.con, fits)
    place = [fleet.wheel_end_ids.index(name) for name in known.ends.wheel_end_id]
    unit = fleet.ends.unit[place]
    severity = 0.45 * np.where([unit_id(u) in harder for u in unit], WORLD.harder_wear, 1.0)
    rate = fleet.lives.at(fleet.day(AS_OF), np.arange(len(fleet.ends)))["rate"][place]
    found = np.isin([unit_id(u) for u in unit], [each.unit_id for each in fits.apart])
    for made, true in (
        (known.lines.rate, rate * severity),
        (new_lining_moments(known.lines).rate, fleet.ends.severity[place] * severity),
    ):
        # Part of an interval with the old wear is counted with the new.
        assert made[found].sum() / true[found].sum() == pytest.approx(0.97, abs=0.06)
        others = ~found & (severity < 0.5)
        assert made[others].sum() / true[others].sum() == pytest.approx(1.0, abs=0.03)
    # What earlier totals missed by it is no error of today's.
    assert known.changed_quarters == pytest.approx(WORLD.harder_days / 91, abs=1)


def test_an_earlier_day_knows_what_its_own_records_tell(run, fits):
    """The same records, asked with what was found later in mind."""
    again = fit_wear_and_use(run.con, run.settings, AS_OF, fits)
    assert {a.unit_id for a in again.apart} == {a.unit_id for a in fits.apart}
    without = fit_wear_and_use(run.con, run.settings, AS_OF, replace(fits, apart=()))
    assert without.apart == ()


def test_what_was_before_is_another_units_and_nothing_is_lost(run):
    plain = fleet_sums(run.con)
    unit, day = plain.units[0], AS_OF - dt.timedelta(days=250)
    with told_apart(run.con, [UnitChange(unit, day, 1.5, 30.0)], {}) as names:
        cut = fleet_sums(run.con, names)
        readings = warehouse.fetch(run.con, warehouse.renamed("from stage.lining_readings", names))
    own = [name for name in cut.life_id if name.startswith(f"{unit}/")]
    earlier = [name for name in own if name.endswith(EARLIER)]
    assert set(cut.units) == {*plain.units, unit + EARLIER}
    assert len(earlier) >= 6
    dates = readings.with_columns(was=pl.col("life_id").str.ends_with(EARLIER))
    mine = dates.filter(pl.col("life_id").str.starts_with(f"{unit}/"))
    assert mine.filter("was")["inspected_on"].max() < day
    assert mine.filter(~pl.col("was"))["inspected_on"].min() >= day
    assert cut.gauge.readings.sum() == plain.gauge.readings.sum()
    for name in earlier:
        since = cut.life_id.index_of(name.removesuffix(EARLIER))
        if since is not None:
            assert not cut.start_known[since]
            rows = mine.filter(life_id=name.removesuffix(EARLIER)).sort("inspected_on")
            assert rows["km_since_reline"][0] == 0.0
            km = rows["km"][-1] - rows["km"][0]
            assert cut.last_km[:, since].sum() == pytest.approx(km)
    # Nobody else's figures move.
    others = [n for n, name in enumerate(plain.life_id) if not name.startswith(f"{unit}/")]
    there = [cut.life_id.index_of(plain.life_id[n]) for n in others]
    assert (cut.gauge.s_km_mm[there] == plain.gauge.s_km_mm[others]).all()
    # And the tables are as they were.
    assert fleet_sums(run.con).units.equals(plain.units)


def test_the_page_is_told_which(run, fits):
    write_wear_marts(run.con, fits)
    note = warehouse.fetch(run.con, "from mart.wear_components")["note"][0]
    assert f"{len(fits.apart)} units wear their linings faster than before" in note
    rates = warehouse.fetch(run.con, "from mart.wear_rates")
    # A unit that was told apart is one unit still.
    assert rates["units"].max() == 60
    one = UnitChange("B0007", dt.date(2025, 1, 4), 0.5, 30.0)
    assert units_said([one]) == (
        "1 unit wears its linings slower than before, as with lighter work (B0007 since about "
        "Jan 2025): rates and forecasts follow what it does since."
    )
    assert units_said([]) == ""
