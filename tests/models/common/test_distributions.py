"""Tails and quantiles against scipy.stats, which has the same laws."""

import numpy as np
import pytest
from scipy import stats

from models.common import distributions

P = np.array([1e-12, 1e-4, 0.025, 0.1, 0.5, 0.9, 0.975, 1 - 1e-9])
Z = np.array([-np.inf, -38.0, -3.0, -0.5, 0.0, 0.5, 3.0, 8.0, np.inf])
X = np.array([-1.0, 0.0, 1e-9, 0.3, 1.0, 4.0, 40.0, 700.0, np.inf])
DF = np.array([[1.0], [2.5], [7.0], [120.0], [1e6]])
# One law by two routes: agreement to rounding in the tails is what is asked.
CLOSE = {"rtol": 1e-9, "atol": 1e-300}


def test_the_normal_law():
    np.testing.assert_allclose(distributions.normal_quantile(P), stats.norm.ppf(P), **CLOSE)
    np.testing.assert_allclose(distributions.normal_cdf(Z), stats.norm.cdf(Z), **CLOSE)
    x, sd = np.linspace(-4, 4, 9), np.linspace(0.5, 3, 9)
    np.testing.assert_allclose(
        distributions.normal_pdf(x, sd), stats.norm.pdf(x, scale=sd), **CLOSE
    )


def test_the_laws_of_test_statistics():
    np.testing.assert_allclose(distributions.chi2_quantile(P, DF), stats.chi2.ppf(P, DF), **CLOSE)
    np.testing.assert_allclose(distributions.chi2_sf(X, DF), stats.chi2.sf(X, DF), **CLOSE)
    np.testing.assert_allclose(distributions.f_sf(X, 3.0, DF), stats.f.sf(X, 3.0, DF), **CLOSE)
    np.testing.assert_allclose(distributions.t_cdf(Z, DF), stats.t.cdf(Z, DF), **CLOSE)
    np.testing.assert_allclose(distributions.t_quantile(P, DF), stats.t.ppf(P, DF), rtol=1e-7)


def test_the_gamma_law():
    shape = np.array([[0.05], [1.0], [30.0]])
    np.testing.assert_allclose(
        distributions.gamma_quantile(P, shape), stats.gamma.ppf(P, shape), **CLOSE
    )


@pytest.mark.parametrize("share", [0.01, 0.3, 0.97])
def test_the_binomial_law(share):
    k, n = np.arange(-1.0, 41.0), np.full(42, 40.0)
    np.testing.assert_allclose(
        distributions.binomial_cdf(k, n, share), stats.binom.cdf(k, n, share)
    )
    np.testing.assert_allclose(distributions.binomial_sf(k, n, share), stats.binom.sf(k, n, share))
    p = np.array([0.001, 0.025, 0.5, 0.975, 0.999])
    found = distributions.binomial_quantile(p, np.full(5, 40.0), share)
    np.testing.assert_array_equal(found, stats.binom.ppf(p, 40, share))
