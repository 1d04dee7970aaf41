"""Units that left at once, told from units that leave one by one."""

import datetime as dt

import numpy as np
import pytest
from scipy import stats

from models.usage.leaving import CHANCE, LEAVING_DAYS, LEAVING_SHAPE, Leaving, left_at_once_frame

USUAL = 84.0
YEARS = 1461.0
AS_OF = dt.date(2025, 8, 31)


def leaving(last, begun=None):
    """A fleet whose units were last seen so many days before as-of: in the last 84, and they are
    there; before, and they have left."""
    last = np.asarray(last, float)
    present = (last <= USUAL).astype(float)
    days = LEAVING_DAYS + (YEARS - last).sum()
    begun = np.full(len(last), YEARS) if begun is None else begun
    fitted = Leaving(LEAVING_SHAPE + float((1.0 - present).sum()), days, present)
    usual = np.full(len(last), USUAL)
    return fitted, begun, last, usual, usual


def there(units):
    return list(np.linspace(1.0, 83.0, units))


def sold(units, ago):
    return list(np.linspace(ago + 1.0, ago + 83.0, units))


def test_half_of_a_fleet_sold_on_one_day_is_found_with_its_days():
    fitted, begun, last, *usual = leaving(there(30) + sold(30, 540) + [300.0, 900.0])
    once = fitted.at_once_among(begun, last, *usual)
    assert once is not None
    assert (once.units, once.there) == (30.0, 61)
    assert (once.last, once.first) == (541.0, 623.0)
    assert once.are_among(last).sum() == 30
    told = left_at_once_frame(Leaving(1.0, 1.0, fitted.present, once), AS_OF).row(0, named=True)
    assert told["until_on"] == AS_OF - dt.timedelta(days=541)
    assert (told["units"], told["units_there"]) == (30, 61)
    assert left_at_once_frame(fitted, AS_OF).is_empty()


@pytest.mark.parametrize(
    ("last", "why"),
    [
        (there(60), "nobody left"),
        (there(40) + list(np.linspace(90, 1400, 20)), "one by one"),
        (there(60) + sold(4, 540), "a few"),
        (there(300) + sold(10, 540), "hardly any of so many"),
        (there(30) + sold(15, 400) + sold(15, 900), "twice: a habit"),
        (there(40) + sold(6, 150) + sold(6, 515) + sold(6, 880), "each year's renewal"),
    ],
)
def test_leaving_by_habit_is_not_at_once(last, why):
    fitted, begun, last, *usual = leaving(last)
    assert fitted.at_once_among(begun, last, *usual) is None, why


def test_where_no_year_has_passed_without_it_it_may_come_every_year():
    fitted, _, last, *usual = leaving(there(30) + sold(20, 200))
    assert fitted.at_once_among(np.full(50, 500.0), last, *usual) is None
    assert fitted.at_once_among(np.full(50, 900.0), last, *usual) is not None


def test_units_that_leave_by_themselves_are_hardly_ever_taken_for_many_at_once():
    found, fleets, rng = 0, 400, np.random.default_rng(8)
    for _ in range(fleets):
        stays = rng.exponential(1000.0, 80)
        last = np.where(stays < YEARS - USUAL, YEARS - stays, rng.uniform(1.0, USUAL, 80))
        fitted, begun, last, *usual = leaving(last)
        found += fitted.at_once_among(begun, last, *usual) is not None
    assert found <= stats.binom.ppf(0.999, fleets, CHANCE * 2.0)


def test_who_could_not_be_seen_leave_had_all_that_time_to():
    """Of 60 units some leave one by one; for ten months nobody is checked."""
    last = [*there(40), 400.0, 700.0, 1000.0, 1300.0, *sold(8, 540)]
    fitted, begun, last, unseen, usual = leaving(last)
    assert fitted.at_once_among(begun, last, unseen, usual) is not None
    hole = unseen + 300.0 * (last > 500.0)
    assert fitted.at_once_among(begun, last, hole, usual) is None


def test_a_fleet_without_units_has_none():
    fitted, begun, last, *usual = leaving([])
    assert fitted.at_once_among(begun, last, *usual) is None
