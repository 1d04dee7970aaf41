"""The REML engine against its own definition in dense matrices, and where it could go wrong."""

from dataclasses import replace

import numpy as np
import pytest

from models.mixed.blocks import _checked_rows, _row_moments, assemble_blocks, blocks_from_rows
from models.mixed.fit import TooFewRowsError, estimable_variances, fit_mixed, typical_t
from models.mixed.optimum import (
    Search,
    _score,
    certificate_of,
    certified_search,
    profile_information,
    variances_of,
)
from models.mixed.pilot import pilot
from models.mixed.reml import reml_point
from models.mixed.whitening import Variances
from tests.dense import dense_deviance


def relative(theta) -> Variances:
    return Variances(*theta, determinant=theta[0] * theta[2] - theta[1] ** 2)


def fleet_rows(seed=1, units=12, lives=3, readings=5, keep=0.8, free_every=4, unit_sd=0.2):
    """Unbalanced three-level rows: two instruments, free starts, one column that wanders."""
    rng = np.random.default_rng(seed)
    n_blocks = units * lives
    block = np.repeat(np.arange(n_blocks), readings)
    t = np.sort(rng.uniform(0, 20, (n_blocks, readings)), axis=1).ravel()
    duty = block % 2
    slope = (
        rng.normal(0.5, 0.1, n_blocks) + rng.normal(0, unit_sd, units)[np.arange(n_blocks) // lives]
    )
    weight = rng.choice([1.0, 0.25], len(t))
    start = rng.normal(15, 1, n_blocks)
    y = start[block] - slope[block] * t + rng.normal(0, 0.5, len(t)) / np.sqrt(weight)
    chosen = rng.random(len(t)) < keep
    _, block_now = np.unique(block[chosen], return_inverse=True)
    x = np.column_stack([np.ones_like(t), t * duty, t * (1 - duty), t * rng.random(len(t))])
    return {
        "y": y[chosen],
        "x": x[chosen],
        "t": t[chosen],
        "block": block_now,
        "unit": (block // lives)[chosen],
        "unknown_intercept": (block % free_every == free_every - 1)[chosen],
        "weight": weight[chosen],
    }


THETA = np.array([1.2, -0.05, 0.03, 0.04])


def test_criterion_coefficients_and_error_equal_the_dense_definition():
    rows = fleet_rows()
    blocks = blocks_from_rows(**rows)
    point = reml_point(blocks, relative(THETA))
    deviance, beta, sigma2 = dense_deviance(THETA, **rows)
    assert point.deviance == pytest.approx(deviance, rel=1e-12)
    assert point.beta + blocks.offset == pytest.approx(beta, rel=1e-9)
    assert point.sigma2 == pytest.approx(sigma2, rel=1e-10)


def test_gradient_equals_central_differences_of_the_dense_definition():
    """Differences at 1e-5 of a criterion near 400 resolve the slope to about 1e-6."""
    rows = fleet_rows()
    point = reml_point(blocks_from_rows(**rows), relative(THETA))
    steps = 1e-5 * np.eye(4)
    slopes = [
        (dense_deviance(THETA + s, **rows)[0] - dense_deviance(THETA - s, **rows)[0]) / 2e-5
        for s in steps
    ]
    assert point.gradient == pytest.approx(slopes, rel=1e-6)


def test_average_information_equals_its_definition():
    """Half y'P V_k P V_l P y in dense matrices, at the same variances."""
    rows = fleet_rows(free_every=10**6)
    blocks = blocks_from_rows(**rows)
    point = reml_point(blocks, relative(THETA), reml_point(blocks, relative(THETA)).beta)
    t, same = rows["t"], rows["block"][:, None] == rows["block"]
    one = np.ones_like(t)
    parts = [
        np.outer(one, one) * same,
        (np.outer(one, t) + np.outer(t, one)) * same,
        np.outer(t, t) * same,
        np.outer(t, t) * (rows["unit"][:, None] == rows["unit"]),
    ]
    h = np.diag(1 / rows["weight"]) + sum(v * part for v, part in zip(THETA, parts, strict=True))
    inverse, x = np.linalg.inv(h), rows["x"]
    project = inverse - inverse @ x @ np.linalg.solve(x.T @ inverse @ x, x.T @ inverse)
    pulled = [part @ project @ rows["y"] for part in parts] + [rows["y"] / point.sigma2]
    wanted = [[a @ project @ b / point.sigma2 / 2 for a in pulled] for b in pulled]
    assert point.information == pytest.approx(np.array(wanted), rel=1e-8)


def clustered_blocks(rows, share, scale):
    """The rows' blocks in clusters of one unit's even and odd ones, each block with its scale."""
    moments = _row_moments(_checked_rows(**rows))
    _, cluster = np.unique(2 * moments.unit + moments.source % 2, return_inverse=True)
    first = np.unique(cluster, return_index=True)[1]
    blocks = assemble_blocks(
        [replace(moments, cluster=cluster, unit_scale=scale)],
        ["a", "b", "c", "d"],
        n_units=int(moments.unit.max()) + 1,
        has_units=True,
        cluster_unit=moments.unit[first],
        cluster_share=share,
    )
    return blocks, cluster[rows["block"]]


@pytest.mark.parametrize("share", [0.0, 0.35, 1.0])
def test_clusters_and_scaled_unit_slopes_equal_the_dense_definition(share):
    """Criterion, gradient and average information with a share of clusters, in dense matrices."""
    rows = fleet_rows(free_every=10**6)
    scale = np.random.default_rng(2).uniform(0.5, 2.0, rows["block"].max() + 1)
    blocks, cluster = clustered_blocks(rows, share, scale)
    point = reml_point(blocks, relative(THETA), reml_point(blocks, relative(THETA)).beta)
    t, one = rows["t"], np.ones_like(rows["t"])
    same, z = rows["block"][:, None] == rows["block"], rows["t"] * scale[rows["block"]]
    together = (1 - share) * (rows["unit"][:, None] == rows["unit"])
    together = together + share * (cluster[:, None] == cluster)
    cross = np.outer(one, t) + np.outer(t, one)
    parts = [np.outer(one, one) * same, cross * same, np.outer(t, t) * same]
    parts.append(np.outer(z, z) * together)
    h = np.diag(1 / rows["weight"]) + sum(v * part for v, part in zip(THETA, parts, strict=True))
    inverse, x, y = np.linalg.inv(h), rows["x"], rows["y"]
    inner = x.T @ inverse @ x
    project = inverse - inverse @ x @ np.linalg.solve(inner, x.T @ inverse)
    df = len(t) - x.shape[1]
    deviance = np.linalg.slogdet(h)[1] + np.linalg.slogdet(inner)[1]
    deviance += df * np.log(2 * np.pi * point.sigma2) + df
    assert point.sigma2 == pytest.approx(y @ project @ y / df, rel=1e-10)
    assert point.deviance == pytest.approx(deviance, rel=1e-10)
    pulled = [part @ project @ y for part in parts]
    gradient = [
        np.trace(project @ part) - (y @ project) @ q / point.sigma2
        for part, q in zip(parts, pulled, strict=True)
    ]
    assert point.gradient == pytest.approx(gradient, rel=1e-7)
    wanted = [[a @ project @ b / point.sigma2 / 2 for a in pulled] for b in pulled]
    assert point.information[:4, :4] == pytest.approx(np.array(wanted), rel=1e-8)


def test_chunks_and_units_larger_than_a_chunk_change_nothing(monkeypatch):
    blocks = blocks_from_rows(**fleet_rows())
    whole = reml_point(blocks, relative(THETA))
    monkeypatch.setattr("models.mixed.whitening.CHUNK_BLOCKS", 2)
    pieces = reml_point(blocks, relative(THETA))
    assert pieces.deviance == pytest.approx(whole.deviance, rel=1e-13)
    assert pieces.gradient == pytest.approx(whole.gradient, rel=1e-11)
    assert pieces.information == pytest.approx(whole.information, rel=1e-11)


def test_no_neighbour_of_the_optimum_is_better():
    rows = fleet_rows()
    fit = fit_mixed(blocks_from_rows(**rows))
    v = fit.point.variances
    best = np.array([v.g00, v.g01, v.g11, v.tau])
    assert fit.converged
    assert -2 * fit.reml_loglik == pytest.approx(dense_deviance(best, **rows)[0], rel=1e-12)
    for step in np.vstack([np.eye(4), -np.eye(4)]) * best * 0.01:
        assert dense_deviance(best + step, **rows)[0] > -2 * fit.reml_loglik


def test_the_certificate_refuses_a_stationary_point_of_the_square_root():
    """With every root zero the gradient in root space is exactly zero, and the point is wrong."""
    blocks = blocks_from_rows(**fleet_rows())
    scale, free = typical_t(blocks), np.ones(4, bool)
    root = np.zeros(4)
    stuck = Search(root, reml_point(blocks, variances_of(root, scale)), 1, True)
    certificate = certificate_of(stuck, free, scale)
    assert certificate.gain == 0.0
    assert certificate.escape > 1.0
    assert not certificate.holds


def test_the_score_away_from_a_boundary_is_the_slope_in_its_standard_errors():
    """Along v v' in covariance space, from a singular covariance: differences resolve 1e-5."""
    rows = fleet_rows()
    blocks = blocks_from_rows(**rows)
    scale, v = 7.0, np.array([0.6, -0.8, 0.0])
    gamma = np.outer([0.8, 0.6 / scale], [0.8, 0.6 / scale])

    def deviance(step):
        moved = gamma + step * np.outer([v[0], v[1] / scale], [v[0], v[1] / scale])
        return dense_deviance([moved[0, 0], moved[0, 1], moved[1, 1], 0.02], **rows)[0]

    at = relative([gamma[0, 0], gamma[0, 1], gamma[1, 1], 0.02])
    point = reml_point(blocks, at, reml_point(blocks, at).beta)
    change = np.array([v[0] ** 2, v[0] * v[1] / scale, (v[1] / scale) ** 2, 0.0])
    spread = np.sqrt(change @ profile_information(point) @ change)
    slope = (deviance(1e-5) - deviance(-1e-5)) / 2e-5
    assert _score(v, point, scale) == pytest.approx(-slope / 2 / spread, rel=1e-4)


def test_a_spread_that_is_not_there_is_estimated_as_zero_andcertified_search():
    rng = np.random.default_rng(3)
    block = np.repeat(np.arange(40), 6)
    t = np.tile(np.arange(6.0), 40)
    y = 5 - t + rng.normal(0, 1, 240)
    y -= np.repeat(y.reshape(40, 6).mean(axis=1), 6) - 2.5
    fit = fit_mixed(blocks_from_rows(y, np.column_stack([np.ones(240), t]), t, block))
    assert np.linalg.eigvalsh(fit.gamma)[0] == pytest.approx(0.0, abs=1e-8)
    assert fit.converged


def test_a_search_that_starts_on_a_false_stationary_point_leaves_it():
    blocks = blocks_from_rows(**fleet_rows())
    scale, free = typical_t(blocks), np.ones(4, bool)
    search, certificate = certified_search(blocks, np.zeros(4), free, scale, 1e-12)
    assert certificate.holds
    assert search.point.deviance == pytest.approx(-2 * fit_mixed(blocks).reml_loglik, rel=1e-10)


def test_rows_that_lie_exactly_on_lines_still_have_a_fit():
    t = np.tile(np.arange(5.0), 10)
    block = np.repeat(np.arange(10), 5)
    y = 12.0 - 0.5 * t
    fit = fit_mixed(blocks_from_rows(y, np.column_stack([np.ones(50), t]), t, block))
    assert fit.beta == pytest.approx([12.0, -0.5], rel=1e-9)
    assert np.isfinite([fit.reml_loglik, fit.sigma2, *fit.standard_errors]).all()


def test_a_least_error_is_respected():
    t = np.tile(np.arange(5.0), 10)
    y = 12.0 - 0.5 * t
    x = np.column_stack([np.ones(50), t])
    fit = fit_mixed(blocks_from_rows(y, x, t, np.repeat(np.arange(10), 5)), min_sd=0.15)
    assert fit.sigma2 == pytest.approx(0.0225)


@pytest.mark.parametrize(
    ("rows_per_block", "units", "expected"),
    [
        (1, 4, [False, False, True, True]),
        (3, 1, [True, True, True, False]),
        (3, 12, [True, True, True, False]),
        (3, 4, [True, True, True, True]),
    ],
)
def test_only_spreads_that_the_layout_can_show_are_estimated(rows_per_block, units, expected):
    """Twelve blocks: single rows hide the start, one unit or one block a unit hides the unit."""
    block = np.repeat(np.arange(12), rows_per_block)
    t = np.random.default_rng(0).uniform(1, 2, len(block))
    blocks = blocks_from_rows(t, np.ones((len(t), 1)), t, block, unit=block % units)
    assert estimable_variances(blocks).tolist() == expected


def test_blocks_with_one_row_still_count():
    rows = fleet_rows(keep=0.35, free_every=10**6)
    counts = np.bincount(rows["block"])
    assert (counts == 1).sum() >= 5
    fit = fit_mixed(blocks_from_rows(**rows))
    v = fit.point.variances
    dense = dense_deviance(np.array([v.g00, v.g01, v.g11, v.tau]), **rows)
    assert -2 * fit.reml_loglik == pytest.approx(dense[0], rel=1e-12)
    assert fit.beta == pytest.approx(dense[1], rel=1e-9)


def test_too_few_rows_say_so():
    with pytest.raises(TooFewRowsError, match="2 readings for 2 coefficients"):
        fit_mixed(blocks_from_rows([1.0, 2.0], np.eye(2), [0.0, 1.0], [0, 1]))


def test_rows_of_unequal_length_say_so():
    with pytest.raises(ValueError, match="rows of equal length"):
        blocks_from_rows([1.0, 2.0], np.eye(2), [0.0], [0, 1])


def test_an_uncorrelated_start_needs_its_origin():
    t = np.arange(4.0)
    blocks = blocks_from_rows(t, np.column_stack([np.ones(4), t]), t, [0, 0, 1, 1])
    with pytest.raises(ValueError, match="keep_origin"):
        fit_mixed(blocks, correlated=False)


def test_a_pilot_keeps_whole_units_and_every_column():
    rng = np.random.default_rng(2)
    block = np.repeat(np.arange(6000), 2)
    t = rng.uniform(0, 10, 12000)
    x = np.column_stack([np.ones(12000), t, block == 4])
    blocks = blocks_from_rows(rng.normal(size=12000), x, t, block, unit=block // 3)
    part = pilot(blocks)
    assert 900 <= part.n_blocks <= 1300
    assert part.n_columns == 3
    assert (part.groups[0].segment_length == 3).all()
    assert np.isfinite(reml_point(part, relative(THETA)).deviance)
