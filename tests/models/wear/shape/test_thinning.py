"""How much faster linings wear near their minimum: found when drawn, not when not."""

import numpy as np
import polars as pl
import pytest
from scipy.optimize import least_squares

from models.wear.shape.scale import WearScale
from models.wear.shape.thinning import (
    Thinning,
    departures_beside,
    found_thinning,
    is_of_all,
    thinning_told,
)
from tests.fleets.linings import FleetTruth, draw_fleet

NEW = {"carrying": 18.0, "steering": 16.0}
MINIMUM_MM = 6.0


def with_limits(readings: pl.DataFrame) -> pl.DataFrame:
    return readings.with_columns(
        lining_new_mm=pl.col("axle_type").cast(pl.String).replace_strict(NEW),
        lining_min_mm=pl.lit(MINIMUM_MM),
    )


def drawn(seed: int, units: int, ratio: float, sd: float = 0.3, **truth):
    """Readings of linings that wear ``ratio`` times as fast at their minimum as new, on top of
    spread between units and linings."""
    even = FleetTruth(round_to_mm=0.0, residual_sd=0.0, **truth)
    fleet = draw_fleet(seed, units, even)
    readings = with_limits(fleet.readings)
    new, least = (readings[c].to_numpy() for c in ("lining_new_mm", "lining_min_mm"))
    scale = WearScale(float(np.log(ratio)), least, new - least)
    true = least + scale.above_mm(readings["lining_mm"].to_numpy() - least)
    read = true + np.random.default_rng(seed).normal(0.0, sd, len(true))
    return readings.with_columns(pl.Series("lining_mm", read)), fleet.reading_km


@pytest.mark.parametrize("ratio", [0.4, 1.0, 1.5, 2.6])
def test_the_ratio_is_found_beside_spread_and_duties(ratio):
    off = []
    for seed in range(5):
        found = found_thinning(*drawn(seed, 60, ratio))
        assert found is not None
        off.append((found.log_ratio - np.log(ratio)) / found.se)
        assert found.se < 0.1
        assert found.is_shown == (ratio != 1.0)
    assert np.abs(off).max() < 3.5
    assert abs(np.mean(off)) < 2.0


def by_depot(readings: pl.DataFrame, km: pl.DataFrame, depot: pl.Expr) -> tuple[Thinning, list]:
    found = found_thinning(readings, km)
    assert found is not None
    assert found.is_shown
    parts = readings.with_columns(depot=depot).partition_by("depot")
    assert len(parts) == 2
    return found, [each for each in (found_thinning(part, km) for part in parts) if each]


HALF = pl.col("unit_id").rank("dense") % 2


@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_what_linings_do_is_seen_at_every_depot_and_a_gauge_at_its_own(ratio):
    for seed in range(5):
        assert is_of_all(*by_depot(*drawn(seed, 60, ratio), HALF))
    for seed in range(5):
        readings, km = drawn(seed, 60, 1.0)
        # The gauge of one depot reads up to 1.5 mm off where linings are thin.
        thin = (1.0 - (pl.col("lining_mm") - MINIMUM_MM) / 5.0).clip(0.0, 1.0)
        off = 1.5 * thin * (HALF == 1) * (1.0 if ratio < 1.0 else -1.0)
        wrong = readings.with_columns(pl.col("lining_mm") + off)
        assert not is_of_all(*by_depot(wrong, km, HALF))


def test_depots_that_can_tell_nothing_speak_neither_for_it_nor_against():
    found = Thinning(0.6, 0.05, 50.0, 1e-9)
    assert is_of_all(found, [])
    assert is_of_all(found, [Thinning(0.1, 0.1, 9.0, 0.7)])
    assert not is_of_all(found, [found, Thinning(0.02, 0.05, 20.0, 0.8)])


def test_few_even_fleets_are_thought_to_quicken():
    """One in a hundred, and only beyond a tenth: none of 25 is expected."""
    found = [found_thinning(*drawn(seed, 40, 1.0)) for seed in range(100, 125)]
    assert not any(f.is_shown for f in found if f is not None)


def test_least_squares_of_gauge_readings_finds_the_same():
    """Linings that all wear alike, read in mm: scipy's least squares of the curve in mm."""
    alike = {"intercept_sd": 0.0, "life_sd": 0.0, "unit_sd": 0.0, "unknown_share": 0.0}
    readings, km = drawn(7, 60, 2.0, sd=0.2, **alike)
    found = found_thinning(readings, km)
    wide = km.pivot(on="duty", index=["life_id", "inspected_on", "as_left"], values="km")
    duties = [c for c in wide.columns if c not in ("life_id", "inspected_on", "as_left")]
    rows = readings.join(wide, on=["life_id", "inspected_on", "as_left"], how="left")
    run = rows.select(pl.col(duties).fill_null(0.0)).to_numpy() / 1e4
    carrying = (rows["axle_type"].cast(pl.String) == "carrying").to_numpy()
    new, least, read = (rows[c].to_numpy() for c in ("lining_new_mm", "lining_min_mm", "lining_mm"))

    def off(p: np.ndarray) -> np.ndarray:
        rates = np.where(carrying[:, None], p[1:4], p[4:7])
        left = np.where(carrying, p[7], p[8]) - (run * rates).sum(axis=1) - least
        return least + WearScale(p[0], least, new - least).above_mm(left) - read

    start = np.array([0.1, *([0.4] * 6), 18.0, 16.0])
    theirs = least_squares(off, start)
    assert found is not None
    assert found.log_ratio == pytest.approx(theirs.x[0], abs=found.se / 2)
    error = float(np.sqrt(np.linalg.inv(theirs.jac.T @ theirs.jac)[0, 0])) * 0.2
    # Ours asks for bedding-in and a season too, which theirs takes to be none.
    assert error * 0.95 < found.se < 2.0 * error


def test_nothing_is_said_where_too_little_was_read():
    readings, km = drawn(1, 3, 2.0)
    assert found_thinning(readings, km) is None
    assert found_thinning(readings.clear(), km.clear()) is None


def test_a_bend_by_less_than_a_tenth_is_none():
    assert not Thinning(0.05, 0.001, 500.0, 1e-9).is_shown
    assert Thinning(-0.15, 0.001, 500.0, 1e-9).is_shown
    assert not Thinning(0.4, 0.3, 500.0, 0.18).is_shown


def test_it_is_told_with_its_interval():
    told = thinning_told(Thinning(np.log(2.0), 0.1, 1e6, 1e-9))
    assert told.estimate == pytest.approx(2.0)
    assert told.ci_low == pytest.approx(2.0 * np.exp(-0.196), rel=1e-3)
    assert told.ci_high == pytest.approx(2.0 * np.exp(0.196), rel=1e-3)
    assert "2.00 times as fast" in told.sentence


def test_bedding_in_is_told_beside_it_in_mm_by_a_gauge():
    readings, km = drawn(3, 80, 2.5)
    lost = 0.5 * -np.expm1(-readings["km_since_reline"].to_numpy() / 8_000.0)
    known = readings["start_known"].to_numpy()
    readings = readings.with_columns(lining_mm=pl.col("lining_mm") - pl.Series(lost * known))
    found = found_thinning(readings, km)
    assert found is not None
    told = {d.kind: d for d in departures_beside(readings, km, found)}
    assert set(told) == {"bedding-in", "season", "thinning"}
    assert told["bedding-in"].estimate == pytest.approx(0.5, abs=4 * told["bedding-in"].se)
