"""Units with thin linings that are checked sooner: found in drawn fleets, and only there."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.usage.drawn.by_lining import BANDS, checked_sooner
from models.usage.fit import UsageFit, fit_usage

AS_OF = dt.date(2025, 6, 30)
YEARS = 5


def weeks(mm: np.ndarray) -> np.ndarray:
    """Between checks, by the thinnest lining: half a year, twelve weeks, five."""
    return np.select([mm < 3.0, mm < 6.0], [5.0, 12.0], 26.0)


def as_usual(mm: np.ndarray) -> np.ndarray:
    return np.full(mm.shape, 12.0)


def run(between, seed: int = 1, units: int = 60, missed: float = 0.1) -> pl.DataFrame:
    """Rows of ``reduce.unit_usage``: a unit's thinnest lining wears from 12 mm above its minimum to
    what it is relined at, again and again; checks come so many weeks after one another."""
    rng = np.random.default_rng(seed)
    rows = []
    for u in range(units):
        day, left = -YEARS * 365.0 - rng.uniform(0, 180), rng.uniform(2.0, 12.0)
        pace, rate = np.exp(rng.normal(0.0, 0.1)), 0.012 * np.exp(rng.normal(0.0, 0.3))
        while True:
            left = 12.0 if left < 1.5 else left
            read = left + rng.normal(0.0, 0.3)
            usual = 7.0 * float(between(np.array(left))) * pace * np.exp(rng.normal(0.0, 0.1))
            days = round(usual * (2.0 if rng.random() < missed else 1.0))
            if day + days > 0:
                break
            on = AS_OF + dt.timedelta(days=round(day))
            rows.append((f"U{u:02d}", "A", "haul", True, on, days, 200.0 * days, True, read))
            day, left = day + days, left - rate * days
        rows.append((f"U{u:02d}", "A", "haul", True, on, 0, 0.0, False, read))
    names = ["unit_id", "depot", "duty", "one_duty", "from_on", "days", "km", "to_visit"]
    return pl.DataFrame(rows, schema=[*names, "thinnest_mm"], orient="row")


def fitted(rows: pl.DataFrame) -> UsageFit:
    last = pl.col("from_on") + pl.duration(days=pl.col("days"))
    units = (
        rows.with_columns(seen_on=last)
        .group_by("unit_id", "depot", "duty")
        .agg(pl.col("seen_on", "thinnest_mm").sort_by("from_on").last())
        .with_columns(visit_on="seen_on")
        .sort("unit_id")
    )
    return fit_usage(units, rows, AS_OF)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_how_much_sooner_is_found_by_band(seed):
    found = checked_sooner(run(weeks, seed))
    assert found is not None
    assert found.factor.shape == (BANDS,)
    assert (np.diff(found.factor) >= 0.0).all()
    at = found.days_over_usual(np.array([2.0, 4.0, 9.0]))
    # Readings err by 0.3 mm, and one in ten visits is missed; bands are of a millimetre.
    assert at[1] / at[0] == pytest.approx(12 / 5, rel=0.15)
    assert at[2] / at[0] == pytest.approx(26 / 5, rel=0.15)


@pytest.mark.parametrize("seed", range(20))
def test_where_checks_come_as_usual_nothing_is_found(seed):
    assert checked_sooner(run(as_usual, seed)) is None


def test_it_is_one_over_all_intervals_and_where_no_lining_was_read():
    rows = run(weeks)
    found = checked_sooner(rows)
    assert found is not None
    mm = rows.filter("to_visit")["thinnest_mm"].to_numpy()
    assert np.log(found.days_over_usual(mm)).mean() == pytest.approx(0.0, abs=1e-9)
    assert found.days_over_usual(np.array([np.nan, np.inf])).tolist() == [1.0, 1.0]


def test_few_or_no_linings_read_tell_nothing():
    rows = run(weeks)
    unread = rows.with_columns(thinnest_mm=pl.lit(None, pl.Float64))
    for few in (rows.drop("thinnest_mm"), unread, rows.head(30), rows.clear()):
        assert checked_sooner(few) is None


def test_units_with_thin_linings_are_due_sooner_and_intervals_are_alike_beside_it():
    rows = run(weeks, missed=0.0)
    unread = rows.with_columns(thinnest_mm=pl.lit(None, pl.Float64))
    told, untold = fitted(rows), fitted(unread)
    thin, thick = told.thinnest_mm < 2.5, told.thinnest_mm > 7.0
    assert thin.sum() > 5
    assert thick.sum() > 5
    assert np.median(told.usual_days_now[thin]) == pytest.approx(35.0, rel=0.15)
    assert np.median(told.usual_days_now[thick]) == pytest.approx(182.0, rel=0.15)
    spread = [
        float(np.sqrt(sample.mean(sample.length**2) - sample.mean(sample.length) ** 2))
        for sample in (use.interval_distribution.after_road for use in (told, untold))
    ]
    assert spread[0] < 0.3 < 0.5 < spread[1]
