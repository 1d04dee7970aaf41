"""Leaning thin rates on others: by hand, by quadrature, and on published parallel trials."""

import numpy as np
import pytest
from scipy import integrate, stats

from models.wear.blocks import WearColumns
from models.wear.shrinkage import (
    SPREADS,
    NotSeparableError,
    RawRates,
    _given_spread,
    _prior_precision,
    mixture_limits,
    shrink_rates,
)

SCHOOLS = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
SCHOOL_SE = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


def rates_of(axle) -> WearColumns:
    axle = np.asarray(axle, np.int64)
    duty = np.array([(axle[:i] == a).sum() for i, a in enumerate(axle)], np.int64)
    return WearColumns(("rate",) * len(axle), axle, duty)


def raw_of(values, se, keep) -> RawRates:
    values, se = np.asarray(values, float), np.asarray(se, float)
    data = np.isfinite(se)
    information = np.where(data, 1 / se**2, 0.0)
    return RawRates(
        beta=np.where(data, values, 0.0),
        covariance=np.diag(np.where(data, se, 0.0) ** 2),
        information=np.diag(information),
        score=information * np.where(data, values, 0.0),
        fixed=data,
        keep=np.asarray(keep, bool),
        with_data=data,
    )


def test_one_thin_rate_given_the_spread_is_a_weighted_mean():
    """Others at 0.30 and 0.50 (exact), own 0.90 ± 0.2; spread 0.1 about their mean: by hand."""
    raw, columns = raw_of([0.3, 0.5, 0.9], [1e-9, 1e-9, 0.2], [1, 1, 0]), rates_of([0, 0, 0])
    mean, covariance = _given_spread(raw, _prior_precision(raw, columns, 0.1, 1.0))
    prior_variance = 0.1**2 * (1 + 1 / 2)
    weight = (1 / 0.04) / (1 / 0.04 + 1 / prior_variance)
    assert mean[2] == pytest.approx(weight * 0.9 + (1 - weight) * 0.4)
    assert covariance[2, 2] == pytest.approx(1 / (1 / 0.04 + 1 / prior_variance))
    assert mean[:2] == pytest.approx([0.3, 0.5])


def test_what_the_others_do_not_know_is_handed_on():
    """A duty that never ran: mean of the others, their own errors in its variance."""
    raw, columns = raw_of([0.3, 0.5, 0.0], [0.02, 0.04, np.inf], [1, 1, 0]), rates_of([0, 0, 0])
    mean, covariance = _given_spread(raw, _prior_precision(raw, columns, 0.1, 1.0))
    assert mean[2] == pytest.approx(0.4)
    handed = (0.02**2 + 0.04**2) / 4
    assert covariance[2, 2] == pytest.approx(0.1**2 * 1.5 + handed)
    assert covariance[2, 0] == pytest.approx(0.02**2 / 2)


def test_an_axle_type_without_data_leans_widely_on_the_fleet():
    raw = raw_of([0.3, 0.5, 0.0], [0.02, 0.04, np.inf], [1, 1, 0])
    columns = rates_of([0, 0, 1])
    mean, covariance = _given_spread(raw, _prior_precision(raw, columns, 0.1, 0.5))
    assert mean[2] == pytest.approx(0.4)
    assert covariance[2, 2] == pytest.approx(0.5**2 * 1.5 + (0.02**2 + 0.04**2) / 4)


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


def test_the_spread_is_integrated_out_as_quadrature_does():
    """Grid of 60 spreads against adaptive quadrature: 1e-3 of a posterior sd of about 7."""
    shrunk = shrink_rates(raw_of(SCHOOLS, SCHOOL_SE, np.zeros(8)), rates_of(np.zeros(8)))
    for school in (0, 2, 6):
        mean, sd = posterior_by_quadrature(school)
        assert shrunk.beta[school] == pytest.approx(mean, abs=0.01)
        assert np.sqrt(shrunk.covariance[school, school]) == pytest.approx(sd, abs=0.01)


def test_parallel_trials_are_shrunk_as_published():
    """Rubin (1981), J. Educational Statistics 6:377: eight schools. Posterior median and 95 %
    limits of the first with a flat prior on the spread are 10, -2 and 31 (from memory: Gelman et
    al., Bayesian Data Analysis, table 5.3); a half-normal prior lies close."""
    shrunk = shrink_rates(raw_of(SCHOOLS, SCHOOL_SE, np.zeros(8)), rates_of(np.zeros(8)))
    low, high = mixture_limits(shrunk, 0, 1e6, 0.95)
    assert shrunk.beta[0] == pytest.approx(10.5, abs=1.5)
    assert low == pytest.approx(-2, abs=1.5)
    assert high == pytest.approx(31, abs=2.5)


def test_limits_are_quantiles_of_the_mixture():
    shrunk = shrink_rates(raw_of([0.3, 0.5, 0.9], [0.01, 0.01, 0.2], [1, 1, 0]), rates_of([0] * 3))
    low, high = mixture_limits(shrunk, 2, 8.0, 0.9)
    for limit, p in ((low, 0.05), (high, 0.95)):
        cdf = stats.t.cdf((limit - shrunk.means[:, 2]) / shrunk.sds[:, 2], 8.0)
        assert shrunk.weights @ cdf == pytest.approx(p, abs=1e-9)


def test_close_duties_draw_a_thin_one_nearer_than_scattered_ones():
    se, keep = [0.01, 0.01, 0.01, 0.2], [1, 1, 1, 0]
    close = shrink_rates(raw_of([0.39, 0.4, 0.41, 0.9], se, keep), rates_of([0] * 4))
    apart = shrink_rates(raw_of([0.1, 0.4, 0.7, 0.9], se, keep), rates_of([0] * 4))
    assert close.spread < apart.spread
    assert close.beta[3] < apart.beta[3]


def test_nothing_to_lean_on_is_an_error_in_words():
    raw = raw_of([0.0, 0.0], [np.inf, np.inf], [0, 0])
    with pytest.raises(NotSeparableError, match="do not tell wear"):
        shrink_rates(raw, rates_of([0, 0]))
