"""Depots whose gauge reads otherwise since a day, and fleets in which something else changed."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from dashboards.sentences.departures import gauges_said
from dashboards.sentences.measures import Fleet, Measures
from dashboards.sentences.words import plain
from models.wear.shape.gauge_steps import GaugeStep, gauge_step_frame, gauge_steps

AS_OF = dt.date(2031, 3, 31)
DEPOTS = ("East", "North", "South")
YEARS, CHECK_DAYS = 4.0, 84


def readings(
    seed: int,
    *,
    step_mm: float = 0.0,
    at: tuple[str, ...] = ("South",),
    winter: float = 0.0,
    days_ago: float = 300.0,
    faster: float = 1.0,
    season_mm: float = 0.0,
    bend: float = 0.0,
    unwritten: float = 0.0,
    units: int = 25,
) -> pl.DataFrame:
    """Four linings a unit, new every 1.5 years; ``step_mm`` is added ``at`` some, ``faster`` wear
    is everybody's, since so many days ago; in winter, the third before as-of, one of two duties
    wears ``winter`` times faster besides; ``bend``: how much faster a lining wears after 10 mm than
    when new; some are replaced without a word."""
    rng, rows = np.random.default_rng(seed), []
    for u in range(units * len(DEPOTS)):
        depot = DEPOTS[u % len(DEPOTS)]
        a_day = 250.0 * np.exp(rng.normal(0.0, 0.2))
        days = np.arange(-round(YEARS * 365) + int(rng.integers(0, CHECK_DAYS)), 0, CHECK_DAYS)
        for end in range(4):
            rate = 0.5e-4 * np.exp(rng.normal(0.0, 0.15))
            new, life = -round(YEARS * 365) - float(rng.uniform(0, 500)), 0
            for day in days:
                if day - new > 550:
                    new, life = day - 1.0, life + (rng.random() >= unwritten)
                late = np.clip(day + days_ago, 0.0, day - new)
                worn = rate * a_day * (day - new - late + faster * late)
                worn *= 1.0 + bend * worn / 10.0
                mm = 18.0 - worn + rng.normal(0.0, 0.35)
                mm += step_mm * (depot in at and day >= -days_ago)
                mm -= winter * (u % 2 == 0) * rate * a_day * _winter_days(new, day)
                mm += season_mm * np.sin(2.0 * np.pi * day / 365.25)
                on = AS_OF + dt.timedelta(days=int(day))
                km = 1e5 + a_day * (day + YEARS * 365)
                life_id, duty = f"U{u}/{end}#{life}", ("town", "road")[u % 2]
                rows.append((depot, f"U{u}", life_id, duty, on, km, round(mm, 1)))
    names = ["depot", "unit_id", "life_id", "duty", "inspected_on", "km", "lining_mm"]
    return pl.DataFrame(rows, schema=names, orient="row")


def _winter_days(first: float, last: float) -> float:
    days = np.arange(np.ceil(first), last)
    return float((days % 365 >= 244).sum())


@pytest.mark.parametrize("step_mm", [1.0, -0.8])
@pytest.mark.parametrize("days_ago", [200.0, 300.0, 600.0])
def test_another_gauge_at_a_depot_is_found_with_its_month_and_size(step_mm, days_ago):
    (found,) = gauge_steps(readings(1, step_mm=step_mm, days_ago=days_ago), AS_OF)
    assert found.depot == "South"
    assert abs((AS_OF - found.since_on).days - days_ago) <= 45
    se = (found.ci_high - found.ci_low) / 3.92
    assert abs(found.step_mm - step_mm) < 3.0 * se + 0.1
    assert se < 0.12
    assert found.units == 25


@pytest.mark.parametrize(
    ("why", "made"),
    [
        ("nothing changed", {}),
        ("a season of readings", {"season_mm": 0.4}),
        ("all linings wear a third faster", {"faster": 1.33}),
        ("all linings wear a third faster since lately", {"faster": 1.33, "days_ago": 150.0}),
        ("a step that hands differ by", {"step_mm": 0.2}),
        ("linings that wear faster and faster", {"bend": 0.6}),
        ("linings that were replaced without a word", {"unwritten": 0.3}),
        ("few units", {"step_mm": 1.0, "units": 5}),
        ("salt in winter, where one duty is driven", {"winter": 2.0}),
    ],
)  # fmt: skip
def test_what_is_no_gauge_is_not_told(why, made):
    for seed in range(5):
        assert gauge_steps(readings(seed, **made), AS_OF) == (), why


@pytest.mark.parametrize("seed", range(3))
def test_gauges_of_all_depots_are_found_at_each(seed):
    """New gauges everywhere at once: a depot's own step may be told less clearly than all."""
    found = gauge_steps(readings(seed, step_mm=1.2, at=DEPOTS, days_ago=241.0, units=12), AS_OF)
    assert [step.depot for step in found] == list(DEPOTS)
    for step in found:
        assert abs((AS_OF - step.since_on).days - 241) <= 20
        assert step.step_mm == pytest.approx(1.2, abs=0.35)


def test_without_readings_there_is_none():
    assert gauge_steps(readings(1).clear(), AS_OF) == ()


def test_readings_without_a_depot_are_told_so():
    frame = readings(2, step_mm=1.2).filter(pl.col("depot") == "South")
    (found,) = gauge_steps(frame.with_columns(depot=pl.lit(None, pl.String)), AS_OF)
    (said,) = gauges_said(gauge_step_frame([found]), Measures(Fleet()))
    assert "where there is no depot" in plain(said)


def test_a_thicker_gauge_is_told_as_what_may_hurt():
    step = GaugeStep("South", dt.date(2030, 6, 4), 0.97, 0.8, 1.14, 120, 28)
    thick, thin = (
        plain(gauges_said(gauge_step_frame([each]), Measures(Fleet()))[0])
        for each in (step, GaugeStep("South", step.since_on, -0.97, -1.14, -0.8, 120, 28))
    )
    assert thick.startswith("Lining readings at South are 0.97 mm (0.80–1.14) thicker since about")
    assert thick.endswith(
        "those of since are wrong, linings there are thinner than told by as much: the early dates "
        "at the minimum allow for that."
    )
    assert thin.startswith("Lining readings at South are 0.97 mm (0.80–1.14) thinner since about")
    assert gauges_said(None, Measures(Fleet())) == ()
