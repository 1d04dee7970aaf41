"""The even scale: what wear that quickens does to a lining, by a general-purpose solver."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from models.wear.shape.scale import WearScale, even_per_worn, even_share, worn_share

RATIOS = (0.2, 0.8, 1.0, 1.5, 6.0)


@pytest.mark.parametrize("ratio", RATIOS)
def test_wear_by_the_solver_is_a_straight_line_on_the_scale(ratio):
    """du/dx = c e^{βu}, c so that a lining lasts from x = 0 to 1, by scipy's Runge-Kutta."""
    beta = np.log(ratio)
    c = 1.0 if beta == 0.0 else -np.expm1(-beta) / beta
    x = np.linspace(0.0, 1.0, 41)
    precise = {"rtol": 1e-11, "atol": 1e-12, "method": "DOP853"}
    found = solve_ivp(lambda _, u: c * np.exp(beta * u), (0, 1), [0.0], t_eval=x, **precise)
    assert found.y[0][-1] == pytest.approx(1.0, abs=1e-6)
    assert even_share(found.y[0], beta) == pytest.approx(x, abs=1e-7)


@pytest.mark.parametrize("ratio", RATIOS)
def test_it_goes_there_and_back(ratio):
    u = np.linspace(-0.4, 1.6, 201)
    v = even_share(u, np.log(ratio))
    assert worn_share(v, np.log(ratio)) == pytest.approx(u, abs=1e-12)
    assert (np.diff(v) > 0).all()


@pytest.mark.parametrize("ratio", RATIOS)
def test_its_fineness_is_its_derivative_also_beyond_the_ends(ratio):
    beta, u, h = np.log(ratio), np.array([-0.3, 0.2, 0.9, 1.3]), 1e-6
    slope = (even_share(u + h, beta) - even_share(u - h, beta)) / (2 * h)
    assert even_per_worn(u, beta) == pytest.approx(slope, rel=1e-8)


def test_new_and_minimum_stay_where_they_are():
    scale = WearScale(0.9, np.array([5.0, 7.0]), np.array([11.0, 12.0]))
    for left in (np.zeros(2), scale.usable_mm):
        assert scale.even_mm(left) == pytest.approx(left, abs=1e-12)
    assert scale.even_lining_mm(scale.minimum_mm) == pytest.approx(scale.minimum_mm)
    halves = scale.even_mm(scale.usable_mm / 2)
    # Half of the lining is left, but less of its life: what is left wears faster.
    assert (halves < scale.usable_mm / 2).all()


def test_each_lining_has_its_own_ends():
    scale = WearScale(0.9, np.array([5.0, 7.0]), np.array([11.0, 12.0]))
    many = scale.above_mm(np.array([[1.0, 2.0, 3.0], [1.0, 2.0, 3.0]]))
    alone = WearScale(0.9, np.array([7.0]), np.array([12.0])).above_mm(np.array([[1.0, 2.0, 3.0]]))
    assert many[1] == pytest.approx(alone[0])
    assert scale.some(np.array([1])).even_per_mm(np.array([4.0])) == pytest.approx(
        scale.even_per_mm(np.array([4.0, 4.0]))[1:]
    )
