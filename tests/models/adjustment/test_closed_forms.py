"""Closed forms for one coefficient, against numerical integration of their definitions."""

import numpy as np
import pytest
from scipy.stats import gamma, norm

from models.adjustment.strokes.closed_forms import gamma_prior, normal_prior, outside, uniform_prior

# Weak to overwhelming information, coefficients from far below to far above the prior's range.
CASES = [
    (info, at)
    for info in (1e-3, 1.0, 1e2, 1e4, 1e6)
    for at in (-0.5, -0.05, 0.0, 0.012, 0.05, 0.3, 1.0)
]
HIGH = 0.2


def integrated(info, at, density, low, high):
    """Log marginal likelihood, mean and variance on a fine grid around where the mass is."""
    score = at * info
    fine = np.concatenate(
        [
            np.linspace(low, high, 20_001),
            np.clip(at, low, high) + np.linspace(-15, 15, 60_001) / np.sqrt(info),
            # Where the likelihood is steep at a bound, the mass decays as an exponential from it.
            low + np.geomspace(1e-12, high - low, 40_001),
            high - np.geomspace(1e-12, high - low, 40_001),
        ]
    )
    b = np.unique(np.clip(fine, low, high))
    exponent = score * b - 0.5 * info * b * b
    weight = np.exp(exponent - exponent.max()) * density(b)
    total = np.trapezoid(weight, b)
    mean = np.trapezoid(weight * b, b) / total
    return np.log(total) + exponent.max(), mean, np.trapezoid(weight * (b - mean) ** 2, b) / total


@pytest.mark.parametrize(("info", "at"), CASES)
@pytest.mark.parametrize("shape", [1, 2, 3])
def test_gamma_prior(info, at, shape):
    low, mean = 0.01, 0.05
    found = gamma_prior(np.array([at * info]), np.array([info]), low, mean, shape)
    gain, centre, var = integrated(
        info, at, lambda b: gamma.pdf(b - low, shape, scale=mean / shape), low, 3.0
    )
    # Far out in the tail the excess is taken as exponential: 0.1 % of its moments, and the gain
    # is a product of `shape` of them.
    assert found.log_gain[0] == pytest.approx(gain, abs=4e-3, rel=1e-6)
    assert found.mean[0] - low == pytest.approx(centre - low, rel=5e-3)
    assert found.var[0] == pytest.approx(var, rel=2e-2)


@pytest.mark.parametrize(("info", "at"), CASES)
def test_uniform_prior(info, at):
    found = uniform_prior(np.array([at * info]), np.array([info]), np.array([HIGH]))
    gain, centre, var = integrated(info, at, lambda b: np.full_like(b, 1 / HIGH), 0.0, HIGH)
    assert found.log_gain[0] == pytest.approx(gain, abs=1e-5, rel=1e-6)
    assert found.mean[0] == pytest.approx(centre, abs=1e-6, rel=1e-4)
    # Variances below a hundred-millionth of the range squared are not resolved, nor needed.
    assert found.var[0] == pytest.approx(var, rel=1e-2, abs=HIGH**2 * 1e-8)


@pytest.mark.parametrize(("info", "at"), CASES)
def test_normal_prior(info, at):
    found = normal_prior(np.array([at * info]), np.array([info]), 0.4, 0.04)
    gain, centre, var = integrated(info, at, lambda b: norm.pdf(b, 0.4, 0.2), -3.0, 4.0)
    assert found.log_gain[0] == pytest.approx(gain, abs=1e-5, rel=1e-6)
    assert found.mean[0] == pytest.approx(centre, abs=1e-6)
    assert found.var[0] == pytest.approx(var, rel=1e-3)


@pytest.mark.parametrize("function", ["gamma", "uniform", "normal"])
def test_no_information_returns_the_prior(function):
    none = np.zeros(1)
    found = {
        "gamma": lambda: gamma_prior(none, none, 0.01, 0.05, 2),
        "uniform": lambda: uniform_prior(none, none, np.array([HIGH])),
        "normal": lambda: normal_prior(none, none, 0.4, 0.04),
    }[function]()
    mean, var = {
        "gamma": (0.06, 0.05**2 / 2),
        "uniform": (HIGH / 2, HIGH**2 / 12),
        "normal": (0.4, 0.04),
    }[function]
    assert found.log_gain[0] == pytest.approx(0.0, abs=1e-6)
    assert found.mean[0] == pytest.approx(mean, rel=2e-3)
    assert found.var[0] == pytest.approx(var, rel=2e-3)


def test_outside_a_band():
    assert outside(np.array([0.125]), np.array([1e-9]), 0.10, 0.15)[0] == 0
    assert outside(np.array([0.15]), np.array([0.01]), 0.10, 0.15)[0] == pytest.approx(
        0.5, abs=1e-6
    )
