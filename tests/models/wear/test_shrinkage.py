"""Leaning rates: by hand, by quadrature, and on published parallel trials."""

import numpy as np
import pytest
from scipy import integrate, stats

from models.wear.blocks import WearColumns
from models.wear.shrinkage import (
    SPREADS,
    NotSeparableError,
    RawRates,
    _Likelihood,
    _modes,
    mixture_limits,
    shrink_rates,
)

SCHOOLS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
SCHOOL_SE = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


def rates_of(axle, duty=None) -> WearColumns:
    axle = np.asarray(axle, np.int64)
    counted = [(axle[:i] == a).sum() for i, a in enumerate(axle)]
    return WearColumns(("rate",) * len(axle), axle, np.array(duty or counted, np.int64))


def raw_of(values, se) -> RawRates:
    values, se = np.asarray(values, float), np.asarray(se, float)
    data = np.isfinite(se)
    information = np.where(data, 1 / se**2, 0.0)
    return RawRates(
        beta=np.where(data, values, 0.0),
        covariance=np.diag(np.where(data, se, 0.0) ** 2),
        information=np.diag(information),
        score=information * np.where(data, values, 0.0),
        fixed=data,
        units=np.where(data, 3, 0),
    )


def test_one_rate_given_its_prior_is_a_weighted_mean():
    """Own 0.90 with error 0.2, prior 0.4 with sd 0.12, on the plain scale: by hand."""
    likelihood = _Likelihood(np.array([[25.0]]), np.array([25.0 * 0.9]), is_log=False)
    found = _modes(likelihood, np.array([[[1 / 0.0144]]]), np.array([[0.4]]), 0.4)
    mode, covariance = found.mode[0], found.covariance[0]
    weight = 25.0 / (25.0 + 1 / 0.0144)
    assert mode[0] == pytest.approx(weight * 0.9 + (1 - weight) * 0.4)
    assert covariance[0, 0] == pytest.approx(1 / (25.0 + 1 / 0.0144))


def test_a_rate_of_its_own_alone_stays_what_it_is():
    shrunk = shrink_rates(raw_of([0.5], [0.05]), rates_of([0]))
    assert shrunk.beta[0] == pytest.approx(0.5, rel=1e-6)
    assert np.sqrt(shrunk.covariance[0, 0]) == pytest.approx(0.05, rel=1e-3)
    assert not shrunk.leans[0]


def limits_of(shrunk, rate, df, level):
    """Of one rate; all lean in these cases, in their own order."""
    low, high = mixture_limits(shrunk, np.full(len(shrunk.columns), df), level)
    return low[rate], high[rate]


def test_a_duty_without_readings_is_what_other_axle_types_say_of_it():
    """Twice the rate on axle type 0 in both other duties: about so in the one that never ran there.
    Two pairs leave open how far proportions hold, so it is drawn part of the way to the mean of
    its own axle type, 0.3."""
    raw = raw_of([0.4, 0.8, 1.2, 0.2, 0.4, 0.0], [0.01] * 5 + [np.inf])
    shrunk = shrink_rates(raw, rates_of([0, 0, 0, 1, 1, 1]))
    low, high = limits_of(shrunk, 5, 1e6, 0.95)
    assert 0.48 < shrunk.beta[5] < 0.6
    assert 0.0 < low < 0.6 < high
    assert shrunk.leans.tolist() == [False] * 5 + [True]


def test_without_any_like_it_a_rate_is_wide_but_above_zero():
    raw = raw_of([0.3, 0.5, 0.0], [0.02, 0.04, np.inf])
    shrunk = shrink_rates(raw, rates_of([0, 0, 1], [0, 1, 2]))
    low, high = limits_of(shrunk, 2, 1e6, 0.95)
    assert 0.0 < low < 0.1
    assert high > 1.0


def posterior_by_quadrature(school: int) -> tuple[float, float]:
    """Mean and sd of one school's effect with the mean integrated out, by adaptive quadrature."""
    level = float(np.median(np.abs(SCHOOLS) + SCHOOL_SE))

    def parts(spread):
        w = 1 / (SCHOOL_SE**2 + spread**2)
        mu, v_mu = (w @ SCHOOLS) / w.sum(), 1 / w.sum()
        log_l = 0.5 * np.log(w).sum() + 0.5 * np.log(v_mu) - 0.5 * w @ (SCHOOLS - mu) ** 2
        prior = np.exp(-0.5 * (spread / level) ** 2)
        v = 1 / (1 / SCHOOL_SE[school] ** 2 + 1 / spread**2)
        back = v / spread**2
        mean = v * SCHOOLS[school] / SCHOOL_SE[school] ** 2 + back * mu
        return np.exp(log_l) * prior, mean, v + back**2 * v_mu

    low, high = SPREADS[0] * level, SPREADS[-1] * level
    total, first, second = (
        integrate.quad(lambda s, f=f: f(*parts(s)), low, high, limit=200)[0]
        for f in (
            lambda w, m, v: w,
            lambda w, m, v: w * m,
            lambda w, m, v: w * (v + m * m),
        )
    )
    return first / total, float(np.sqrt(second / total - (first / total) ** 2))


def schools():
    level = float(np.median(np.abs(SCHOOLS) + SCHOOL_SE))
    return shrink_rates(
        raw_of(SCHOOLS, SCHOOL_SE), rates_of(np.zeros(8)), is_log=False, level=level
    )


def test_the_spread_is_integrated_out_as_quadrature_does():
    """Grid of 60 spreads against adaptive quadrature: 1e-3 of a posterior sd of about 7."""
    shrunk = schools()
    for school in (0, 2, 6):
        mean, sd = posterior_by_quadrature(school)
        assert shrunk.beta[school] == pytest.approx(mean, abs=0.01)
        assert np.sqrt(shrunk.covariance[school, school]) == pytest.approx(sd, abs=0.01)


def test_parallel_trials_are_shrunk_as_published():
    """Rubin (1981), J. Educational Statistics 6:377: eight schools. Posterior median and 95 %
    limits of the first with a flat prior on the spread are 10, -2 and 31 (from memory: Gelman et
    al., Bayesian Data Analysis, table 5.3); a half-normal prior lies close."""
    shrunk = schools()
    low, high = limits_of(shrunk, 0, 1e6, 0.95)
    assert shrunk.beta[0] == pytest.approx(10.5, abs=1.5)
    assert low == pytest.approx(-2, abs=1.5)
    assert high == pytest.approx(31, abs=2.5)


def test_limits_are_quantiles_of_the_mixture():
    shrunk = shrink_rates(raw_of([0.3, 0.5, 0.9], [0.01, 0.01, 0.2]), rates_of([0] * 3))
    low, high = limits_of(shrunk, 2, 8.0, 0.9)
    for limit, p in ((low, 0.05), (high, 0.95)):
        cdf = stats.t.cdf((np.log(limit) - shrunk.means[:, 2]) / shrunk.sds[:, 2], 8.0)
        assert shrunk.weights @ cdf == pytest.approx(p, abs=1e-9)


def test_close_duties_draw_a_thin_one_nearer_than_scattered_ones():
    se = [0.01, 0.01, 0.01, 0.2]
    close = shrink_rates(raw_of([0.39, 0.4, 0.41, 0.9], se), rates_of([0] * 4))
    apart = shrink_rates(raw_of([0.1, 0.4, 0.7, 0.9], se), rates_of([0] * 4))
    assert close.spread < apart.spread
    assert close.beta[3] < apart.beta[3]


def test_nothing_to_lean_on_is_an_error_in_words():
    raw = raw_of([0.0, 0.0], [np.inf, np.inf])
    with pytest.raises(NotSeparableError, match="do not tell wear"):
        shrink_rates(raw, rates_of([0, 0]))
