"""Odometer values dated a year off: found by where they would fit, and nowhere else."""

import datetime as dt

import polars as pl
import pytest

from pipeline.warehouse.odometer import odometer_verdicts

FIRST = dt.date(2023, 1, 10)
PACE = 100  # km a day


def verdicts(*values: tuple[dt.date, float]) -> pl.DataFrame:
    """Of one unit, each value written by one check."""
    days, km = zip(*values, strict=True)
    n = len(values)
    sightings = pl.DataFrame(
        {"unit_id": ["A"] * n, "on_date": days, "odometer_km": [float(k) for k in km],
         "sightings": [1] * n, "checks": [1] * n}
    )  # fmt: skip
    return odometer_verdicts(sightings, 1500.0)


def on_line(*weeks: int) -> list[tuple[dt.date, float]]:
    days = [FIRST + dt.timedelta(weeks=w) for w in weeks]
    return [(day, 100_000 + PACE * (day - FIRST).days) for day in days]


def year(value: tuple[dt.date, float], off: int) -> tuple[dt.date, float]:
    return value[0].replace(year=value[0].year + off), value[1]


@pytest.mark.parametrize(
    ("wrong", "off"),
    [
        ([6], -1),  # 55 weeks on, written as if in the first month
        ([6], 1),
        ([6, 7], -1),  # two days of one January
        ([2], 1),
        ([12], -1),  # the last of all
        ([0], 1),  # the first of all
    ],
)
def test_a_day_with_another_years_number_is_set_aside_and_nothing_is_replaced(wrong, off):
    values = on_line(0, 9, 18, 27, 36, 45, 54, 58, 67, 76, 85, 94, 103)
    told = [year(v, off) if i in wrong else v for i, v in enumerate(values)]
    found = verdicts(*told)
    aside = found.filter("year_off")
    assert sorted(aside["on_date"]) == sorted(told[i][0] for i in wrong)
    assert found["reason"].is_not_null().sum() == len(wrong)
    assert not found["replaced"].any()
    right = values[wrong[0]][0]
    assert any(f"it would fit {right}" in reason for reason in aside["reason"])


def test_a_year_off_is_found_among_four_values():
    values = on_line(52, 65, 78, 91)
    found = verdicts(*values[:3], year(values[3], -1))
    assert found["reason"].to_list() == [
        "found 2023-10-08 with 163700 km, beside 136400 km on 2024-01-09; accepted: the day of "
        "that odometer; it would fit 2024-10-08, beside 154600 km on 2024-07-09", None, None, None,
    ]  # fmt: skip
    assert found["km"].to_list()[1:] == [km for _, km in values[:3]]


def test_a_replaced_odometer_is_no_year_off():
    values = on_line(0, 9, 18, 27, 36, 45, 54, 63, 72)
    new = [(day, km - 130_000) for day, km in values[5:]]
    found = verdicts(*values[:5], *new)
    assert found["replaced"].sum() == 1
    assert found["reason"].is_null().all()


def test_a_mistyped_odometer_is_no_year_off():
    values = on_line(0, 9, 18, 27, 36, 45, 54, 63, 72)
    values[4] = (values[4][0], 12_500)
    found = verdicts(*values)
    assert found["reason"].is_not_null().sum() == 1
    assert not found["year_off"].any()
