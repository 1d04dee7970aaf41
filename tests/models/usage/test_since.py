"""A fall or rise of all units' use: found in drawn fleets, with its month and error."""

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest

from models.usage.course.change import use_change
from models.usage.fit import fit_usage
from models.usage.since import last_seen, log_units_missed
from tests.models.usage.test_closed import fitted, intervals

AS_OF = dt.date(2025, 6, 30)
YEAR = 365


def run(
    units: int = 40,
    years: float = 4.0,
    *,
    factor=lambda day, unit: 1.0,
    season: float = 0.0,
    seed: int = 1,
) -> pl.DataFrame:
    """Rows of ``reduce.unit_usage``: checks every 84 days, units that drift and differ."""
    rng = np.random.default_rng(seed)
    days = np.arange(-round(years * YEAR), 0)
    rows = []
    for u in range(units):
        drift = np.repeat(np.cumsum(rng.normal(0.0, 0.05, len(days) // 28 + 1)), 28)[: len(days)]
        own = 250.0 * np.exp(rng.normal(0.0, 0.2) + drift + rng.normal(0.0, 0.2, len(days)))
        swing = 1.0 + season * np.sin(2.0 * np.pi * days / 365.25)
        km = own * swing * np.array([factor(day, u) for day in days])
        at = np.arange(len(days) - 1 - 84 * u // units, 0, -84)[::-1]
        for a, b in itertools.pairwise(at):
            on = AS_OF + dt.timedelta(days=int(days[a]))
            rows.append((f"U{u:02d}", "haul", True, on, int(b - a), float(km[a:b].sum())))
    names = ["unit_id", "duty", "one_duty", "from_on", "days", "km"]
    return pl.DataFrame(rows, schema=names, orient="row")


@pytest.mark.parametrize("since", [120, 365, 900])
@pytest.mark.parametrize("ratio", [0.67, 1.4])
def test_use_that_fell_or_rose_is_found_with_its_day_and_size(since, ratio):
    found = use_change(run(factor=lambda d, u: ratio if d > -since else 1.0, season=0.3), AS_OF)
    assert found is not None
    assert abs((AS_OF - found.since_on).days - since) <= 60
    # Limits of 95 %: six draws lie within twice as wide ones.
    se = np.log(found.ci_high / found.ci_low) / 3.92
    assert abs(np.log(found.ratio / ratio)) < 4.0 * se
    # Of a unit that has had one check since, most of the last interval may lie before.
    assert found.units == 40 if since > 200 else 20 <= found.units < 40
    assert found.units_same >= 0.9 * found.units


@pytest.mark.parametrize(
    ("why", "made"),
    [
        ("nothing changed", lambda: run()),
        ("a season", lambda: run(season=0.5)),
        ("a season of three months", lambda: run(factor=lambda d, u: 3.0 if d % YEAR < 90 else 1)),
        ("two winters on record", lambda: run(years=1.9, factor=lambda d, u: 0.7 + (d < -200))),
        ("it fell and came back", lambda: run(factor=lambda d, u: 0.5 if -500 < d < -380 else 1)),
        ("a third of units fell", lambda: run(factor=lambda d, u: 0.3 if d > -YEAR > -u else 1)),
        ("a twentieth less", lambda: run(factor=lambda d, u: 0.95 if d > -365 else 1)),
        ("few units", lambda: run(units=6, factor=lambda d, u: 0.6 if d > -365 else 1)),
        ("no record", lambda: run().clear()),
    ],
)  # fmt: skip
def test_of_use_that_is_as_ever_or_not_known_nothing_is_told(why, made):
    assert use_change(made(), AS_OF) is None, why


def test_a_change_of_duty_is_none_of_use():
    """Units that went over to a duty of a third of the km are compared within duties."""
    rows = run()
    late = pl.col("from_on") > AS_OF - dt.timedelta(days=YEAR)
    moved = late & (pl.col("unit_id").str.tail(1).cast(pl.Int64) < 9)
    changed = rows.with_columns(
        duty=pl.when(moved).then(pl.lit("city")).otherwise("duty"),
        km=pl.when(moved).then(pl.col("km") / 3.0).otherwise("km"),
    )
    assert use_change(changed, AS_OF) is None
    same = changed.with_columns(duty=pl.lit("haul"))
    assert use_change(same, AS_OF) is not None


def test_units_that_left_at_once_were_not_forecast_to():
    """By hand: of forty units twenty were last seen on day 100; each is seen every 84 days, so that
    they were there until day 142 in the mean, and are gone since."""
    use = fitted(intervals(closed=False))
    day = [use.as_of + dt.timedelta(days=100 if n < 20 else 400) for n in range(40)]
    seen = pl.DataFrame(
        {
            "unit_id": use.unit_ids,
            "seen_on": day,
            "present": [0.0] * 20 + [1.0] * 20,
        }
    )
    missed = log_units_missed(use, seen, np.array([0.5, 91.5, 182.5, 273.5]))
    middle = np.array([46.0, 137.0, 228.0])
    stays = np.exp(-use.interval_distribution.leave.per_day * middle)
    expected = use.present.sum() * stays
    assert missed == pytest.approx(
        np.log(np.array([40.5, 40.5, 20.5]) / (expected + 0.5)), rel=1e-9
    )
    now = last_seen(use)
    assert now["unit_id"].to_list() == list(use.unit_ids)
    assert (now["seen_on"] <= use.as_of).all()


@pytest.mark.parametrize("ratio", [0.6, 1.5])
def test_forecasts_start_from_what_units_run_since_a_change(ratio):
    """Five months after it, with one or two checks since, all units' level is that of today."""
    rows = run(factor=lambda d, u: ratio if d > -150 else 1.0).with_columns(
        depot=pl.lit("North"), to_visit=pl.lit(value=True)
    )
    before = run().with_columns(depot=pl.lit("North"), to_visit=pl.lit(value=True))
    last = (pl.col("from_on") + pl.duration(days="days")).max()
    seen = rows.group_by("unit_id", "depot", "duty").agg(seen_on=last).sort("unit_id")
    units = seen.with_columns(visit_on="seen_on")
    now, always = (fit_usage(units, each, AS_OF) for each in (rows, before))
    assert np.median(now.log_level - always.log_level) == pytest.approx(np.log(ratio), abs=0.04)


def test_a_change_is_counted_back_in_quarters_and_forecasts_know_it():
    rows = run(factor=lambda d, u: 0.6 if d > -250 else 1.0)
    found = use_change(rows, AS_OF)
    assert found is not None
    days = (AS_OF - found.since_on).days
    assert found.quarters_ago(AS_OF) == -(-days // 91.3125)
    rows = rows.with_columns(depot=pl.lit("North"), to_visit=pl.lit(value=True))
    last = (pl.col("from_on") + pl.duration(days="days")).max()
    seen = rows.group_by("unit_id", "depot", "duty").agg(seen_on=last).sort("unit_id")
    use = fit_usage(seen.with_columns(visit_on="seen_on"), rows, AS_OF)
    assert use.changed_quarters == found.quarters_ago(AS_OF) == 3
