"""The fleet's wear fit: recovery of drawn truth, thin groups, and input it must survive."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy import stats

from models.mixed.blocks import blocks_from_rows
from models.mixed.fit import fit_mixed
from models.mixed.satterthwaite import satterthwaite_df
from models.wear.fit import Detail, fit_wear
from models.wear.result import components_frame, rates_frame
from models.wear.spread import EVEN
from models.wear.sums import kept_lives, lining_life_sums
from tests.fleets.linings import (
    AXLES,
    DUTIES,
    DrawnFleet,
    FleetTruth,
    draw_fleet,
    reduced,
    sums_of,
)

TRUTH = FleetTruth()


@pytest.fixture(scope="module")
def fleet() -> DrawnFleet:
    return draw_fleet(1, 120)


@pytest.fixture(scope="module")
def fit(fleet):
    return fit_wear(sums_of(fleet))


def truth_of(rate, truth=TRUTH):
    return truth.rates[AXLES.index(rate.axle_type), DUTIES.index(rate.duty)]


def drawn_lives(rows, *, known=True, units=None):
    """Readings (life, unit, km, lining[, duty]) as reduced sums of one axle type."""
    frame = pl.DataFrame(
        [(*r, "ring") if len(r) == 4 else r for r in rows],
        schema={
            "life_id": pl.String,
            "unit_id": pl.String,
            "km": pl.Float64,
            "lining_mm": pl.Float64,
            "duty": pl.String,
        },
        orient="row",
    ).with_columns(
        wheel_end_id="life_id",
        axle_type=pl.lit("carrying"),
        start_known=pl.lit(known),
        as_left=pl.lit(False),
        inspected_on=pl.lit(np.datetime64("2024-01-01")).cast(pl.Date)
        + pl.duration(days=pl.int_range(pl.len()).over("life_id")),
        km_since_reline="km",
        pointer_deg=pl.lit(None, pl.Float64),
        pointer_lining_mm=pl.lit(None, pl.Float64),
    )
    km = frame.filter(pl.col("km") > 0).select("life_id", "inspected_on", "as_left", "duty", "km")
    return lining_life_sums(*list(reduced(frame, km).values())[:3])


def test_rates_are_within_their_intervals(fit):
    """Six 95 % intervals at one seed: one miss is allowed."""
    hits = [rate.ci_low <= truth_of(rate) <= rate.ci_high for rate in fit.rates]
    assert len(hits) == 6
    assert sum(hits) >= 5
    assert fit.converged


def test_spreads_are_within_three_of_their_errors(fit):
    """Rounding to half a millimetre adds 0.5²/12 to the error variance."""
    c = fit.components
    assert c.between_unit_sd == pytest.approx(TRUTH.unit_sd, abs=3 * c.between_unit_sd_se)
    assert c.between_life_sd == pytest.approx(TRUTH.life_sd, abs=3 * c.between_life_sd_se)
    assert c.intercept_sd == pytest.approx(TRUTH.intercept_sd, abs=3 * c.intercept_sd_se)
    seen = np.sqrt(TRUTH.residual_sd**2 + TRUTH.round_to_mm**2 / 12)
    assert c.residual_sd == pytest.approx(seen, abs=3 * c.residual_sd_se)


def test_starts_are_those_of_the_axle_types(fit):
    for start, true in zip(fit.starts, TRUTH.starts, strict=True):
        assert start.mm == pytest.approx(true, abs=4 * start.se)


def test_counts_are_those_of_the_readings(fleet, fit):
    assert fit.n_readings == fleet.readings.height
    assert fit.n_lives == fleet.readings["life_id"].n_unique()
    assert fit.n_units == 120


def test_tables_carry_the_contract_columns(fit):
    assert rates_frame(fit).columns[:6] == [
        "axle_type", "duty", "units", "lives", "readings", "mm_per_10000km",
    ]  # fmt: skip
    assert rates_frame(fit).null_count().sum_horizontal().item() == 0
    row = components_frame(fit).row(0, named=True)
    assert row["reml_loglik"] == fit.reml_loglik
    assert row["converged"] is True


@pytest.mark.proof
def test_intervals_cover_in_small_fleets_that_change_duty():
    """24 fleets of 30 units, 144 intervals: 95 % coverage leaves 129 at 1 in 1000."""
    hits = [
        rate.ci_low <= truth_of(rate) <= rate.ci_high
        for seed in range(24)
        for rate in fit_wear(sums_of(draw_fleet(100 + seed, 30))).rates
    ]
    assert len(hits) == 144
    assert sum(hits) >= stats.binom.ppf(0.001, 144, 0.95)


@pytest.mark.parametrize("offset", [1e4, 1e5, 1e6, 1e7])
def test_where_an_unknown_start_is_counted_from_does_not_matter(offset):
    rng = np.random.default_rng(8)
    rows = [
        (f"W{i}", f"K{i // 3}", float(k), 15 - 0.4e-4 * k * (1 + 0.1 * (i % 3)) + e)
        for i in range(30)
        for k, e in zip(np.arange(1, 6) * 2e4, rng.normal(0, 0.3, 5), strict=True)
    ]
    near = fit_wear(drawn_lives(rows, known=False))
    far = fit_wear(drawn_lives([(a, b, k + offset, y) for a, b, k, y in rows], known=False))
    assert far.rates[0].mm_per_10000km == pytest.approx(near.rates[0].mm_per_10000km, rel=1e-7)
    assert far.rates[0].se == pytest.approx(near.rates[0].se, rel=1e-6)
    assert far.reml_loglik == pytest.approx(near.reml_loglik, rel=1e-9)
    assert far.converged


def test_standard_errors_know_that_wheel_ends_share_a_unit(fleet, fit):
    """Taken as strangers, lives that share a unit's slope (sd 0.05 beside 0.06) look too sure."""
    sums = sums_of(fleet)
    strangers = fit_wear(
        replace(sums, unit=np.arange(sums.n_lives), units=pl.Series(sums.life_id.to_list()))
    )
    for shared, apart in zip(fit.rates, strangers.rates, strict=True):
        assert shared.se > 1.1 * apart.se


def thin_fleet(fleet, units):
    """The fleet with 'gravel' left to a few units only."""
    ran = fleet.reading_km.filter(pl.col("duty") == "gravel")["life_id"].unique().to_list()
    owners = (
        fleet.readings.filter(pl.col("life_id").is_in(ran))
        .group_by("unit_id").agg(pl.len()).sort("unit_id")["unit_id"].to_list()
    )  # fmt: skip
    gone = owners[units:]
    kept = fleet.readings.filter(~pl.col("unit_id").is_in(gone))
    km = fleet.reading_km.join(kept.select("life_id").unique(), on="life_id")
    return DrawnFleet(kept, km)


def owner_of(fleet, duty):
    ran = fleet.reading_km.filter(pl.col("duty") == duty).select("life_id").unique()
    return fleet.readings.join(ran, on="life_id", how="semi")["unit_id"].unique().item()


def early_fleet(fleet):
    """The fleet with 'gravel' left to one unit, read twice only."""
    few = thin_fleet(fleet, 1)
    early = few.readings.filter(
        (pl.col("unit_id") != owner_of(few, "gravel"))
        | (pl.int_range(pl.len()).over("life_id") < 3)
    )
    return DrawnFleet(early, few.reading_km)


def test_a_thin_group_leans_on_its_axle_type_and_says_so(fleet):
    thin = fit_wear(sums_of(early_fleet(fleet)))
    rate, others = thin.rate("steering", "gravel"), thin.rate("steering", "ring")
    assert rate.units == 1
    assert rate.shrunk
    assert not others.shrunk
    assert rate.se < 0.8 * rate.raw_se
    assert others.se == pytest.approx(others.raw_se, rel=0.05)
    # Where gravel wears the carrying axle in the proportion of the other duties, the steering one
    # lies below what its own unit says: that is where it is drawn to.
    assert rate.mm_per_10000km < rate.raw_mm_per_10000km
    assert any(
        "leans by a quarter or more on other duties" in " ".join(note.split()) and "1 unit" in note
        for note in thin.notes
    )


def test_groups_lean_the_less_the_more_units_they_have(fleet):
    """No number of units switches it: the share of variance that others take falls all the way."""
    shares = []
    for units in (2, 4, 8, 16):
        rate = fit_wear(sums_of(thin_fleet(fleet, units))).rate("steering", "gravel")
        shares.append(1 - (rate.se / rate.raw_se) ** 2)
        assert rate.ci_low > 0.0
    assert shares[0] > 0.25
    assert shares[-1] < 0.1
    assert shares[0] > shares[1] > shares[3]


@pytest.mark.proof
def test_units_that_seem_not_to_differ_have_no_more_degrees_of_freedom_than_units_less_rates():
    """Twelve units that do not differ: where their spread is estimated as zero, the many lives
    would pass for independent; where it is not, its own doubt is in Satterthwaite's."""
    alike, none = FleetTruth(unit_sd=0.0), 0
    for seed in range(4):
        fit = fit_wear(sums_of(draw_fleet(seed, 12, alike)), shrink=False)
        own = satterthwaite_df(fit.mixed, np.eye(len(fit.mixed.beta)))
        if fit.components.between_unit_sd < 1e-6:
            none += 1
            assert all(1.0 <= rate.df <= 12 - 6 for rate in fit.rates)
        else:
            assert [rate.df for rate in fit.rates] == own[fit.columns.where("rate")].tolist()
    assert 0 < none < 4


def test_shrinking_leaves_well_supported_rates_alone(fleet):
    sums = sums_of(thin_fleet(fleet, 2))
    with_shrinking, without = fit_wear(sums), fit_wear(sums, shrink=False)
    for duty in ("ring", "trunk"):
        a, b = with_shrinking.rate("steering", duty), without.rate("steering", duty)
        assert a.mm_per_10000km == pytest.approx(b.mm_per_10000km, abs=0.2 * b.se)
        assert a.se == pytest.approx(b.se, rel=0.15)


def test_a_duty_that_never_ran_on_an_axle_type_borrows_a_wide_rate(fleet):
    frame = fleet.readings
    drop = (
        fleet.reading_km.filter(pl.col("duty") == "gravel")
        .join(frame.filter(pl.col("axle_type") == "carrying"), on="life_id", how="semi")["life_id"]
        .unique().to_list()
    )  # fmt: skip
    kept = frame.filter(~pl.col("life_id").is_in(drop))
    km = fleet.reading_km.filter(~pl.col("life_id").is_in(drop))
    fit = fit_wear(sums_of(DrawnFleet(kept, km)))
    rate = fit.rate("carrying", "gravel")
    assert (rate.readings, rate.raw_mm_per_10000km, rate.shrunk) == (0, None, True)
    assert 0.0 < rate.ci_low < TRUTH.rates[0, 0] < rate.ci_high
    assert rate.se > 5 * fit.rate("carrying", "ring").se


def test_duties_that_always_run_together_are_not_told_apart():
    """Half of every km in each of two duties: only their mean is known."""
    fleet = draw_fleet(3, 20, FleetTruth(change_share=0.0))
    km = fleet.reading_km.with_columns(pl.col("km") / 2)
    both = pl.concat([km.with_columns(duty=pl.lit(d)) for d in ("city", "haul")])
    fit = fit_wear(sums_of(DrawnFleet(fleet.readings, both)), laws=(EVEN,))
    city, haul = fit.rate("carrying", "city"), fit.rate("carrying", "haul")
    assert city.shrunk
    assert haul.shrunk
    assert city.mm_per_10000km == pytest.approx(haul.mm_per_10000km, rel=1e-6)
    plain = sums_of(DrawnFleet(fleet.readings, fleet.reading_km.with_columns(duty=pl.lit("all"))))
    whole = fit_wear(plain, laws=(EVEN,)).rate("carrying", "all")
    assert city.mm_per_10000km == pytest.approx(whole.mm_per_10000km, rel=1e-4)
    assert city.se > 3 * whole.se


def finite(fit) -> bool:
    numbers = [getattr(r, n) for r in fit.rates for n in ("mm_per_10000km", "se", "df", "ci_low")]
    parts = [v for v in components_frame(fit).row(0) if isinstance(v, float)]
    return bool(np.isfinite([*numbers, *parts]).all())


def straight(n_lives, kms, *, rate=0.5, per_unit=3, noise=0.3, seed=0, start=18.0):
    rng = np.random.default_rng(seed)
    return [
        (f"W{i}", f"K{i // per_unit}", float(k), start - rate * k / 1e4 + rng.normal(0, noise))
        for i in range(n_lives)
        for k in kms
    ]


def test_no_readings_at_all_is_a_sentence():
    empty = fit_wear(drawn_lives([]))
    assert empty.rates == ()
    assert empty.notes == ("No lining readings: no wear rates.",)
    assert rates_frame(empty).is_empty()
    assert components_frame(empty)["reml_loglik"].to_list() == [None]


def test_one_reading_each_of_unknown_starts_is_a_sentence():
    fit = fit_wear(drawn_lives(straight(5, [1e4]), known=False))
    assert fit.rates == ()
    assert "read at two odometer readings" in fit.notes[0]


def test_one_reading_each_of_known_starts_has_a_rate():
    rng = np.random.default_rng(4)
    rows = [
        (f"W{i}", f"K{i // 2}", k, 18 - 0.5e-4 * k + rng.normal(0, 0.3))
        for i, k in enumerate(rng.uniform(1e4, 2e5, 60))
    ]
    fit = fit_wear(drawn_lives(rows))
    assert fit.rates[0].mm_per_10000km == pytest.approx(0.5, abs=4 * fit.rates[0].se)
    assert any("starting thickness cannot be told" in note for note in fit.notes)
    assert finite(fit)


def test_one_unit_says_that_its_spread_is_missing():
    fit = fit_wear(drawn_lives(straight(6, [1e4, 5e4, 9e4], per_unit=6)))
    assert fit.rates[0].ci_low < 0.5 < fit.rates[0].ci_high
    assert any("one unit" in note for note in fit.notes)
    assert finite(fit)


def test_one_life_with_three_readings_is_fitted_or_refused_in_words():
    fit = fit_wear(drawn_lives(straight(1, [1e4, 5e4, 9e4])))
    assert finite(fit)
    assert fit.notes


def test_two_readings_are_too_few_and_say_so():
    fit = fit_wear(drawn_lives(straight(1, [1e4, 5e4])))
    assert fit.rates == ()
    assert fit.notes == ("No wear rates: 2 readings for 2 coefficients: one more is the least.",)


def test_readings_exactly_on_a_line_assume_the_gauge_s_own_error():
    fit = fit_wear(drawn_lives(straight(12, [1e4, 5e4, 9e4], noise=0.0)))
    assert fit.rates[0].mm_per_10000km == pytest.approx(0.5, rel=1e-6)
    assert fit.rates[0].se > 0
    assert any("closer to straight lines" in note for note in fit.notes)
    assert finite(fit)


def test_linings_that_are_all_new_do_not_show_wear():
    fit = fit_wear(drawn_lives(straight(12, [0.0, 100.0, 300.0])))
    assert any("do not yet show wear" in note for note in fit.notes)
    assert finite(fit)


def test_readings_before_the_first_km_are_refused_in_words():
    fit = fit_wear(drawn_lives(straight(5, [0.0])))
    assert fit.rates == ()
    assert "No wear rates" in fit.notes[0]


def test_linings_that_grow_are_reported_not_hidden():
    fit = fit_wear(drawn_lives(straight(12, [1e4, 5e4, 9e4], rate=-0.5)))
    assert fit.rates[0].mm_per_10000km == pytest.approx(-0.5, abs=0.1)
    assert any("seem to grow" in note for note in fit.notes)


def test_many_lives_in_one_unit():
    rng = np.random.default_rng(9)
    n, km = 50_000, np.array([2e4, 6e4, 1.2e5])
    block = np.repeat(np.arange(n), 3)
    t = np.tile(km / 1e4, n)
    y = 18 - (0.5 + rng.normal(0, 0.1, n))[block] * t + rng.normal(0, 0.4, 3 * n)
    x = np.column_stack([np.ones_like(t), -t])
    two = np.where(block < 25_000, 0, 1)
    fit = fit_mixed(blocks_from_rows(y, x, t, block, unit=two))
    assert fit.converged
    assert fit.beta == pytest.approx([18, 0.5], abs=0.02)
    alone = fit_mixed(blocks_from_rows(y, x, t, block, unit=two * 0))
    assert alone.unit_variance == 0.0
    assert alone.converged


def test_lives_that_say_nothing_do_not_change_the_rates(fleet, fit):
    sums = sums_of(fleet)
    told = fit_wear(kept_lives(sums, sums.informative))
    for a, b in zip(told.rates, fit.rates, strict=True):
        assert a.mm_per_10000km == pytest.approx(b.mm_per_10000km, rel=1e-3)


def test_degrees_of_freedom_are_exact_where_the_design_is_balanced():
    """n - 1 for n children measured at the same ages: the slope's variance is a mean square."""
    rng = np.random.default_rng(6)
    block, t = np.repeat(np.arange(9), 4), np.tile(np.arange(4.0), 9)
    y = rng.normal(0, 1, 36) + rng.normal(0, 2, 9)[block] + rng.normal(1, 1, 9)[block] * t
    blocks = blocks_from_rows(y, np.column_stack([np.ones(36), t]), t, block)
    df = satterthwaite_df(fit_mixed(blocks), np.eye(2))
    assert df == pytest.approx([8.0, 8.0], rel=1e-6)


def test_a_fit_that_starts_from_its_like_ends_where_one_from_nothing_does():
    """Another fleet's weights and variances to begin with: within a thousandth of the errors."""
    sums, other = (sums_of(draw_fleet(seed, 60)) for seed in (5, 6))
    plain = fit_wear(sums)
    again = fit_wear(sums, laws=plain.laws, start=fit_wear(other, laws=plain.laws))
    error = np.sqrt(np.diag(plain.covariance))
    assert np.abs((again.beta - plain.beta) / error).max() < 1e-3
    assert np.sqrt(np.diag(again.covariance)) == pytest.approx(error, rel=1e-3)
    few = fit_wear(sums, laws=plain.laws, start=plain, detail=Detail.VARIANCES)
    assert few.mixed.sigma2 == pytest.approx(plain.mixed.sigma2, rel=1e-4)
    assert few.rates == ()
