"""Stretches in which all units ran otherwise: found in drawn fleets, with days, size and end."""

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest

from models.usage.ahead import away_now, km_ahead
from models.usage.course.factor import (
    RETURNS,
    RETURNS_AFTER_DAYS,
    SETTLED_DAYS,
    UseCourse,
    chance_to_return,
    use_course,
)
from models.usage.course.found import UseFound, use_found
from models.usage.course.stretch import UseStretch, use_stretch
from models.usage.course.told import use_frame
from models.usage.drawn.visits import drawn_intervals, drawn_visits
from models.usage.fit import UsageFit, fit_usage
from tests.models.usage.test_since import AS_OF, YEAR, run


def in_stretch(first: float, last: float, ratio: float):
    """Factor on all units' use between two days before as-of."""
    return lambda day, unit: ratio if -first <= day < -last else 1.0


def days_of(found: UseStretch) -> tuple[float, float]:
    return found.days(AS_OF)


@pytest.mark.parametrize(
    ("first", "last", "ratio"),
    [
        *((112, 20, 0.2), (142, 50, 0.2), (142, 50, 0.5)),
        *((first, last, r) for first, last in [(500, 380), (300, 240)] for r in (0.2, 0.5, 1.6)),
    ],
)
def test_a_stretch_that_is_over_is_found_with_both_days_and_its_size(first, last, ratio):
    found = use_stretch(run(factor=in_stretch(first, last, ratio), season=0.2), AS_OF)
    assert found is not None
    assert found.until_on is not None
    # A check every 12 weeks, of 40 units: one about every other day.
    begin, end = days_of(found)
    assert abs(begin + first) <= 21
    assert abs(end + last) <= 21
    # How long and how deep are told apart by the few intervals within; together they are known.
    lost = (1.0 - found.ratio) * (end - begin)
    assert lost == pytest.approx((1.0 - ratio) * (first - last), rel=0.2)
    assert found.ci_low <= found.ratio <= found.ci_high
    assert found.units_same >= 0.8 * found.units


def test_use_of_which_too_little_is_seen_since_is_taken_to_go_on():
    """It was back for twenty days, of which ten units' checks have seen a part."""
    found = use_stretch(run(factor=in_stretch(112, 20, 0.5)), AS_OF)
    assert found is not None
    assert found.until_on is None


@pytest.mark.parametrize(
    ("since", "ratio"), [(56, 0.2), *((since, r) for since in (70, 110) for r in (0.2, 0.5, 1.6))]
)
def test_what_goes_on_has_no_end(since, ratio):
    found = use_stretch(run(factor=in_stretch(since, 0, ratio)), AS_OF)
    assert found is not None
    assert found.until_on is None
    assert abs(days_of(found)[0] + since) <= 21
    # Limits of 95 %, and what two weeks' error of the day makes of it.
    assert found.ci_low - 0.15 < ratio < found.ci_high + 0.15


@pytest.mark.parametrize(
    ("why", "made"),
    [
        ("nothing changed", lambda seed: run(seed=seed)),
        ("a season", lambda seed: run(season=0.6, seed=seed)),
        ("three months of every year",
         lambda seed: run(factor=lambda d, u: 3.0 if d % YEAR < 90 else 1, seed=seed)),
        ("winters", lambda seed: run(factor=lambda d, u: 0.1 if d % YEAR < 120 else 1, seed=seed)),
        ("a third less since a year",
         lambda seed: run(factor=lambda d, u: 0.67 if d > -YEAR else 1, seed=seed)),
        ("a third of units stood",
         lambda seed: run(factor=lambda d, u: 0.1 if -200 < d < -100 and u < 13 else 1, seed=seed)),
        ("pauses of units", lambda seed: run(
            factor=lambda d, u: 0.01 if 0 <= (d + 97 * u) % 1000 < 150 else 1, seed=seed)),
        ("a tenth less", lambda seed: run(factor=in_stretch(140, 50, 0.9), seed=seed)),
        ("few units", lambda seed: run(units=6, factor=in_stretch(140, 50, 0.2), seed=seed)),
        ("two winters on record",
         lambda seed: run(years=1.9, factor=in_stretch(140, 50, 0.2), seed=seed)),
        ("no record", lambda seed: run(seed=seed).clear()),
    ],
)  # fmt: skip
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_stretch_is_told_where_none_was(why, made, seed):
    assert use_stretch(made(seed), AS_OF) is None, why


def test_an_interval_that_ends_before_and_one_of_ten_months_are_as_ever():
    """Nobody was checked for ten months: what was run is spread over them."""
    rows = run()
    hole = (pl.col("from_on") > AS_OF - dt.timedelta(days=800)) & (
        pl.col("from_on") < AS_OF - dt.timedelta(days=500)
    )
    merged = (
        rows.filter(hole)
        .group_by("unit_id", "duty", "one_duty")
        .agg(pl.col("from_on").min(), pl.col("days").sum(), pl.col("km").sum())
    )
    seen = pl.concat([rows.filter(~hole), merged.select(rows.columns)])
    assert use_stretch(seen, AS_OF) is None


def test_a_change_that_lasts_is_found_beside_a_stretch():
    def factor(day: int, unit: int) -> float:
        return (0.7 if day > -600 else 1.0) * (0.2 if -130 <= day < -40 else 1.0)

    found = use_found(run(factor=factor), AS_OF)
    assert found.stretch is not None
    assert found.change is not None
    assert found.stretch.ratio == pytest.approx(0.2, abs=0.05)
    assert found.change.ci_low < 0.7 < found.change.ci_high
    assert abs((AS_OF - found.change.since_on).days - 600) <= 60
    table = use_frame(found, AS_OF)
    assert table["until_on"].is_null().to_list() == [True, False]
    assert table["p_returns"].is_null().all()


def use_of(rows: pl.DataFrame) -> UsageFit:
    rows = rows.with_columns(depot=pl.lit("North"), to_visit=pl.lit(value=True))
    last = (pl.col("from_on") + pl.duration(days="days")).max()
    seen = rows.group_by("unit_id", "depot", "duty").agg(seen_on=last).sort("unit_id")
    return fit_usage(seen.with_columns(visit_on="seen_on"), rows, AS_OF)


def km_now_and_in_a_year(use: UsageFit) -> tuple[np.ndarray, np.ndarray]:
    units = np.arange(len(use))
    now, year = (
        km_ahead(use, away_now(use), units, np.full(len(use), d)).mean_km for d in (0.0, 365.0)
    )
    return now, year - now


@pytest.mark.parametrize(("first", "last"), [(112, 20), (142, 50)])
def test_forecasts_go_by_use_outside_a_stretch_and_linings_by_what_was_run_in_it(first, last):
    off, shares, sums = [], [], []
    for seed in (1, 2, 3, 4):
        always = use_of(run(seed=seed))
        use = use_of(run(factor=in_stretch(first, last, 0.2), seed=seed))
        off.append(np.median(use.log_level - always.log_level))
        (now, ahead), (usual, year) = km_now_and_in_a_year(use), km_now_and_in_a_year(always)
        shares.append(ahead.sum() / year.sum())
        # By hand: of its days since it was seen those in the stretch count a fifth.
        away = use.since_seen
        low = np.clip(np.minimum(away, first) - last, 0.0, None)
        sums.append(now.sum() / (usual * (away - 0.8 * low) / away).sum())
    # Four fleets: one alone knows its stretch's days to a week, some 5 % of what is run in a
    # quarter, and 8 % of what is run in the six weeks since the last check.
    assert np.mean(off) == pytest.approx(0.0, abs=0.05)
    assert np.mean(shares) == pytest.approx(1.0, abs=0.05)
    assert np.mean(sums) == pytest.approx(1.0, abs=0.08)


def test_of_use_that_fell_lately_the_former_may_return():
    use = use_of(run(factor=in_stretch(70, 0, 0.2)))
    assert use.change is not None
    lasted = (AS_OF - use.change.since_on).days
    assert use.course.p_returns == pytest.approx(chance_to_return(lasted))
    stays, back = km_now_and_in_a_year(use), km_now_and_in_a_year(use.if_returned)
    assert back[0] == pytest.approx(stays[0])
    assert back[1].sum() / stays[1].sum() == pytest.approx(1.0 / use.change.ratio, rel=0.02)
    settled = use_of(run(factor=in_stretch(250, 0, 0.2)))
    assert settled.course.p_returns == 0.0
    assert settled.change is not None


def test_the_chance_to_return_falls_with_how_long_it_lasted():
    """By hand, as PRIORS.md has it; beyond half a year it lasts."""
    lasted = np.arange(0.0, SETTLED_DAYS, 10.0)
    chance = [chance_to_return(t) for t in lasted]
    assert chance[0] == pytest.approx(RETURNS)
    assert (np.diff(chance) < 0.0).all()
    odds = RETURNS / (1.0 - RETURNS) * np.exp(-lasted / RETURNS_AFTER_DAYS)
    assert chance == pytest.approx(odds / (1.0 + odds))
    assert chance_to_return(SETTLED_DAYS + 1.0) == 0.0


def test_days_of_a_return_are_drawn_by_its_chance():
    course, rng = use_course((-70.0, 0.25)), np.random.default_rng(3)
    drawn = course.drawn_returns(4_000, rng)
    assert drawn is not None
    comes = np.isfinite(drawn)
    # Drawn evenly: far closer than the binomial's error of 0.008.
    assert comes.mean() == pytest.approx(course.p_returns, abs=0.001)
    assert drawn[comes].mean() == pytest.approx(RETURNS_AFTER_DAYS, rel=0.02)
    state = rng.bit_generator.state
    assert UseCourse().drawn_returns(5, rng) is None
    assert rng.bit_generator.state == state


def test_drawn_fleets_run_more_where_the_former_use_returns():
    use = use_of(run(factor=in_stretch(70, 0, 0.2)))
    rng = np.random.default_rng(1)
    assert drawn_intervals(use, 40, rng).returns is not None
    km = drawn_visits(use, 400.0, 40, rng).km[-1].mean(axis=1)
    # Of forty copies most see it return, and run far more.
    assert km.max() > 2.0 * km.min()


@pytest.mark.parametrize("seed", range(20))
def test_the_mean_of_a_course_is_that_of_its_days(seed):
    rng = np.random.default_rng(seed)
    first, last = np.sort(rng.integers(-200, 0, 2))
    stretches = [(float(first), float(last), float(rng.uniform(0.1, 2.0)))]
    lasting = (float(rng.integers(-300, -1)), float(rng.uniform(0.3, 2.0)))
    course = use_course(lasting, stretches).returned()
    by_day = np.arange(-400, 200)
    factor = np.where((by_day >= first) & (by_day < last), stretches[0][2], 1.0)
    factor = factor * np.where(by_day < lasting[0], 1.0 / lasting[1], 1.0)
    if chance_to_return(-lasting[0]):
        factor = factor * np.where(by_day >= 0, 1.0 / lasting[1], 1.0)
    assert course.mean(by_day + 0.5, by_day + 0.5) == pytest.approx(factor)
    for a, b in itertools.pairwise(np.sort(rng.integers(-400, 200, 8))):
        if b > a:
            found = course.mean(np.array(float(a)), np.array(float(b)))
            assert found == pytest.approx(factor[a + 400 : b + 400].mean())


def test_use_that_was_as_ever_has_no_course():
    found = UseFound()
    assert found.course(AS_OF) == UseCourse()
    assert use_frame(found, AS_OF).is_empty()


def test_units_checked_every_week_tell_of_no_stretch() -> None:
    """Few of their intervals are long enough to tell what is run in a day."""
    for seed in range(6):
        rng, rows = np.random.default_rng(seed), []
        for unit in range(50):
            day = -1200
            while day < -17:
                days = int(rng.choice([7, 8, 14, 15], p=[0.7, 0.298, 0.0015, 0.0005]))
                km = 200.0 * days * np.exp(rng.normal(0.0, 0.2))
                rows.append((f"U{unit}", "line", True, AS_OF + dt.timedelta(day), days, km))
                day += days
        names = ["unit_id", "duty", "one_duty", "from_on", "days", "km"]
        assert use_stretch(pl.DataFrame(rows, names, orient="row"), AS_OF) is None
