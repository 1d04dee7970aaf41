"""Dates in closed form against brute force, other code, and degenerate fleets."""

import dataclasses
import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.common.units import KM_PER_UNIT
from models.relines.budget import budget_months
from models.relines.fleet import fleet_from_tables
from models.relines.forecast.from_wear import reading_sd_of, unit_slopes, wheel_end_lines
from models.relines.forecast.lines import line_moments, new_lining_moments
from models.relines.forecast.minimum import (
    LONGEST_DAYS,
    chance_below,
    dates_after,
    forecast_words,
    lining_ahead,
    minimum_forecast,
    minimum_frame,
)
from models.relines.forecast.relining import (
    chance_done_unwritten,
    chance_pending,
    reline_forecast,
    reline_frame,
)
from models.relines.policy.fit import RelineTiming, mean_policy
from models.relines.policy.likelihood import SHAPE
from models.relines.simulation.counts import Calendar
from models.relines.simulation.draws import Luck, draw_fleet
from models.relines.simulation.simulate import FleetModel, simulate_relines
from models.usage.course.factor import use_course
from models.usage.fit import UsageFit, fit_usage
from models.usage.year.closed import ClosedSeason
from models.usage.year.closings import Closings
from models.wear.fit import fit_wear
from models.wear.predict import lining_lines
from models.wear.sums import lining_life_sums, off_own_lines
from tests.oracles.wear_crossing import km_to_minimum
from tests.reline_world import (
    DUTIES,
    NO_EVENTS,
    ORIGIN,
    World,
    decision_rows,
    known_fleet,
    life_rows,
    lived,
    units_frame,
    usage_rows,
    wheel_end_rows,
)


@pytest.fixture(scope="module")
def fleet() -> FleetModel:
    return known_fleet(lived(World(units=40, years_after=0.5), 1))


def test_km_to_the_minimum_are_those_of_the_wear_model(fleet):
    """The same question asked of the wear fit's own code, which solves a quadratic."""
    history = lived(World(units=40, years_after=0.5), 1)
    sums = lining_life_sums(*life_rows(history))
    lines = lining_lines(fit_wear(sums), sums)
    now = wheel_end_rows(history)
    place = pl.DataFrame({"life_id": lines.life_id}).with_row_index("place")
    found = now.join(place, on="life_id", how="left", maintain_order="left")
    read = found.filter(pl.col("place").is_not_null())
    at = read["place"].to_numpy()
    duty = np.array([DUTIES.index(d) for d in read["duty"]])
    share = np.zeros((2, lines.n_lives))
    share[duty, at] = 1.0
    theirs = km_to_minimum(lines, 7.0, share)[:, at]
    ahead = read["seen_km"].to_numpy() - read["line_km"].to_numpy()
    rows = found["place"].is_not_null().to_numpy()
    ours = minimum_forecast(fleet.lines, np.full(len(fleet.ends), 7.0), fleet.usage).km[:, rows]
    # A few linings were read so low last that they are held to that, not to their line.
    unheld = wheel_end_lines(fit_wear(sums), sums, now, fleet.usage).now_mm == fleet.lines.now_mm
    assert 0.98 < unheld.mean() < 1.0
    alike = np.isfinite(theirs) & (theirs > ahead) & unheld[rows]
    assert alike.mean() > 0.9
    # Ours is found by halving to 0.6 km.
    assert ours[alike] == pytest.approx((theirs - ahead)[alike], abs=2.0)


def test_draws_have_the_moments_of_the_lines(fleet):
    draw = draw_fleet(fleet.lines, fleet.usage, fleet.policy, Luck(np.random.default_rng(1), 4_000))
    now, rate = draw.now_mm.reshape(4_000, -1), draw.rate.reshape(4_000, -1)
    moments = line_moments(fleet.lines)
    # 4000 draws: SDs are known to 1.1 %, correlations to 0.016.
    assert now.std(axis=0) == pytest.approx(np.sqrt(moments.var_now), rel=0.05)
    assert rate.std(axis=0) == pytest.approx(np.sqrt(moments.var_rate), rel=0.05)
    together = ((now - now.mean(axis=0)) * (rate - rate.mean(axis=0))).mean(axis=0)
    scale = np.sqrt(moments.var_now * moments.var_rate)
    assert together / scale == pytest.approx(moments.cov / scale, abs=0.07)
    fresh = new_lining_moments(fleet.lines)
    coming = draw.unit_rate + draw.life_rate[0]
    assert draw.start_mm[0].reshape(4_000, -1).std(axis=0) == pytest.approx(
        np.sqrt(fresh.var_now), rel=0.05
    )
    assert coming.reshape(4_000, -1).std(axis=0) == pytest.approx(np.sqrt(fresh.var_rate), rel=0.05)


def test_wheel_ends_of_a_unit_are_drawn_together_and_others_nearly_apart(fleet):
    draw = draw_fleet(fleet.lines, fleet.usage, fleet.policy, Luck(np.random.default_rng(2), 4_000))
    coming = draw.unit_rate.reshape(4_000, -1)
    same = np.corrcoef(coming[:, 0], coming[:, 1])[0, 1]
    lines = fleet.lines
    alike = (lines.rate_column == lines.rate_column[0]) & (lines.unit != lines.unit[0])
    other = np.corrcoef(coming[:, 0], coming[:, alike].T)[0, 1:]
    assert same > 0.9
    # The rate of their axle type and duty is uncertain for all of them alike.
    assert 0.02 < other.mean() < 0.6


def brute_minimum_days(fleet: FleetModel, draws: int, seed: int) -> np.ndarray:
    """Days to the minimum by simulation: drawn lines, and km day by day from the deck."""
    rng = np.random.default_rng(seed)
    draw = draw_fleet(fleet.lines, fleet.usage, fleet.policy, Luck(rng, draws))
    n_units, size = len(fleet.usage), len(fleet.ends)
    unit = (np.arange(draws)[:, None] * n_units + fleet.lines.unit).ravel()
    need = (draw.now_mm - np.tile(fleet.ends.minimum_mm, draws)) / np.maximum(draw.rate, 1e-9)
    day, km = np.zeros(draws * n_units), np.zeros(draws * n_units)
    level, days = draw.log_level.copy(), np.full(draws * size, np.inf)
    sample, q = fleet.usage.interval_distribution.after_road, fleet.usage.variances.drift_per_day
    since = np.tile(fleet.usage.since_seen, draws)
    for _ in range(80):
        card = rng.integers(0, len(sample), len(day))
        leg = sample.length[card] * np.tile(fleet.usage.usual_days, draws)
        step = rng.standard_normal(len(day)) * np.sqrt(q * leg)
        ran = np.exp(level + step / 2) * sample.use[card] * leg / KM_PER_UNIT
        reaches = np.isinf(days) & (km[unit] + ran[unit] >= need)
        share = (need - km[unit]) / np.maximum(ran[unit], 1e-12)
        days[reaches] = (day[unit] + share * leg[unit])[reaches]
        day, km, level = day + leg, km + ran, level + step
    return np.maximum(days.reshape(draws, size) - since.reshape(draws, -1)[:, fleet.lines.unit], 0)


def test_dates_at_the_minimum_agree_with_brute_force(fleet):
    # The cards hold no months off the road; the closed form's prior for them is taken out.
    interval_distribution = dataclasses.replace(fleet.usage.interval_distribution, leaving=1e-9)
    fleet = dataclasses.replace(
        fleet, usage=dataclasses.replace(fleet.usage, interval_distribution=interval_distribution)
    )
    days = brute_minimum_days(fleet, 1_500, 3)
    forecast = minimum_forecast(fleet.lines, fleet.ends.minimum_mm, fleet.usage).days
    width = forecast[2] - forecast[0]
    middle = np.isfinite(forecast).all(axis=0) & (forecast[0] > 30) & (forecast[2] < 3_000)
    assert middle.sum() > 100
    for k, q in enumerate((0.1, 0.5, 0.9)):
        off = (np.quantile(days, q, axis=0, method="lower") - forecast[k])[middle] / width[middle]
        # A quantile of 1500 draws is known to 2 % of that width, errors shared by the wheel ends;
        # the lognormal for km costs less than another 1 %.
        assert np.abs(np.median(off)) < 0.02
        assert np.quantile(np.abs(off), 0.9) < 0.06


def test_a_lining_at_its_minimum_is_due_today_and_one_that_does_not_wear_never(fleet):
    lines = fleet.lines
    low = dataclasses.replace(lines, now_mm=np.where(np.arange(len(lines)) == 0, 5.0, lines.now_mm))
    still = np.zeros(len(lines))
    flat = dataclasses.replace(
        low, rate=np.where(np.arange(len(lines)) == 1, -0.3, lines.rate), cov_now_rate=still
    )
    forecast = minimum_forecast(flat, fleet.ends.minimum_mm, fleet.usage)
    assert forecast.days[:, 0].tolist() == [0.0, 0.0, 0.0]
    assert np.isinf(forecast.days[:, 1]).all()
    assert forecast.word[:2] == ("", "not_in_30_years")
    frame = minimum_frame(fleet.ends.wheel_end_id, np.zeros(len(lines)), forecast, ORIGIN)
    assert frame["min_on_p50"][0] == ORIGIN
    assert frame["min_on_p50"][1] is None
    assert "30 years" in frame["min_word"][1]


def test_units_that_stand_still_or_have_no_line_have_a_word_for_a_date(fleet):
    usage = dataclasses.replace(
        fleet.usage, stands_still=fleet.usage.stands_still | (np.arange(len(fleet.usage)) == 0)
    )
    known = fleet.lines.is_known.copy()
    known[-1] = False
    lines = dataclasses.replace(fleet.lines, is_known=known)
    words = forecast_words(lines, usage)
    assert set(words[lines.unit == 0]) == {"stands_still"}
    assert words[-1] == "no_lining"
    forecast = reline_forecast(lines, fleet.ends, usage, fleet.policy)
    assert np.isinf(forecast.days[:, [0, -1]]).all()
    frame = reline_frame(fleet.ends.wheel_end_id, forecast, ORIGIN)
    assert frame["reline_on_p10"][0] is None
    assert "not moved" in frame["reline_word"][0]


def test_quantiles_are_in_order_and_the_visit_lies_among_them(fleet):
    forecast = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy)
    days = forecast.days
    assert (np.diff(days, axis=0)[np.isfinite(days[1:])] >= 0).all()
    near = np.abs(forecast.visit_days - days[1])
    assert (near[np.isfinite(near)] <= 42).all()


def young_change(fleet: FleetModel) -> FleetModel:
    """The same fleet, of which all units run a third since fifty days."""
    course = use_course((-50.0, 1.0 / 3.0))
    return dataclasses.replace(fleet, usage=dataclasses.replace(fleet.usage, course=course))


def with_use_that_lasts(usage: UsageFit) -> UsageFit:
    """The same, were it known that no former use comes back."""
    lasting = dataclasses.replace(usage.course, former=1.0, p_returns=0.0)
    return dataclasses.replace(usage, course=lasting)


def test_early_dates_are_of_the_faster_use_where_a_former_one_may_return(fleet):
    young = young_change(fleet)
    usage, returns = young.usage, young.usage.course.p_returns
    assert 0.5 < returns < 0.8
    lasts = with_use_that_lasts(usage)

    def days(use):
        worn = minimum_forecast(fleet.lines, fleet.ends.minimum_mm, use).days
        return worn, reline_forecast(fleet.lines, fleet.ends, use, fleet.policy).days

    pairs = zip(days(usage), days(lasts), days(usage.if_returned), strict=True)
    for told, slow, fast in pairs:
        known = np.isfinite(slow).all(axis=0)
        assert known.sum() > 20
        told, slow, fast = (each[:, known] for each in (told, slow, fast))
        assert told[0] == pytest.approx(np.minimum(slow[0], fast[0]), abs=1.0)
        assert (fast[0] <= slow[0] + 1.0).all()
        assert (fast[0] < slow[0] - 5.0).any()
        # Quantiles of a mixture lie between those of its parts.
        for which in (1, 2):
            assert (told[which] >= np.minimum(slow[which], fast[which]) - 1.0).all()
            assert (told[which] <= np.maximum(slow[which], fast[which]) + 1.0).all()
        assert (np.diff(told, axis=0) >= -1e-6).all()


def test_totals_take_the_chance_that_a_former_use_returns(fleet):
    young = young_change(fleet)
    usage = young.usage

    def total(use):
        calendar = budget_months(use.as_of, 12).calendar
        of = dataclasses.replace(fleet, usage=use)
        (counts,) = simulate_relines(of, calendar, draws=200, seed=4)
        return counts.span_relines.sum(axis=1).mean()

    lasts = with_use_that_lasts(usage)
    slow, told, fast = total(lasts), total(usage), total(usage.if_returned)
    assert slow < told < fast
    # It returns by the stated chance, some time on: less than that share of the difference.
    share = (told - slow) / (fast - slow)
    assert 0.3 * usage.course.p_returns < share < usage.course.p_returns


def share_relined(fleet: FleetModel, edges: np.ndarray, draws: int = 600) -> np.ndarray:
    """Mean number of wheel ends relined at least once by each day, in simulation."""
    calendar = Calendar(edges, edges)
    (event_counts,) = simulate_relines(fleet, calendar, draws=draws, seed=5)
    return (event_counts.relines.sum(axis=(1, 2)).mean() - event_counts.second.mean(), event_counts)


def test_reline_dates_agree_with_the_simulation(fleet):
    """Both count wheel ends relined at least once by a day; the code has nothing in common."""
    levels = np.linspace(0.02, 0.98, 33)
    days = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy, levels).days
    for day in (120.0, 250.0, 400.0):
        simulated, _ = share_relined(fleet, np.array([day]))
        grid = np.concatenate([[0.0], levels, [1.0]])
        padded = np.vstack([np.zeros(days.shape[1]), days, days[-1] + 200.0])
        closed = sum(np.interp(day, np.minimum(d, 1e9), grid) for d in padded.T)
        # 240 wheel ends; Monte Carlo error of the mean is 0.3, the closed form's own about 2 %.
        assert closed == pytest.approx(simulated, rel=0.05)


def test_no_reline_is_told_of_a_time_in_which_nobody_is_checked(fleet):
    closings = Closings(ClosedSeason(first=60.0, days=120.0))
    usage = dataclasses.replace(fleet.usage, closings=closings)
    levels = np.linspace(0.02, 0.98, 33)
    before, after = (
        reline_forecast(fleet.lines, fleet.ends, each, fleet.policy, levels)
        for each in (fleet.usage, usage)
    )
    into = np.mod(before.days - 60.0, 365.25)
    inside = np.isfinite(before.days) & (into < 120.0)
    assert inside.mean() > 0.1
    assert after.days[inside] == pytest.approx((before.days - into + 120.0)[inside])
    assert (after.days == before.days)[~inside].all()
    assert (np.diff(after.days, axis=0) >= 0.0)[np.isfinite(after.days[1:])].all()


def test_jobs_done_after_their_visit_move_only_their_own_share_of_the_dates(fleet):
    """Three in four are done at the visit, on which the tenth percentile then falls as before; the
    others 30 days later, which the simulation counts in its own way."""
    at_visit, levels = fleet.policy.timing, np.linspace(0.02, 0.98, 33)
    assert at_visit.later_share == 0.0
    timing = RelineTiming(0.25, np.array([30.0, 30.0]))
    late = dataclasses.replace(fleet, policy=dataclasses.replace(fleet.policy, timing=timing))
    before, after = (
        reline_forecast(f.lines, f.ends, f.usage, f.policy, levels).days for f in (fleet, late)
    )
    waiting = chance_pending(fleet.ends, late.policy, fleet.usage.since_visit[fleet.ends.unit])
    some = np.isfinite(before).all(axis=0) & (waiting < 1e-3)
    moved = (after - before)[:, some]
    assert moved.shape[1] > 150
    # A share that nothing is added to for weeks may lie on either side of a level.
    assert (after[1:] - before[:-1])[:, some].min() > -0.01
    assert moved.max() < 30.01
    # Within a point of the grid, 2.6 days; the mean wait is 7.5.
    assert np.median(moved[3]) < 2.7
    padded = np.vstack([np.zeros(after.shape[1]), after, after[-1] + 200.0])
    grid = np.concatenate([[0.0], levels, [1.0]])
    for day in (120.0, 250.0):
        simulated, _ = share_relined(late, np.array([day]))
        closed = sum(np.interp(day, np.minimum(d, 1e9), grid) for d in padded.T)
        assert closed == pytest.approx(simulated, rel=0.05)  # as where nothing waits


def test_a_whole_unit_habit_brings_relines_forward(fleet):
    alone = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy).days[1]
    mean = fleet.policy.mean.copy()
    mean[len(mean) - len(SHAPE) + SHAPE.index("unit")] = 3.0
    together = dataclasses.replace(fleet.policy, mean=mean)
    whole = reline_forecast(fleet.lines, fleet.ends, fleet.usage, together).days[1]
    both = np.isfinite(alone) & np.isfinite(whole)
    assert (whole[both] <= alone[both] + 1e-6).all()
    assert np.median((alone - whole)[both]) > 30


@pytest.fixture(scope="module")
def unlike() -> FleetModel:
    """A fleet of which one depot relines the worn end alone, the other whole units."""
    world = World(units=60, years_after=0.5, pair=(0.05, 0.95), unit_together=(0.0, 0.9))
    return known_fleet(lived(world, 2))


def test_depots_that_reline_along_differently_are_simulated_and_dated_so(unlike):
    """Dates, worked out without a draw, agree with the simulation at each depot."""
    levels = np.linspace(0.02, 0.98, 33)
    days = reline_forecast(unlike.lines, unlike.ends, unlike.usage, unlike.policy, levels).days
    padded = np.vstack([np.zeros(days.shape[1]), days, days[-1] + 200.0])
    grid = np.concatenate([[0.0], levels, [1.0]])
    closed = np.array([np.interp(250.0, np.minimum(d, 1e9), grid) for d in padded.T])
    depot = unlike.ends.policy_group % 2
    simulated, alike = by_depot(unlike), by_depot(with_depots_alike(unlike))
    assert np.bincount(depot, closed) == pytest.approx(simulated, rel=0.08)
    assert simulated[0] < 0.95 * alike[0]
    assert simulated[1] > 1.15 * alike[1]


def by_depot(fleet: FleetModel) -> np.ndarray:
    """Mean number of relines of 250 days, in simulation."""
    _, counts = share_relined(fleet, np.array([250.0]))
    cells, depots = fleet.cells.frame()["depot"].to_numpy(), fleet.policy.groups.depots
    return np.array([counts.relines[:, :, cells == name].sum() for name in depots]) / 600


def with_depots_alike(fleet: FleetModel) -> FleetModel:
    """With what depots add to the logits of going along left out."""
    mean = fleet.policy.mean.copy()
    for _, places in fleet.policy.design.by_group[1:]:
        assert np.abs(mean[places]).max() > 1.0
        mean[places] = 0.0
    return dataclasses.replace(fleet, policy=dataclasses.replace(fleet.policy, mean=mean))


def test_wear_ahead_is_what_was_read(fleet):
    mean, sd = lining_ahead(fleet.lines, fleet.usage, np.zeros(len(fleet.lines)))
    assert (sd > 0).all()
    later, wider = lining_ahead(fleet.lines, fleet.usage, np.full(len(fleet.lines), 365.0))
    assert (later < mean).all()
    assert (wider > sd).mean() > 0.9


def test_chances_follow_from_the_normal_distribution(fleet):
    moments = line_moments(fleet.lines)
    x = (moments.now_mm - 7.0) / moments.rate
    assert chance_below(moments, np.full(len(x), 7.0), x) == pytest.approx(np.full(len(x), 0.5))


def test_one_wheel_end_is_enough():
    history = lived(World(units=1, axles=1, years_after=0.5), 3)
    now = wheel_end_rows(history)[:1]
    usage = fit_usage(units_frame(history), usage_rows(history), ORIGIN)
    sums = lining_life_sums(*life_rows(history))
    fleet = fleet_from_tables(fit_wear(sums), sums, usage, now, decision_rows(history), NO_EVENTS)
    forecast = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy)
    assert not np.isnan(forecast.days).any()
    assert not fleet.ends.has_partner[0]


def test_a_fresh_lining_starts_at_its_reline_and_an_unknown_one_anywhere():
    history = lived(World(units=30, years_after=0.5), 4)
    now = wheel_end_rows(history)
    usage = fit_usage(units_frame(history), usage_rows(history), ORIGIN)
    sums = lining_life_sums(*life_rows(history))
    fit = fit_wear(sums)
    first = pl.int_range(pl.len()) == 0
    second = pl.int_range(pl.len()) == 1
    new = now.with_columns(
        life_id=pl.when(first | second).then(pl.lit("unread")).otherwise("life_id"),
        start_km=pl.when(first).then("seen_km").when(second).then(None).otherwise("start_km"),
    )
    lines = wheel_end_lines(fit, sums, new, usage)
    moments = line_moments(lines)
    assert lines.now_mm[0] == pytest.approx(fit.starts[0].mm)
    assert np.sqrt(moments.var_now[0]) == pytest.approx(fit.components.intercept_sd, rel=0.1)
    assert lines.is_known[:2].tolist() == [True, False]
    assert lines.now_mm[1] == pytest.approx((18 + 7) / 2)
    assert np.sqrt(moments.var_now[1]) == pytest.approx(11 / np.sqrt(12))


def test_days_become_dates_and_none_where_there_is_none():
    found = dates_after(dt.date(2025, 12, 30), np.array([0.4, 2.6, np.inf]))
    assert found.to_list() == [dt.date(2025, 12, 30), dt.date(2026, 1, 2), None]
    assert LONGEST_DAYS > 10_950
    assert budget_months(dt.date(2024, 1, 31), 2).span_ends == (
        dt.date(2024, 2, 29),
        dt.date(2024, 3, 31),
    )


def test_reline_dates_agree_with_the_simulation_where_much_is_missed_and_unread():
    fleet = known_fleet(lived(World(units=40, years_after=0.5, skipped=0.25, unread=0.4), 6))
    assert fleet.policy.read_share == pytest.approx(0.6, abs=0.05)
    levels = np.linspace(0.02, 0.98, 33)
    days = reline_forecast(fleet.lines, fleet.ends, fleet.usage, fleet.policy, levels).days
    grid = np.concatenate([[0.0], levels, [1.0]])
    padded = np.vstack([np.zeros(days.shape[1]), days, days[-1] + 300.0])
    for day in (200.0, 400.0):
        simulated, _ = share_relined(fleet, np.array([day]))
        closed = sum(np.interp(day, np.minimum(d, 1e9), grid) for d in padded.T)
        # The closed form spaces attended visits evenly: about 3 %.
        assert closed == pytest.approx(simulated, rel=0.06)


def test_what_is_no_error_of_reading_is_doubt_about_the_lining():
    history = lived(World(units=20, years_after=0.5), 4)
    now, sums = wheel_end_rows(history), lining_life_sums(*life_rows(history))
    usage, fit = fit_usage(units_frame(history), usage_rows(history), ORIGIN), fit_wear(sums)
    plain = wheel_end_lines(fit, sums, now, usage)
    finer = wheel_end_lines(fit, sums, now, usage, reading_sd_mm=0.3)
    residual = fit.components.residual_sd
    assert (plain.reading_sd, finer.reading_sd) == (pytest.approx(residual), 0.3)
    read = now["above_mm"].is_not_null().to_numpy()
    gained = (finer.var_now - plain.var_now)[read]
    own, df = off_own_lines(sums)
    assert df > 200
    assert own == pytest.approx(residual**2, rel=0.1)  # drawn straight
    assert gained == pytest.approx(np.full(read.sum(), min(own, residual**2) - 0.09))
    # Starts that readings contradict are no straying: the residual of a fit that has them is more.
    assert fit.mixed is not None
    torn = dataclasses.replace(fit, mixed=dataclasses.replace(fit.mixed, sigma2=4 * residual**2))
    beside = wheel_end_lines(torn, sums, now, usage, reading_sd_mm=0.3)
    alone = wheel_end_lines(torn, sums, now, usage, reading_sd_mm=np.sqrt(own))
    assert (beside.var_now - alone.var_now)[read] == pytest.approx(np.full(read.sum(), own - 0.09))
    coarser = wheel_end_lines(fit, sums, now, usage, reading_sd_mm=9.0)
    assert coarser.reading_sd == pytest.approx(residual)
    few, many = (pl.DataFrame({"readings": [n], "reading_sd_mm": [0.5]}) for n in (50, 500))
    assert (reading_sd_of(few), reading_sd_of(many)) == (None, 0.5)


def test_a_units_effect_is_what_the_wear_model_expects_of_its_next_lining():
    """The wear model's own line of a life that was never read is its unit's effect alone."""
    lives, duties, pairs = life_rows(lived(World(units=20, years_after=0.5), 4))
    unread = lives.filter("start_known")["life_id"][0]
    pointed = pl.when(pl.col("life_id") == unread).then(pl.lit("pointer")).otherwise("instrument")
    sums = lining_life_sums(*(t.with_columns(instrument=pointed) for t in (lives, duties, pairs)))
    fit = fit_wear(sums)
    lines = lining_lines(fit, sums)
    at = lines.life_id.to_list().index(unread)
    slopes, unit = unit_slopes(fit, sums), lines.unit[at]
    assert slopes.effect[unit] == pytest.approx(-lines.slope_mm[at], rel=1e-9)
    assert slopes.variance[unit] == pytest.approx(lines.var_unit[at], rel=1e-9)
    assert slopes.gradient[unit] == pytest.approx(-lines.slope_gradient[at], abs=1e-9)


def test_the_other_end_of_an_axle_just_relined_was_probably_relined_too(fleet):
    """Its reline alone is on record: both went together as often as they do (0.94 in this world),
    a quarter of relines being unwritten. Its own is done."""
    ends, policy = fleet.ends, fleet.policy
    policy = dataclasses.replace(
        policy, timing=dataclasses.replace(policy.timing, unwritten_share=0.25)
    )
    high = np.full(len(ends), 9.0)
    none, first = np.zeros(len(ends), bool), np.arange(len(ends)) == 0
    before = chance_done_unwritten(
        dataclasses.replace(ends, above_mm=high, just_relined=none), policy
    )
    after = chance_done_unwritten(
        dataclasses.replace(ends, above_mm=np.where(first, np.nan, high), just_relined=first),
        policy,
    )
    pair = mean_policy(policy).pair[0]
    assert before.max() < 0.01
    assert after[0] == 0.0
    expected = pair * 0.25 / (1.0 - pair * 0.75)
    assert after[ends.partner[0]] == pytest.approx(expected, abs=0.01)


def unwritten_at_the_last_check(fleet: FleetModel, share: float = 0.4) -> FleetModel:
    """The thinnest third of axles read where half are relined; two in five go unwritten."""
    ends, timing = fleet.ends, dataclasses.replace(fleet.policy.timing, unwritten_share=share)
    above = fleet.lines.now_mm - ends.minimum_mm
    thinner = np.minimum(above, above[ends.partner])
    low = thinner <= np.quantile(thinner, 1.0 / 3.0)
    threshold = mean_policy(fleet.policy).threshold_mm[ends.policy_group]
    read = np.where(low, threshold, np.where(np.isfinite(ends.above_mm), above + 3.0, np.nan))
    return dataclasses.replace(
        fleet,
        ends=dataclasses.replace(ends, above_mm=read, just_relined=np.zeros(len(ends), bool)),
        policy=dataclasses.replace(fleet.policy, timing=timing),
    )


def test_reline_dates_agree_with_the_simulation_where_relines_go_unwritten(fleet):
    """Linings that are new already are not due: by dates of those on record alone 39 wheel ends
    would be relined by day 120, not 22."""
    told = unwritten_at_the_last_check(fleet)
    chance = chance_done_unwritten(told.ends, told.policy)
    assert ((chance > 0.4) & (chance < 0.9)).mean() > 0.2
    # Few are due soon: the lowest levels tell of them.
    levels = np.concatenate([[0.002, 0.005, 0.01], np.linspace(0.02, 0.98, 33)])
    days = reline_forecast(told.lines, told.ends, told.usage, told.policy, levels).days
    grid = np.concatenate([[0.0], levels, [1.0]])
    padded = np.vstack([np.zeros(days.shape[1]), days, days[-1] + 200.0])
    for day in (120.0, 250.0, 400.0):
        simulated, _ = share_relined(told, np.array([day]))
        closed = sum(np.interp(day, np.minimum(d, 1e9), grid) for d in padded.T)
        # Monte Carlo error 0.3 wheel ends, the closed form's own about 2 %.
        assert closed == pytest.approx(simulated, rel=0.05, abs=0.6)


def test_a_lining_that_may_be_new_has_later_dates_later_but_no_later_early_one(fleet):
    lines, ends, usage = fleet.lines, fleet.ends, fleet.usage
    levels = np.append(np.linspace(0.5, 0.995, 100), [0.999, 0.9999])
    none, all_new, some = (
        minimum_forecast(lines, ends.minimum_mm, usage, (0.1, *levels), np.full(len(lines), u))
        for u in (0.0, 1.0, 0.3)
    )
    assert some.days[0] == pytest.approx(none.days[0])
    assert all_new.km[0] == pytest.approx(none.km[0])
    # A Gaussian line is at its minimum with an even chance where its mean is.
    new = new_lining_moments(lines)
    even = KM_PER_UNIT * (new.now_mm - ends.minimum_mm) / new.rate
    assert all_new.km[1] == pytest.approx(even, abs=2.0)

    def share_by(days: np.ndarray, quantiles: np.ndarray) -> np.ndarray:
        pairs = zip(days, quantiles.T, strict=True)
        return np.array([np.interp(day, own, levels, 0.0, 1.0) for day, own in pairs])

    # Of each, a late date of the mixture is where both together are that likely.
    late = some.days[1 + 80]
    mixed = 0.7 * share_by(late, none.days[1:]) + 0.3 * share_by(late, all_new.days[1:])
    told = np.isfinite(late) & (late > none.days[-1]) & (late > all_new.days[1])
    assert told.sum() > 100
    # Days are read between points 9 % apart, along a curve drawn for one lining, not two.
    assert mixed[told] == pytest.approx(np.full(told.sum(), levels[80]), abs=0.01)


def test_dates_stay_in_order_where_a_new_lining_would_be_worn_sooner(fleet):
    """Thick linings that wear at a third of the rate of others, renewed for all that is known."""
    slow = dataclasses.replace(
        fleet.lines, now_mm=fleet.lines.new_mm - 1.0, rate=fleet.lines.rate / 3.0
    )
    found = minimum_forecast(
        slow, fleet.ends.minimum_mm, fleet.usage, renewed=np.full(len(slow), 0.95)
    )
    for quantiles in (found.days, found.km):
        known = np.isfinite(quantiles[0])
        assert (quantiles[0] == quantiles[1])[known].any()
        assert (np.diff(quantiles[:, known], axis=0) >= 0.0).all()
