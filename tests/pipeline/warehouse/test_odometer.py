"""One story per odometer: what belongs, what is mistyped, what was replaced."""

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.warehouse.odometer import Values, best_chains, odometer_verdicts

MAX_KM_PER_DAY = 1500.0


def chain(*odometer_km: float, jobs: tuple[int, ...] = ()):
    """Values 84 days apart, each written once, by a check but where ``jobs`` says otherwise."""
    n = len(odometer_km)
    checks = np.array([i not in jobs for i in range(n)], int)
    values = Values(84.0 * np.arange(n), np.array(odometer_km, float), np.ones(n, int), checks)
    return best_chains(values, np.array([n]), MAX_KM_PER_DAY)[0]


@pytest.mark.parametrize(
    ("odometer_km", "belongs"),
    [
        ((400e3, 425e3, 450e3), "111"),
        ((400e3, 425e3, 4_500e3, 475e3, 500e3), "11011"),  # a digit too many
        ((400e3, 425e3, 45e3, 475e3, 500e3), "11011"),  # a digit too few
        ((4_000e3, 425e3, 450e3), "011"),  # the first of all
        ((400e3, 425e3, 200e3), "110"),  # lower, and more than it can have run: wait for more
        ((400e3, 4_250e3, 4_500e3, 475e3, 500e3, 525e3), "100111"),  # two in a row
    ],
)
def test_a_day_off_the_line_is_left_out(odometer_km, belongs):
    found = chain(*odometer_km)
    assert "".join("01"[int(b)] for b in found.belongs) == belongs
    assert not found.replaced.any()


@pytest.mark.parametrize(
    "odometer_km",
    [
        (400e3, 425e3, 20e3, 45e3),  # a new one, confirmed
        (400e3, 425e3, 20e3),  # a new one that it can have run
        (400e3, 425e3, 200e3, 225e3),  # a used one, confirmed
        (400e3, 425e3, 900e3, 925e3),  # a used one that stands higher
    ],
)
def test_a_replacement_is_believed_and_bridged_at_the_units_own_pace(odometer_km):
    found = chain(*odometer_km)
    assert found.belongs.all()
    assert found.replaced.tolist() == [False, False, True, False][: len(odometer_km)]
    assert found.km.tolist() == pytest.approx([400e3, 425e3, 450e3, 475e3][: len(odometer_km)])


def test_a_replacement_of_a_unit_seen_once_before_bridges_nothing():
    """No step gives a pace, and none is invented."""
    assert chain(400e3, 20e3).km.tolist() == [400e3, 400e3]


def test_of_two_values_of_one_day_the_one_written_more_often_belongs():
    days = np.array([0.0, 84.0, 84.0])
    values = Values(days, np.array([400e3, 402e3, 425e3]), np.array([1, 1, 5]), np.ones(3, int))
    (found,) = best_chains(values, np.array([3]), MAX_KM_PER_DAY)
    assert found.belongs[2]


@pytest.mark.parametrize(
    ("odometer_km", "jobs", "belongs"),
    [
        # Two jobs written down after the next check, with the odometer of the one before.
        ((400e3, 425e3, 400e3, 400e3, 450e3), (2, 3), "11001"),
        ((400e3, 425e3, 450e3, 425e3, 425e3, 425e3), (3, 4, 5), "111000"),
        ((40e3, 65e3, 40e3), (2,), "110"),  # the last of all, which it can have run
        ((400e3, 425e3, 450e3), (1,), "111"),  # a job that fits
        ((400e3, 425e3, 20e3, 45e3), (2,), "1111"),  # a replacement that a check confirms
        ((400e3, 425e3, 20e3, 45e3), (2, 3), "1100"),  # that no check confirms yet
    ],
)
def test_jobs_are_no_evidence_against_checks_that_agree(odometer_km, jobs, belongs):
    found = chain(*odometer_km, jobs=jobs)
    assert "".join("01"[int(b)] for b in found.belongs) == belongs


def test_a_unit_of_jobs_alone_is_judged_by_them():
    found = chain(400e3, 425e3, 4e6, 450e3, jobs=(0, 1, 2, 3))
    assert found.belongs.tolist() == [True, True, False, True]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 40_000), min_size=4, max_size=20),
    st.data(),
)
def test_km_never_run_back_and_one_mistyped_day_is_found(steps, data):
    odometer = 500_000.0 + np.cumsum(steps).astype(float)
    wrong = data.draw(st.integers(1, len(steps) - 2))
    odometer[wrong] = 9e6
    found = chain(*odometer)
    assert not found.belongs[wrong]
    assert found.belongs.sum() == len(steps) - 1
    assert (np.diff(found.km[found.belongs]) >= 0).all()


def test_only_suspicious_units_are_judged_value_by_value():
    sightings = pl.DataFrame(
        {
            "unit_id": ["A", "A", "B", "B", "B"],
            "on_date": [dt.date(2025, 1, 1), dt.date(2025, 4, 1)] * 2 + [dt.date(2025, 7, 1)],
            "odometer_km": [1e5, 1.1e5, 1e5, 1e4, 1.2e5],
            "sightings": [6] * 5,
            "checks": [6] * 5,
        }
    )
    found = odometer_verdicts(sightings, MAX_KM_PER_DAY).sort("unit_id", "on_date")
    assert found["km"].to_list() == [1e5, 1.1e5, 1e5, None, 1.2e5]
    assert found["reason"].is_not_null().to_list() == [False, False, False, True, False]
    assert "found 10000 km between 100000 km on 2025-01-01 and 120000 km" in found["reason"][3]


def test_no_sightings_give_no_verdicts():
    schema = {
        "unit_id": pl.String, "on_date": pl.Date, "odometer_km": pl.Float64, "sightings": pl.Int64,
        "checks": pl.Int64,
    }  # fmt: skip
    assert odometer_verdicts(pl.DataFrame(schema=schema), MAX_KM_PER_DAY).is_empty()


def full_at(a_round: float, *odometer_km: float) -> pl.DataFrame:
    """Verdicts of a unit whose clock starts again at 0, seen every 84 days; written values."""
    days = [dt.date(2022, 1, 1) + dt.timedelta(days=84 * n) for n in range(len(odometer_km))]
    frame = pl.DataFrame(
        {"unit_id": "K1", "on_date": days, "odometer_km": [km % a_round for km in odometer_km]}
    ).with_columns(sightings=pl.lit(4), checks=pl.lit(4))
    return odometer_verdicts(frame, MAX_KM_PER_DAY)


@pytest.mark.parametrize(("a_round", "visits"), [(100e3, 9), (1e6, 80)])
def test_a_clock_that_starts_again_when_full_has_run_on(a_round, visits):
    km = [50e3 + 30e3 * n for n in range(visits)]
    found = full_at(a_round, *km)
    assert found["reason"].is_null().all()
    assert not found["replaced"].any()
    assert found["km"].to_list() == pytest.approx(km)


def test_a_slip_on_such_a_clock_is_still_found():
    km = [50e3 + 30e3 * n for n in range(12)]
    km[3] = 105e3  # less than at the check before, and not full since
    found = full_at(100e3, *km)
    assert found.filter(pl.col("reason").is_not_null())["odometer_km"].to_list() == [5e3]
    km.pop(3)
    kept = found.filter(pl.col("reason").is_null())
    assert kept["km"].to_list() == pytest.approx(km)


@pytest.mark.parametrize(
    "odometer_km",
    [
        (40e3, 70e3, 5e3, 35e3, 65e3, 95e3),  # once: replaced
        (40e3, 45e3, 2e3, 7e3, 1e3, 6e3),  # far below full
        (150e3, 180e3, 2e3, 30e3, 60e3, 1e3),  # more than five digits hold
        (85e3, 88e3, 10e3, 13e3, 85e3, 88e3, 9e3, 12e3),  # far more than it runs otherwise
    ],
)
def test_a_replaced_odometer_is_no_full_clock(odometer_km):
    assert full_at(1e9, *odometer_km)["replaced"].any()
