"""The simulated fleets: their truth agrees with itself and with what was written down."""

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest

from tests.worlds.fleet import ENDS_ON, Fleet, lived
from tests.worlds.lake import write_lake
from tests.worlds.workshop import ADJUSTER_SCALE_KM, ADJUSTER_SHAPE
from tests.worlds.world import WORLDS, World

AS_OF = ENDS_ON - dt.timedelta(days=365)


@pytest.fixture(scope="module", params=["checks exactly every 12 weeks", "all of these"])
def fleet(request) -> Fleet:
    return lived(WORLDS[request.param], 3)


def table(tmp_path, name: str) -> pl.DataFrame:
    return pl.read_parquet(tmp_path / name / "*.parquet").with_columns(
        wheel_end_id=pl.format("{}/{}{}", "unit_id", "axle_no", "side")
    )


def test_a_seed_gives_one_fleet(tmp_path):
    world = World(units=5)
    for name, seed in (("a", 4), ("b", 4), ("c", 5)):
        write_lake(lived(world, seed), tmp_path / name, AS_OF)
    read = [table(tmp_path / name, "inspections") for name in "abc"]
    assert read[0].equals(read[1])
    assert not read[0].equals(read[2])


def test_a_fleet_that_stays_is_the_same_but_for_who_leaves():
    """Up to the day all is alike; after it, what comes to units that would have stayed."""
    world = WORLDS["all of these"]
    fleet, stayed = lived(world, 3), lived(world, 3, staying=AS_OF)
    left, day = fleet.roads.leaves, fleet.day(AS_OF)
    gone, stays = left <= day, ~np.isfinite(np.where(left > fleet.records[1], np.inf, left))
    assert gone.any()
    assert (~gone & ~stays).any()
    assert np.array_equal(stayed.roads.leaves[gone], left[gone])
    assert np.isinf(stayed.roads.leaves[~gone]).all()
    assert stayed.there(AS_OF).tolist() == fleet.there(AS_OF).tolist()
    for on in (AS_OF - dt.timedelta(days=200), AS_OF):
        assert np.array_equal(stayed.lining_mm(on), fleet.lining_mm(on))
    own = (gone | stays)[fleet.ends.unit]
    assert np.array_equal(stayed.lining_mm(ENDS_ON)[own], fleet.lining_mm(ENDS_ON)[own])
    assert (stayed.lining_mm(ENDS_ON) != fleet.lining_mm(ENDS_ON))[~own].any()


def test_care_is_drawn_by_visits_and_could_not_stay_the_same():
    with pytest.raises(ValueError, match="by visits"):
        lived(World(units=3, cap_open=0.2), 3, staying=AS_OF)


def test_readings_lie_about_the_true_linings(fleet, tmp_path):
    write_lake(fleet, tmp_path, AS_OF)
    checks = table(tmp_path, "inspections").drop_nulls("lining_mm")
    ids, off = fleet.wheel_end_ids, []
    for (day,), rows in itertools.islice(checks.group_by("inspected_on"), 150):
        # Relines of a day are done after its readings: the day before, a day's wear thicker.
        true = dict(zip(ids, fleet.lining_mm(day - dt.timedelta(days=1)), strict=True))
        off += [r["lining_mm"] - true[r["wheel_end_id"]] for r in rows.to_dicts()]
    assert len(off) > 500
    halves = 0.5 / np.sqrt(12) if fleet.world.steps == "halves" else 0.0
    expected = np.hypot(fleet.world.reading_sd, halves)
    # A standard error of the mean, and of the SD (n > 500), is below 0.02.
    assert np.mean(off) == pytest.approx(0.0, abs=0.06)
    assert np.std(off) == pytest.approx(expected, abs=0.05)


def test_a_lining_is_at_its_minimum_on_the_day_told(fleet):
    days = fleet.days_to_minimum(AS_OF)
    relined = fleet.days_to_reline(AS_OF)
    coming = np.flatnonzero((days > 1) & (days < relined) & np.isfinite(days))[:40]
    assert len(coming) > 3
    for end in coming:
        before, then = (
            fleet.lining_mm(AS_OF + dt.timedelta(days=float(days[end]) - late))[end]
            for late in (1.0, 0.0)
        )
        assert before > fleet.ends.minimum_mm[end] >= then - 1e-9


def test_relines_show_in_the_linings_and_in_the_work_unless_unwritten(fleet, tmp_path):
    write_lake(fleet, tmp_path, AS_OF)
    first, last = (fleet.date(d) for d in fleet.records)
    here = [
        i for i, there in zip(fleet.wheel_end_ids, fleet.registered(AS_OF), strict=True) if there
    ]
    true = fleet.relines().filter(
        pl.col("relined_on").is_between(first, last), pl.col("wheel_end_id").is_in(here)
    )
    written = table(tmp_path, "work").filter(pl.col("action") == "reline")
    told = true.filter("written").sort("wheel_end_id", "relined_on")
    found = written.sort("wheel_end_id", "done_on")
    assert found["wheel_end_id"].to_list() == told["wheel_end_id"].to_list()
    assert found["done_on"].to_list() == told["relined_on"].to_list()
    assert 1.0 - told.height / true.height == pytest.approx(fleet.world.unwritten, abs=0.04)
    place = {name: n for n, name in enumerate(fleet.wheel_end_ids)}
    for row in true.head(40).to_dicts():
        end, day = place[row["wheel_end_id"]], row["relined_on"]
        assert fleet.lining_mm(day)[end] > fleet.lining_mm(day - dt.timedelta(days=1))[end]


def test_adjusters_are_found_after_they_fail_and_their_strokes_grow(fleet):
    failed, found = fleet.adjuster_failures(), fleet.failures_found()
    assert failed.height > 50
    both = failed.join_asof(
        found, left_on="failed_on", right_on="found_on", by="wheel_end_id", strategy="forward"
    ).drop_nulls("found_on")
    # A fitting lasts from its failure to the check that finds it.
    assert both.height == found.height
    place = {name: n for n, name in enumerate(fleet.wheel_end_ids)}
    grown = []
    for row in both.head(60).to_dicts():
        end, late = place[row["wheel_end_id"]], row["found_on"] - dt.timedelta(days=1)
        if late > row["failed_on"]:
            early = row["failed_on"] - dt.timedelta(days=1)
            grown.append(fleet.stroke_mm(late)[end] - fleet.stroke_mm(early)[end])
    assert np.mean(grown) > 2.0


def gaps(world: str) -> np.ndarray:
    visits = lived(WORLDS[world], 1).visits
    both = np.isfinite(visits[:, 1:])
    return visits[:, 1:][both] - visits[:, :-1][both]


def test_checks_come_as_each_world_says():
    assert (gaps("checks exactly every 12 weeks") == 84).all()
    skipped = gaps("a fifth of checks skipped")
    # 60 units over 12 years: some 2,500 gaps, a geometric number of twelve weeks each.
    assert (skipped == 84).mean() == pytest.approx(0.8, abs=0.03)
    irregular = gaps("8 to 20 weeks between checks")
    assert irregular.min() >= 56
    assert irregular.max() <= 140
    assert irregular.std() > 20


def test_units_leave_join_and_pause_as_each_world_says():
    leaves = lived(WORLDS["a tenth of units leaves each year"], 2).roads.leaves
    fleet = lived(WORLDS["fleet grows by a quarter a year"], 2)
    gone = (leaves < fleet.day(AS_OF)).mean()
    # Three years at a tenth each: 26 %; four standard errors of 60 units.
    assert gone == pytest.approx(1 - np.exp(-0.3), abs=0.23)
    joined = (fleet.roads.joins > 0) & (fleet.roads.joins < fleet.day(AS_OF))
    assert joined.sum() == pytest.approx(45, abs=27)
    away = lived(WORLDS["half-year pauses"], 2)
    # A quarter of a pause a year, half a year each: an eighth of the time, less overlaps.
    assert (~away.roads.there).mean() == pytest.approx(0.115, abs=0.04)
    assert not np.isfinite(away.roads.leaves).any()


def test_a_changed_policy_relines_earlier():
    fleet = lived(WORLDS["policy changed half-way"], 1)
    half_way = fleet.date(sum(fleet.records) // 2)
    place = {name: n for n, name in enumerate(fleet.wheel_end_ids)}
    left = {False: [], True: []}
    for row in fleet.relines().sample(600, seed=1).to_dicts():
        end, day = place[row["wheel_end_id"]], row["relined_on"]
        above = fleet.lining_mm(day - dt.timedelta(days=1))[end] - fleet.ends.minimum_mm[end]
        # In the first year the new rule catches up with what the old one had left.
        if not 0 <= (day - half_way).days < 365:
            left[day >= half_way].append(above)
    # Some 300 each, in pairs, of SD 0.8: three standard errors are 0.3.
    assert np.mean(left[True]) - np.mean(left[False]) == pytest.approx(2.0, abs=0.3)


def test_another_future_shares_the_past_to_the_day():
    """What the records say up to the turn, and the state of that day; nothing of what follows."""
    world = WORLDS["all of these"]
    fleet = lived(world, 6)
    others = [lived(world, 6, (AS_OF, seed)) for seed in (1, 2)]
    for other in others:
        for what, name in (("relines", "relined_on"), ("failures_found", "found_on")):
            one, two = (getattr(f, what)().filter(pl.col(name) <= AS_OF) for f in (fleet, other))
            assert one.equals(two), what
        assert (other.lining_mm(AS_OF) == fleet.lining_mm(AS_OF)).all()
        assert (other.stroke_mm(AS_OF) == fleet.stroke_mm(AS_OF)).all()
    later = [f.relines().filter(pl.col("relined_on") > AS_OF).height for f in (fleet, *others)]
    assert len(set(later)) == 3
    gone = [(f.roads.leaves <= f.day(AS_OF)).sum() for f in (fleet, *others)]
    assert len(set(gone)) == 1
    # The same length of future, and as many relines but for chance: 400 in pairs and units.
    assert np.ptp(later) < 0.25 * np.mean(later)


@pytest.mark.parametrize("care", [{}, {"cap_open": 0.3, "overdue": 0.1}])
def test_what_adjusters_have_left_is_drawn_anew_by_their_age(care):
    """Nobody could know which of those that work will fail; which have failed already stays."""
    world = World(units=40, **care)
    fleet, others = lived(world, 3), [lived(world, 3, (AS_OF, n)) for n in range(1, 7)]
    day, every = fleet.day(AS_OF), np.arange(len(fleet.ends))
    now = fleet.fittings.at(day, every)
    works = now["fails_on"] > day
    shares = []
    for other in others:
        then = other.fittings.at(day, every)
        assert (then["day"] == now["day"]).all()
        assert (then["fails_on"][~works] == now["fails_on"][~works]).all()
        shares.append((then["fails_on"][works] <= day + 365).mean())
    km = fleet.roads.km[fleet.ends.unit]
    begun = km[every, now["day"].astype(int)]
    run = [((km[every, d] - begun) / ADJUSTER_SCALE_KM) ** ADJUSTER_SHAPE for d in (day, day + 365)]
    expected = 1.0 - np.exp(run[0] - run[1])[works].mean()
    # Six futures of some 220 adjusters, a quarter of which fails: a standard error of 0.012. Use
    # of the year ahead differs between futures by some per cent.
    assert np.mean(shares) == pytest.approx(expected, abs=0.04)
    assert len(set(shares)) > 1


def test_a_lining_is_relined_at_a_reading_or_at_two_years_whichever_comes_first():
    fleet = lived(WORLDS["relined at a reading or at two years"], 3)
    lives = fleet.lives.columns
    same = np.diff(lives["end"]) == 0
    age, unit = np.diff(lives["day"])[same], fleet.ends.unit[lives["end"][:-1]][same]
    # The first check after 730 days at the latest, 12 weeks apart.
    assert age.max() <= 730 + 84
    assert (age >= 730).mean() > 0.1
    assert (age < 730).mean() > 0.3
    assert len(np.unique(unit)) == fleet.world.units


def test_where_renewed_linings_are_not_measured_their_last_reading_is_missing(tmp_path):
    world = World(units=12, unmeasured=True)
    fleet = lived(world, 5)
    write_lake(fleet, tmp_path, AS_OF)
    done = table(tmp_path, "work").filter(pl.col("action") == "reline")
    read = table(tmp_path, "inspections").join(
        done.select("wheel_end_id", inspected_on="done_on", is_done=pl.lit(value=True)),
        on=["wheel_end_id", "inspected_on"],
        how="left",
    )
    assert read.filter("is_done").height > 100
    assert read.filter("is_done")["lining_mm"].null_count() == read.filter("is_done").height
    assert read.filter(pl.col("is_done").is_null())["lining_mm"].is_not_null().mean() > 0.9
