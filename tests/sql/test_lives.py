"""The reductions of adjuster lives to counts, on tables drawn in the test."""

import duckdb
import numpy as np
import polars as pl
import pytest

from models.lives.fits.data import counts_by_group, counts_from_frames, counts_from_rows
from models.lives.fits.parametric import LifeFit, fit_life
from tests import ROOT

SQL = ROOT / "sql" / "30_reduce"
TABLES = (
    "195_adjuster_duty_pieces",
    "200_adjuster_age_grids",
    "210_adjuster_interval_counts",
    "220_adjuster_censored_counts",
    "230_adjuster_entry_counts",
    "240_adjuster_life_totals",
)
COLUMNS = {
    "adjuster_id": pl.String,
    "axle_type": pl.String,
    "duty": pl.String,
    "age_known": pl.Boolean,
    "entry_km": pl.Float64,
    "left_km": pl.Float64,
    "right_km": pl.Float64,
    "cause": pl.String,
}


def reduced(lives: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """The reduced tables of `lives`, its weeks being a thousandth of its km."""
    lives = lives.with_columns(
        (pl.col(f"{end}_km") / 1000.0).alias(f"{end}_weeks") for end in ("entry", "left", "right")
    )
    with duckdb.connect() as database:
        database.execute("create schema stage; create schema reduce")
        database.register("lives", lives)
        database.execute(
            """create table stage.adjuster_lives as
            select *, adjuster_id as unit_id, null::date as fitted_on, null::date as entry_on,
            null::date as ended_on, 0.0 as fitted_km from lives"""
        )
        database.execute(
            """create table stage.duty_spells
            (unit_id varchar, duty varchar, from_on date, until_on date);
            create table stage.unit_days (unit_id varchar, on_date date, km double)"""
        )
        for table in TABLES:
            select = (SQL / f"{table}.sql").read_text()
            database.execute(f"create table reduce.{table[4:]} as {select}")
        names = [f"reduce.{table[4:]}" for table in TABLES]
        return {name: database.table(name).pl() for name in names}


def groups(tables: dict[str, pl.DataFrame], clock: str = "km"):
    return counts_by_group(
        tables["reduce.adjuster_interval_counts"],
        tables["reduce.adjuster_censored_counts"],
        tables["reduce.adjuster_entry_counts"],
        clock=clock,
    )


@pytest.fixture(scope="module")
def small() -> dict[str, pl.DataFrame]:
    rows = [
        ("a1", "drive", "haul", True, 0.0, 1000.0, 2000.0, "stuck"),
        ("a2", "drive", "haul", True, 0.0, 1000.0, 2000.0, "stuck"),
        ("a3", "drive", "haul", True, 500.0, 3000.0, None, "in_service"),
        ("a4", "drive", "haul", True, 500.0, 3000.0, None, "planned"),
        ("a5", "drive", "town", True, 0.0, 700.0, 700.0, "damaged"),
        ("a6", "drive", "town", False, 0.0, 900.0, None, "in_service"),
        ("a7", "steer", "haul", True, 250.0, 250.0, None, "left_service"),
    ]
    return reduced(pl.DataFrame(rows, schema=COLUMNS, orient="row"))


def test_identical_failures_are_counted_in_one_row(small):
    haul = small["reduce.adjuster_interval_counts"].filter(clock="km", duty="haul")
    assert haul.select("cause", "left_age", "right_age", "adjusters").rows() == [
        ("stuck", 1000, 2000, 2)
    ]


def test_survivors_are_counted_by_how_the_watching_ended(small):
    haul = (
        small["reduce.adjuster_censored_counts"]
        .filter(clock="km", axle_type="drive")
        .sort("ending")
    )
    assert haul.select("ending", "left_age", "adjusters").rows() == [
        ("in_service", 3000, 1),
        ("planned", 3000, 1),
    ]


def test_late_entries_are_counted_and_entries_at_age_zero_are_not(small):
    entries = small["reduce.adjuster_entry_counts"].filter(clock="km").sort("entry_age")
    assert entries.select("axle_type", "entry_age", "adjusters").rows() == [
        ("steer", 250, 1),
        ("drive", 500, 2),
    ]


def test_an_adjuster_of_unknown_age_is_counted_apart_and_used_nowhere(small):
    town = small["reduce.adjuster_life_totals"].filter(duty="town")
    assert town.select("adjusters", "failures", "seen_to_fail", "age_unknown").rows() == [
        (1, 1, 1, 1)
    ]
    assert groups(small)["drive", "town"].adjusters == 1.0


def test_km_watched_runs_from_entry_to_the_middle_of_the_failure_interval(small):
    haul = small["reduce.adjuster_life_totals"].filter(axle_type="drive", duty="haul")
    assert haul["km_watched"].item() == 2 * 1500.0 + 2 * 2500.0
    assert groups(small)["drive", "haul"].exposure == haul["km_watched"].item()


def test_both_clocks_are_counted(small):
    assert groups(small, "weeks")["drive", "haul"].right.tolist() == [2.0]


def test_one_causes_latent_life_censors_the_others_at_their_last_good_age(small):
    intervals, censored, entries = (
        small[f"reduce.adjuster_{kind}_counts"].filter(clock="km")
        for kind in ("interval", "censored", "entry")
    )
    stuck = counts_from_frames(intervals, censored, entries, ["stuck"])
    assert (stuck.left.tolist(), stuck.failed.tolist()) == ([1000.0], [2.0])
    others = dict(zip(stuck.censored_at.tolist(), stuck.censored.tolist(), strict=True))
    assert others == {250.0: 1.0, 700.0: 1.0, 3000.0: 2.0}


def test_pooled_groups_hold_everything(small):
    every = groups(small)
    assert every[None, None].adjusters == 6.0
    assert every["drive", None].adjusters == 5.0
    assert every["drive", None].failures == 3.0


def simulated(rng: np.random.Generator, count: int) -> pl.DataFrame:
    """Distinct ages throughout: life Weibull(2.5, 200,000 km), checks about every 12,000 km."""
    life = 200_000.0 * rng.weibull(2.5, 4 * count)
    entry = np.where(rng.random(life.size) < 0.5, rng.uniform(0, 150_000.0, life.size), 0.0)
    seen = np.flatnonzero(life > entry)[:count]
    life, entry = life[seen], entry[seen]
    phase, step = rng.uniform(0.0, 1.0, count), rng.uniform(9_000.0, 15_000.0, count)
    checks = np.maximum(np.floor((life - entry) / step - phase), -1.0)
    left = entry + np.where(checks < 0, 0.0, (checks + phase) * step)
    right = entry + (checks + 1 + phase) * step
    watched_to = entry + rng.uniform(50_000.0, 150_000.0, count)
    failed = right <= watched_to
    return pl.DataFrame(
        {
            "adjuster_id": [str(i) for i in range(count)],
            "axle_type": "drive",
            "duty": "haul",
            "age_known": True,
            "entry_km": entry,
            "left_km": np.where(failed, left, np.minimum(left, watched_to)),
            "right_km": pl.Series(np.where(failed, right, np.nan)).fill_nan(None),
            "cause": np.where(failed, "failed", "in_service"),
        }
    )


def test_many_distinct_ages_fall_on_a_250_km_grid_that_hardly_moves_the_fit():
    lives = simulated(np.random.default_rng(7), 3000)
    tables = reduced(lives)
    assert tables["reduce.adjuster_age_grids"].filter(clock="km")["age_step"].item() == 250.0
    counts = groups(tables)["drive", "haul"]
    assert np.all(counts.right % 250.0 == 0.0)
    rounded = fit_life(counts, "weibull")
    exact = fit_life(
        counts_from_rows(
            lives["entry_km"].to_numpy(),
            lives["left_km"].to_numpy(),
            lives["right_km"].fill_null(np.inf).to_numpy(),
        ),
        "weibull",
    )
    assert isinstance(rounded, LifeFit)
    assert isinstance(exact, LifeFit)
    # Rounding errors of ±125 km average out: their effect is a small part of a standard error.
    moved = np.abs(rounded.theta - exact.theta) / np.sqrt(np.diag(exact.covariance))
    assert moved.max() < 0.05


def test_rounding_never_closes_an_interval_or_moves_a_failure_to_age_zero():
    rng = np.random.default_rng(8)
    crowd = simulated(rng, 2500)
    odd = pl.DataFrame(
        [
            ("x1", "drive", "haul", True, 0.0, 10_010.0, 10_020.0, "stuck"),
            ("x2", "drive", "haul", True, 0.0, 60.0, 60.0, "damaged"),
        ],
        schema=COLUMNS,
        orient="row",
    )
    counts = reduced(pl.concat([crowd, odd]))["reduce.adjuster_interval_counts"]
    intervals = counts.filter(clock="km")
    stuck = intervals.filter(cause="stuck").select("left_age", "right_age").row(0)
    seen = intervals.filter(cause="damaged").select("left_age", "right_age").row(0)
    assert stuck == (10_000.0, 10_250.0)
    assert seen == (250.0, 250.0)


def moved(rows: list[tuple[object, ...]], spells: str, days: str) -> pl.DataFrame:
    """``adjuster_duty_pieces``, on km, of adjusters whose unit changed duty."""
    lives = pl.DataFrame(rows, schema=COLUMNS, orient="row")
    with duckdb.connect() as database:
        database.execute("create schema stage; create schema reduce")
        database.register("lives", lives)
        database.execute(
            f"""create table stage.adjuster_lives as
            select *, 'U' as unit_id, date '2020-01-01' as fitted_on, date '2020-01-01' as entry_on,
            date '2023-01-01' as ended_on, 0.0 as fitted_km, null::double as entry_weeks,
            null::double as left_weeks, null::double as right_weeks from lives;
            create table stage.duty_spells as
            select * from (values {spells}) as s (unit_id, duty, from_on, until_on);
            create table stage.unit_days as
            select * from (values {days}) as d (unit_id, on_date, km)"""
        )
        select = (SQL / "195_adjuster_duty_pieces.sql").read_text()
        database.execute("create schema if not exists reduce")
        database.execute(f"create table reduce.adjuster_duty_pieces as {select}")
        return database.sql(
            """from reduce.adjuster_duty_pieces where clock = 'km'
            order by adjuster_id, entry_age, right_age nulls last"""
        ).pl()


SPELLS = """('U', 'haul', date '1900-01-01', date '2021-01-01'),
    ('U', 'town', date '2021-01-01', date '2099-01-01')"""
DAYS = "('U', date '2021-01-01', 1200.0)"


def test_an_adjuster_counts_in_each_duty_for_the_km_it_ran_there():
    """Changed at 1,200 km: good until then in haul; in town from 1,200 km on."""
    pieces = moved([("a", "drive", "haul", True, 0.0, 2000.0, 3000.0, "stuck")], SPELLS, DAYS)
    columns = ("duty", "ending", "entry_age", "left_age", "right_age", "weight")
    assert pieces.select(columns).rows() == [
        ("haul", "changed", 0.0, 1200.0, None, 1.0),
        ("town", "stuck", 1200.0, 2000.0, 3000.0, 1.0),
    ]


def test_a_failure_across_a_change_of_duty_counts_in_both_by_the_km_run():
    """Good at 1,000, found failed at 2,000, changed at 1,200: a fifth of the interval in haul."""
    pieces = moved([("a", "drive", "haul", True, 0.0, 1000.0, 2000.0, "stuck")], SPELLS, DAYS)
    failed = pieces.drop_nulls("right_age").select("duty", "left_age", "right_age", "weight")
    assert failed.rows() == [
        ("haul", 1000.0, 1200.0, pytest.approx(0.2)),
        ("town", 1200.0, 2000.0, pytest.approx(0.8)),
    ]
    went_on = pieces.filter(ending="changed").select("duty", "left_age", "weight")
    assert went_on.rows() == [("haul", 1200.0, pytest.approx(0.8))]


def test_a_change_after_the_last_good_look_says_nothing():
    pieces = moved([("a", "drive", "haul", True, 0.0, 1000.0, None, "in_service")], SPELLS, DAYS)
    assert pieces.select("duty", "left_age", "weight").rows() == [("haul", 1000.0, 1.0)]
