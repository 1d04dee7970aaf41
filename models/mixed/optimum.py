r"""The search for the REML optimum: Newton's method, restarts and a certificate.

The relative covariances are written :math:`\Gamma = S^2` with S symmetric and
:math:`\tau = s_\tau^2`, so that any real vector is admissible and a variance can reach zero. In
that space the Hessian is :math:`J^\top\mathcal I J` plus the exact second derivative of the square,
which makes Newton's method as fast on the boundary as inside. (A triangular root is not unique
where the start's variance is zero, and the search creeps along the circle of equals.)

A small gradient in S proves nothing: it vanishes wherever S does. The certificate is therefore
taken in the space of variances (Karush-Kuhn-Tucker conditions on the cone of covariance matrices):
along directions open both ways the expected gain of a further step must be negligible, and along
directions that leave the boundary the criterion must not improve.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from models.common.arrays import BoolArray, FloatArray
from models.mixed.blocks import Blocks
from models.mixed.reml import RemlPoint, reml_point
from models.mixed.whitening import Variances

MAX_STEPS = 60
GAIN_TOLERANCE = 1e-13
"""Newton stops when the next step promises less than this in -2 log-likelihood."""
NOISE_GAIN = 1e-9
"""It also stops when a step that promises less than this does not keep its promise (rounding)."""
CERTIFICATE_TOLERANCE = 1e-6
"""Gain in -2 log-likelihood that the certificate still lets pass."""
SLOPE_TOLERANCE = 1e-3
"""Score in standard errors that the certificate lets pass at a boundary."""
NO_SPREAD = 1e-8
"""A variance below this share of the error's counts as zero."""
STARTS = ((1.0, 0.3, 0.3), (0.1, 0.03, 0.03), (10.0, 3.0, 3.0), (1.0, 0.01, 0.3), (0.05, 1.0, 0.05))
"""Standard deviations relative to the error's: start, slope, unit's slope (over a typical t)."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """What a further search could still gain.

    ``gain`` is the improvement of -2 log-likelihood promised by a free step, ``escape`` the largest
    score, in standard errors, that would lead away from a boundary (0 inside).
    """

    gain: float
    escape: float

    @property
    def holds(self) -> bool:
        return self.gain < CERTIFICATE_TOLERANCE and self.escape < SLOPE_TOLERANCE


@dataclass(frozen=True, slots=True)
class Search:
    """Where a search stands: the root of the covariances and the criterion there."""

    root: FloatArray
    point: RemlPoint
    steps: int
    settled: bool


def variances_of(root: FloatArray, t_scale: float) -> Variances:
    """Relative variances of the root (s00, s01, s11, s_tau), t counted in ``t_scale``."""
    a, b, c, d = root
    return Variances(
        g00=a * a + b * b,
        g01=b * (a + c) / t_scale,
        g11=(b * b + c * c) / t_scale**2,
        tau=d * d / t_scale**2,
        determinant=((a * c - b * b) / t_scale) ** 2,
    )


def root_jacobian(root: FloatArray, t_scale: float) -> FloatArray:
    """Derivative of the relative variances in the root, shape (4, 4)."""
    a, b, c, d = root
    s, s2 = t_scale, t_scale**2
    return np.array(
        [
            [2 * a, 2 * b, 0, 0],
            [b / s, (a + c) / s, b / s, 0],
            [0, 2 * b / s2, 2 * c / s2, 0],
            [0, 0, 0, 2 * d / s2],
        ]
    )


def _square_curvature(gradient: FloatArray, t_scale: float) -> FloatArray:
    """Second derivative of the variances in the root, weighted by the gradient."""
    g0, g1, g2, g3 = 2.0 * gradient / np.array([1.0, 2.0 * t_scale, t_scale**2, t_scale**2])
    return np.array([[g0, g1, 0, 0], [g1, g0 + g2, g1, 0], [0, g1, g2, 0], [0, 0, 0, g3]])


def _positive_root(gamma: FloatArray) -> FloatArray:
    """Symmetric root (s00, s01, s11) of a 2 x 2 covariance that may be singular."""
    root_det = np.sqrt(max(gamma[0, 0] * gamma[1, 1] - gamma[0, 1] ** 2, 0.0))
    size = np.sqrt(max(gamma[0, 0] + gamma[1, 1] + 2.0 * root_det, 0.0))
    root = (gamma + root_det * np.eye(2)) / size if size > 0.0 else gamma * 0.0
    return np.array([root[0, 0], root[0, 1], root[1, 1]])


def _scaled_gamma(root: FloatArray) -> FloatArray:
    square = np.array([[root[0], root[1]], [root[1], root[2]]])
    return np.asarray(square @ square)


def _unfolded(root: FloatArray) -> FloatArray:
    """The root of the same covariances that has no negative part."""
    if root[0] * root[2] >= root[1] ** 2 and root[0] + root[2] >= 0.0:
        return root
    return np.append(_positive_root(_scaled_gamma(root)), abs(root[3]))


def profile_information(point: RemlPoint) -> FloatArray:
    """Average information of the four relative variances, sigma² profiled out unless held."""
    full = point.information
    if point.at_floor:
        return full[:4, :4]
    return np.asarray(full[:4, :4] - np.outer(full[:4, 4], full[4, :4]) / full[4, 4])


def _newton_step(
    search: Search, free: BoolArray, t_scale: float, radius: float
) -> tuple[FloatArray, float]:
    """A step downhill within ``radius`` and the gain it promises in -2 log-likelihood."""
    jacobian = root_jacobian(search.root, t_scale)[:, free]
    gradient = jacobian.T @ search.point.gradient
    hessian = 2.0 * jacobian.T @ profile_information(search.point) @ jacobian
    hessian += _square_curvature(search.point.gradient, t_scale)[np.ix_(free, free)]
    values, vectors = np.linalg.eigh(hessian)
    curvature = np.maximum(np.abs(values), 1e-12 * np.abs(values).max(initial=1e-300))
    along = vectors.T @ gradient
    step = np.zeros(4)
    step[free] = -vectors @ (along / curvature)
    size = float(np.abs(step / (1.0 + np.abs(search.root))).max(initial=0.0))
    shrink = min(1.0, radius / size) if size > 0 else 1.0
    return step * shrink, float((along**2 / curvature).sum() / 2.0)


def _tried(
    evaluate: Callable[[FloatArray, FloatArray], RemlPoint], root: FloatArray, beta: FloatArray
) -> RemlPoint | None:
    """The criterion there, or None where its variances drown the fixed effects."""
    try:
        return evaluate(root, beta)
    except np.linalg.LinAlgError:
        return None


def _descend(
    evaluate: Callable[[FloatArray, FloatArray], RemlPoint],
    root: FloatArray,
    point: RemlPoint,
    free: BoolArray,
    t_scale: float,
) -> Search:
    """Newton's method with halving from ``root``, where the criterion is ``point``, until the
    promised gain is negligible."""
    search = Search(root, point, 1, not free.any())
    radius = 1.0
    while not search.settled and search.steps < MAX_STEPS:
        step, gain = _newton_step(search, free, t_scale, radius)
        if gain < GAIN_TOLERANCE:
            return Search(search.root, search.point, search.steps, True)
        trial = search.root + step
        tried = _tried(evaluate, trial, search.point.beta)
        slack = 4e-14 * abs(search.point.deviance) + 1e-12
        if tried is not None and tried.deviance <= search.point.deviance + slack:
            search = Search(_unfolded(trial), tried, search.steps + 1, False)
            radius = min(4.0, 2.0 * radius)
        else:
            radius = 0.25 * min(radius, float(np.abs(step / (1.0 + np.abs(search.root))).max()))
            done = radius < 1e-12 or gain < NOISE_GAIN
            search = Search(search.root, search.point, search.steps + 1, done)
    return search


def evaluator(
    blocks: Blocks, t_scale: float, floor: float
) -> Callable[[FloatArray, FloatArray], RemlPoint]:
    def evaluate(root: FloatArray, beta: FloatArray) -> RemlPoint:
        return reml_point(blocks, variances_of(root, t_scale), beta, floor)

    return evaluate


def starting_root(scales: tuple[float, float, float], free: BoolArray) -> FloatArray:
    start, slope, unit = scales
    return np.where(free, np.array([start, 0.0, slope, unit]), 0.0)


def best_of_restarts(
    blocks: Blocks, free: BoolArray, t_scale: float, floor: float
) -> tuple[Search, float]:
    """The best of several searches and the gap in log-likelihood between them."""
    evaluate, none = evaluator(blocks, t_scale, floor), np.zeros(blocks.n_columns)
    starts = [starting_root(scales, free) for scales in (STARTS if free.any() else STARTS[:1])]
    tried = sorted(((root, evaluate(root, none)) for root in starts), key=lambda s: s[1].deviance)
    found = [_descend(evaluate, root, point, free, t_scale) for root, point in tried[:2]]
    best = min(found, key=lambda search: search.point.deviance)
    return best, max(search.point.deviance - best.point.deviance for search in found) / 2.0


def _boundary_directions(root: FloatArray, free: BoolArray) -> list[FloatArray]:
    """Directions (v0, v1, unit) in which a variance is zero and may only grow."""
    directions = [np.array([0.0, 0.0, 1.0])] if free[3] and root[3] ** 2 < NO_SPREAD else []
    gamma = _scaled_gamma(root)
    if free[1]:
        values, vectors = np.linalg.eigh(gamma)
        pairs = zip(values, vectors.T, strict=True)
    else:
        pairs = zip(np.diag(gamma)[free[[0, 2]]], np.eye(2)[free[[0, 2]]], strict=True)
    return directions + [np.append(v, 0.0) for value, v in pairs if value < NO_SPREAD]


def _score(direction: FloatArray, point: RemlPoint, t_scale: float) -> float:
    """Score along a direction that leaves the boundary, in its standard errors."""
    v0, v1, unit = direction
    change = np.array([v0 * v0, v0 * v1 / t_scale, v1 * v1 / t_scale**2, unit / t_scale**2])
    spread = float(change @ profile_information(point) @ change)
    return float(-change @ point.gradient / 2.0 / np.sqrt(spread)) if spread > 0.0 else 0.0


def certificate_of(search: Search, free: BoolArray, t_scale: float) -> Certificate:
    gain = _newton_step(search, free, t_scale, 1.0)[1] if free.any() else 0.0
    scores = [_score(d, search.point, t_scale) for d in _boundary_directions(search.root, free)]
    return Certificate(gain=gain, escape=max([0.0, *scores]))


def _kicked(root: FloatArray, free: BoolArray, point: RemlPoint, t_scale: float) -> FloatArray:
    """Root parameters moved off the boundary along the most promising direction."""
    best = max(_boundary_directions(root, free), key=lambda d: _score(d, point, t_scale))
    gamma = _scaled_gamma(root) + 0.01 * np.outer(best[:2], best[:2])
    unit = np.sqrt(root[3] ** 2 + 0.01 * best[2])
    return np.where(free, np.append(_positive_root(gamma), unit), 0.0)


def certified_search(
    blocks: Blocks,
    root: FloatArray,
    free: BoolArray,
    t_scale: float,
    floor: float,
    point: RemlPoint | None = None,
) -> tuple[Search, Certificate]:
    """Descend, then leave any boundary that is not optimal, at most three times.

    ``point``: the criterion at ``root``, where it is known.
    """
    evaluate, none = evaluator(blocks, t_scale, floor), np.zeros(blocks.n_columns)
    search = _descend(evaluate, root, point or evaluate(root, none), free, t_scale)
    certificate = certificate_of(search, free, t_scale)
    for _ in range(3):
        if certificate.escape < SLOPE_TOLERANCE:
            break
        root = _kicked(search.root, free, search.point, t_scale)
        search = _descend(evaluate, root, evaluate(root, none), free, t_scale)
        certificate = certificate_of(search, free, t_scale)
    return search, certificate
