"""Scores unit by unit against differences of each unit's own dense likelihood; what they cover."""

from dataclasses import replace

import numpy as np
import pytest

from models.mixed.blocks import _checked_rows, _row_moments, assemble_blocks, blocks_from_rows
from models.mixed.fit import fit_mixed
from models.mixed.satterthwaite import variance_covariance
from models.mixed.unit_scores import robust_variance_covariance, unit_scores
from tests.models.mixed.test_engine import fleet_rows


def dense_unit_loglik(theta, rows, beta, sigma2, share):
    """Log-likelihood of every unit in dense matrices, clusters being blocks of one parity."""
    residual = rows["y"] - rows["x"] @ beta
    found = []
    for unit in np.unique(rows["unit"]):
        at = rows["unit"] == unit
        t, block, r = rows["t"][at], rows["block"][at], residual[at]
        same = block[:, None] == block
        alike = block[:, None] % 2 == block % 2
        h = np.diag(1.0 / rows["weight"][at]) + same * (
            theta[0] + theta[1] * (t[:, None] + t) + theta[2] * np.outer(t, t)
        )
        h = h + theta[3] * np.outer(t, t) * ((1.0 - share) + share * alike)
        found.append(-0.5 * (np.linalg.slogdet(h)[1] + r @ np.linalg.solve(h, r) / sigma2))
    return np.array(found)


@pytest.mark.parametrize("share", [0.0, 0.4])
def test_scores_are_the_slopes_of_each_units_own_likelihood(share):
    """Differences at 1e-6 of likelihoods near 10 resolve a slope to about 1e-8."""
    rows = fleet_rows(free_every=10**6)
    moments = _row_moments(_checked_rows(**rows))
    parity = moments.source % 2
    units = np.arange(rows["unit"].max() + 1)
    blocks = assemble_blocks(
        [replace(moments, cluster=2 * moments.unit + parity)],
        [f"x{i}" for i in range(4)],
        n_units=len(units),
        has_units=True,
        cluster_unit=np.repeat(units, 2),
        cluster_share=share,
    )
    fit = fit_mixed(blocks)
    v = fit.point.variances
    theta = np.array([v.g00, v.g01, v.g11, v.tau])
    slopes = np.column_stack(
        [
            (
                dense_unit_loglik(theta + step, rows, fit.beta, fit.sigma2, share)
                - dense_unit_loglik(theta - step, rows, fit.beta, fit.sigma2, share)
            )
            / 2e-6
            for step in 1e-6 * np.eye(4)
        ]
    )
    expected = slopes - slopes.mean(axis=0)
    assert unit_scores(blocks, fit) == pytest.approx(expected, rel=1e-4, abs=1e-5)


def test_without_units_the_covariance_is_the_likelihoods():
    rows = fleet_rows()
    blocks = blocks_from_rows(**rows | {"unit": None})
    fit = fit_mixed(blocks)
    assert (robust_variance_covariance(blocks, fit) == variance_covariance(fit)).all()


def test_where_units_are_normal_both_covariances_agree():
    """600 units: the error of a variance of s squares is 1/sqrt(2 * 600), of one of normals 4 %."""
    rows = fleet_rows(units=600, free_every=10**6)
    blocks = blocks_from_rows(**rows)
    fit = fit_mixed(blocks)
    own, by_units = variance_covariance(fit), robust_variance_covariance(blocks, fit)
    assert np.diag(by_units)[[0, 2, 3]] == pytest.approx(np.diag(own)[[0, 2, 3]], rel=0.25)
