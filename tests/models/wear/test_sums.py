"""The reduction of lining readings to sums: by hand, by offset, and against single readings."""

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.mixed.blocks import blocks_from_rows
from models.mixed.fit import fit_mixed
from models.mixed.reml import reml_point
from models.mixed.whitening import Variances
from models.wear.blocks import AS_GAUGE, PointerWeight, wear_blocks, wear_columns
from models.wear.sums import kept_lives, lining_life_sums, off_own_lines, without_pointer
from tests.dense import dense_deviance
from tests.fleets.linings import (
    AXLES,
    DUTIES,
    DrawnFleet,
    FleetTruth,
    draw_fleet,
    reduced,
    sums_of,
)

POINTERS = FleetTruth(pointer_share=0.6)


def reading(life, day, km, lining=None, pointer=None, pointer_deg=30.0, known=True):
    return {
        "life_id": life,
        "wheel_end_id": life.split("#")[0],
        "unit_id": life.split("/")[0],
        "axle_type": "drive",
        "inspected_on": dt.date(2024, 1, day),
        "as_left": False,
        "km": 500_000.0 + km,
        "km_since_reline": float(km),
        "start_known": known,
        "lining_mm": lining,
        "pointer_deg": pointer_deg,
        "pointer_lining_mm": pointer,
    }


def run(life, day, **km_by_duty):
    key = {"life_id": life, "inspected_on": dt.date(2024, 1, day), "as_left": False}
    return [{**key, "duty": duty, "km": float(km)} for duty, km in km_by_duty.items()]


READING_SCHEMA = {
    "lining_mm": pl.Float64,
    "pointer_deg": pl.Float64,
    "pointer_lining_mm": pl.Float64,
}


def by_life(table: pl.DataFrame, **key) -> dict:
    for name, value in key.items():
        table = table.filter(pl.col(name) == value)
    return table.row(0, named=True)


@pytest.fixture(scope="module")
def tables() -> dict[str, pl.DataFrame]:
    readings = pl.DataFrame(
        [
            reading("K1/1L#1", 1, 0, lining=18.0),
            reading("K1/1L#1", 2, 10_000, lining=16.0, pointer=17.0),
            reading("K1/1L#1", 3, 30_000, lining=14.0, pointer=14.5),
            reading("K1/1R#1", 1, 5_000, pointer=3.0, pointer_deg=90.0),
            reading("K1/1R#1", 2, 6_000, lining=15.0),
        ],
        schema_overrides=READING_SCHEMA,
    )
    reading_km = pl.DataFrame(
        [
            *run("K1/1L#1", 2, city=10_000),
            *run("K1/1L#1", 3, city=10_000, haul=20_000),
            *run("K1/1R#1", 1, city=5_000),
            *run("K1/1R#1", 2, city=6_000),
        ]
    )
    return reduced(readings, reading_km)


def test_a_life_is_summed_about_its_own_means(tables):
    """km 0, 10, 30 thousand about 13333.33; lining 18, 16, 14 about 16."""
    row = by_life(tables["reduce.lining_life_sums"], life_id="K1/1L#1", instrument="gauge")
    assert (row["readings"], row["mean_mm"]) == (3, 16.0)
    assert row["mean_km"] == pytest.approx(40_000 / 3)
    assert row["s_km_km"] == pytest.approx(1e9 - 40_000**2 / 3)  # 0² + 10000² + 30000² - (Σ)²/3
    assert row["s_km_mm"] == pytest.approx(2 * (-40_000 / 3) - 2 * (50_000 / 3))
    assert row["s_mm_mm"] == pytest.approx(8.0)  # 2² + 0² + 2²
    assert row["last_inspected_on"] == dt.date(2024, 1, 3)


def test_a_reading_before_a_duty_began_counts_as_no_km_in_it(tables):
    """Haul ran 0, 0, 20 thousand km: mean 6666.67, and with all km 20000 · (30000 - 13333.33)."""
    row = by_life(
        tables["reduce.lining_life_duty_sums"], life_id="K1/1L#1", instrument="gauge", duty="haul"
    )
    assert row["mean_km"] == pytest.approx(20_000 / 3)
    assert row["s_duty_km"] == pytest.approx(20_000 * 50_000 / 3)
    assert row["s_duty_mm"] == pytest.approx(20_000 * -2.0)
    assert row["last_km"] == 20_000.0


def test_duty_pairs_are_kept_for_lives_in_several_duties_only(tables):
    """City 0, 10, 10 and haul 0, 0, 20 thousand km: centred products by hand."""
    pairs = tables["reduce.lining_life_duty_pairs"].filter(pl.col("instrument") == "gauge")
    assert pairs["life_id"].unique().to_list() == ["K1/1L#1"]
    cross = by_life(pairs, duty_a="city", duty_b="haul")["s_km_km"]
    assert cross == pytest.approx(10_000 * 20_000 - 20_000 * 20_000 / 3)
    city = by_life(pairs, duty_a="city", duty_b="city")["s_km_km"]
    assert city == pytest.approx(2e8 - 20_000**2 / 3)


def test_a_pointer_at_its_end_stop_is_not_a_reading(tables):
    pointers = tables["reduce.lining_life_sums"].filter(pl.col("instrument") == "pointer")
    assert pointers["life_id"].to_list() == ["K1/1L#1"]


def test_pairs_of_pointer_and_gauge_are_summed_as_gaps(tables):
    """Gaps 1.0 and 0.5 mm at gauge 16 and 14 mm."""
    row = by_life(tables["reduce.lining_pointer_pairs"], life_id="K1/1L#1")
    assert (row["pairs"], row["mean_gap_mm"], row["mean_gauge_mm"]) == (2, 0.75, 15.0)
    assert row["s_gap_gap"] == pytest.approx(0.125)
    assert row["s_gap_gauge"] == pytest.approx(0.5)
    assert row["s_gauge_gauge"] == pytest.approx(2.0)


def test_arrays_hold_what_the_tables_say(tables):
    sums = lining_life_sums(*(tables[n] for n in list(tables)[:3]))
    assert sums.life_id.to_list() == ["K1/1L#1", "K1/1R#1"]
    assert sums.duties == ("city", "haul")
    assert sums.gauge.readings.tolist() == [3, 1]
    assert sums.pointer.readings.tolist() == [2, 0]
    assert sums.last_km.tolist() == [[10_000.0, 6_000.0], [20_000.0, 0.0]]
    assert sums.informative.tolist() == [True, True]


def readings_as_rows(fleet: DrawnFleet, weight: PointerWeight | None):
    """The same data row by row: every column built from its definition."""
    wide = fleet.reading_km.pivot(on="duty", index=["life_id", "inspected_on"], values="km")
    frame = fleet.readings.join(wide, on=["life_id", "inspected_on"], how="left").fill_null(0.0)
    gauge = frame.with_columns(y="lining_mm", pointer=0.0)
    parts = [gauge]
    if weight is not None:
        seen = fleet.readings["pointer_lining_mm"].is_not_null()
        parts.append(frame.filter(seen).with_columns(y="pointer_lining_mm", pointer=1.0))
    rows = pl.concat(parts)
    axle = (rows["axle_type"] == AXLES[1]).to_numpy().astype(int)
    columns = []
    for a in range(2):
        mine = axle == a
        columns.append(mine & rows["start_known"].to_numpy())
        columns += [-rows[d].to_numpy() / 1e4 * mine for d in DUTIES]
        if weight is not None:
            columns.append(rows["pointer"].to_numpy() * mine)
    return {
        "y": rows["y"].to_numpy(),
        "x": np.column_stack(columns),
        "t": rows["km_since_reline"].to_numpy() / 1e4,
        "block": np.unique(rows["life_id"].to_numpy(), return_inverse=True)[1],
        "unit": np.unique(rows["unit_id"].to_numpy(), return_inverse=True)[1],
        "unknown_intercept": ~rows["start_known"].to_numpy(),
        "weight": np.where(rows["pointer"].to_numpy() == 1.0, weight.reading if weight else 1, 1.0),
    }, rows["pointer"].to_numpy()


@pytest.mark.parametrize("weight", [None, PointerWeight(0.2)])
def test_sums_and_single_readings_give_one_fit(weight):
    """The same likelihood to rounding: 1e-10 relative, through quite different sums."""
    fleet = draw_fleet(4, 15, POINTERS)
    sums = sums_of(fleet)
    if weight is None:
        sums = without_pointer(sums, np.ones(sums.n_lives, bool))
    columns = wear_columns(sums, pointer_bias=weight is not None)
    from_sums = fit_mixed(wear_blocks(sums, columns, pointer_weight=weight or AS_GAUGE))
    from_rows = fit_mixed(blocks_from_rows(**readings_as_rows(fleet, weight)[0]))
    assert from_sums.reml_loglik == pytest.approx(from_rows.reml_loglik, rel=1e-10)
    assert from_sums.beta == pytest.approx(from_rows.beta, rel=1e-6)
    assert from_sums.covariance == pytest.approx(from_rows.covariance, rel=1e-5, abs=1e-10)


def test_a_setting_shared_by_a_pointers_readings_is_the_dense_definitions():
    """Pointer readings of one life share an error of their own; SQL sums are kept to 1e-9."""
    weight = PointerWeight(0.2, 0.7)
    fleet = draw_fleet(4, 8, POINTERS)
    sums = sums_of(fleet)
    blocks = wear_blocks(sums, wear_columns(sums, pointer_bias=True), pointer_weight=weight)
    rows, pointer = readings_as_rows(fleet, weight)
    one_setting = np.outer(pointer, pointer) * (rows["block"][:, None] == rows["block"])
    shared = weight.setting / weight.reading * one_setting
    theta = np.array([1.2, -0.05, 0.03, 0.04])
    point = reml_point(blocks, Variances(*theta, determinant=theta[0] * theta[2] - theta[1] ** 2))
    deviance, beta, sigma2 = dense_deviance(theta, **rows, shared=shared)
    assert point.deviance == pytest.approx(deviance, rel=1e-9)
    assert point.beta + blocks.offset == pytest.approx(beta, rel=1e-8)
    assert point.sigma2 == pytest.approx(sigma2, rel=1e-8)


def test_pointers_zeroed_at_a_reline_are_the_dense_definitions():
    """Where the reline is on record they have the slope and not the start, and a setting each."""
    weight = PointerWeight(0.2, 0.7, zeroed=0.3)
    fleet = draw_fleet(4, 8, POINTERS)
    sums = sums_of(fleet)
    blocks = wear_blocks(sums, wear_columns(sums, pointer_bias=True), pointer_weight=weight)
    rows, pointer = readings_as_rows(fleet, weight)
    theta = np.array([1.2, -0.05, 0.03, 0.04])
    one_life = rows["block"][:, None] == rows["block"]
    known = ~rows["unknown_intercept"]
    setting = np.where(known, weight.zeroed, weight.setting) / weight.reading
    shared = np.outer(pointer, pointer) * one_life * setting
    start = 1.0 - pointer * known
    gamma = np.array([[theta[0], theta[1]], [theta[1], theta[2]]])
    seen, all_seen = (np.column_stack([s, rows["t"]]) for s in (start, np.ones_like(start)))
    shared += (seen @ gamma @ seen.T - all_seen @ gamma @ all_seen.T) * one_life
    point = reml_point(blocks, Variances(*theta, determinant=theta[0] * theta[2] - theta[1] ** 2))
    deviance, beta, sigma2 = dense_deviance(theta, **rows, shared=shared)
    assert point.deviance == pytest.approx(deviance, rel=1e-9)
    assert point.beta + blocks.offset == pytest.approx(beta, rel=1e-8)
    assert point.sigma2 == pytest.approx(sigma2, rel=1e-8)


def test_lives_can_be_left_out_without_reading_anything_again():
    fleet = draw_fleet(5, 10, POINTERS)
    sums = sums_of(fleet)
    keep = np.arange(sums.n_lives) % 3 != 0
    kept_ids = sums.life_id.filter(pl.Series(keep)).to_list()
    part = DrawnFleet(
        fleet.readings.filter(pl.col("life_id").is_in(kept_ids)),
        fleet.reading_km.filter(pl.col("life_id").is_in(kept_ids)),
        frozenset(),
    )
    columns = wear_columns(sums, pointer_bias=True)
    chosen = wear_blocks(kept_lives(sums, keep), columns, pointer_weight=PointerWeight(0.3, 0.1))
    again = wear_blocks(sums_of(part), columns, pointer_weight=PointerWeight(0.3, 0.1))
    assert chosen.within == pytest.approx(again.within, rel=1e-9, abs=1e-9)
    assert chosen.offset == pytest.approx(again.offset, rel=1e-9)


def test_no_readings_make_empty_sums():
    tables = reduced(*(f.clear() for f in (draw_fleet(1, 1).readings, draw_fleet(1, 1).reading_km)))
    sums = lining_life_sums(*(tables[n] for n in list(tables)[:3]))
    assert sums.n_lives == 0
    assert sums.duties == ()


def test_straying_from_own_lines_is_that_of_straight_lines_through_each_life():
    """Against numpy's least squares, life by life; those that changed duty are left out."""
    fleet = draw_fleet(5, 12, FleetTruth(missing_share=0.3))
    ran = fleet.reading_km.group_by("life_id").agg(pl.col("duty").n_unique())
    squares, left = 0.0, 0
    for (_,), life in fleet.readings.join(ran, on="life_id").group_by("life_id"):
        if life.height < 3 or life["duty"][0] != 1:
            continue
        x, y = life["km_since_reline"].to_numpy() / 1e4, life["lining_mm"].to_numpy()
        squares += float(((y - np.polyval(np.polyfit(x, y, 1), x)) ** 2).sum())
        left += life.height - 2
    variance, df = off_own_lines(sums_of(fleet))
    assert left > 100
    assert (variance, df) == (pytest.approx(squares / left), left)
