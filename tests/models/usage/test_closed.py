"""Fleets whose checks rest in a part of every year, and others with long stretches without one."""

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest

from models.usage.drawn.visits import drawn_visits
from models.usage.fit import UsageFit, fit_usage
from models.usage.level import YEAR_DAYS
from models.usage.year.closed import ClosedSeason, closed_season
from models.usage.year.told import year_frame

AS_OF = dt.date(2026, 3, 31)
# Of a year that ends at as-of: from the middle of November to the middle of April nobody comes.
CLOSED_FROM, CLOSED_DAYS = -136.0, 151.0


def is_closed(day: np.ndarray, days: float = CLOSED_DAYS) -> np.ndarray:
    return np.mod(day - CLOSED_FROM, YEAR_DAYS) < days


def checks(rng: np.random.Generator, every: float, years: int, closed: float) -> list[float]:
    """Days of one unit's checks, counted from as-of."""
    day, found = -YEAR_DAYS * years + rng.uniform(0, every), []
    while day < 0:
        if is_closed(np.array(day), closed):
            day += closed - np.mod(day - CLOSED_FROM, YEAR_DAYS) + rng.uniform(0, 28)
            continue
        found.append(float(day))
        day += every + rng.normal(0, 5)
    return found


def intervals(closed: float, every: float = 84.0, years: int = 5, seed: int = 1) -> pl.DataFrame:
    """Of forty units that run 200 km a day, and 20 in the ``closed`` days, if there are some."""
    rng, rows = np.random.default_rng(seed), []
    for unit in range(40):
        days = np.round(checks(rng, every, years, closed))
        for first, last in itertools.pairwise(days):
            run = np.arange(first, last)
            rate = np.where(is_closed(run, closed), 20.0, 200.0)
            km = rate.sum() * np.exp(rng.normal(0, 0.05))
            rows.append((f"U{unit:02d}", "North", "line", first, last - first, km))
    names = ["unit_id", "depot", "duty", "first", "days", "km"]
    since = pl.lit(AS_OF, pl.Date) + pl.duration(days=pl.col("first").cast(pl.Int64))
    return pl.DataFrame(rows, names, orient="row").with_columns(
        from_on=since,
        days=pl.col("days").cast(pl.Int64),
        to_visit=pl.lit(value=True),
        one_duty=pl.lit(value=True),
    )


def fitted(rows: pl.DataFrame) -> UsageFit:
    last = pl.col("from_on") + pl.duration(days="days")
    units = rows.group_by("unit_id", "depot", "duty").agg(seen_on=last.max()).sort("unit_id")
    units = units.with_columns(visit_on="seen_on")
    return fit_usage(units, rows.drop("first"), AS_OF)


def found(rows: pl.DataFrame) -> ClosedSeason:
    first, days = rows["first"].to_numpy(), rows["days"].to_numpy()
    return closed_season(first, first + days)


def test_a_winter_in_which_nobody_is_checked_is_found() -> None:
    closed = found(intervals(closed=CLOSED_DAYS))
    assert closed.first == pytest.approx(CLOSED_FROM, abs=12)
    assert closed.days == pytest.approx(CLOSED_DAYS, abs=10)
    assert len(closed.stretches(-5 * YEAR_DAYS)) in (4, 5)


@pytest.mark.parametrize("days", [60.0, 90.0, 120.0])
def test_so_is_a_shorter_one_that_keeps_units_waiting(days: float) -> None:
    """The first check after it sets the dates of the year: none may be due just before the next."""
    closed = found(intervals(closed=days))
    assert days - 5 < closed.days < days + 21
    assert closed.first + closed.days == pytest.approx(CLOSED_FROM + days, abs=5)


def test_weeks_in_which_all_units_are_checked_leave_stretches_that_close_nothing() -> None:
    """Every twelve weeks from one day on: in some years before Christmas, in others after."""
    rows = intervals(closed=0.0)
    week = pl.col("first") - pl.col("first").mod(84.0)
    first = week + pl.col("first").mod(5.0)
    assert found(rows.with_columns(first=first, days=84)).days == 0.0
    twice = pl.col("first") - pl.col("first").mod(YEAR_DAYS / 2.0) + pl.col("first").mod(9.0)
    assert found(rows.with_columns(first=twice, days=182)).days == 0.0


@pytest.mark.parametrize(
    ("every", "years"),
    [(84.0, 5), (182.6, 5), (365.25, 5), (84.0, 1)],
    ids=["all the year round", "twice a year", "once a year", "one year"],
)
def test_no_other_fleet_is_closed(every: float, years: int) -> None:
    assert found(intervals(closed=0.0, every=every, years=years)).days == 0.0


def test_one_winter_on_record_may_be_anything() -> None:
    assert found(intervals(closed=CLOSED_DAYS, years=1)).days == 0.0


def test_one_visit_in_the_closed_time_does_not_open_it() -> None:
    rows = intervals(closed=CLOSED_DAYS)
    new = rows.head(1).with_columns(
        unit_id=pl.lit("U99"), first=pl.lit(-60.0), days=pl.lit(30, pl.Int64)
    )
    assert found(pl.concat([rows, new])).days > 100.0


def test_nobody_is_checked_then_in_the_forecast() -> None:
    rows = intervals(closed=CLOSED_DAYS)
    usage = fitted(rows)
    visits = drawn_visits(usage, 2 * YEAR_DAYS, 60, np.random.default_rng(2))
    day = visits.day[np.isfinite(visits.day) & (visits.day > 0) & (visits.day < 2 * YEAR_DAYS)]
    assert len(day) > 1000
    # Two days either way are not told from the open time.
    assert np.mean(is_closed(day - 3) & is_closed(day + 3)) < 0.01
    # Three checks a year or so: whoever comes in April is due in July and October.
    assert len(day) / (40 * 60 * 2) == pytest.approx(rows.height / (40 * 5), rel=0.15)
    assert usage.present.sum() > 37


def test_units_that_were_due_meanwhile_come_when_the_fleet_opens() -> None:
    usage = fitted(intervals(closed=CLOSED_DAYS))
    visits = drawn_visits(usage, 60.0, 60, np.random.default_rng(2))
    first = np.where(visits.day > 0, visits.day, np.inf).min(axis=0)
    # It opens on day 15, as it is known to a few days; all but those checked in autumn come soon.
    assert np.mean(first < 15 + 28 + 5) > 0.85
    assert np.mean(first < 5) < 0.1


def test_shares_of_closed_days_are_those_counted_day_by_day() -> None:
    closed = ClosedSeason(CLOSED_FROM, CLOSED_DAYS)
    rng = np.random.default_rng(3)
    begins = rng.uniform(-900, 900, 50)
    ends = begins + rng.uniform(1, 800, 50)
    days = np.linspace(0, 1, 20_001)
    counted = [is_closed(a + (b - a) * days).mean() for a, b in zip(begins, ends, strict=True)]
    expected = np.array(counted) - CLOSED_DAYS / YEAR_DAYS
    assert closed.swing(begins, ends) == pytest.approx(expected, abs=2e-3)
    # A day on its own; and a year, of which nothing is left.
    assert closed.swing(np.array([-100.0]), np.array([-100.0])) == pytest.approx(
        1 - 0.4134, abs=1e-4
    )
    assert closed.swing(begins, begins + YEAR_DAYS) == pytest.approx(0.0, abs=1e-9)


def test_it_is_told_with_its_days() -> None:
    row = year_frame(fitted(intervals(closed=CLOSED_DAYS))).row(0, named=True)
    assert abs((row["closed_from_on"] - dt.date(2025, 11, 15)).days) <= 12
    assert abs((row["closed_until_on"] - dt.date(2026, 4, 15)).days) <= 8
    # The middles of the open time and of the closed.
    assert abs((row["most_on"] - dt.date(2026, 7, 31)).days) <= 10
    assert abs((row["least_on"] - dt.date(2027, 1, 30)).days) <= 10
    # A tenth of the use in 151 days of 365: 1 / (1 - 0.9 x 0.413) in the rest, and a tenth of that.
    assert row["most_ratio"] == pytest.approx(1.59, abs=0.06)
    # Nine days of the open time are taken for closed, at ten times the use.
    assert row["least_ratio"] == pytest.approx(0.16, abs=0.1)
    assert year_frame(fitted(intervals(closed=0.0))).is_empty()


def of_duty(rows: pl.DataFrame, duty: str) -> pl.DataFrame:
    return rows.with_columns(unit_id=pl.concat_str(pl.lit(duty), "unit_id"), duty=pl.lit(duty))


# Who brings in the harvest is checked before it and in it, and stands in a shed for the rest.
HARVEST = {"closed": 250.0, "every": 80.0}


def test_a_duty_alone_may_be_closed() -> None:
    """The others of the fleet are checked all the year round."""
    both = [of_duty(intervals(**HARVEST), "harvest"), of_duty(intervals(0.0, seed=2), "line")]
    usage = fitted(pl.concat(both))
    harvest = np.array([name.startswith("harvest") for name in usage.unit_ids])
    visits = drawn_visits(usage, 2 * YEAR_DAYS, 60, np.random.default_rng(2))
    unit = np.broadcast_to(np.tile(harvest, 60).reshape(-1, 80), visits.day.shape)
    in_time = np.isfinite(visits.day) & (visits.day > 0) & (visits.day < 2 * YEAR_DAYS)
    day, others = visits.day[in_time & unit], visits.day[in_time & ~unit]
    assert np.mean(is_closed(day - 5, 250.0) & is_closed(day + 5, 250.0)) < 0.01
    assert np.mean(is_closed(others, 250.0)) == pytest.approx(250 / YEAR_DAYS, abs=0.03)
    # What a year's use comes to, whatever part of it is run in the closed time.
    year = usage.mean_use(np.zeros(80), np.full(80, YEAR_DAYS), usage.group)
    a_year = np.exp(usage.log_level) * year * YEAR_DAYS
    run = 115 * 200.0 + 250 * 20.0
    assert np.median(a_year[harvest]) == pytest.approx(run, rel=0.06)
    assert np.median(a_year[~harvest]) == pytest.approx(200.0 * YEAR_DAYS, rel=0.02)
    (row,) = year_frame(usage).to_dicts()
    assert row["duty"] == "harvest"
    assert (row["closed_until_on"] - row["closed_from_on"]).days == pytest.approx(250, abs=15)


def test_who_is_checked_for_a_part_of_the_year_stands_at_another_time() -> None:
    """Forty days longer they run when the last of them has been checked, at full use, and it takes
    four weeks from the first check until they run again: none of this is spread over the year."""
    rows, rng = intervals(**HARVEST), np.random.default_rng(5)
    km = []
    for first, days in rows.select("first", "days").iter_rows():
        run = np.arange(first, first + days)
        stands = np.mod(run - CLOSED_FROM - 40.0, YEAR_DAYS) < 250.0 - 40.0 + 28.0
        km.append(np.where(stands, 0.0, 200.0).sum() * np.exp(rng.normal(0.0, 0.05)))
    usage = fitted(of_duty(rows.with_columns(km=pl.Series(km)), "harvest"))
    since, now = np.full(40, CLOSED_FROM), np.zeros(40)
    run_since = np.exp(usage.log_level) * usage.mean_use(since, now, usage.group) * -CLOSED_FROM
    assert np.median(run_since) == pytest.approx(40 * 200.0, rel=0.15)


def test_no_wave_is_drawn_through_a_part_of_the_year() -> None:
    """Of the harvest's use alone, a year's peak might be in its middle, or anywhere without."""
    rows = intervals(**HARVEST).filter(pl.col("days") < 150)
    usage = fitted(rows)
    assert not usage.season.is_known
