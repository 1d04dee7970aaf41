"""Odometers that stood still while linings wore: where the km between come from."""

import datetime as dt

import polars as pl
import pytest

from pipeline.warehouse.odometer import odometer_verdicts
from pipeline.warehouse.standstill import bridged

START = dt.date(2024, 1, 1)


def verdicts(*values: tuple[int, float], unit: str = "K1") -> pl.DataFrame:
    """Of values written in such a week."""
    return odometer_verdicts(
        pl.DataFrame(
            {
                "unit_id": unit,
                "on_date": [START + dt.timedelta(weeks=week) for week, _ in values],
                "odometer_km": [km for _, km in values],
                "sightings": 4,
                "checks": 4,
            }
        ),
        1500.0,
    )


def standing(km: float, weeks: tuple[int, int], unit: str = "K1") -> pl.DataFrame:
    since, until = (START + dt.timedelta(weeks=week) for week in weeks)
    row = {"unit_id": unit, "odometer_km": km, "from_on": since, "to_on": until}
    return pl.DataFrame([row | {"wheel_ends": 4, "fall_mm": 2.0}])


def km_of(found: pl.DataFrame) -> list[float]:
    return found.sort("on_date")["km"].to_list()


def test_a_unit_runs_on_at_its_own_pace_to_the_last_value():
    """It stopped half-way between two checks: that interval counts in full."""
    values = (0, 100.0e3), (12, 112.0e3), (24, 124.0e3), (36, 130.0e3), (48, 130.0e3), (60, 130.0e3)
    found = bridged(verdicts(*values), standing(130.0e3, (36, 60)))
    assert km_of(found) == pytest.approx([100e3, 112e3, 124e3, 136e3, 148e3, 160e3])
    assert found.sort("on_date")["stands"].to_list() == [False] * 4 + [True] * 2


def test_a_mended_odometer_goes_on_from_where_it_stood():
    values = (0, 100.0e3), (12, 112.0e3), (24, 112.0e3), (36, 112.0e3), (48, 124.0e3)
    found = bridged(verdicts(*values), standing(112.0e3, (12, 36)))
    assert km_of(found) == pytest.approx([100e3, 112e3, 124e3, 136e3, 148e3])


def test_copied_values_share_out_what_the_next_one_shows():
    values = (0, 100.0e3), (12, 112.0e3), (24, 112.0e3), (36, 112.0e3), (48, 148.0e3)
    found = bridged(verdicts(*values), standing(112.0e3, (12, 36)))
    assert km_of(found) == pytest.approx([100e3, 112e3, 124e3, 136e3, 148e3])


@pytest.mark.parametrize("every", [2, 3])
def test_where_most_checks_copy_the_last_odometer_the_unit_ran_as_it_ran(every):
    """Every second check is copied, or two of three: no step is clean of it."""
    true = [100e3 + 12e3 * n for n in range(13)]
    written = [true[n - n % every] for n in range(13)]
    values = [(12 * n, km) for n, km in enumerate(written)]
    copied = [
        standing(written[n], (12 * n, 12 * min(n + every - 1, 12))) for n in range(0, 12, every)
    ]
    found = bridged(verdicts(*values), pl.concat(copied))
    assert km_of(found) == pytest.approx(true, rel=1e-6)


def test_a_replaced_odometer_after_a_standstill_is_bridged_too():
    values = (0, 100e3), (12, 112e3), (24, 124e3), (36, 124e3), (48, 2e3), (60, 14e3)
    found = bridged(verdicts(*values), standing(124e3, (24, 36)))
    assert found.sort("on_date")["replaced"].to_list()[4]
    assert km_of(found) == pytest.approx([100e3, 112e3, 124e3, 136e3, 148e3, 160e3])


def test_a_unit_without_a_pace_has_no_km():
    found = bridged(verdicts((0, 5e3), (12, 5e3), (24, 5e3)), standing(5e3, (0, 24)))
    assert km_of(found) == [None] * 3
    assert found["reason"].unique().to_list() == [
        "odometer_km: found 5000 km from 2024-01-01 to 2024-06-17, while linings wore by 2.0 mm; "
        "accepted: the km that the unit has run"
    ]


def test_another_value_between_is_no_standstill_and_other_units_stay_as_they_are():
    own = verdicts((0, 100e3), (12, 112e3), (24, 112e3), (36, 124e3))
    other = verdicts((0, 7e3), (12, 7e3), unit="K2")
    given = pl.concat([own, other])
    slip = standing(112e3, (12, 30)).with_columns(odometer_km=pl.lit(100e3))
    assert bridged(given, slip).drop("stands").equals(given)
    found = bridged(given, standing(112e3, (12, 24)))
    assert found.filter(unit_id="K2").drop("stands").equals(other)


def test_a_unit_that_was_parked_is_no_standstill():
    given = verdicts((0, 100e3), (12, 112e3), (24, 112e3))
    none = standing(112e3, (12, 24)).clear()
    assert bridged(given, none).drop("stands").equals(given)
