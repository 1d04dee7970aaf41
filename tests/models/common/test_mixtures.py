"""Quantiles of mixtures of normals against a general root finder, and where Newton would stray."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import norm

from models.common.mixtures import mixture_quantiles

LEVELS = (0.025, 0.1, 0.5, 0.9, 0.975)


def test_one_component_is_the_normal_law():
    found = mixture_quantiles(np.ones((1, 1)), np.array([[0.12]]), np.array([[0.01]]), LEVELS)
    np.testing.assert_allclose(np.ravel(found), norm.ppf(LEVELS, 0.12, 0.01), rtol=1e-11)


def test_drawn_mixtures_against_a_root_finder():
    """Components of very different width, most of them light; a place is known to 1e-9."""
    rng = np.random.default_rng(3)
    weight = rng.dirichlet(np.full(12, 0.2), 60)
    mean = rng.normal(0.125, 0.05, (60, 12))
    sd = np.exp(rng.normal(-5.0, 1.0, (60, 12)))
    found = mixture_quantiles(weight, mean, sd, LEVELS)
    for w, m, s, *places in zip(weight, mean, sd, *found, strict=True):
        for level, place in zip(LEVELS, places, strict=True):
            exact = brentq(lambda x, w=w, m=m, s=s, q=level: w @ norm.cdf(x, m, s) - q, -2, 2)
            # A brentq root is good to 2e-12; less than 1e-12 of weight is left out, which moves a
            # place where hardly anything lies further than one among the components.
            assert (
                place == pytest.approx(exact, abs=1e-9)
                or abs(w @ norm.cdf(place, m, s) - level) < 1e-11
            )


def test_a_quantile_in_an_empty_valley_is_found():
    """Half and half, six hundred SDs apart: the median lies between, where the density is nil."""
    weight, mean = np.array([[0.5, 0.5]]), np.array([[0.1, 0.4]])
    (low,), (high,) = mixture_quantiles(weight, mean, np.full((1, 2), 5e-4), (0.25, 0.75))
    assert (low, high) == pytest.approx((0.1, 0.4), abs=1e-11)
    ((middle,),) = mixture_quantiles(weight, mean, np.full((1, 2), 5e-4), (0.5,))
    assert 0.1 < middle < 0.4


def test_rows_do_not_disturb_each_other():
    rng = np.random.default_rng(4)
    weight, mean = rng.dirichlet(np.ones(5), 50), rng.normal(size=(50, 5))
    sd = rng.uniform(0.1, 1.0, (50, 5))
    ((*together,),) = mixture_quantiles(weight, mean, sd, (0.9,))
    for row in (0, 7, 49):
        some = slice(row, row + 1)
        ((alone,),) = mixture_quantiles(weight[some], mean[some], sd[some], (0.9,))
        assert alone == together[row]
