"""Profile-likelihood limits: published limits, and the definition searched independently."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

from models.lives.findings.curves import fitted_curve
from models.lives.fits.data import LifeCounts, counts_from_rows
from models.lives.fits.distributions import STANDARD_DISTRIBUTIONS
from models.lives.fits.likelihood import evaluate, likelihood_terms
from models.lives.fits.parametric import NoLifeFit, fit_life
from models.lives.fits.profile import (
    Quantity,
    _coordinates,
    _coordinates_of,
    _Problem,
    _profile_at,
    life_intervals,
    profile_limits,
)
from tests.life_published import cosmesis, diesel_fans, shock_rows


@pytest.mark.parametrize(
    ("counts", "shape", "scale"),
    [
        # O'Connor (1985), Meeker & Escobar (1998): 95 % likelihood-ratio limits in 40 digits.
        (shock_rows(1, 2).counts, (1.89853217, 4.771390781), (23330.06611, 37961.91084)),
        # Nelson (1982), diesel fans.
        (diesel_fans().counts, (0.6059741895, 1.657940857), (13631.23903, 106086.9205)),
    ],
    ids=["shock-absorbers", "diesel-fans"],
)
def test_published_likelihood_ratio_limits(counts, shape, scale):
    limits = life_intervals(counts, fit_life(counts, "weibull"))
    assert (limits.shape.low, limits.shape.high) == pytest.approx(shape, rel=1e-8)
    assert (limits.scale.low, limits.scale.high) == pytest.approx(scale, rel=1e-8)


@pytest.mark.parametrize("kind", ["shape", "quantile", "survival"])
@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_derivatives_along_each_quantity_are_the_profiles_own(name, kind):
    counts = cosmesis("RadChem").counts
    coordinates = _coordinates(
        STANDARD_DISTRIBUTIONS[name], [Quantity(kind, {"survival": 20.0}.get(kind, 0.1))]
    )
    at_fit = np.array(_coordinates_of(coordinates, fit_life(counts, name).theta)).ravel()
    problem = _Problem(
        STANDARD_DISTRIBUTIONS[name],
        likelihood_terms(counts),
        coordinates,
        at_fit[:1],
        at_fit[1:],
        0.0,
    )
    psi, nu, step = at_fit[:1] + 0.1, at_fit[1:] - 0.07, 1e-5
    at = _profile_at(problem, psi, nu)
    psi_ends = [_profile_at(problem, psi + s, nu) for s in (step, -step)]
    nu_ends = [_profile_at(problem, psi, nu + s) for s in (step, -step)]
    for name_of, ends, of in (
        ("d_psi", psi_ends, "value"),
        ("d_nu", nu_ends, "value"),
        ("d_psi_psi", psi_ends, "d_psi"),
        ("d_psi_nu", nu_ends, "d_psi"),
        ("d_nu_nu", nu_ends, "d_nu"),
    ):
        slope = (getattr(ends[0], of) - getattr(ends[1], of)) / (2 * step)
        np.testing.assert_allclose(getattr(at, name_of), slope, rtol=1e-6, atol=1e-5)


def constrained(standard, terms, value_of, wanted, start):
    """The best log-likelihood with a quantity held, by a general constrained optimiser."""
    found = optimize.minimize(
        lambda x: -evaluate(standard, terms, x[None]).value[0],
        start,
        jac=lambda x: -evaluate(standard, terms, x[None]).gradient[0],
        constraints={"type": "eq", "fun": lambda x: value_of(x) - wanted},
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 300},
    )
    assert found.success
    return -found.fun


@pytest.mark.parametrize("name", STANDARD_DISTRIBUTIONS)
def test_limits_lie_where_the_constrained_maximum_has_fallen_by_half_a_chi_square(name):
    counts = cosmesis("RadChem").counts
    fit, standard, terms = (
        fit_life(counts, name),
        STANDARD_DISTRIBUTIONS[name],
        likelihood_terms(counts),
    )
    quantities = {
        "shape": (Quantity("shape"), lambda x: standard.shape(x[1])),
        "b10": (Quantity("quantile", 0.1), lambda x: x[0] + standard.quantile(0.1) * np.exp(x[1])),
        "survival": (Quantity("survival", 20.0), lambda x: (np.log(20.0) - x[0]) / np.exp(x[1])),
    }
    limits = profile_limits(counts, fit, [q for q, _ in quantities.values()], 0.90)
    for interval, (kind, (_, value_of)) in zip(limits, quantities.items(), strict=True):
        for end in (interval.low, interval.high):
            wanted = {"shape": end, "b10": np.log(end)}.get(kind)
            if wanted is None:
                wanted = float(standard.quantile(np.array(1.0 - end)))
            best = constrained(standard, terms, value_of, wanted, fit.theta)
            drop = 2.0 * (fit.loglik - best)
            assert drop == pytest.approx(stats.chi2.ppf(0.90, 1), abs=1e-5)


def test_estimates_lie_inside_and_limits_widen_with_the_level():
    counts = shock_rows(1, 2).counts
    fit = fit_life(counts, "lognormal")
    narrow, wide = (life_intervals(counts, fit, [1e4, 2e4, 3e4], lvl) for lvl in (0.8, 0.99))
    for near, far in zip(
        (narrow.shape, narrow.scale, narrow.b10, *narrow.survival),
        (wide.shape, wide.scale, wide.b10, *wide.survival),
        strict=True,
    ):
        assert far.low < near.low < near.estimate < near.high < far.high


def test_survival_limits_stay_between_zero_and_one_far_beyond_the_records():
    counts = shock_rows(2).counts
    limits = life_intervals(counts, fit_life(counts, "weibull"), [10.0, 1e6])
    assert all(0.0 <= s.low <= s.estimate <= s.high <= 1.0 for s in limits.survival)


def test_two_failures_leave_the_upper_scale_open():
    # Two early failures among survivors: a longer and longer, flatter and flatter life stays
    # within the threshold, so the upper limit of the scale lies at no finite age.
    counts = counts_from_rows(
        np.zeros(10),
        np.array([0.0, 5e3] + [1e4] * 8),
        np.array([5e3, 1e4] + [np.inf] * 8),
    )
    limits = life_intervals(counts, fit_life(counts, "weibull"))
    assert limits.scale.low > 0.0
    assert limits.scale.high > 1e3 * limits.scale.estimate


def _few_entered_late():
    """Eight failures of fourteen adjusters, all in service before records begin, and a fit whose
    limits five units widen, unevenly along the scale and the shape."""
    left = [189.31, 220.83, 290.68, 364.81, 421.84, 630.88, 712.52, 782.91]
    right = [201.75, 262.32, 321.04, 402.68, 456.21, 659.89, 745.69, 817.81]
    entry = [56.33, 74.34, 74.71, 100.3, 138.97, 156.9, 156.94, 173.18, 184.78, 217.8, 312.64]
    counts = LifeCounts(
        left=np.array(left),
        right=np.array(right),
        failed=np.ones(8),
        censored_at=np.array([282.72, 299.28, 369.73, 703.51, 821.01]),
        censored=np.array([1.0, 1.0, 2.0, 1.0, 1.0]),
        entry=np.array([*entry, 443.92, 571.33]),
        entered=np.array([1.0] * 7 + [2.0] + [1.0] * 5),
    )
    widened = np.array([[0.0988, -0.0064], [-0.0064, 0.1704]])
    return counts, replace(fit_life(counts, "weibull"), units=5.0, covariance=widened)


def test_a_profile_that_levels_off_above_the_threshold_has_no_limit():
    # Newton meets the threshold at a maximum over the other parameter that is not the highest.
    counts, fit = _few_entered_late()
    (limit,) = profile_limits(counts, fit, [Quantity("survival", 738.9)])
    assert limit.low == 0.0
    tau = np.linspace(-6.0, 6.0, 4_001)
    z = np.log(-np.log(0.0041))  # where it stopped
    theta = np.stack([np.log(738.9) - z * np.exp(tau), tau], axis=1)
    weibull = STANDARD_DISTRIBUTIONS["weibull"]
    with np.errstate(over="ignore", invalid="ignore"):
        highest = np.nanmax(evaluate(weibull, likelihood_terms(counts), theta).value)
    assert fit.loglik - highest < 4.0  # against the 10.6 that the widened limits allow


def test_limits_of_a_curve_fall_with_age_however_units_widen_them():
    counts = shock_rows(1, 2).counts
    plain, ages = fit_life(counts, "weibull"), np.linspace(0.0, 28_100.0, 41)[1:]
    mu, _ = plain.theta
    # Not at all at one age, the more the earlier.
    least = np.array([np.log(20_000.0) - mu, -1.0])
    fit = replace(plain, covariance=plain.naive + 20.0 * np.outer(least, least), units=np.inf)
    alone = profile_limits(counts, fit, [Quantity("survival", age) for age in ages])
    assert (np.diff([limit.low for limit in alone]) > 0.01).any()
    curve = fitted_curve(counts, fit, ages)
    for name in ("ci_low", "ci_high"):
        assert (np.diff(curve[name].to_numpy()) <= 0.0).all()
    assert (curve["ci_low"] <= curve["survival"]).all()
    assert (curve["survival"] <= curve["ci_high"]).all()


def test_no_quantity_asked_gives_no_limit():
    counts = shock_rows(1).counts
    assert profile_limits(counts, fit_life(counts, "weibull"), []) == []


def haphazard(rng: np.random.Generator):
    """A few dozen adjusters or just one, any unit, exact and interval ages, entries, ties."""
    count, unit = int(rng.integers(1, 60)), 10.0 ** rng.uniform(-3, 7)
    entry = np.where(rng.random(count) < rng.random(), rng.uniform(0, 50, count), 0.0)
    left = entry + rng.exponential(30, count) * (rng.random(count) < 0.9)
    width = rng.exponential(20, count) * (rng.random(count) < rng.choice([0.5, 1.0]))
    if rng.random() < 0.5:
        entry, left, width = np.round(entry), np.round(left), np.round(width)
    right = np.where(rng.random(count) < rng.random(), left + width, np.inf)
    idle = ((right == left) & (entry >= right)) | (right == 0.0)
    return counts_from_rows(unit * entry, unit * left, unit * np.where(idle, np.inf, right)), unit


def test_haphazard_records_give_certified_fits_with_ordered_limits_or_a_reason():
    rng, fitted = np.random.default_rng(30), 0
    for _ in range(40):
        counts, unit = haphazard(rng)
        for name in STANDARD_DISTRIBUTIONS:
            fit = fit_life(counts, name)
            if isinstance(fit, NoLifeFit):
                assert fit.reason
                continue
            fitted += 1
            assert fit.convergence.certified
            found = life_intervals(counts, fit, [10.0 * unit, 60.0 * unit])
            for limit in (found.shape, found.scale, found.b10, *found.survival):
                assert limit.low <= limit.estimate * (1 + 1e-9)
                assert limit.estimate <= limit.high * (1 + 1e-9)
    assert fitted > 60
