"""Units that wear their linings otherwise since a day of their own: found where drawn so, and
nowhere else."""

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.wear.fit import fit_wear
from models.wear.generations.by_unit import FAR_MORE, UnitChange, one_side, units_changed
from models.wear.spread import EVEN
from tests.fleets.linings import FIRST_DAY, DrawnFleet, sums_of
from tests.models.wear.test_by_day import TURNED_ON, dated, drawn


def found(fleet: DrawnFleet, before: tuple[UnitChange, ...] = ()) -> list[UnitChange]:
    sums = sums_of(fleet)
    fit = fit_wear(sums, laws=(EVEN,), shrink=False)
    return units_changed(sums, fit, dated(fleet), before)


def units_of(fleet: DrawnFleet) -> list[str]:
    """In the order they were drawn in: the first ones' work is the harder."""
    return fleet.unit_km["unit_id"].unique(maintain_order=True).to_list()


def test_units_put_to_harder_work_are_found_since_when_and_by_how_much():
    fleet = drawn(1, 60, harder=0.25, harder_ratio=2.2)
    changed = found(fleet)
    harder = set(units_of(fleet)[:15])
    assert {each.unit_id for each in changed} <= harder
    assert len(changed) >= 10
    days = [(each.since - TURNED_ON).days for each in changed]
    # Checks are 91 days apart.
    assert np.abs(np.median(days)) <= 46
    # One-step estimates from one rate for all time, which lies between both.
    assert np.median([each.ratio for each in changed]) == pytest.approx(1.9, abs=0.3)


def test_units_put_to_lighter_work_are_found_too():
    fleet = drawn(2, 120, harder=0.2, harder_ratio=0.4)
    changed = found(fleet)
    assert {each.unit_id for each in changed} <= set(units_of(fleet)[:24])
    # A lighter work is told by less wear: a third of them, at once.
    assert len(changed) >= 8
    assert max(each.ratio for each in changed) < 0.75


@pytest.mark.parametrize(
    "truth",
    [
        pytest.param({}, id="nothing"),
        pytest.param({"rough_ratio": 1.3}, id="a rougher road for all"),
        pytest.param({"later_ratio": (1.35, 1.35)}, id="another make"),
        pytest.param({"later_start_mm": 3.0}, id="thicker linings"),
        pytest.param({"joined": 0.4, "joined_ratio": 1.3}, id="newer units"),
        pytest.param({"bedding_mm": 1.5, "bedding_km": 30_000.0}, id="bedding-in"),
        pytest.param({"season_mm": 0.5}, id="readings with a season"),
        pytest.param({"unit_sd": 0.1, "life_sd": 0.1}, id="wide spread"),
        pytest.param({"harder": 0.3, "harder_ratio": 1.1}, id="too small a change to tell"),
    ],
)
def test_of_units_that_work_as_before_none_is_found(truth):
    assert found(drawn(3, 100, **truth)) == []


def test_another_gauge_on_some_units_is_no_change_of_their_wear():
    """All that is read of them since is a millimetre less."""
    fleet = drawn(5, 60)
    some = pl.col("unit_id").is_in(units_of(fleet)[:15]) & (pl.col("inspected_on") > TURNED_ON)
    less = pl.when(some).then(1.0).otherwise(0.0)
    readings = fleet.readings.with_columns(pl.col("lining_mm") - less)
    assert found(replace(fleet, readings=readings)) == []


def test_one_lining_that_goes_its_own_way_is_not_its_unit():
    """One wheel end in four of ten units loses a millimetre a check more since."""
    fleet = drawn(6, 60)
    some = fleet.readings.filter(pl.col("unit_id").is_in(units_of(fleet)[:10]))
    one = some.group_by("unit_id").agg(pl.col("wheel_end_id").min())["wheel_end_id"]
    checks = (pl.col("inspected_on") - pl.lit(TURNED_ON)).dt.total_days().clip(0) / 91.0
    less = pl.when(pl.col("wheel_end_id").is_in(one.implode())).then(checks).otherwise(0.0)
    readings = fleet.readings.with_columns(pl.col("lining_mm") - less)
    assert found(replace(fleet, readings=readings)) == []


def test_too_few_units_say_nothing():
    assert found(drawn(4, 8, harder=0.3, harder_ratio=2.5)) == []


def test_units_whose_wear_changed_with_that_of_many_are_found_by_less():
    """Three checks since tell another wear from another gauge of few units by themselves."""
    fleet = drawn(7, 90, harder=0.33, harder_ratio=2.0)
    seen = pl.col("inspected_on") <= TURNED_ON + dt.timedelta(days=300)
    fleet = replace(fleet, readings=fleet.readings.filter(seen))
    harder = set(units_of(fleet)[:29])
    changed = tuple(found(fleet))
    others = {each.unit_id for each in found(fleet, changed)}
    assert {each.unit_id for each in changed} | others <= harder
    assert len(changed) >= 8
    assert len(others) >= 4
    days = [each.since for each in found(fleet, changed) if each.unit_id in others]
    assert abs((days[0] - TURNED_ON).days) <= 60
    # Those that changed on days apart are no company.
    apart = tuple(
        replace(each, since=each.since + dt.timedelta(days=80 * (n - len(changed) // 2)))
        for n, each in enumerate(changed)
    )
    assert len(found(fleet, apart)) < len(others) - 2


def test_those_known_already_are_not_found_again():
    fleet = drawn(1, 60, harder=0.25, harder_ratio=1.8)
    changed = found(fleet)
    again = found(fleet, tuple(changed))
    assert {each.unit_id for each in again}.isdisjoint(each.unit_id for each in changed)


def test_of_two_sides_the_harder_is_told_unless_the_lighter_says_far_more():
    harder, lighter = (UnitChange(f"U{ratio}", FIRST_DAY, ratio, 30.0) for ratio in (1.6, 0.6))
    assert one_side([harder, lighter]) == [harder]
    plain = replace(lighter, score=1.1 * FAR_MORE * harder.score)
    assert one_side([harder, plain]) == [plain]
    assert one_side([]) == []
