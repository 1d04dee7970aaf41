"""Newton's method against statsmodels' maximum likelihood, and where it must not go astray."""

import numpy as np
import pytest
import statsmodels.api as sm

from models.common.newton import MAX_STEPS, Evaluated, maximised


def logit(x, y):
    def evaluate(theta):
        eta = x @ theta
        share = 1.0 / (1.0 + np.exp(-eta))
        value = float(y @ eta - np.logaddexp(0.0, eta).sum())
        return Evaluated(value, x.T @ (y - share), -(x.T * (share * (1.0 - share))) @ x)

    return evaluate


def no_longer_than_two(_, step):
    return float(np.abs(step).max()) / 2.0


def test_a_logistic_regression_is_that_of_another_library():
    rng = np.random.default_rng(1)
    x = sm.add_constant(rng.normal(size=(300, 2)))
    y = (rng.random(300) < 1.0 / (1.0 + np.exp(-x @ [0.5, 1.0, -2.0]))).astype(float)
    found = maximised(logit(x, y), np.zeros(3), no_longer_than_two)
    theirs = sm.Logit(y, x).fit(disp=0, tol=1e-12)
    assert found.theta == pytest.approx(theirs.params, abs=1e-9)
    assert found.at.value == pytest.approx(theirs.llf, abs=1e-9)
    assert found.steps < 10


def test_it_climbs_where_the_curvature_points_away_from_the_maximum():
    """exp(-x²/2) from its outer slope, where it bends upwards and a plain step would flee."""

    def evaluate(theta):
        x = float(theta[0])
        height = float(np.exp(-(x**2) / 2.0))
        return Evaluated(height, np.array([-x * height]), np.array([[(x**2 - 1.0) * height]]))

    assert maximised(evaluate, np.array([2.0]), no_longer_than_two).theta == pytest.approx([0.0])


def test_it_ends_where_a_step_has_no_length_and_where_nothing_bounds_it():
    def evaluate(theta):
        return Evaluated(float(theta[0]), np.ones(1), np.zeros((1, 1)))

    assert maximised(evaluate, np.zeros(1), lambda *_: np.inf).theta == [0.0]
    assert maximised(evaluate, np.zeros(1), no_longer_than_two).steps == MAX_STEPS
