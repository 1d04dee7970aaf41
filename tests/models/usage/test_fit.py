"""Use per unit: recovery of known use, shrinkage, recent history, odd units, seasons, km ahead."""

import dataclasses
import datetime as dt

import numpy as np
import polars as pl
import pytest
from scipy import optimize

from models.usage.ahead import away_now, days_run_before_leaving, km_ahead
from models.usage.fit import UsageFit, fit_usage, usage_frame
from models.usage.groups import group_rates
from models.usage.intervals import usage_groups, usage_intervals
from models.usage.level import UsageVariances, usage_levels, usage_variances
from models.usage.since import log_use_missed
from models.usage.year.season import Season
from models.usage.year.seasons import Seasons
from models.usage.year.told import year_frame

AS_OF = dt.date(2025, 6, 30)
COLUMNS = ["unit_id", "depot", "duty", "one_duty", "from_on", "days", "km", "to_visit"]
TYPES = [pl.String] * 3 + [pl.Boolean, pl.Date, pl.Int64, pl.Float64, pl.Boolean]
SCHEMA = dict(zip(COLUMNS, TYPES, strict=True))


def unit_rows(unit, km, days=84, duty="haul", depot="North", one_duty=True):
    """Intervals of one unit that end on the as-of day; ``km`` per interval."""
    km = np.atleast_1d(km)
    start = [AS_OF - dt.timedelta(days=days * int(n)) for n in range(len(km), 0, -1)]
    return [
        (unit, depot, duty, one_duty, s, days, float(k), True)
        for s, k in zip(start, km, strict=True)
    ]


def fitted(rows, duty="haul", seen_on=AS_OF, units=None, **more) -> UsageFit:
    frame = pl.DataFrame(rows, schema=SCHEMA, orient="row")
    names = units or sorted({r[0] for r in rows})
    now = pl.DataFrame(
        {
            "unit_id": names,
            "depot": ["North"] * len(names),
            "duty": [duty] * len(names),
            "seen_on": seen_on if isinstance(seen_on, list) else [seen_on] * len(names),
            "visit_on": seen_on if isinstance(seen_on, list) else [seen_on] * len(names),
        },
        schema_overrides={"seen_on": pl.Date, "visit_on": pl.Date},
    )
    return fit_usage(now, frame, AS_OF, **more)


def fleet_rows(rng, units=80, intervals=14, unit_sd=0.2, noise=0.08, season=0.0, shocks=0.0):
    """A fleet whose log km per day is 200 at the median, with what the arguments say around it."""
    middle = -84 * np.arange(intervals, 0, -1) + 42.0
    shock = rng.normal(0, shocks, intervals)
    year = 2 * np.pi * (middle + AS_OF.timetuple().tm_yday) / 365.25
    wave = np.log1p(season * np.sinc(84 / 365.25) * np.cos(year))
    level = rng.normal(0, unit_sd, units)
    log_use = level[:, None] + wave + shock + rng.normal(0, noise, (units, intervals))
    km = 200 * 84 * np.exp(log_use)
    rows = [r for u in range(units) for r in unit_rows(f"U{u:03d}", km[u])]
    return rows, level, km


def test_variances_and_levels_of_a_simulated_fleet_are_recovered():
    rows, level, _ = fleet_rows(np.random.default_rng(3))
    usage = fitted(rows)
    # 80 units and 1120 intervals: the SDs' own errors are 8 % and 2 %; four of them are allowed.
    assert usage.variances.unit_sd == pytest.approx(0.2, rel=0.32)
    assert np.sqrt(usage.variances.noise_days / 84) == pytest.approx(0.08, rel=0.1)
    error = (usage.log_level - np.log(200) - level) / np.sqrt(usage.level_variance)
    error -= error.mean()  # the fleet's mean is known to 0.2 / sqrt(80) only
    assert np.std(error) == pytest.approx(1.0, abs=0.25)


def test_recent_history_counts_more_where_use_drifts():
    rng = np.random.default_rng(4)
    drift = np.cumsum(rng.normal(0, 0.1, (60, 14)), axis=1)
    km = 200 * 84 * np.exp(drift + rng.normal(0, 0.05, drift.shape))
    usage = fitted([r for u in range(60) for r in unit_rows(f"U{u:03d}", km[u])])
    last, all_time = np.log(km[:, -1] / 84), np.log(km / 84).mean(axis=1)
    near = np.abs(usage.log_level - last).mean()
    assert usage.variances.drift_sd_per_year > 0.1
    assert near < 0.3 * np.abs(usage.log_level - all_time).mean()


def test_a_unit_with_one_interval_leans_on_its_group_and_one_with_none_is_its_group():
    rows, _, _ = fleet_rows(np.random.default_rng(5), units=40)
    rows += unit_rows("Z1", 300 * 84)
    names = [*sorted({r[0] for r in rows}), "Z2"]
    usage = fitted(rows, units=names)
    group = usage.rates.log_km_per_day[usage.group[0]]
    one, none = usage.log_level[-2] - group, usage.log_level[-1] - group
    assert 0.6 < one / (np.log(300) - group) < 0.97
    assert none == 0.0
    assert usage.level_variance[-1] == usage.variances.unit
    assert usage_frame(usage)["intervals"][-2:].to_list() == [1, 0]


def test_a_depot_with_few_units_leans_on_its_duty():
    rng = np.random.default_rng(6)
    rows, _, _ = fleet_rows(rng, units=40)
    for u in range(20):
        rows += unit_rows(f"S{u}", 100 * 84 * np.exp(rng.normal(0, 0.08, 10)), depot="South")
    rows += unit_rows("T1", 50 * 84 * np.ones(10), depot="Third")
    frame = pl.DataFrame(rows, schema=SCHEMA, orient="row")
    units = frame.select("unit_id", "depot", "duty").unique()
    groups = usage_groups(units, frame)
    rates = group_rates(usage_intervals(units, frame, groups, AS_OF), groups)
    north, south, third = np.exp(rates.log_km_per_day)
    assert north == pytest.approx(200, rel=0.1)
    assert south == pytest.approx(100, rel=0.1)
    assert 50 < third < 80  # its own unit says 50, its duty about 150


def test_a_unit_that_changes_duty_takes_its_own_factor_along():
    rng = np.random.default_rng(7)
    rows, _, _ = fleet_rows(rng, units=40)
    for u in range(40):
        rows += unit_rows(f"L{u:02d}", 80 * 84 * np.exp(rng.normal(0, 0.1, 14)), duty="local")
    rows += unit_rows("Z", 300 * 84 * np.ones(14))
    usage = fitted(rows, duty="local")
    z = usage.unit_ids.index("Z")
    # 1.5 times its group of then, at the use of its group of now.
    assert np.exp(usage.log_level[z]) == pytest.approx(1.5 * 80, rel=0.12)


def test_an_interval_off_the_road_does_not_move_the_level_but_is_remembered():
    rows, _, km = fleet_rows(np.random.default_rng(8), units=40)
    quiet = km[0].copy()
    quiet[7] = 0.02 * quiet[7]
    standing = km[1].copy()
    standing[-1] = 0.0
    changed = [r for r in rows if r[0] not in ("U000", "U001")]
    changed += unit_rows("U000", quiet) + unit_rows("U001", standing)
    before, after = fitted(rows), fitted(changed)
    assert after.log_level[0] == pytest.approx(before.log_level[0], abs=0.02)
    assert after.off_now.tolist() == [False, True] + [False] * 38
    assert usage_frame(after)["state"][1] == "off_road"
    now = km_ahead(after, away_now(after), np.arange(3), np.full(3, 30.0)).mean_km
    assert now[1] < 0.5 * now[0]


def test_a_new_regime_is_believed_from_its_second_interval_on():
    rows, _, km = fleet_rows(np.random.default_rng(9), units=40, noise=0.05)
    halved = km[0].copy()
    halved[-1] /= 2.5
    once = fitted([r for r in rows if r[0] != "U000"] + unit_rows("U000", halved))
    halved[-2:] = km[0][-2:] / 2.5
    twice = fitted([r for r in rows if r[0] != "U000"] + unit_rows("U000", halved))
    usual = np.log(km[0] / 84).mean()
    assert once.log_level[0] > usual - 0.15
    assert twice.log_level[0] == pytest.approx(usual - np.log(2.5), abs=0.15)


def test_a_unit_without_km_stands_still_and_runs_nothing_ahead():
    rows, _, _ = fleet_rows(np.random.default_rng(10), units=20)
    usage = fitted(rows + unit_rows("Z", np.zeros(6)))
    row = usage_frame(usage).row(-1, named=True)
    assert (row["state"], row["km_per_day"]) == ("stands_still", 0.0)
    assert km_ahead(usage, away_now(usage), np.array([20]), np.array([365.0])).mean_km[0] == 0.0


def test_no_record_of_use_says_so_and_invents_nothing():
    usage = fitted([], units=["A", "B"])
    frame = usage_frame(usage)
    assert frame["state"].to_list() == ["not_on_record"] * 2
    assert frame["km_per_day"].null_count() == 2
    assert "No use" in usage.season.of_fleet.note


def test_a_season_is_found_where_it_is_and_only_there():
    rng = np.random.default_rng(11)
    with_season = fitted(fleet_rows(rng, season=0.15)[0]).season.of_fleet
    # Amplitude 0.15; its error is the noise over sqrt(1120 / 2) intervals, below 0.01.
    assert with_season.amplitude == pytest.approx(0.15, abs=0.03)
    assert with_season.p < 0.001
    assert fitted(fleet_rows(rng)[0]).season.of_fleet.amplitude == 0.0


@pytest.mark.parametrize("season", [0.45, 0.9, 0.99])
def test_a_deep_season_is_as_deep_as_it_is(season):
    """By the log of use a swing of 0.9 had been one of 1.2, and use below nought in winter."""
    found = fitted(fleet_rows(np.random.default_rng(11), season=season)[0]).season.of_fleet
    assert found.amplitude == pytest.approx(season, abs=0.06)
    day = np.arange(366.0)
    assert found.mean(day, day).min() >= 0.03 - 1e-9
    assert found.mean(np.array(0.0), np.array(365.25)) == pytest.approx(1.0)


def test_a_fleet_that_runs_in_summer_only_runs_as_far_in_the_year_to_come():
    """Seven months at 1.6 and five at 0.1 times a rate: a step, which two waves come near to."""
    rng, days = np.random.default_rng(12), np.arange(-14 * 84, 365)
    year = np.mod(days + AS_OF.timetuple().tm_yday, 365.25)
    rate = np.where((year > 90) & (year < 304), 1.6, 0.1)
    km = np.add.reduceat(200 * rate[: 14 * 84], np.arange(0, 14 * 84, 84))
    noise = np.exp(rng.normal(0, 0.05, (60, 14)))
    rows = [r for u in range(60) for r in unit_rows(f"U{u:03d}", km * noise[u])]
    usage = fitted(rows)
    ahead = km_ahead(usage, away_now(usage), np.arange(60), np.full(60, 364.0)).mean_km
    assert ahead.mean() == pytest.approx((200 * rate[14 * 84 :]).sum(), rel=0.1)


def test_bad_quarters_shared_by_the_fleet_are_not_taken_for_a_season():
    found = [
        fitted(
            fleet_rows(np.random.default_rng(s), units=60, shocks=0.08)[0]
        ).season.of_fleet.amplitude
        > 0
        for s in range(8)
    ]
    # At the 1 % level more than 2 of 8 happen with probability 5e-5; a test that took the units
    # as independent finds a season in most of them.
    assert sum(found) <= 2


def test_two_years_are_needed_to_look_for_a_season():
    usage = fitted(fleet_rows(np.random.default_rng(12), intervals=6, season=0.3)[0])
    season = usage.season.of_fleet
    assert season.amplitude == 0.0
    assert "two years" in season.note


def drawn_km(usage: UsageFit, unit: int, days: float, draws: int, rng) -> np.ndarray:
    """Km ahead by brute force: level, drift, and interval after interval from the deck."""
    sample, q = usage.interval_distribution.after_road, usage.variances.drift_per_day
    out = np.zeros(draws)
    for i in range(draws):
        level = usage.log_level[unit] + np.sqrt(usage.level_variance[unit]) * rng.standard_normal()
        day = 0.0
        while day < days:
            card = rng.integers(len(sample))
            leg = min(sample.length[card] * usage.usual_days[unit], days - day)
            step = rng.normal(0, np.sqrt(q * leg))
            out[i] += np.exp(level + step / 2) * sample.use[card] * leg
            level, day = level + step, day + leg
    return out


def test_km_ahead_agrees_with_brute_force():
    usage = fitted(fleet_rows(np.random.default_rng(13), units=40)[0])
    draws = drawn_km(usage, 0, 365.0, 3_000, np.random.default_rng(1))
    ahead = km_ahead(usage, away_now(usage), np.array([0]), np.array([365.0]))
    # Leaving the road has a prior chance of 5 % a year, which the cards do not hold: 2 % of the
    # mean; quantiles of 3000 draws are known to 0.5 % here.
    assert ahead.mean_km[0] == pytest.approx(draws.mean(), rel=0.03)
    for z, q in ((-1.2816, 0.1), (1.2816, 0.9)):
        assert ahead.quantile(z)[0] == pytest.approx(np.quantile(draws, q), rel=0.035)


def test_a_unit_that_stays_away_longer_than_any_did_while_others_are_checked_is_hardly_there():
    rows, _, _ = fleet_rows(np.random.default_rng(15), units=30)
    lately, long_ago = AS_OF - dt.timedelta(days=20), AS_OF - dt.timedelta(days=400)
    usage = fitted(rows, seen_on=lately)
    some = fitted(rows, seen_on=[lately] * 25 + [long_ago] * 5)
    assert usage.present.min() > 0.98
    assert some.present[:25].min() > 0.98
    assert some.present[25:].max() < 0.5
    assert fitted(rows, seen_on=None).present.tolist() == [0.0] * 30


def test_where_nobody_is_checked_any_more_nobody_has_left_by_that():
    """A run as of a day long after the records' end: they end for all, and tell of none."""
    rows, _, _ = fleet_rows(np.random.default_rng(15), units=30)
    ended = fitted(rows, seen_on=AS_OF - dt.timedelta(days=400))
    assert ended.present.min() > 0.98
    assert ended.since_visit.tolist() == [400.0] * 30


def test_who_left_ran_on_for_the_age_of_an_interval_that_any_moment_falls_into():
    """Three in ten visits missed: drawn moments of the calendar, and the last visit before each."""
    rng = np.random.default_rng(8)
    rows, ages = [], []
    for unit in range(60):
        days = 84 * rng.geometric(0.7, 14)
        ends = np.cumsum(days)
        start = [
            AS_OF - dt.timedelta(days=int(ends[-1] - e + d))
            for e, d in zip(ends, days, strict=True)
        ]
        rows += [
            (f"U{unit}", "North", "haul", True, s, int(d), 300.0 * d, True)
            for s, d in zip(start, days, strict=True)
        ]
        moments = rng.uniform(0.0, ends[-1], 2_000)
        last = np.concatenate([[0], ends])[np.searchsorted(ends, moments)]
        ages.append((moments - last).mean())
    usage = fitted(rows)
    found = days_run_before_leaving(usage)
    assert (usage.usual_days > 80.0).all()
    assert found.mean() == pytest.approx(np.mean(ages), rel=0.06)
    kept = fitted([r for u in range(30) for r in unit_rows(f"U{u}", 25_000.0 * np.ones(8))])
    assert days_run_before_leaving(kept) == pytest.approx(42.0, rel=0.01)


def test_the_filter_is_the_weighted_mean_where_nothing_drifts():
    """Without drift the level is the posterior mean of a normal prior and normal errors."""
    rng = np.random.default_rng(16)
    log_use = rng.normal(0.1, 0.05, 8)
    frame = pl.DataFrame(unit_rows("A", 200 * 84 * np.exp(log_use)), schema=SCHEMA, orient="row")
    units = frame.select("unit_id", "depot", "duty").unique()
    groups = usage_groups(units, frame)
    table = usage_intervals(units, frame, groups, AS_OF)
    rates = group_rates(table, groups)
    levels = usage_levels(
        table, rates, np.zeros(table.days.shape), UsageVariances(0.04, 0.0, 0.0025 * 84)
    )
    noise = 0.0025 + 2 / 84**2
    precision = 1 / 0.04 + 8 / noise
    expected = ((log_use + np.log(200) - rates.log_km_per_day[0]) / noise).sum() / precision
    # The chance that an interval is odd takes a little weight off each.
    assert levels.level[0] == pytest.approx(expected, abs=2e-3)
    assert levels.variance[0] == pytest.approx(1 / precision, rel=0.02)


@pytest.mark.parametrize("off", [-0.7, -0.4, 1.1])
def test_what_little_is_run_while_units_stand_tells_nothing_of_their_level(off):
    """A twentieth of the usual is expected for half of the year; half of that is run, or three
    times as much: the level is what the other half shows."""
    season = np.log(np.tile([1.0, 1.0, 0.05, 0.05], 2))
    km = 240 * 84 * np.exp(season + off * (season < 0.0))
    frame = pl.DataFrame(unit_rows("A", km), schema=SCHEMA, orient="row")
    units = frame.select("unit_id", "depot", "duty").unique()
    groups = usage_groups(units, frame)
    table = usage_intervals(units, frame, groups, AS_OF)
    rates = dataclasses.replace(group_rates(table, groups), log_km_per_day=np.log([200.0]))
    variances = UsageVariances(0.04, 1e-5, 0.01 * 84)
    levels = usage_levels(table, rates, season[None], variances)
    assert levels.level[0] == pytest.approx(np.log(240 / 200), abs=0.05)


def test_a_drifting_level_is_known_as_well_as_theory_says():
    """Steady state of a local level (Harvey 1989, ch. 4): P² = q d (P + R) before a reading."""
    days, q, noise = 84.0, 4e-5, 0.0064 + 2 / 84**2
    km = 200 * 84 * np.exp(np.random.default_rng(17).normal(0, 0.01, 60))
    frame = pl.DataFrame(unit_rows("A", km), schema=SCHEMA, orient="row")
    units = frame.select("unit_id", "depot", "duty").unique()
    groups = usage_groups(units, frame)
    table = usage_intervals(units, frame, groups, AS_OF)
    levels = usage_levels(
        table,
        group_rates(table, groups),
        np.zeros(table.days.shape),
        UsageVariances(0.04, q, 0.0064 * 84),
    )
    step = q * days
    predicted = (step + np.sqrt(step**2 + 4 * step * noise)) / 2
    filtered = predicted * noise / (predicted + noise)
    # Known at the end of an interval: half an interval's drift after its middle. The chance that
    # an interval is odd takes about 1 % off its weight.
    assert levels.variance[0] == pytest.approx(filtered + step / 2, rel=0.03)


def test_no_search_without_slopes_finds_likelier_variances():
    """Nelder and Mead's, as scipy has it, on fleets of three sizes: no likelier by a hundredth."""
    for seed, units in ((21, 20), (22, 80), (23, 300)):
        rows = fleet_rows(np.random.default_rng(seed), units=units, shocks=0.02)[0]
        frame = pl.DataFrame(rows, schema=SCHEMA, orient="row")
        known = frame.select("unit_id", "depot", "duty").unique(maintain_order=True)
        groups = usage_groups(known, frame)
        table = usage_intervals(known, frame, groups, AS_OF)
        rates, flat = group_rates(table, groups), np.zeros(table.days.shape)

        def cost(log_sd, table=table, rates=rates, flat=flat):
            unit, drift, noise = np.exp(2 * log_sd)
            variances = UsageVariances(unit, drift / 365.25, noise * 84)
            prior = ((log_sd - np.log([0.20, 0.06, 0.10])) ** 2).sum() / 2
            return prior - usage_levels(table, rates, flat, variances).loglik

        found = usage_variances(table, rates, flat)
        mine = np.log([found.unit, found.drift_per_day * 365.25, found.noise_days / 84]) / 2
        theirs = optimize.minimize(cost, np.log([0.20, 0.06, 0.10]), method="Nelder-Mead").x
        assert cost(mine) <= cost(theirs) + 0.01
        assert mine == pytest.approx(theirs, abs=0.02)


def test_cards_vary_as_use_does_and_not_as_the_doubt_about_levels():
    usage = fitted(fleet_rows(np.random.default_rng(18), intervals=5)[0])
    sample = usage.interval_distribution.after_road
    # 400 cards: their SD is known to 3.5 %.
    assert np.log(sample.use).std() == pytest.approx(0.08, rel=0.15)
    assert usage.interval_distribution.noise_days == pytest.approx(0.0064 * 84, rel=0.35)


def test_km_ahead_of_a_unit_nobody_knows_spread_as_its_group_does():
    rows, _, _ = fleet_rows(np.random.default_rng(19), units=60, unit_sd=0.5)
    usage = fitted(rows, units=[*sorted({r[0] for r in rows}), "Z"])
    unit = np.array([60])
    ahead = km_ahead(usage, away_now(usage), unit, np.array([365.0]))
    draws = drawn_km(usage, 60, 365.0, 4_000, np.random.default_rng(2))
    # A lognormal with SD 0.5: of 4000 the mean is known to 0.9 %, the 10 % point to 1.5 %.
    assert ahead.mean_km[0] == pytest.approx(draws.mean(), rel=0.035)
    for z, q in ((-1.2816, 0.1), (1.2816, 0.9)):
        assert ahead.quantile(z)[0] == pytest.approx(np.quantile(draws, q), rel=0.06)


def test_drift_widens_km_ahead():
    rng = np.random.default_rng(20)
    drift = np.cumsum(rng.normal(0, 0.1, (60, 14)), axis=1)
    km = 200 * 84 * np.exp(drift + rng.normal(0, 0.05, drift.shape))
    usage = fitted([r for u in range(60) for r in unit_rows(f"U{u:03d}", km[u])])
    ahead = km_ahead(usage, away_now(usage), np.array([0]), np.array([730.0]))
    draws = drawn_km(usage, 0, 730.0, 3_000, np.random.default_rng(3))
    sd = np.log(draws).std()
    assert np.sqrt(ahead.log_variance[0]) == pytest.approx(sd, rel=0.1)


def read_since(*rows: tuple[str, int, int, float]) -> pl.DataFrame:
    """(unit, day after as-of on which an interval begins, its days, its km)."""
    columns = {"unit_id": pl.String, "from_on": pl.Date, "days": pl.Int64, "km": pl.Float64}
    dated = [(u, AS_OF + dt.timedelta(days=begins), days, km) for u, begins, days, km in rows]
    return pl.DataFrame(dated, schema=columns, orient="row")


def test_use_that_came_is_held_against_what_was_forecast_day_by_day():
    """Two units of 200 km a day; 150 a day come in the first 50 days and 200 in the next, of an
    interval that began before as-of and one of a unit that nobody asks about."""
    usage = fitted([*unit_rows("A", np.full(12, 16_800.0)), *unit_rows("B", np.full(12, 16_800.0))])
    rate = km_ahead(usage, away_now(usage), np.zeros(1, int), np.array([100.0])).mean_km[0] / 100.0
    since = read_since(
        ("A", -30, 80, 80 * 150.0), ("A", 50, 50, 50 * 200.0), ("B", 0, 100, 100 * 200.0),
        ("C", 0, 100, 1e6),
    )  # fmt: skip
    missed = log_use_missed(usage, since, np.array([0.5, 50.0, 100.0, 150.0]))
    expected = np.log([(150.0 + 200.0) / (2 * rate), 200.0 / rate])
    assert missed[:2] == pytest.approx(expected, abs=0.002)
    assert missed[2] == 0.0


def test_use_that_came_as_its_season_was_forecast_has_missed_nothing():
    """Intervals of half a year tell no quarter's km; what was forecast does."""
    level = fitted(unit_rows("A", np.full(12, 16_800.0)))
    usage = dataclasses.replace(level, season=Seasons(Season((0.3, 0.3), 0.0, 100.0, "")))
    away, one = away_now(usage), np.zeros(1, int)

    def km(day: int) -> float:
        return float(km_ahead(usage, away, one, np.array([float(day)])).mean_km[0])

    read = read_since(("A", 0, 180, km(180) - km(0)), ("A", 180, 180, 1.2 * (km(360) - km(180))))
    missed = log_use_missed(usage, read, np.array([0.0, 90.0, 180.0, 270.0, 360.0]))
    assert missed == pytest.approx([0.0, 0.0, np.log(1.2), np.log(1.2)], abs=1e-9)


def of_two(at: str, first: float, second: float) -> UsageFit:
    """A fleet of two depots or duties whose units' use swings by so much each."""
    rng = np.random.default_rng(13)
    frames = [
        pl.DataFrame(
            fleet_rows(rng, units=40, season=season)[0], schema=SCHEMA, orient="row"
        ).with_columns(pl.lit(name).alias(at), unit_id=pl.lit(name) + pl.col("unit_id"))
        for name, season in (("North", first), ("South", second))
    ]
    rows = pl.concat(frames)
    units = rows.select("unit_id", "depot", "duty").unique().sort("unit_id")
    now = units.with_columns(seen_on=pl.lit(AS_OF), visit_on=pl.lit(AS_OF))
    return fit_usage(now, rows, AS_OF)


@pytest.mark.parametrize("at", ["depot", "duty"])
def test_halves_of_opposite_seasons_have_each_its_own(at):
    usage = of_two(at, 0.3, -0.3)
    assert not usage.season.of_fleet.is_known
    assert [each.of for each in usage.season.own] == [at, at]
    first, second = (each.season for each in usage.season.own)
    day = np.arange(366.0)
    assert first.mean(day, day) + second.mean(day, day) == pytest.approx(2.0, abs=0.1)
    assert first.amplitude == pytest.approx(0.3, abs=0.05)
    told = year_frame(usage)
    assert told[at].to_list() == [each.name for each in usage.season.own]
    apart = (told["most_on"][0] - told["most_on"][1]).days % 365
    assert apart == pytest.approx(183, abs=20)
    # The year to come of a unit of each half, quarter by quarter.
    km = [
        np.diff(km_ahead(usage, away_now(usage), np.array([unit] * 5), np.arange(5) * 91.0).mean_km)
        for unit in (0, len(usage) - 1)
    ]
    assert (km[0] > km[0].mean()).tolist() == (km[1] < km[1].mean()).tolist()


@pytest.mark.parametrize(("first", "second"), [(0.3, 0.3), (0.0, 0.0)])
def test_halves_that_swing_alike_have_none_of_their_own(first, second):
    season = of_two("depot", first, second).season
    assert season.own == ()
    assert season.is_known == (first > 0)


def test_one_half_that_swings_leaves_the_other_as_it_is():
    season = of_two("duty", 0.4, 0.0).season
    found = {each.name: each.season for each in season.own}
    assert found["North"].amplitude == pytest.approx(0.4, abs=0.06)
    others = found.get("South", season.of_fleet)
    assert not others.is_known


def test_records_of_twelve_weeks_cannot_tell_who_has_left():
    """Sixty units were checked once, and the first are due; ten others came back early."""
    rows = [row for u in range(10) for row in unit_rows(f"Z{u}", 6000.0, days=30)]
    once = [f"U{u:02d}" for u in range(60)]
    seen = [AS_OF - dt.timedelta(days=round(84 - 84 * u / 60)) for u in range(60)]
    usage = fitted(
        rows, units=[*once, *(f"Z{u}" for u in range(10))], seen_on=[*seen, *[AS_OF] * 10]
    )
    assert usage.present.tolist() == [1.0] * 70
    assert usage.interval_distribution.leave.per_day * 365.25 == pytest.approx(0.05, rel=0.01)


def checked_at(gaps: list[int], units: int = 30) -> UsageFit:
    """Units checked at these intervals, the last ending on the as-of day or some days before."""
    rng, rows, seen = np.random.default_rng(14), [], []
    for u in range(units):
        last = AS_OF - dt.timedelta(days=int(rng.integers(0, 60)))
        ends = last
        for days in reversed(gaps):
            days += int(rng.integers(-4, 5))
            ends -= dt.timedelta(days=days)
            km = 200.0 * days * np.exp(rng.normal(0, 0.05))
            rows.append((f"U{u:02d}", "North", "haul", True, ends, days, float(km), True))
        seen.append(last)
    return fitted(rows, seen_on=seen)


def test_a_fleet_checked_less_often_than_it_was_is_forecast_as_it_is_checked_now():
    often = [70] * 10
    rarer = checked_at([*often, 154, 154, 154]).interval_distribution
    assert rarer.usual_days[0] == pytest.approx(154, abs=5)
    # Each interval against what was usual then: none looks missed, none early.
    length = rarer.after_road.length
    assert np.quantile(length, [0.02, 0.98]) == pytest.approx([0.95, 1.05], abs=0.12)
    same = checked_at([*often, 70, 70, 70, 70, 70]).interval_distribution
    assert same.usual_days[0] == pytest.approx(70, abs=2)
