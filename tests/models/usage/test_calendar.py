"""Visits on fixed days against visits counted from one to the next, and what a late one tells."""

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest
from statsmodels.tsa.innovations.arma_innovations import arma_innovations

from models.usage.drawn.calendar import KEEPS, Calendar, calendar_kept, visits_due
from models.usage.drawn.visits import drawn_visits
from models.usage.fit import UsageFit, fit_usage
from models.usage.intervals import UsageIntervals

EVERY, SCATTER = 84.0, 6.0
AS_OF = dt.date(2031, 3, 31)


def table_of(length: np.ndarray, to_visit: np.ndarray | None = None) -> UsageIntervals:
    """Of intervals so long, in usual ones (U, T); NaN: there is none."""
    there, days = np.isfinite(length), np.nan_to_num(length) * EVERY
    ends = days.cumsum(axis=1) - days.sum(axis=1, keepdims=True)
    return UsageIntervals(
        days=days,
        km=200.0 * days,
        middle_day=ends - days / 2.0,
        group=np.zeros(days.shape, np.int64),
        is_there=there,
        one_duty=there,
        to_visit=there if to_visit is None else to_visit,
        thinnest_mm=np.full(days.shape, np.nan),
    )


def kept(length: np.ndarray) -> tuple[Calendar, np.ndarray]:
    return calendar_kept(table_of(length), np.nan_to_num(length))


def lengths(keeps: float, seed: int, units: int = 60, visits: int = 16) -> np.ndarray:
    """Intervals of a moving average."""
    late = np.random.default_rng(seed).normal(0.0, SCATTER / EVERY, (units, visits + 1))
    return np.asarray(1.0 + late[:, 1:] - keeps * late[:, :-1])


@pytest.mark.parametrize(("keeps", "least", "most"), [(1.0, 0.85, 0.95), (0.5, 0.35, 0.65)])
def test_how_far_visits_keep_to_a_calendar_is_found(keeps, least, most):
    for seed in range(5):
        assert least <= kept(lengths(keeps, seed))[0].keeps <= most


def test_visits_counted_from_one_to_the_next_keep_none():
    found = [kept(lengths(0.0, seed))[0].keeps for seed in range(200)]
    assert np.count_nonzero(found) <= 4


def test_innovations_are_those_of_another_implementation():
    """statsmodels, by Brockwell and Davis' algorithm, on one unit's intervals."""
    length = lengths(0.9, 3, units=1, visits=60)
    calendar, surprise = kept(length)
    off = length[0] - length.mean()
    theirs, mse = arma_innovations(off, ma_params=[-calendar.keeps])
    assert calendar.keeps in KEEPS
    assert calendar.keeps > 0.0
    assert surprise[0] == pytest.approx(theirs / np.sqrt(mse), rel=1e-9)
    sigma2 = np.mean(theirs**2 / mse)
    assert calendar.late[0] == pytest.approx(theirs[-1] / mse[-1], rel=1e-9)
    assert calendar.late_variance[0] == pytest.approx(sigma2 * (1 - 1 / mse[-1]), rel=1e-9)


def test_the_chosen_calendar_is_the_likeliest():
    """Against statsmodels' likelihood, units one by one."""
    length = lengths(0.6, 5, units=12, visits=20)
    off = length - length.mean()

    def deviance(keeps: float) -> float:
        each = [arma_innovations(row, ma_params=[-keeps]) for row in off]
        squares = np.mean([i**2 / v for i, v in each])
        return off.size * np.log(squares) + np.log([v for _, v in each]).sum()

    best = min(KEEPS, key=deviance)
    assert kept(length)[0].keeps == pytest.approx(best)


def test_a_missed_visit_leaves_the_calendar_and_what_is_none_ends_it():
    length = lengths(1.0, 7, units=80)
    length[0, -2:] = 2.0, 1.0  # one missed, then in time
    length[1, -2:] = 1.2, 0.3  # a visit between two that were due
    length[2, -2:] = 1.2, 6.0
    length[3, :] = np.nan
    calendar, surprise = kept(length)
    assert np.isfinite(surprise[0]).all()
    assert np.isnan(surprise[1:3, -1]).all()
    assert calendar.late[1:4].tolist() == [0.0, 0.0, 0.0]
    assert calendar.late_variance[1:4] == pytest.approx((SCATTER / EVERY) ** 2, rel=0.2)
    assert calendar.late_variance[0] < 0.3 * calendar.late_variance[1]


def test_an_interval_that_is_not_over_changes_nothing():
    length = lengths(1.0, 9)
    open_too = np.concatenate([length, np.full((60, 1), 0.4)], axis=1)
    to_visit = np.ones(open_too.shape, bool)
    to_visit[:, -1] = False
    found, _ = calendar_kept(table_of(open_too, to_visit), open_too)
    assert found.late == pytest.approx(kept(length)[0].late)


def test_nothing_is_known_of_units_that_are_forgotten():
    calendar = kept(lengths(1.0, 11))[0]
    some = np.arange(60) < 10
    found = calendar.forgotten(some)
    assert not found.late[:10].any()
    assert (found.late_variance[:10] >= calendar.late_variance[:10]).all()
    assert found.late[10:] == pytest.approx(calendar.late[10:])


def test_few_intervals_teach_nothing():
    assert kept(lengths(1.0, 1, units=3, visits=4))[0].keeps == 0.25
    assert kept(np.zeros((0, 0)))[0].keeps == 0.25


def test_lengths_go_back_to_what_they_were():
    calendar = kept(lengths(1.0, 13))[0]
    length = np.array([0.3, 0.8, 1.0, 1.3, 1.9, 2.2, 6.0])
    assert visits_due(length).tolist() == [0, 1, 1, 1, 2, 2, 0]
    steady = calendar.steadied(length)
    assert calendar.unsteadied(steady) == pytest.approx(length)
    assert np.ptp(steady[1:4]) < 0.75 * np.ptp(length[1:4])


def fleet(seed: int, units: int = 60) -> tuple[UsageFit, np.ndarray]:
    """Use of units visited on fixed days, give or take, and the day each is visited next."""
    rng = np.random.default_rng(seed)
    phase = rng.uniform(0.0, EVERY, (units, 1)) - EVERY * 14
    day = np.round(phase + EVERY * np.arange(16) + rng.normal(0.0, SCATTER, (units, 16)))
    rows = []
    for u, own in enumerate(day):
        past = own[own <= 0]
        for first, last in itertools.pairwise(past):
            since = AS_OF + dt.timedelta(days=int(first))
            rows.append((f"U{u:03d}", "North", "line", since, int(last - first), 200.0 * 84))
    names = ["unit_id", "depot", "duty", "from_on", "days", "km"]
    intervals = pl.DataFrame(rows, names, orient="row").with_columns(
        to_visit=pl.lit(value=True), one_duty=pl.lit(value=True)
    )
    last = (pl.col("from_on") + pl.duration(days="days")).max()
    seen = intervals.group_by("unit_id", "depot", "duty").agg(seen_on=last).sort("unit_id")
    use = fit_usage(seen.with_columns(visit_on="seen_on"), intervals, AS_OF)
    return use, np.array([own[own > 0].min() for own in day])


def test_the_next_visit_is_told_from_the_calendar():
    """Surely enough, and closer than by intervals alone, which the last visit's lateness is in."""
    inside, width = [], []
    for seed in range(6):
        use, came = fleet(seed)
        assert use.interval_distribution.calendar.keeps > 0.8
        day = drawn_visits(use, 90.0, 400, np.random.default_rng(seed)).day[0]
        # Of units that are due and not seen yet, all that is left of the band is ahead.
        ahead = use.age < 0.8
        low, high = np.quantile(day[:, ahead], [0.1, 0.9], axis=0)
        inside.append(np.mean((low - 0.5 <= came[ahead]) & (came[ahead] <= high + 0.5)))
        width.append(np.mean(high - low))
    assert 0.76 < np.mean(inside) < 0.9
    # 2.56 standard deviations of 6 days, and a little for what is not known of the last visit;
    # intervals alone have 2.56 of 8.5 days.
    assert 15.0 < np.mean(width) < 18.5
